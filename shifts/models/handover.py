from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from shifts.models.booking import Booking
from volunteers.models import Person
from volunteers.models.person import new_nonce


class HandOverQuerySet(models.QuerySet["HandOver"]):
    def open(self) -> HandOverQuerySet:
        return self.filter(answer="")


class HandOver(models.Model):
    """A driver asks somebody to take their run; it stays theirs until the other has accepted by a link."""

    class Answer(models.TextChoices):
        ACCEPTED = "accepted", _("accepted")
        DECLINED = "declined", _("declined")
        WITHDRAWN = "withdrawn", _("no longer asked")

    booking = models.ForeignKey(Booking, on_delete=models.PROTECT, related_name="hand_overs")
    to = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    nonce = models.CharField(max_length=32, default=new_nonce, editable=False)
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    answer = models.CharField(max_length=9, choices=Answer, blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)

    objects = HandOverQuerySet.as_manager()

    class Meta:
        ordering = ["-asked_at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                name="hand_over_one_open_a_booking", fields=["booking"], condition=Q(answer="")
            ),
            models.CheckConstraint(
                name="hand_over_answered_says_when",
                condition=Q(answer="", answered_at=None) | ~Q(answer="") & Q(answered_at__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.booking} to {self.to}"
