"""Runs and people as the parts of the desk's pages draw them: plain values, no decisions left."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from django.urls import reverse
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _
from django.utils.translation import override

from shifts.cover.candidates import Candidate
from shifts.cover.regulars import Absent
from shifts.cover.urgency import Level, level
from shifts.models import Booking, Policy, Run
from sites.models import Programme
from volunteers.models import Person


def seats_of(run: Run, *, short: bool = False, absent: Absent | None = None) -> list[dict[str, str]]:
    """Both seats of a run that was fetched `with_people`, driver first; short names for paper on a wall.
    `absent` is whoever the driver's seat is kept for."""
    seated = {booking.seat: booking for booking in run.seated}
    off = "cancelled" if run.is_cancelled else "closed that day" if getattr(run, "closed", False) else ""
    driver = {"kind": "driver", "label": "Driver's seat", "state": "empty", "word": "needs a driver"}
    second = {"kind": "second", "label": "Second seat", "state": "empty", "word": "room for one"}
    if not run.second_seat:
        second |= {"state": "none", "word": "no second seat"}
    for seat in (driver, second):
        booking = seated.get(seat["kind"])
        if booking:
            person = booking.person
            seat |= {"state": "taken", "word": short_name(person) if short else person.name}
            seat["note"] = off or ", ".join(
                notes_on_driver(booking) if seat is driver else notes_on_second(booking)
            )
        elif off and seat["state"] != "none":
            seat |= {"state": "off", "word": off}
        elif seat is driver and absent and absent.is_kept:
            seat |= waiting_words(absent, short=short)
    return [driver, second]


def notes_on_driver(booking: Booking) -> list[str]:
    lead = ["lead driver"] if booking.person.is_lead else []
    also = [f"{booking.also_count} more along"] if booking.also_count else []
    return [*lead, *(["regular"] if booking.standing_id else []), *also]


def notes_on_second(booking: Booking) -> list[str]:
    return [] if booking.ride == Booking.Ride.ALONG else [booking.get_ride_display()]


def waiting_words(absent: Absent, *, short: bool) -> dict[str, str]:
    """For whom a seat is kept; on paper, where a full week has no room for notes, in one piece."""
    owner = absent.standing.crew or short_name(absent.standing.person)
    if short:
        return {"state": "waiting", "word": f"{owner}, {absent.until_words}"}
    return {"state": "waiting", "word": owner, "note": absent.until_words}


def short_name(person: Person) -> str:
    """First name and initial, as in "Ana R."."""
    first, *rest = person.name.split()
    return f"{first} {rest[-1][0]}." if rest else first


def card_of(
    run: Run, *, at: datetime | None = None, policy: Policy | None = None, absent: Absent | None = None
) -> dict[str, Any]:
    """A run in a list. With a moment and the policy: how urgent its empty driver's seat is. `absent` is
    whoever should drive it regularly and does not."""
    stops = [stop.site.name for stop in run.ordered_stops]
    card: dict[str, Any] = {
        "url": reverse("desk_run", args=[run.pk]),
        "starts_at": run.starts_at,
        "ends_at": run.ends_at,
        "title": run.title,
        "stops": [] if run.title == " to ".join(stops) else stops,
        "seats": seats_of(run, absent=absent),
        "note": f"about {crates(run)}" if run.crates else "",
    }
    if at and policy:
        card |= {
            "urgency": level(run, at=at, policy=policy).value,
            "urgency_word": how_soon(run.starts_at, at),
        }
    return card


def mark_of(run: Run, marked: dict[int, tuple[Level, str]]) -> dict[str, str]:
    """For a run's card, how urgent it is and what is wrong; nothing where nothing is."""
    if run.pk not in marked:
        return {}
    level, words = marked[run.pk]
    return {"urgency": level.value, "urgency_word": words}


def crates(run: Run) -> str:
    return "1 crate" if run.crates == 1 else f"{run.crates} crates"


