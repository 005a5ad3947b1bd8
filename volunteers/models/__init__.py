"""Who: sign-ins, people, their cars and free hours, steps to drive alone, and mail owed."""

from volunteers.models.joining import BriefingText, HelpHours, Join, KitMove, NotAt, PaperPhoto
from volunteers.models.message import Heartbeat, Message
from volunteers.models.person import Availability, Away, Car, Person
from volunteers.models.steps import Completion, SignOff, Step, StepTerm, outer
from volunteers.models.user import User

__all__ = [
    "Availability",
    "Away",
    "BriefingText",
    "Car",
    "Completion",
    "Heartbeat",
    "HelpHours",
    "Join",
    "KitMove",
    "Message",
    "NotAt",
    "PaperPhoto",
    "Person",
    "SignOff",
    "Step",
    "StepTerm",
    "User",
    "outer",
]
