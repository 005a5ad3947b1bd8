"""When: weekly runs, runs, who sits in them, and what their calendars were told."""

from shifts.models.asking import Ask, CoverTurn, NoShow, PlanWish, Search
from shifts.models.booking import Booking
from shifts.models.entry import CalendarEntry
from shifts.models.handover import HandOver
from shifts.models.policy import Policy
from shifts.models.reply import Reply
from shifts.models.ride import Pairing
from shifts.models.run import Run, Stop
from shifts.models.sent import SentOnce
from shifts.models.shift import Shift, ShiftTerm, TermStop
from shifts.models.standing import Skip, Standing

__all__ = [
    "Ask",
    "Booking",
    "CalendarEntry",
    "CoverTurn",
    "HandOver",
    "NoShow",
    "Pairing",
    "PlanWish",
    "Policy",
    "Reply",
    "Run",
    "Search",
    "SentOnce",
    "Shift",
    "ShiftTerm",
    "Skip",
    "Standing",
    "Stop",
    "TermStop",
]
