"""The visit under way: job number, place, and the test at the sensor that the control's end is compared with.

Rules:
1. A job number is the sequence number that the visit's first record gets, if nothing else is recorded before: numbers
   rise and need no memory of their own.
2. A new job begins when the place comes round to the sensor again, and when one is asked for.
3. After a restart a new job stands ready at the sensor. Where the control's end is chosen and nothing was measured in
   the new job, the visit before the restart goes on, if its sensor test is not older than RESUME_S.
"""

from probecore import record
from probecore.errors import StoredDataError
from probecore.verdict import CONNECTED
from screen.words import PLACES

SENSOR = "sensor"
CONTROL_END = "control-end"
RESUME_S = 14400

# So many of the newest records are looked at after a restart.
_LOOK_BACK = 12


class Visit:
    """The job and place of the tests to come."""

    def __init__(self, store, wall_seconds):
        """store: Store or NoStore; wall_seconds: function that returns [s] since 1970 or None."""
        self._store = store
        self._wall_seconds = wall_seconds
        self.place = SENSOR
        self.job = store.last + 1
        # The shop's number, where a guided test was told it.
        self.ticket = None
        self.sensor_end = None
        self._tested = False
        self._earlier = None
        self._recall()

    def _recall(self):
        """Look for the newest test at a sensor among the last records."""
        for _, item in self._store.read(max(1, self._store.last - _LOOK_BACK + 1), _LOOK_BACK):
            try:
                value = record.decode(item)
            except StoredDataError:
                continue
            if value["kind"] == "probe" and value["time"] is not None:
                end = sensor_end(value["body"], value["seq"])
                if end:
                    self._earlier = (value["body"].get("job"), end, value["time"], value["body"].get("ticket"))

    def new_job(self):
        """Begin a new job at the sensor."""
        self.place = SENSOR
        self.job = self._store.last + 1
        self.ticket = None
        self.sensor_end = None
        self._tested = False
        self._earlier = None

    def begin(self, ticket):
        """Work for a ticket; a new job begins where tests were made for another. ticket: text, or None."""
        if self._tested and ticket != self.ticket:
            self.new_job()
        self.ticket = ticket

    def go_to(self, place):
        """Choose a place within the job."""
        self.place = place
        if place == CONTROL_END and not self._tested and self._earlier and self._earlier[3] == self.ticket:
            self._resume()

    def next_place(self):
        """Choose the next place; beyond the last one a new job begins."""
        index = PLACES.index(self.place) + 1
        if index == len(PLACES):
            self.new_job()
            return
        self.place = PLACES[index]
        if self.place == CONTROL_END and not self._tested:
            self._resume()

    def _resume(self):
        now = self._wall_seconds()
        if self._earlier and now is not None and 0 <= now - self._earlier[2] <= RESUME_S:
            self.job, self.sensor_end = self._earlier[:2]

    def tested(self, body, sequence):
        """Note a test that was done. sequence: its record's number, None where it was not saved."""
        self._tested = True
        end = sensor_end(body, sequence)
        if end:
            self.sensor_end = end


def sensor_end(body, sequence):
    """Return (ohms, u_ohms, sequence, verdict) of a test at the sensor that found it connected, else None."""
    if body.get("place") != SENSOR or body.get("leads") != CONNECTED or body.get("ohms") is None:
        return None
    return body["ohms"], body["u_ohms"], sequence, body.get("verdict")
