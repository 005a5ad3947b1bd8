"""The event log: one function writes it, in the transaction of what it tells."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.utils import timezone

from sites.models import Event, subject_of


def record(
    *,
    verb: str,
    subject: models.Model,
    by: Any,
    person: models.Model | None = None,
    before: dict | None = None,
    after: dict | None = None,
    at: datetime | None = None,
) -> Event:
    """Writes one event. `by` is the signed-in user, or None for the worker and for commands."""
    return Event.objects.create(
        at=at or timezone.now(),
        by=by,
        verb=verb,
        subject=subject_of(subject),
        person_id=person.pk if person else None,
        before=plain(before),
        after=plain(after),
    )


def plain(value: Any) -> Any:
    """A value as JSON can hold it: dates and rows as text, also inside lists and dicts."""
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    if isinstance(value, dict):
        return {str(name): plain(inner) for name, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(inner) for inner in value]
    try:
        return DjangoJSONEncoder().default(value)
    except TypeError:
        return str(value)


def changes(row: models.Model, new: dict[str, Any]) -> tuple[dict, dict]:
    """Old and new values of the fields that differ, for `before` and `after`."""
    before = {name: getattr(row, name) for name in new if getattr(row, name) != new[name]}
    return before, {name: new[name] for name in before}
