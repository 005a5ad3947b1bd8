"""Who keeps the desk while the coordinators are away: begun, ended early, and either undone."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import Any

from django.conf import settings
from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from shifts.models import CoverTurn
from shifts.seats.notices import in_words_of
from sites.log import record
from sites.models import Programme
from volunteers import outbox
from volunteers.models import Person
from volunteers.people import sign_in_for
from volunteers.progress import NotPossible, today


@transaction.atomic
def begin(person: Person, *, first: date, last: date, by: Any, at: datetime | None = None) -> CoverTurn:
    """They keep the desk from the first day to the last, both included, in the programme's zone; they are
    told. A sign-in is made at their address where they have none. Raises NotPossible."""
    at = at or timezone.now()
    hold_turns()
    person = Person.objects.locked().get(pk=person.pk)
    check(person, first, last, at)
    if person.user is None:
        person.user = sign_in_for(person.email)
        person.save(update_fields=["user"])
    turn = CoverTurn.objects.create(person=person, first=first, last=last, at=at, by=by)
    record(verb="covers", subject=turn, person=person, by=by, at=at, after={"first": first, "last": last})
    tell_begun(turn, at=at)
    return turn


def hold_turns() -> None:
    """One at a time: two turns on the same days fit no constraint."""
    Programme.current()  # makes sure of the row to lock
    Programme.objects.select_for_update(no_key=True).get(pk=1)


def check(person: Person, first: date, last: date, at: datetime, *, but: int | None = None) -> None:
    """Raises NotPossible where they cannot cover on these days."""
    if last < first:
        raise NotPossible("The last day is before the first.")
    if last < today(at):
        raise NotPossible("These days are over.")
    if person.left_on:
        raise NotPossible(f"{person.name} has left the programme. Their page brings them back.")
    if not person.is_adult:
        raise NotPossible(f"{person.name} is under 18. Choose an adult.")
    if not person.email:
        raise NotPossible(f"{person.name} has no e-mail address to sign in with. Add it on their page first.")
    if not person.phone:
        raise NotPossible(f"{person.name} has no phone, and drivers call that number. Add it on their page.")
    other = standing_turns().filter(first__lte=last, last__gte=first).exclude(pk=but).first()
    if other:
        raise NotPossible(
            f"{other.person.name} covers {date_format(other.first)} to {date_format(other.last)}. "
            "Choose other days, or end that first."
        )


def standing_turns() -> Any:
    return CoverTurn.objects.filter(ended_at=None).select_related("person")


@transaction.atomic
def end(turn: CoverTurn, *, by: Any, at: datetime | None = None) -> bool:
    """Ends a turn at once, or calls off one to come; they are told. False when it had ended."""
    at = at or timezone.now()
    if not CoverTurn.objects.filter(pk=turn.pk, ended_at=None).update(ended_at=at):
        return False
    record(verb="covers no longer", subject=turn, person=turn.person, by=by, at=at)
    turn.refresh_from_db(fields=["at", "ended_at"])
    if not outbox.take_back(key_begun(turn), at=at):  # what they were not told yet need not be taken back
        tell_ended(turn, at=at)
    return True


@transaction.atomic
def go_on(turn: CoverTurn, *, by: Any, at: datetime | None = None) -> CoverTurn:
    """Undoes an end; they are told. Raises NotPossible."""
    at = at or timezone.now()
    hold_turns()
    turn = CoverTurn.objects.select_related("person").get(pk=turn.pk)
    if turn.ended_at is None:
        return turn
    check(turn.person, turn.first, turn.last, at, but=turn.pk)
    unsaid = outbox.take_back(key_ended(turn), at=at)
    turn.at, turn.by, turn.ended_at = at, by, None
    turn.save(update_fields=["at", "by", "ended_at"])
    record(verb="covers", subject=turn, person=turn.person, by=by, at=at)
    if not unsaid:
        tell_begun(turn, at=at)
    return turn


def key_begun(turn: CoverTurn) -> str:
    return f"cover:{turn.pk}:{turn.at.timestamp()}"


def key_ended(turn: CoverTurn) -> str:
    return f"cover-ended:{turn.pk}:{turn.ended_at.timestamp()}" if turn.ended_at else ""


def tell_begun(turn: CoverTurn, *, at: datetime) -> None:
    days = {"first": date_format(turn.first), "last": date_format(turn.last)}
    tell(
        turn,
        lambda: _("You keep the desk from %(first)s to %(last)s") % days,
        [
            lambda: _("On these days drivers call your number, and alerts and the digest come to you."),
            lambda: _(
                "Sign in with this address. The desk asks for a second proof, a passkey or a code: set it up "
                "today, while there is time."
            ),
            lambda: _("Settings, papers and photographs wait for the coordinator."),
        ],
        key=key_begun(turn),
        at=at,
    )


def tell_ended(turn: CoverTurn, *, at: datetime) -> None:
    tell(
        turn,
        lambda: _("You keep the desk no longer"),
        [lambda: _("The coordinator is back at it. Thank you.")],
        key=key_ended(turn),
        at=at,
    )


def tell(
    turn: CoverTurn,
    headline: Callable[[], str],
    lines: list[Callable[[], str]],
    *,
    key: str,
    at: datetime,
) -> None:
    with in_words_of(turn.person) as programme:
        context = {
            "headline": headline(),
            "lines": [line() for line in lines],
            "link": settings.BASE_URL + reverse("desk"),
            "where": "desk",
            "programme": programme,
        }
        outbox.owe(
            person=turn.person,
            mail=outbox.render("news", context),
            kind="cover",
            key=key,
            at=at,
            programme=programme,
        )
