"""No more mails of a kind: the link that such mails carry in a header and at their end (RFC 8058), and what
it turns off. Only reminders and requests can be; what somebody must know of their own runs cannot."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.conf import settings
from django.urls import reverse

from volunteers import links
from volunteers.models import Person
from volunteers.people import change_person

REMINDERS, REQUESTS = "reminders", "requests"
FIELDS = {REMINDERS: "wants_reminders", REQUESTS: "wants_requests"}


def token_of(person: Person, what: str) -> str:
    """It has no nonce, as it must work in mails of any age, and can do no harm: it is undone on its page."""
    return links.token(f"stop {what}", person, "")


def link_to_stop(person: Person, what: str) -> str:
    """The address for the header, and for people. A mail whose template is rendered with it as `stop` has
    both."""
    return settings.BASE_URL + reverse("unsubscribe", args=[token_of(person, what)])


def found_by(token: str) -> tuple[Person, str] | None:
    """Whose link this is, and what it turns off; None for a wrong one. Of those who have left, too."""
    pk = links.row_number(token)
    person = Person.objects.filter(pk=pk).first() if pk is not None else None
    if person is None:
        return None
    kinds = (what for what in FIELDS if links.is_valid(token, f"stop {what}", person, ""))
    what = next(kinds, None)
    return (person, what) if what else None


def wants(person: Person, what: str) -> bool:
    return bool(getattr(person, FIELDS[what]))


def turn(person: Person, what: str, *, on: bool, by: Any, at: datetime | None = None) -> Person:
    """Turns a kind of mail on or off; the same again changes nothing."""
    return change_person(person, by=by, at=at, **{FIELDS[what]: on})
