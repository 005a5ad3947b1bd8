"""What the worker does: ticks what is due, sends what is owed. Each part may be repeated safely."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from datetime import datetime, timedelta

from django.db import close_old_connections
from django.utils import timezone

from shifts.cover.asking import ask_around
from shifts.cover.digest import owe_digests
from shifts.cover.reminders import remind
from shifts.models import Search, SentOnce
from shifts.schedule.making import make_runs_ahead
from shifts.seats import breaks, expiring, pairing, replies, riding, standing
from shifts.seats.site_lists import owe_site_lists
from sites.turns import each_in_turn
from volunteers import joining, outbox, papers
from volunteers.models import Heartbeat

logger = logging.getLogger(__name__)

TICK = timedelta(minutes=1)
PAUSE = 1.0  # seconds between looks at the outbox; a sign-in code must not wait long
LATE = timedelta(minutes=5)  # a worker not seen for longer is shown on the desk and at /healthz


def tick(at: datetime) -> None:
    """Everything that becomes due by the clock. What failed is raised together at the end."""
    each_in_turn(PARTS, lambda part: part(at))


def follow_absence(at: datetime) -> None:
    if last_looked("absence", at) is None:  # once a day
        breaks.follow_absence(at=at)
        Heartbeat.objects.update_or_create(name="absence", defaults={"at": at})


def follow_papers(at: datetime) -> None:
    standing.follow_papers(at=at, since=last_looked("papers", at))
    Heartbeat.objects.update_or_create(name="papers", defaults={"at": at})  # a look that failed is repeated


# In this order: runs are there before they are looked at, and what has ended before anybody is reminded.
PARTS: tuple[Callable[[datetime], object], ...] = (
    lambda at: make_runs_ahead(at=at),
    follow_absence,
    follow_papers,
    lambda at: standing.seat_regulars(at=at),
    lambda at: standing.watch_kept(at=at),
    lambda at: pairing.settle(at=at),
    lambda at: riding.end_unled(at=at),
    lambda at: riding.tell_unled(at=at),
    expiring.remind_ahead,
    owe_site_lists,
    owe_digests,
    replies.read_mailbox_if_due,
    remind,
    ask_around,
    joining.prune,
    papers.prune,
    outbox.prune,
    Search.objects.prune,
    SentOnce.objects.prune,
)


def last_looked(what: str, at: datetime) -> datetime | None:
    """When something was last looked at. None before the first time, and once a day, so that whatever a
    look has missed is seen then."""
    heart = Heartbeat.objects.filter(name=what).first()
    return heart.at - TICK if heart and heart.at.date() == at.date() else None


def beat(at: datetime) -> None:
    Heartbeat.objects.update_or_create(name="worker", defaults={"at": at})


def last_seen() -> datetime | None:
    """When the worker was last at work; None if never."""
    heart = Heartbeat.objects.filter(name="worker").first()
    return heart.at if heart else None


def is_late(at: datetime) -> bool:
    seen = last_seen()
    return seen is None or at - seen > LATE


def once() -> int:
    """One tick, then everything owed; the number of messages seen to."""
    at = timezone.now()
    tick(at)
    sent = outbox.drain()
    beat(timezone.now())
    return sent


def forever(stop: threading.Event) -> None:
    """Works until told to stop. A fault in one part is logged and does not end the work."""
    next_tick = timezone.now()
    while not stop.is_set():
        at = timezone.now()
        try:
            close_old_connections()
            if at >= next_tick:
                next_tick = at + TICK
                tick(at)
                beat(at)
            outbox.drain(limit=100)
        except Exception:  # the worker must outlive whatever goes wrong in it
            logger.exception("the worker goes on after a fault")
        stop.wait(PAUSE)
