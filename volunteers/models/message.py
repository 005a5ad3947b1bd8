from __future__ import annotations

from datetime import datetime, timedelta

from django.conf import settings
from django.db import models
from django.db.models import Exists, OuterRef, Q

from volunteers.models.person import Person

LONG_WAIT = timedelta(minutes=10)  # a mail that waits longer is shown; common practice, no published source


class MessageQuerySet(models.QuerySet["Message"]):
    def unsent(self) -> MessageQuerySet:
        return self.filter(state__in=[Message.State.OWED, Message.State.SENDING])

    def due(self, at: datetime) -> MessageQuerySet:
        """Mail to send now, oldest first: owed and its time has come, or claimed by a worker that died.

        A later message about the same calendar entry waits for the earlier one.
        """
        earlier = Message.objects.unsent().filter(about=OuterRef("about"), pk__lt=OuterRef("pk"))
        return (
            self.filter(
                Q(state=Message.State.OWED, next_try_at__lte=at)
                | Q(state=Message.State.SENDING, lease_until__lte=at)
            )
            .exclude(~Q(about="") & Exists(earlier))
            .order_by("next_try_at", "pk")
        )

    def failed(self) -> MessageQuerySet:
        return self.filter(state=Message.State.FAILED)

    def waiting_long(self, at: datetime) -> MessageQuerySet:
        """Mail that should have gone out by now and has not, oldest first."""
        return self.unsent().filter(created_at__lte=at - LONG_WAIT).order_by("created_at")

    def to_tell(self) -> MessageQuerySet:
        """What the coordinator has to say by phone, oldest first."""
        return self.filter(state=Message.State.TELL).order_by("pk")


class Message(models.Model):
    """Something somebody must be told: a finished mail, or words for the coordinator's phone call.

    Written in the transaction of what it tells. `raw` is the whole mail as it goes over the wire.
    """

    class State(models.TextChoices):
        OWED = "owed", "waiting to be sent"
        SENDING = "sending", "being sent"
        SENT = "sent", "sent"
        FAILED = "failed", "could not be sent"
        REPLACED = "replaced", "replaced by a newer one"
        TELL = "tell", "to tell by phone"
        TOLD = "told", "told by phone"

    key = models.CharField(max_length=120, unique=True)  # the same notice is owed once
    person = models.ForeignKey(Person, null=True, on_delete=models.CASCADE, related_name="messages")
    kind = models.CharField(max_length=20)
    about = models.CharField(max_length=80, blank=True, db_index=True)  # the calendar entry it changes
    address = models.EmailField(blank=True)
    subject = models.CharField(max_length=200)
    text = models.TextField()
    raw = models.BinaryField(default=b"")
    message_id = models.CharField(max_length=120, blank=True)
    state = models.CharField(max_length=8, choices=State, default=State.OWED)
    attempts = models.PositiveSmallIntegerField(default=0)
    next_try_at = models.DateTimeField()
    lease_until = models.DateTimeField(null=True)
    claim = models.CharField(max_length=32, blank=True)  # which worker holds it
    expires_at = models.DateTimeField(null=True)  # after this it is of no use: a sign-in code
    error = models.TextField(blank=True)
    created_at = models.DateTimeField()
    done_at = models.DateTimeField(null=True)
    told_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )

    objects = MessageQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        indexes = [
            models.Index(
                name="message_due", fields=["next_try_at"], condition=Q(state__in=["owed", "sending"])
            ),
        ]
        constraints = [
            models.CheckConstraint(
                name="message_sending_has_a_lease",
                condition=~Q(state="sending") | Q(lease_until__isnull=False),
            ),
            models.CheckConstraint(
                name="message_mailed_has_an_address",
                condition=Q(state__in=["tell", "told", "replaced"]) | ~Q(address=""),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.subject} to {self.address or self.person}"


class Heartbeat(models.Model):
    """When the worker was last seen at work."""

    name = models.CharField(max_length=20, primary_key=True)
    at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.name} {self.at}"
