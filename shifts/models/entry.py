from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from shifts.models.booking import Booking
from shifts.models.standing import Standing
from volunteers.models import Person


class CalendarEntryQuerySet(models.QuerySet["CalendarEntry"]):
    def live(self) -> CalendarEntryQuerySet:
        return self.filter(cancelled_at=None)


class CalendarEntry(models.Model):
    """What a person's calendar was told about a booking, or about a regular run: the identity and version
    of one event.

    `told` is a digest of what SEQUENCE stands for: time, place, rule. `reply` is the last answer taken
    (PARTSTAT of RFC 5545 3.2.12) with the SEQUENCE and DTSTAMP it came with. `address` is
    where invitations went, "" when none were mailed. A cancelled UID is never used again: a booking whose
    invitations move to another address gets a new entry.
    """

    uid = models.CharField(max_length=120, unique=True)
    sequence = models.PositiveIntegerField(default=0)
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="entries")
    booking = models.ForeignKey(Booking, null=True, on_delete=models.PROTECT, related_name="entries")
    standing = models.ForeignKey(Standing, null=True, on_delete=models.PROTECT, related_name="entries")
    address = models.EmailField(blank=True)
    told = models.CharField(max_length=64, blank=True)
    reply = models.CharField(max_length=20, blank=True)
    reply_sequence = models.PositiveIntegerField(null=True, blank=True)
    reply_stamp = models.DateTimeField(null=True, blank=True)
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
            models.UniqueConstraint(
                name="entry_one_live_a_standing", fields=["standing"], condition=Q(cancelled_at=None)
            ),
            models.CheckConstraint(
                name="entry_of_a_booking_or_a_standing",
                condition=Q(booking=None, standing__isnull=False) | Q(booking__isnull=False, standing=None),
            ),
            models.CheckConstraint(
                name="entry_changes_after_it_is_made", condition=Q(changed_at__gte=F("made_at"))
            ),
        ]

    def __str__(self) -> str:
        return f"{self.uid} ({self.sequence})"
