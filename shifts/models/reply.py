from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from shifts.models.entry import CalendarEntry
from volunteers.models import Person


class ReplyQuerySet(models.QuerySet["Reply"]):
    def open(self) -> ReplyQuerySet:
        """Replies that wait for a coordinator, oldest first."""
        return self.filter(outcome=Reply.Outcome.KEPT, settled_at=None).order_by("received_at", "pk")


class Reply(models.Model):
    """A message that came into the programme's mailbox, and what became of it. `digest` is of its bytes:
    the same message again does nothing."""

    class Outcome(models.TextChoices):
        GIVEN_BACK = "given back", "declined one run, which was given back"
        CONFIRMED = "confirmed", "accepted"
        KEPT = "kept", "for the coordinator"
        NOTHING = "nothing", "nothing to do"

    digest = models.CharField(max_length=64, unique=True)
    message_id = models.CharField(max_length=250, blank=True)
    address = models.CharField(max_length=254, blank=True)  # who it says it is from; can be forged
    subject = models.CharField(max_length=200, blank=True)
    text = models.TextField(blank=True)  # the first lines, for the coordinator
    person = models.ForeignKey(Person, null=True, on_delete=models.CASCADE, related_name="replies")
    entry = models.ForeignKey(CalendarEntry, null=True, on_delete=models.PROTECT, related_name="replies")
    outcome = models.CharField(max_length=10, choices=Outcome)
    reason = models.CharField(max_length=300, blank=True)  # why it is kept for the coordinator
    received_at = models.DateTimeField()
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )

    objects = ReplyQuerySet.as_manager()

    class Meta:
        ordering = ["-received_at", "-pk"]
        verbose_name_plural = "replies"
        constraints = [
            models.CheckConstraint(name="reply_kept_says_why", condition=~Q(outcome="kept") | ~Q(reason="")),
        ]

    def __str__(self) -> str:
        return f"{self.address}: {self.subject}"
