"""Quiet hours: nobody gets a mail that can wait until the morning."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from shifts.models import Policy
from shifts.schedule.clock import instant, local_date

DAY = timedelta(days=1)


class Quiet(NamedTuple):
    """Quiet hours that are going on. `early` is when they end for whoever may be asked early about a run
    of the same morning."""

    until: datetime
    early: datetime


def quiet_hours(at: datetime, policy: Policy, zone: ZoneInfo) -> Quiet | None:
    """The quiet hours at a moment, by the clock on the wall in `zone`; None outside of them. Where the
    clocks change they are an hour longer or shorter."""
    if policy.quiet_from == policy.quiet_until:
        return None
    today = local_date(at, zone)
    for day in (today - DAY, today):
        over_midnight = policy.quiet_from > policy.quiet_until
        morning = day + DAY if over_midnight else day
        begins, ends = instant(day, policy.quiet_from, zone), instant(morning, policy.quiet_until, zone)
        if begins <= at < ends:
            early = instant(morning, policy.early_from, zone)
            return Quiet(ends, early if begins < early < ends else ends)
    return None
