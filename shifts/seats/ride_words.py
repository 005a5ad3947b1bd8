"""How a trainee rides, in the words of either of the two, and what both heed."""

from __future__ import annotations

from django.utils.translation import gettext as _

from shifts.models import Booking
from volunteers.models import Person

Ride = Booking.Ride


def ride_words(booking: Booking, *, to: Person) -> str:
    """How the trainee of a booking rides, as the trainee or the driver is told."""
    driver = booking.run.bookings.live().drivers().select_related("person").first()
    return how_words(booking.ride, trainee=booking.person, lead=driver.person if driver else None, to=to)


def how_words(ride: str, *, trainee: Person, lead: Person | None, to: Person) -> str:
    """In the active language, to one of the two."""
    words = {"trainee": trainee.first_name, "lead": lead.first_name if lead else _("the lead driver")}
    if to == trainee:
        return {
            Ride.ALONG: _("You ride along in %(lead)s's car."),
            Ride.FOLLOWS: _("You follow %(lead)s in your own car."),
            Ride.DRIVES: _("You drive, with %(lead)s beside you. Agree beforehand whose car you take."),
        }[Ride(ride)] % words
    return {
        Ride.ALONG: _("%(trainee)s rides along in your car."),
        Ride.FOLLOWS: _("%(trainee)s follows you in their own car, so drive so that they can."),
        Ride.DRIVES: _("%(trainee)s drives, with you beside them. Agree beforehand whose car you take."),
    }[Ride(ride)] % words


def cautions(ride: str) -> list[str]:
    """What to heed, for both, in the active language."""
    lines = [
        _(
            "Everybody wears a seat belt. People and food together weigh no more than the sticker in the "
            "driver's doorway allows (49 CFR 571.110)."
        )
    ]
    if ride == Ride.ALONG:
        return lines
    return [
        _("Ask your insurer first: whether volunteer driving is covered, and whoever else is at the wheel."),
        *lines,
    ]
