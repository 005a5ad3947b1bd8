"""The first word with a newcomer. The log alone keeps it: nothing else depends on it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction

from sites.log import record
from volunteers.models import Person

SAID_HELLO = "said hello"
NOT_YET = "no hello after all"
VERBS = (SAID_HELLO, NOT_YET)  # the last of them counts


@transaction.atomic
def say_hello(person: Person, *, by: Any, at: datetime | None = None) -> None:
    """A coordinator has spoken with somebody who was taken in."""
    record(verb=SAID_HELLO, subject=person, person=person, by=by, at=at)


@transaction.atomic
def unsay_hello(person: Person, *, by: Any, at: datetime | None = None) -> None:
    """They have not, after all."""
    record(verb=NOT_YET, subject=person, person=person, by=by, at=at)
