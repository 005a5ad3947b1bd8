"""What the two people of a proposed ride are told, each in their language."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from zoneinfo import ZoneInfo

from django.conf import settings
from django.urls import reverse
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from shifts.models import Pairing
from shifts.seats import notices
from shifts.seats.handover import short_name
from shifts.seats.ride_words import cautions, how_words
from sites.models import Programme
from volunteers import outbox
from volunteers.models import Person


def zone() -> ZoneInfo:
    return Programme.current().zone


def facts(pairing: Pairing) -> dict[str, str]:
    """In the active language and zone."""
    start = localtime(pairing.run.starts_at)
    return {
        "run": pairing.run.title,
        "day": date_format(start),
        "time": time_format(start),
        "lead": short_name(pairing.lead),
        "trainee": short_name(pairing.trainee),
    }


def heading(pairing: Pairing, person: Person) -> str:
    """The question to one of the two, in the active language."""
    if person.pk == pairing.lead_id:
        return _("Can %(trainee)s ride with you?") % facts(pairing)
    return _("A shadow ride with %(lead)s?") % facts(pairing)


def how(pairing: Pairing, person: Person) -> str:
    return how_words(pairing.ride, trainee=pairing.trainee, lead=pairing.lead, to=person)


def key_of(pairing: Pairing, person: Person) -> str:
    return f"ride:{pairing.pk}:{person.pk}"


def ask(pairing: Pairing, person: Person, token: str, *, at: datetime) -> None:
    """The question, with the private link to the answer."""
    with notices.in_words_of(person) as programme:
        context = notices.facts(pairing.run, person, programme)
        context |= {
            "heading": heading(pairing, person),
            "leads": person.pk == pairing.lead_id,
            "other": short_name(pairing.trainee if person.pk == pairing.lead_id else pairing.lead),
            "how": how(pairing, person),
            "cautions": cautions(pairing.ride),
            "link": settings.BASE_URL + reverse("ride_answer", args=[token]),
        }
        outbox.owe(
            person=person,
            mail=outbox.render("ride", context),
            kind="ride asked",
            key=key_of(pairing, person),
            about=key_of(pairing, person),
            at=at,
            programme=programme,
        )


def unsaid(pairing: Pairing, person: Person, *, at: datetime) -> bool:
    """Takes back a question that has not gone out, or that the coordinator has not told; whether one was."""
    return outbox.take_back(key_of(pairing, person), at=at)


def fixed(pairing: Pairing) -> list[Callable[[], str]]:
    """To the lead driver: both have agreed."""
    return [
        lambda: _("%(trainee)s rides with you: %(run)s, %(day)s at %(time)s.") % facts(pairing),
        lambda: how(pairing, pairing.lead),
    ]


def tell_declined(pairing: Pairing, person: Person, *, at: datetime) -> None:
    """To the other one; why is not theirs to know. Nothing where they were not asked yet or have left."""
    if unsaid(pairing, person, at=at) or person.left_on:
        return
    with notices.in_words_of(person):
        said = facts(pairing)
        if person.pk == pairing.lead_id:
            headline = _("%(trainee)s cannot ride with you: %(run)s, %(day)s") % said
            lines = [_("You drive the run as before.")]
        else:
            headline = _("%(lead)s cannot take you along: %(run)s, %(day)s") % said
            lines = [_("Your place in line stays, and we look for another ride.")]
    tell(pairing, person, headline, lines, at=at)


def tell_withdrawn(pairing: Pairing, reason: Callable[[Person], str] | None, *, at: datetime) -> None:
    """To both, but for whoever had not been asked yet or has left; with the reason, made in the person's
    language."""
    for person in (pairing.lead, pairing.trainee):
        if unsaid(pairing, person, at=at) or person.left_on:
            continue
        with notices.in_words_of(person):
            said = facts(pairing)
            why = [line for line in [reason(person) if reason else ""] if line]
            if person.pk == pairing.lead_id:
                headline = _("No ride with %(trainee)s now: %(run)s, %(day)s") % said
                lines = [*why, _("You need not answer any more.")]
            else:
                headline = _("No ride with %(lead)s now: %(run)s, %(day)s") % said
                lines = [*why, _("Your place in line stays, and we look for another ride.")]
        tell(pairing, person, headline, lines, at=at)


def tell(pairing: Pairing, person: Person, headline: str, lines: list[str], *, at: datetime) -> None:
    """A short mail, its words in the person's language already."""
    with notices.in_words_of(person) as programme:
        context = {
            "headline": headline,
            "lines": lines,
            "link": settings.BASE_URL + reverse("home"),
            "where": "",
            "programme": programme,
        }
        outbox.owe(
            person=person,
            mail=outbox.render("news", context),
            kind="ride",
            key=f"{key_of(pairing, person)}:{pairing.outcome}",
            at=at,
            programme=programme,
        )
