"""How urgent it is that something is done about a run."""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

from shifts.models import Policy, Run


class Level(StrEnum):
    NOW = "now"
    URGENT = "urgent"
    SOON = "soon"
    LATER = "later"


def level(run: Run, *, at: datetime, policy: Policy) -> Level:
    """By how soon the run starts; the steps are the programme's schedule numbers."""
    left = run.starts_at - at
    if left <= timedelta(hours=policy.now_hours):
        return Level.NOW
    if left <= timedelta(hours=policy.urgent_hours):
        return Level.URGENT
    if left <= timedelta(days=policy.soon_days):
        return Level.SOON
    return Level.LATER
