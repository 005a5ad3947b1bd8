"""Asking around for a driver: when it begins by itself, and how it ends.

Whom it asks is decided in `cover/asking.py`, what they answer in `requests.py`. Whoever changes a search or
its requests holds the run.
"""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q

from shifts.models import Ask, Booking, Policy, Run, Search
from shifts.schedule.clock import instant
from shifts.seats.keeping import release_day
from sites.log import record
from sites.models import Programme
from volunteers import outbox


def key_of(ask: Ask) -> str:
    """The key of the mail that asks."""
    return f"request:{ask.pk}"


def open_of(run: Run) -> Search | None:
    """The search for a run's driver that is going on."""
    return Search.objects.open().filter(run=run).first()


def begin(run: Run, *, next_at: datetime | None, by: Any, at: datetime) -> Search:
    """Begins to ask around, or goes on with what is going on: then the earlier of the two moments holds.
    `next_at` is when the next group is asked; None asks nobody by mail."""
    search = open_of(run)
    if search is None:
        search = Search.objects.create(run=run, opened_at=at, opened_by=by, next_at=next_at)
        record(verb="search begun", subject=run, by=by, at=at, after={"next": next_at})
    elif next_at and (search.next_at is None or next_at < search.next_at):
        search.next_at = next_at
        search.save(update_fields=["next_at"])
    return search


def seat_fell_empty(booking: Booking, *, at: datetime) -> Search | None:
    """A driver has given back: others are asked soon, if the programme wants that. None where nobody is."""
    run, policy = booking.run, Policy.current()
    if booking.seat != Booking.Seat.DRIVER or booking.end != Booking.End.GIVEN_BACK:
        return None
    if not policy.asks_on or run.starts_at <= at or run.is_cancelled:
        return None
    return begin(run, next_at=first_asked_at(booking, policy, at), by=None, at=at)


def first_asked_at(booking: Booking, policy: Policy, at: datetime) -> datetime:
    """After some minutes, in which a slip can be undone; at once where it is near. Not before volunteers may
    book the run; and of a regular run that has ended, whose every date falls empty at one stroke, not before
    each of them is soon: until then somebody may take it for good."""
    run = booking.run
    near = run.starts_at - at <= timedelta(hours=policy.now_hours)
    moment = at if near else at + timedelta(minutes=policy.ask_after_minutes)
    opens = run.starts_at - timedelta(weeks=policy.weeks_shown)
    standing = booking.standing
    if standing and standing.until_day and run.slot_date and standing.until_day <= run.slot_date:
        opens = run.starts_at - timedelta(days=policy.soon_days)
    return max(moment, opens)


@transaction.atomic
def released(run: Run, *, at: datetime) -> Search | None:
    """A run that was kept for its regular driver is kept no longer: others are asked, once, also where a
    search that asks nobody by mail goes on since a call. A coordinator who has stopped that since is not
    overruled."""
    policy = Policy.current()
    if not policy.asks_on or run.starts_at <= at:
        return None
    run = Run.objects.locked().get(pk=run.pk)
    since = instant(release_day(run, policy), time.min, Programme.current().zone)
    since_then = (
        Q(opened_at__gte=since) | Q(ended_at__gte=since) | Q(asks__wave__gt=0, asks__asked_at__gte=since)
    )
    if run.searches.filter(since_then | Q(ended_at=None, next_at__isnull=False)).exists():
        return None
    if run.is_cancelled or run.bookings.live().drivers().exists():
        return None
    return begin(run, next_at=at, by=None, at=at)


def driver_found(booking: Booking, *, by: Any, at: datetime) -> None:
    """Somebody took the driver's seat, by whichever way: if they were asked, that is their yes, and nobody
    else is asked any more."""
    search = open_of(booking.run)
    if booking.seat != Booking.Seat.DRIVER or search is None:
        return
    asked = search.asks.filter(person=booking.person_id).exclude(answer=Ask.Answer.MOVED).first()
    if asked:
        settle(asked, Ask.Answer.YES, booking=booking, by=by, at=at)
    end(search, Search.End.FILLED, by=by, at=at)


def end(search: Search, how: str, *, by: Any, at: datetime) -> None:
    """Nobody more is asked. Who was asked and has not answered is told nothing, which would wear people
    out: the link says it. Requests that have not gone out stay here."""
    search.end, search.ended_at, search.ended_by = how, at, by
    search.save(update_fields=["end", "ended_at", "ended_by"])
    for ask in search.asks.open():
        settle(ask, Ask.Answer.CLOSED, by=None, at=at)
    for ask in search.asks.exclude(wave=0):
        outbox.take_back(key_of(ask), at=at)
    record(verb="search ended", subject=search.run, by=by, at=at, after={"end": how})


def go_on(search: Search, *, by: Any, at: datetime) -> None:
    """Undoes the end of a search, the run being without a driver again: the next group is due as it was, and
    who was asked and had not answered still can."""
    closed = search.asks.filter(answer=Ask.Answer.CLOSED, answered_at=search.ended_at, answered_by=None)
    for ask in closed:
        reopen(ask)
    search.end, search.ended_at, search.ended_by = "", None, None
    search.save(update_fields=["end", "ended_at", "ended_by"])
    record(verb="search begun", subject=search.run, by=by, at=at, after={"next": search.next_at})


def reopen(ask: Ask) -> None:
    """As if nothing had been answered."""
    ask.answer, ask.answered_at, ask.answered_by, ask.booking = "", None, None, None
    ask.save(update_fields=["answer", "answered_at", "answered_by", "booking"])


def settle(ask: Ask, answer: str, *, booking: Booking | None = None, by: Any, at: datetime) -> None:
    """Writes an answer, with its event where somebody gave it."""
    before = ask.answer
    ask.answer, ask.answered_at, ask.answered_by, ask.booking = answer, at, by, booking
    ask.is_back_up = ask.is_back_up and answer == Ask.Answer.LATE
    ask.save(update_fields=["answer", "answered_at", "answered_by", "booking", "is_back_up"])
    if answer in (Ask.Answer.CLOSED, Ask.Answer.NO_ANSWER):
        return
    said_before = Ask.objects.filter(search__run=ask.search.run_id, person=ask.person_id, is_back_up=True)
    said_before.exclude(pk=ask.pk).update(is_back_up=False)  # the newest word holds
    record(
        verb="request answered",
        subject=ask.search.run,
        person=ask.person,
        by=by,
        at=at,
        before={"answer": before},
        after={"answer": answer},
    )
