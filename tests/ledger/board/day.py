"""A scripted day of a tester's ledger, of an invented technician: what is appended, confirmed and set, in which order.

The chip is small (SECTORS), so that the day begins with a nearly full ledger and has to make room by removing segments
that the shop has confirmed. The bodies have the keys and sizes of real ones; their numbers are invented.
"""

from nor_chip import Wires

from ledger import store as stores
from ledger import volume
from parts.norflash import NorFlash

SECTORS = 40
TESTER = "pl-0000aa"
PROBE_TESTS = 32
BAKE_MINUTES = 60
BAKE_CHUNK_MINUTES = 2


def start(chip, number=None):
    """Do what a start of the tester does with the ledger: open it, and append the record of the start."""
    chip.power_on()
    wires = Wires(chip)
    # The ledger's id is drawn once; here it is always the same, so that every run has the very same operations.
    stores._draw = lambda: b"one-day!"
    ticks = [0]

    def uptime_ms():
        ticks[0] += 1234
        return ticks[0]

    store = volume.open_store(lambda: NorFlash(wires, wires.select), (TESTER, "0.1.0", uptime_ms, lambda: 1790000000))
    assert store.kind == "flash", store.notes
    return store


def boot_body(store):
    return {"reset": "power", "store": store.kind, "notes": [note[:160] for note in store.notes], "cell_volts": 3.9}


def probe_body(number):
    """Return a body as a guided probe test leaves it."""
    readings = [
        [1234567 + 17 * number + 3 * index, -1100000 - index, 1234560 - index, -1100010, 7, -9, 11, number]
        for index in range(16)
    ]
    return {
        "place": "sensor" if number % 2 else "control-end",
        "ticket": None if number % 3 else f"T-{number}",
        "job": number,
        "mode": "guided",
        "curve": "pt1000-3850",
        "profile": "domestic-1000",
        "usb": False,
        "cell_volts": 3.9,
        "tester_celsius": 22.5,
        "foreign": {"seen": False, "at": None, "dc_volts": 0.0, "ac_volts": 0.0, "over_range": False},
        "leads": "connected",
        "range": "low",
        "gain": 2,
        "rate_hz": 20,
        "readings": readings,
        "reference_ohms": 1500.0,
        "ohms": 1085.0 + number / 8,
        "u_ohms": 0.125,
        "celsius": 21.75,
        "u_celsius": 0.25,
        "expected_ohms": 1085.0,
        "isolation": {
            "a": {"ohms": 4.0e7, "u_ohms": 1.0e6, "greater": True},
            "b": {"ohms": 4.0e7, "u_ohms": 1.0e6, "greater": True},
            "separable": False,
        },
        "verdict": "pass",
        "probability": 0.99,
        "findings": [],
        "requirements": [["ambient agreement", 0.99], ["service window", 1.0], ["isolation a", 1.0]],
        "not_checked": ["harness", "continuity"],
    }


def bake_body(chunk):
    seconds = BAKE_CHUNK_MINUTES * 60
    return {
        "chunk": chunk,
        "from_s": chunk * seconds,
        "every_s": 5,
        "milliohms": [1680000 + 900 * ((chunk * 24 + index) % 40) for index in range(seconds // 5)],
    }


def flex_body():
    return {"flex": {"seconds": 20, "readings": 1640, "dropouts": 2, "longest_dropout_ms": 31, "steps": 3}}


def live(chip, tell):
    """Live through the day.

    tell(what, value, store) hears of each thing that the screen or the link reports as done, after it was.
    """
    store = start(chip)
    tell("boot", store.boot, store)

    def save(kind, body):
        tell("saved", store.append(kind, body), store)

    def calibrate(number):
        store.calibration.save({"id": f"c-{number}", "coefficients": [0.01 * number, 1.00002], "points": [1.5] * 30})
        tell("calibrated", number, store)
        save("calibration", {"id": f"c-{number}"})

    def confirm(sequence, digest):
        tell("confirmed", store.confirm(sequence, digest), store)

    save("boot", boot_body(store))
    save("clock", {"before": None, "after": 1790000000})
    save("check", {"ohms": 1000.125, "passed": True})
    calibrate(1)
    for number in range(1, PROBE_TESTS + 1):
        save("probe", probe_body(number))
        if number % 12 == 0:
            # The shop pulls, and tells how far it has them.
            confirm(store.last, store.head)
        if number == 16:
            save("flex", flex_body())
            store.change_settings("unit", "fahrenheit")
            tell("unit", "fahrenheit", store)
    calibrate(2)
    for chunk in range(BAKE_MINUTES // BAKE_CHUNK_MINUTES):
        save("bake", bake_body(chunk))
    confirm(store.last, store.head)
    before = store.first
    number = PROBE_TESTS
    while store.first == before:
        # More tests until room has to be made: the confirmed segments go.
        number += 1
        save("probe", probe_body(number))
        assert number < 200
    for further in range(1, 4):
        save("probe", probe_body(number + further))
    return store