def how_soon(moment: datetime, at: datetime) -> str:
    """How far off a moment is, in words."""
    left = moment - at
    minutes = round(abs(left) / timedelta(minutes=1))
    if left <= timedelta(0):
        return f"started {minutes} min ago" if minutes < 120 else f"started {minutes // 60} hours ago"
    if minutes < 60:
        return f"in {minutes} min"
    if minutes < 48 * 60:
        hours = round(minutes / 60)
        return f"in {hours} hour" if hours == 1 else f"in {hours} hours"
    return f"in {(localtime(moment).date() - localtime(at).date()).days} days"


def when(run: Run) -> str:
    """Day and time, as in "Tue, Dec 1, 8:00 a.m."."""
    start = localtime(run.starts_at)
    return f"{date_format(start)}, {time_format(start)}"


def title_and_time(run: Run) -> str:
    return f"{run.title}, {when(run)}"


def sentence(words: str) -> str:
    """With a full stop at its end, and not with two after "a.m."."""
    return words if words.endswith(".") else words + "."


def calls_of(
    candidates: Iterable[Candidate], run: Run, *, seat: str, programme: Programme
) -> list[dict[str, Any]]:
    """The rows of a call list for a run `with_people`; who is a lead driver, where somebody waits beside the
    driver's seat."""
    awaited = seat == Booking.Seat.DRIVER and any(one.seat == Booking.Seat.SECOND for one in run.seated)
    return [
        {
            **contact_of(candidate.person),
            "pk": candidate.person.pk,
            "lead": awaited and candidate.person.is_lead,
            "reasons": candidate.reasons,
            "warn": preference_of(candidate.person),
            "text": text_for(candidate.person, run, seat=seat, programme=programme),
        }
        for candidate in candidates
    ]


def contact_of(person: Person) -> dict[str, str]:
    """Who, and how to reach them."""
    return {
        "name": person.name,
        "url": reverse("desk_person", args=[person.pk]),
        "email": person.email,
        **phone_of(person.phone),
    }


def phone_of(phone: Any) -> dict[str, str]:
    """A number as it is read, and as it is dialled; both empty where there is none."""
    return {"phone": phone.as_national, "tel": phone.as_e164} if phone else {"phone": "", "tel": ""}


def emergency_of(person: Person) -> dict[str, str] | None:
    """Whom to call in an emergency; None where nobody is noted."""
    if not person.emergency_name and not person.emergency_phone:
        return None
    return {"name": person.emergency_name or "somebody", **phone_of(person.emergency_phone)}


def preference_of(person: Person) -> str:
    """What to know before calling."""
    said = []
    if person.reach == Person.Reach.TEXT:
        said.append("prefers a text message")
    if not person.wants_requests:
        said.append("wants no mails that ask")
    if person.language != "en":
        said.append(f"speaks {person.get_language_display()}")
    return ", ".join(said)


def text_for(person: Person, run: Run, *, seat: str, programme: Programme) -> str:
    """The prefilled text message, in the person's language and the programme's time."""
    with override(person.language):
        start = localtime(run.starts_at)
        words = {
            "name": person.first_name,
            "run": run.title,
            "day": date_format(start),
            "time": time_format(start),
            "pickup": run.ordered_stops[0].site.name if run.ordered_stops else "",
        }
        if seat == Booking.Seat.DRIVER and words["pickup"] and words["pickup"] not in run.title:
            text = _("Hi %(name)s, can you drive %(run)s, %(day)s at %(time)s, pickup at %(pickup)s?") % words
        elif seat == Booking.Seat.DRIVER:
            text = _("Hi %(name)s, can you drive this run: %(run)s, %(day)s at %(time)s?") % words
        else:
            text = _("Hi %(name)s, would you like to ride along: %(run)s, %(day)s at %(time)s?") % words
        return " ".join(
            part for part in (text, _("Please text back either way."), programme.contact_name) if part
        )
