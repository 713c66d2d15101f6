"""Records for tests of the reports: probe tests as a tester stores them, written by the core's own encoder."""

import math
import pathlib
import random
from typing import Any

from probecore import calibration, record, verdict
from probecore.curves import curve
from probeledger import circuit
from probeledger.archive import Archive, open_archive

# 2026-11-25 12:00:00 UTC.
NOON = 1_795_608_000
LEDGER = b"ledger-1"
TESTER = "pl-3f9a1c"
REFERENCE_OHMS = 1500.0


def counts_for(ohms: float, number: int = 2, seed: int = 1) -> list[list[int]]:
    """Return readings whose ratio is that of a probe [ohm] on the 1500-ohm reference, with the converter's noise."""
    noise = random.Random(seed)
    reference = round(0.292e-3 * REFERENCE_OHMS / (3.3 / 4) * 2**23)
    probe = reference * ohms / REFERENCE_OHMS

    def drawn(value: float) -> int:
        return round(value + noise.gauss(0.0, 12.0))

    return [
        [
            drawn(reference), drawn(probe), drawn(-probe), drawn(-reference),
            drawn(-reference), drawn(-probe), drawn(probe), drawn(reference),
        ]
        for _ in range(number)
    ]  # fmt: skip


def probe(
    ohms: float | None = None,
    celsius: float = 22.0,
    ambient_celsius: float = 22.0,
    **parts: Any,
) -> dict[str, Any]:
    """Return the body of a guided test at a sensor, judged as the tester does; `parts` replace or add.

    `ohms` defaults to the nominal curve's at `celsius`.
    """
    of = curve(parts.get("curve", "pt1000-3850"))
    value = of.ohms(celsius) if ohms is None else ohms
    # Its numbers with the state of a calibrated one, so that the findings are about the probe.
    used = calibration.with_state(circuit.uncalibrated(), calibration.CALIBRATED)
    body: dict[str, Any] = {
        "place": "sensor",
        "ticket": None,
        "job": 4711,
        "mode": "guided",
        "curve": of.name,
        "profile": "domestic-1000",
        "usb": False,
        "cell_volts": 3.95,
        "foreign": {"seen": False, "at": None, "dc_volts": 0.01, "ac_volts": 0.02, "over_range": False},
        "leads": "connected",
        "range": "low",
        "gain": 4,
        "rate_hz": 20,
        "readings": counts_for(value),
        "reference_ohms": REFERENCE_OHMS,
        "calibration": calibration.to_map(used),
        "ohms": value,
        "u_ohms": used.u_gain * value * 1.1,
        "tester_celsius": 23.0,
        "settling": {
            "settled": True,
            "slope_ohms_per_minute": 0.02,
            "u_slope_ohms_per_minute": 0.02,
            "waited_s": 12,
            "wait_s": 0,
        },
        "ambient": {"celsius": ambient_celsius, "u_celsius": 0.25, "source": "sensor"},
        "contact": {"proven": True, "ohms": 0.4},
        "isolation": {
            "a": {"ohms": 5e7, "u_ohms": 1e6, "greater": True},
            "b": {"ohms": 5e7, "u_ohms": 1e6, "greater": True},
            "position": None,
            "u_position": None,
            "separable": False,
        },
        "flex": None,
        "harness": None,
        "fault": None,
    }
    body.update(parts)
    if body["leads"] != "connected":
        body.update(ohms=None, u_ohms=None, readings=[])
    try:
        judged = verdict.judge(body)
    except Exception:
        return body
    body.setdefault("verdict", judged.verdict)
    body.setdefault("probability", judged.probability)
    body.setdefault("findings", list(judged.findings))
    body.setdefault("requirements", [list(pair) for pair in judged.requirements])
    body.setdefault("not_checked", list(judged.not_checked))
    body.setdefault("celsius", judged.celsius)
    body.setdefault("u_celsius", judged.u_celsius)
    body.setdefault("expected_ohms", judged.expected_ohms)
    return body


