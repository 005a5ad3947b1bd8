"""What follows when somebody asks to join, and when a coordinator answers: who is told."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import override

from shifts.seats.notices import in_words_of
from shifts.seats.on_call import coordinators
from volunteers import clearance, joining, outbox
from volunteers.models import Join, Person
from volunteers.progress import NotPossible, today


@transaction.atomic
def ask(*, at: datetime | None = None, **facts: Any) -> Join:
    """A request to join; the coordinators are told. `facts` are those of joining.write_request, which
    raises KnownAlready."""
    at = at or timezone.now()
    join = joining.ask(at=at, **facts)
    tell_coordinators(join, at=at)
    return join


@transaction.atomic
def answer(join: Join, reply: str, *, by: Any, at: datetime | None = None) -> Join:
    """Their answer to what was asked back; the coordinators are told. Raises NotPossible."""
    at = at or timezone.now()
    join = joining.answer(join, reply, by=by, at=at)
    tell_coordinators(join, at=at)
    return join


def tell_coordinators(join: Join, *, at: datetime) -> None:
    """One mail to each, of a request or of the answer to what was asked back."""
    for coordinator in coordinators(at):
        with in_words_of(coordinator) as programme:
            context = {
                "join": join,
                "person": join.person,
                "link": settings.BASE_URL + reverse("desk_join", args=[join.pk]),
                "programme": programme,
            }
            outbox.owe(
                person=coordinator,
                mail=outbox.render("join_asked", context),
                kind="join asked",
                key=f"join-asked:{join.pk}:{coordinator.pk}:{at.timestamp()}",
                at=at,
                programme=programme,
            )


@transaction.atomic
def accept(join: Join, *, by: Any, at: datetime | None = None) -> Join:
    """They are taken in, and welcomed with the steps ahead. Raises NotPossible."""
    at = at or timezone.now()
    join = joining.accept(join, by=by, at=at)
    missing = clearance.missing(join.person, on=today(at)) if join.person.drives else []
    tell(join, "join_welcome", "orientation", at=at, steps=[term.step.title for term in missing])
    return join


@transaction.atomic
def ask_back(join: Join, question: str, *, by: Any, at: datetime | None = None) -> Join:
    """A question to them, by mail and on their own page. Raises NotPossible."""
    at = at or timezone.now()
    join = joining.ask_back(join, question, by=by, at=at)
    tell(join, "join_question", "join_answer", at=at)
    return join


@transaction.atomic
def decline(join: Join, words: str, *, by: Any, at: datetime | None = None) -> Join:
    """They are not taken in, and read why in the coordinator's words. Raises NotPossible."""
    at = at or timezone.now()
    if not words.strip():
        raise NotPossible("Write what the mail shall say.")
    join = joining.decline(join, by=by, at=at)
    tell(join, "join_declined", "home", at=at, words=words.strip())
    return join


@transaction.atomic
def undo(join: Join, *, by: Any, at: datetime | None = None) -> bool:
    """Takes a yes or no back, while nothing was booked. Whether its mail could be kept back; otherwise it
    was sent, and the coordinator has to say so. Raises NotPossible."""
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=join.person_id)  # whoever books for them waits, or came first
    if is_booked(person):
        raise NotPossible(
            f"{person.name} has had a seat on a run since. To end it all the same, "
            "let them leave on their own page."
        )
    joining.undo(join, by=by, at=at)
    return bool(outbox.withdraw(about(join), at=at))


def is_booked(person: Person) -> bool:
    return person.bookings.exists() or person.standings.exists()


def about(join: Join) -> str:
    return f"join:{join.pk}"


def tell(join: Join, name: str, page: str, *, at: datetime, **more: Any) -> None:
    """A mail to whoever asks, in their language; it takes the place of one that was not sent yet."""
    with in_words_of(join.person) as programme:
        context = {"join": join, "person": join.person, "link": settings.BASE_URL + reverse(page)}
        outbox.owe(
            person=join.person,
            mail=outbox.render(name, context | {"programme": programme} | more),
            kind=name.replace("_", " "),
            about=about(join),
            key=f"{name}:{join.pk}:{at.timestamp()}",
            at=at,
            programme=programme,
        )


def kind_words(person: Person) -> str:
    """How a no may be said, in their language; the coordinator changes it and adds to it."""
    with override(person.language):
        return _(
            "We are glad that you thought of us. At the moment we cannot take you in. This says nothing "
            "about you: it is about the runs we have and the people we can take along well."
        )
