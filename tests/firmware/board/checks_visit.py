"""Checks of job numbers, places, and the sensor test that the control's end is compared with."""

from probecore import record
from probecore.verdict import CONNECTED
from tester.visit import RESUME_S, Visit

HOUR = 3600
NOON = 1795608000


class Ledger:
    """Records in memory."""

    def __init__(self):
        self.items = []

    @property
    def last(self):
        return len(self.items)

    def append(self, kind, body, time=NOON):
        self.items.append(
            record.encode(b"ledger00", self.last + 1, kind, 1, 0, time, "pl-0", "0", None, record.GENESIS, body)
        )
        return self.last

    def read(self, start, count):
        for sequence in range(start, min(start + count, self.last + 1)):
            yield sequence, self.items[sequence - 1]


def sensor_test(job, ohms=1090.0):
    return {"place": "sensor", "job": job, "leads": CONNECTED, "ohms": ohms, "u_ohms": 0.3, "verdict": "pass"}


def to_control(visit):
    visit.next_place()
    assert visit.place == "control-end"


def check_a_visit():
    ledger = Ledger()
    ledger.append("boot", {})
    visit = Visit(ledger, lambda: NOON)
    assert (visit.job, visit.place, visit.sensor_end) == (2, "sensor", None)
    sequence = ledger.append("probe", sensor_test(visit.job, 1091.0))
    visit.tested(sensor_test(visit.job, 1091.0), sequence)
    to_control(visit)
    assert visit.job == 2 and visit.sensor_end == (1091.0, 0.3, 2, "pass")
    visit.tested({"place": "control-end", "leads": CONNECTED, "ohms": 1103.0, "u_ohms": 0.3}, 3)
    assert visit.sensor_end[0] == 1091.0
    visit.next_place()
    visit.next_place()
    assert visit.place == "after-fitting" and visit.job == 2
    visit.next_place()
    assert visit.place == "sensor" and visit.job == 3 and visit.sensor_end is None


def check_an_open_sensor_is_nothing_to_compare_with():
    visit = Visit(Ledger(), lambda: NOON)
    visit.tested({"place": "sensor", "leads": "open", "ohms": None, "u_ohms": None}, 1)
    assert visit.sensor_end is None


def check_resuming_after_a_restart():
    for later_s, resumed in ((0, True), (RESUME_S, True), (RESUME_S + 1, False), (-1, False), (None, False)):
        ledger = Ledger()
        ledger.append("boot", {})
        ledger.append("probe", sensor_test(2))
        ledger.append("boot", {})
        visit = Visit(ledger, lambda later_s=later_s: None if later_s is None else NOON + later_s)
        assert visit.job == 4 and visit.sensor_end is None
        to_control(visit)
        assert visit.job == (2 if resumed else 4), later_s
        end = visit.sensor_end
        assert end is None if not resumed else (end[0] == 1090.0 and end[2] == 2), later_s


def check_what_was_measured_since_is_not_mixed_with_the_visit_before():
    ledger = Ledger()
    ledger.append("probe", sensor_test(1))
    visit = Visit(ledger, lambda: NOON + HOUR)
    visit.tested({"place": "sensor", "leads": "open", "ohms": None, "u_ohms": None}, 2)
    to_control(visit)
    assert visit.sensor_end is None and visit.job == 2


def check_a_new_job_forgets_the_visit_before():
    ledger = Ledger()
    ledger.append("probe", sensor_test(1))
    visit = Visit(ledger, lambda: NOON + HOUR)
    visit.new_job()
    to_control(visit)
    assert visit.sensor_end is None and visit.job == 2


def check_records_without_a_time_are_not_resumed():
    ledger = Ledger()
    ledger.append("probe", sensor_test(1), time=None)
    visit = Visit(ledger, lambda: NOON)
    to_control(visit)
    assert visit.sensor_end is None


def check_another_ticket_is_another_job():
    ledger = Ledger()
    visit = Visit(ledger, lambda: NOON)
    visit.begin("1042")
    assert (visit.ticket, visit.job, visit.place) == ("1042", 1, "sensor")
    # Nothing measured yet: the same job, whatever its number at the shop.
    visit.begin("1043")
    assert visit.job == 1
    visit.tested(sensor_test(visit.job), ledger.append("probe", sensor_test(visit.job)))
    visit.go_to("control-end")
    visit.begin("1043")
    assert visit.job == 1 and visit.place == "control-end" and visit.sensor_end[0] == 1090.0
    visit.begin(None)
    assert visit.job == 2 and visit.place == "sensor" and visit.sensor_end is None and visit.ticket is None
    visit.begin("1044")
    visit.new_job()
    assert visit.ticket is None


def check_only_the_same_ticket_is_resumed_after_a_restart():
    for ticket, resumed in (("1042", True), ("1043", False), (None, False)):
        ledger = Ledger()
        body = sensor_test(1)
        body["ticket"] = "1042"
        ledger.append("probe", body)
        ledger.append("boot", {})
        visit = Visit(ledger, lambda: NOON + HOUR)
        visit.begin(ticket)
        visit.go_to("control-end")
        assert visit.place == "control-end" and visit.job == (1 if resumed else 3), ticket
        assert (visit.sensor_end is not None) is resumed
