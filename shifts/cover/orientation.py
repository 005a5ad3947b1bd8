"""Who is on the way to driving alone, and what holds them up."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from shifts.models import Booking
from volunteers import clearance
from volunteers.models import Person, Step
from volunteers.progress import today


@dataclass
class OnTheWay:
    person: Person
    missing: list[Step]
    next_ride: Booking | None = None  # their next second seat
    unsigned: list[Booking] = field(default_factory=list)  # rides with a lead driver that nobody signed off

    @property
    def waits_for_ride(self) -> bool:
        """Whether the shadow ride is all that is missing."""
        return [step.kind for step in self.missing] == [Step.Kind.RIDE]


def on_the_way(*, at: datetime) -> list[OnTheWay]:
    """Everybody who drives or means to and is not ready today for want of one of the programme's own
    steps, longest since joining first. A constant number of queries; one for each kind of step."""
    people = list(Person.objects.drivers().select_related("user").order_by("joined_on", "name", "pk"))
    missing = clearance.missing_by_person(people, on=today(at))
    found = {person.pk: OnTheWay(person, missing[person.pk]) for person in people if missing[person.pk]}
    rides = (
        Booking.objects.live()
        .filter(seat=Booking.Seat.SECOND, person__in=found, run__cancelled_at=None)
        .select_related("run")
        .order_by("run__starts_at")
    )
    for ride in rides.filter(run__ends_at__gt=at):
        one = found[ride.person_id]
        one.next_ride = one.next_ride or ride
    led = Booking.objects.live().drivers().exclude(person__lead_since=None)
    for ride in rides.filter(run__ends_at__lte=at, sign_off=None, run__in=led.values("run")):
        found[ride.person_id].unsigned.append(ride)
    return list(found.values())