class Ledger:
    """Chains records of one tester."""

    def __init__(self, tester: str = TESTER, ledger: bytes = LEDGER) -> None:
        self.tester = tester
        self.ledger = ledger
        self.items: list[tuple[int, bytes]] = []
        self._previous = record.GENESIS

    def add(self, kind: str, body: dict[str, Any], time: int | None = NOON, **header: Any) -> None:
        sequence = len(self.items) + 1
        item = record.encode(
            self.ledger,
            sequence,
            kind,
            header.get("boot", 1),
            header.get("ms", sequence * 60_000),
            time,
            self.tester,
            header.get("firmware", "0.1.0"),
            header.get("calibration"),
            self._previous,
            body,
        )
        self._previous = record.digest(item)
        self.items.append((sequence, item))


def archive_of(folder: pathlib.Path, *ledgers: Ledger) -> Archive:
    """Return an open archive in a folder with the records of these ledgers."""
    archive = open_archive(folder / "archive.sqlite", create=True)
    for ledger in ledgers:
        archive.add(ledger.items, ledger.tester, ledger.ledger)
    return archive


def a_day() -> Ledger:
    """Return a ledger with a day of many kinds of test, for looking at."""
    of = curve("pt1000-3850")
    ledger = Ledger()
    ledger.add("boot", {"reset": "power"}, NOON - 14_400)
    ledger.add("probe", probe(celsius=22.1, ticket="1042", job=101), NOON - 14_000)
    open_leads = {"leads": "open", "settling": None}
    ledger.add("probe", probe(ticket="1043", job=102, **open_leads), NOON - 11_000)
    ledger.add("probe", probe(celsius=21.8, ticket="1043", job=102, place="new-part"), NOON - 10_700)
    ledger.add("probe", probe(celsius=22.0, ticket="1043", job=102, place="after-fitting"), NOON - 10_000)
    ledger.add("probe", probe(celsius=22.1, job=103), NOON - 8_000)
    ledger.add(
        "probe",
        probe(
            of.ohms(22.1) + 12.1,
            job=103,
            place="control-end",
            harness={"ohms": 12.1, "u_ohms": 0.3, "other_sequence": 6},
        ),
        NOON - 7_700,
    )
    leak = {
        "a": {"ohms": 40_100.0, "u_ohms": 120.0, "greater": False},
        "b": {"ohms": 41_180.0, "u_ohms": 120.0, "greater": False},
    }
    ledger.add("probe", probe(celsius=22.0, ticket="1044", job=104, isolation=leak), NOON - 5_000)
    moving = {
        "settled": False,
        "slope_ohms_per_minute": -4.2,
        "u_slope_ohms_per_minute": 0.2,
        "waited_s": 60,
        "wait_s": 900,
    }
    ledger.add("probe", probe(celsius=55.0, ticket="1045", job=105, settling=moving), NOON - 3_000)
    flex = {
        "seconds": 10.0,
        "readings": 3460,
        "dropouts": 7,
        "longest_dropout_ms": 45,
        "steps": 2,
        "largest_step_ohms": 31.5,
    }
    ledger.add("probe", probe(celsius=22.2, ticket="1046", job=106, mode="flex", flex=flex), NOON - 2_000)
    volts = {"seen": True, "at": "lead a", "dc_volts": 0.3, "ac_volts": 24.1, "over_range": True}
    nothing = {
        "leads": None,
        "settling": None,
        "contact": None,
        "isolation": None,
        "ambient": None,
        "range": None,
    }
    ledger.add("probe", probe(ticket="1047", job=107, foreign=volts, **nothing), NOON - 1_000)
    ledger.add("fault", {"task": "link", "error": "OSError", "text": "A page did not verify.", "trace": ""}, NOON - 900)
    return ledger


def is_close(one: float | None, other: float, tolerance: float) -> bool:
    """Tell whether two numbers agree within a tolerance."""
    return one is not None and math.isclose(one, other, abs_tol=tolerance)
