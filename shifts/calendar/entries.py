"""Calendar entries: who was told of which event, and in which version."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from datetime import datetime

from django.conf import settings
from django.db.models import Value
from django.db.models.functions import Greatest

from shifts.models import Booking, CalendarEntry


def uid_domain() -> str:
    return settings.DEFAULT_FROM_EMAIL.partition("@")[2]


def open_entry(booking: Booking, *, at: datetime) -> CalendarEntry:
    """The entry of a new booking. Its UID is random and says nothing of the person."""
    person = booking.person
    return CalendarEntry.objects.create(
        uid=f"{secrets.token_hex(16)}@{uid_domain()}",
        person=person,
        booking=booking,
        address=person.email if person.is_mailed else "",
        made_at=at,
        changed_at=at,
    )


def raise_sequence(entry: CalendarEntry, *, at: datetime, cancel: bool = False) -> CalendarEntry:
    """THE function that raises SEQUENCE: its time, place or status changed (RFC 5546 2.1.4).

    The caller holds the person's lock and read the entry under it.
    """
    entry.sequence += 1
    entry.changed_at = max(at, entry.changed_at)
    if cancel:
        entry.cancelled_at = at
    entry.save(update_fields=["sequence", "changed_at", "cancelled_at"])
    return entry


def note_change(entries: Iterable[CalendarEntry], *, at: datetime) -> int:
    """Words changed, not time or place: the feed shows them, SEQUENCE stays (RFC 5546 2.1.4)."""
    rows = CalendarEntry.objects.filter(pk__in=[entry.pk for entry in entries])
    return rows.update(changed_at=Greatest("changed_at", Value(at)))
