from __future__ import annotations

from datetime import datetime, timedelta

from django.conf import settings
from django.db import models

KEPT = timedelta(days=90)  # a phone that was off for longer asks for a repetition of nothing


class SentOnceQuerySet(models.QuerySet["SentOnce"]):
    def prune(self, at: datetime) -> int:
        """Deletes what no phone sends again; how many."""
        return self.filter(at__lt=at - KEPT).delete()[0]


class SentOnce(models.Model):
    """What a phone kept while it had no network and sent later: its key, and what it was answered. The same
    key again from the same sign-in does nothing and gets the same answer."""

    key = models.UUIDField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    address = models.CharField(max_length=200)  # where it was sent
    status = models.PositiveSmallIntegerField()
    answer = models.JSONField(default=dict)
    at = models.DateTimeField(db_index=True)

    objects = SentOnceQuerySet.as_manager()

    class Meta:
        ordering = ["-at"]
        constraints = [
            models.UniqueConstraint(name="sent_once_a_key", fields=["user", "key"]),
        ]

    def __str__(self) -> str:
        return f"{self.address} ({self.key})"
