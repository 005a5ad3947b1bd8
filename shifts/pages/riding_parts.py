"""Shadow rides as the volunteers' pages show them."""

from __future__ import annotations

from typing import Any

from django.urls import reverse

from shifts.models import Booking, Pairing, Run
from shifts.pages import volunteer_parts as parts
from shifts.seats import pairing as moves
from shifts.seats import pairing_words as words
from shifts.seats.ride_words import cautions, ride_words
from shifts.seats.riding import ways_to_ride
from volunteers.models import Person


def asked_card(pairing: Pairing, person: Person) -> dict[str, str]:
    """On the first page of whoever is asked: the question and the way to the answer."""
    return {
        "heading": words.heading(pairing, person),
        "title": pairing.run.title,
        "when": parts.when(pairing.run.starts_at),
        "url": reverse("ride_answer", args=[moves.token_of(pairing, person)]),
    }


def how_facts(run: Run, person: Person, *, over: bool) -> dict[str, Any]:
    """For the two on a shadow ride: how the trainee rides, and for the lead driver the other ways. Nothing
    where nobody learns beside a lead driver, or the run is over; `run` was fetched `with_people`."""
    seated = {booking.seat: booking for booking in run.seated}
    driver, second = seated.get(Booking.Seat.DRIVER), seated.get(Booking.Seat.SECOND)
    if over or run.is_cancelled or not (driver and second and driver.person.is_lead):
        return {}
    if person.pk not in (driver.person_id, second.person_id):
        return {}
    second.run = run
    ways = ways_to_ride(second.person, run) if person.pk == driver.person_id else []
    return {
        "how": ride_words(second, to=person),
        "how_now": second.ride,
        "how_cautions": "\n".join(cautions(second.ride)),
        "how_ways": ways if len(ways) > 1 else [],
        "how_trainee": second.person.first_name,
    }
