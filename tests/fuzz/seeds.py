"""What fuzzing starts from: one or a few sound inputs of each decoder."""

from __future__ import annotations

import dataclasses
import datetime
import json

from probecore import calibration, cbor, frames, limits, record
from probeledger import circuit
from probeledger.calibrating import references, runfile
from probeledger.sending.definition import of_curve, of_limits
from probeledger.sensors import description
from probeledger.virtual.scenario import OVENS

_BODY = {
    "place": "sensor", "ticket": None, "job": 1, "mode": "quick", "curve": "pt1000-3850", "profile": "domestic-1000",
    "usb": False, "cell_volts": 3.9, "foreign": {"seen": False, "dc_volts": 0.0, "ac_volts": 0.0}, "leads": "connected",
    "range": "low", "gain": 4, "rate_hz": 20, "reference_ohms": 1500.0,
    "readings": [[3200000, 2300000, -2300000, -3200000, -3200000, -2300000, 2300000, 3200000]],
    "ohms": 1085.7, "u_ohms": 0.1, "celsius": 22.0, "u_celsius": 0.03, "expected_ohms": 1085.7,
    "settling": {"settled": True, "slope_ohms_per_minute": 0.0}, "ambient": {"celsius": 22.0, "u_celsius": 0.2},
    "contact": {"proven": True, "ohms": 1.0}, "isolation": {"a": {"ohms": 4e7, "u_ohms": 1e6, "greater": True}},
    "flex": {"seconds": 5.0, "readings": 100, "dropouts": 0, "steps": 0}, "harness": {"ohms": 0.4, "u_ohms": 0.1},
    "fault": None, "verdict": "pass", "probability": 0.99, "findings": [], "requirements": [["continuity", 1.0]],
}  # fmt: skip

_CURVES = (
    'name = "a"\nkind = "platinum"\nr0_ohms = 1000.0\nalpha = 0.00375\ndelta = 1.605\nbeta = 0.16\nlow_celsius = -50\n'
    "high_celsius = 500\n",
    'name = "b"\nkind = "ntc-beta"\nreference_ohms = 10000\nbeta_kelvin = 3977\nlow_celsius = 0\nhigh_celsius = 100\n',
    'name = "c"\nkind = "steinhart-hart"\na = 1.129241e-3\nb = 2.341077e-4\nc = 8.775468e-8\nlow_celsius = 0\n'
    "high_celsius = 100\n",
    'name = "d"\nkind = "table"\nrows = [[0, 32650.8], [25, 10000], [50, 3601]]\n',
    'name = "e"\nkind = "polynomial"\ncoefficients = [1000, 7.9, 0.019]\nlow_celsius = -40\nhigh_celsius = 125\n',
)

_REFERENCES = """name = "example set"
[[references]]
name = "short"
ohms = 0.0003
uncertainty_ohms = 0.0002
k = 2
""" + "".join(
    f"""[[references]]
name = "R{ohms}"
ohms = {ohms}.01
uncertainty_ppm = 50
k = 2
certificate = "C-{ohms}"
date = 2026-03-14
celsius = 20.0
tempco_ppm_per_k = 4.0
drift_limit_ppm_per_year = 6.0
shared_group = "box"
shared_uncertainty_ohms = 0.001
"""
    for ohms in (100, 1000, 1500, 2000)
)

_POINTS = (
    "reference_ohms,u_reference_ohms,raw_ohms,u_raw_ohms,shared_group,u_shared_ohms\n"
    "0,0.001,0.01,0.001,,\n100,0.005,100.2,0.002,box,0.001\n1000,0.05,1001,0.01,box,0.01\n2000,0.1,2002.1,0.02,,\n"
)


def _run() -> bytes:
    """Return a calibration run that has just begun."""
    when = datetime.datetime(2026, 3, 20, 18, 0, tzinfo=datetime.UTC)
    found = references.read_references(_REFERENCES, "references.toml")
    made = runfile.begin(
        "pl-000000", "0.1.0", calibration.to_map(circuit.uncalibrated()), found, _REFERENCES, "references.toml", when
    )
    document = {"kind": runfile.KIND, "format": runfile.FORMAT, "complete": False, **dataclasses.asdict(made)}
    return json.dumps(document).encode()


def _scenarios() -> list[bytes]:
    return [path.read_bytes() for path in sorted(OVENS.glob("*.toml"))]


def seeds() -> dict[str, list[bytes]]:
    """Return sound inputs by target."""
    hello = cbor.dumps(
        {"protocol": 1, "tester": "pl-000000", "firmware": "0.1.0", "ledger": bytes(8), "store": "flash", "first": 1,
         "last": 3, "confirmed": 0, "head": record.GENESIS, "boot": 1, "ms": 5, "time": None, "clock_set": False,
         "calibration": None, "calibration_state": "uncalibrated", "cell_volts": 3.9, "micropython": "1.28.0"}
    )  # fmt: skip
    body = cbor.dumps(_BODY)
    item = record.encode(bytes(8), 1, "probe", 1, 1, 1764000000, "pl-000000", "0", None, record.GENESIS, _BODY)
    end = cbor.dumps({"next": 4, "last": 3, "head": record.GENESIS})
    profile = "".join(
        f"{key} = {json.dumps(value)}\n" for key, value in sorted(limits.DOMESTIC_1000.items()) if key != "name"
    )
    odd_toml = [b"name = " + b"9" * 1200, b"a = " + b"[" * 1400, b"a" + b".a" * 600 + b" = 1", b'name = "\\u0000"']
    found = {
        "request": [frames.request(3, "pull", 1, 30), frames.request(255, "hello"), b"help\r\n", b"pl1 0 id"],
        "reply": [frames.encode_reply("R", 1, hello), b"\0\0\1\1\0", bytes(range(256)), bytes(600)],
        "answer": [hello, end, cbor.dumps({"code": "busy", "message": "A test is running."})],
        "pull": [
            frames.encode_reply("D", 0, (1).to_bytes(4, "little") + item),
            frames.encode_reply("Z", 0, end),
            frames.encode_reply("E", 255, cbor.dumps({"code": "damaged-request", "message": "again"})),
        ],
        "cbor": [hello, body, end, b"\xf9\x3c\x00", b"\x9f\x01\xff", b"\xc1\x00", b"\x1b" + bytes(8)],
        "item": [item, body],
        "offer": [
            *(of_curve(description.from_text(each)).data for each in _CURVES),
            of_limits({**limits.DOMESTIC_1000, "name": "ours"}).data,
            cbor.dumps(calibration.to_map(circuit.uncalibrated())),
        ],
        "segment": [record.frame(item), record.frame(item) + record.frame(body)],
        "curve": [each.encode() for each in _CURVES],
        "limits": [profile.encode(), b'name = "ours"\nharness_ohms = 2.0\n'],
        "scenario": _scenarios(),
        "references": [_REFERENCES.encode()],
        "points": [_POINTS.encode()],
        "tickets": [
            b"ticket,appliance,model,serial,cavity,message,present_offset_celsius\n"
            b"1042,range,invented,0001,upper,E-none,-5\n1043,,,,,,\n"
        ],
        "bake": [b"seconds,celsius\n0,25.5\n1,26.0\n2,26.4\n", b"seconds;celsius\n0;25,5\n60;26,0\n"],
        "archive": [b"", b"\0\0\x12\xff", bytes(range(40))],
        "run": [_run()],
    }
    for name in ("curve", "limits", "scenario", "references"):
        found[name] += odd_toml
    return found
