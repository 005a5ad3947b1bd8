"""When: weekly runs, runs, who sits in them, and what their calendars were told."""

from shifts.models.booking import Booking
from shifts.models.entry import CalendarEntry
from shifts.models.policy import Policy
from shifts.models.run import Run, Stop
from shifts.models.shift import Shift, ShiftTerm, TermStop

__all__ = ["Booking", "CalendarEntry", "Policy", "Run", "Shift", "ShiftTerm", "Stop", "TermStop"]
