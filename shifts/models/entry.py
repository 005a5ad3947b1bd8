from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from shifts.models.booking import Booking
from volunteers.models import Person


class CalendarEntryQuerySet(models.QuerySet["CalendarEntry"]):
    def live(self) -> CalendarEntryQuerySet:
        return self.filter(cancelled_at=None)


class CalendarEntry(models.Model):
    """What a person's calendar was told about a booking: the identity and version of one event.

    `address` is where invitations went, "" when none were mailed. A cancelled UID is never used again:
    a booking whose invitations move to another address gets a new entry.
    """

    uid = models.CharField(max_length=120, unique=True)
    sequence = models.PositiveIntegerField(default=0)
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="entries")
    booking = models.ForeignKey(Booking, on_delete=models.PROTECT, related_name="entries")
    address = models.EmailField(blank=True)
    made_at = models.DateTimeField()
    changed_at = models.DateTimeField()
    cancelled_at = models.DateTimeField(null=True, blank=True)

    objects = CalendarEntryQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "calendar entries"
        indexes = [models.Index(name="entry_changed", fields=["person", "changed_at"])]
        constraints = [
            models.UniqueConstraint(
                name="entry_one_live_a_booking", fields=["booking"], condition=Q(cancelled_at=None)
            ),
            models.CheckConstraint(
                name="entry_changes_after_it_is_made", condition=Q(changed_at__gte=F("made_at"))
            ),
        ]

    def __str__(self) -> str:
        return f"{self.uid} ({self.sequence})"
