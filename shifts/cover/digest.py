"""What the coordinators read in the afternoon for the next day, and in the morning for the same day where
something has changed since."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from django.conf import settings
from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import override

from shifts.cover.orientation import OnTheWay, WaitsFor, on_the_way
from shifts.cover.weaknesses import GAPS, Weakness, weaknesses
from shifts.models import Booking, Policy, Run
from shifts.schedule.clock import instant, local_date
from shifts.seats.alerts import alerts
from shifts.seats.on_call import as_reached, coordinators, covering
from sites.log import record
from sites.models import Event, Programme
from volunteers import outbox
from volunteers.models import Message, Person

# Within this time after its minute a digest is still of use, should the worker have been down; later the next
# one says it. Common practice, no published source.
LATE = timedelta(hours=2)
LISTED = 12  # lines of one kind before "and more"; a mail is read on a phone
WAITING = 3
SAID = "digest"  # the event of a day's digest; it keeps what was said


@dataclass(frozen=True)
class RunLine:
    run: Run
    words: str  # who drives, or that nobody does
    needs: bool


@dataclass(frozen=True)
class Digest:
    """`runs` are those of the day; `weak` is of the runs that come within the programme's "soon"."""

    day: date
    runs: Sequence[RunLine] = ()
    weak: Sequence[Weakness] = ()
    alerts: Sequence[str] = ()
    waiting: Sequence[OnTheWay] = ()
    failed: int = 0
    to_tell: int = 0

    @property
    def is_empty(self) -> bool:
        return not any((self.runs, self.weak, self.alerts, self.waiting, self.failed, self.to_tell))

    @property
    def needs(self) -> int:
        return sum(line.needs for line in self.runs)

    @property
    def mark(self) -> str:
        """A digest of what it says of its day's runs. What merely grows with the hours, such as how long
        somebody has waited, is no change."""
        told = [
            [[line.run.pk, line.run.starts_at, line.words] for line in self.runs],
            [[one.run.pk, one.why] for one in self.weak if one.run.local_date == self.day],
        ]
        return hashlib.sha256(json.dumps(told, default=str).encode()).hexdigest()[:32]


# --- when


def owe_digests(at: datetime) -> int:
    """Owes what is due now, in the programme's zone; how many mails. Safe to repeat, and for several workers:
    each digest is said once."""
    zone, policy = Programme.current().zone, Policy.current()
    today = local_date(at, zone)
    return sum(
        owe(day, is_morning=is_morning, at=at)
        for day, is_morning, when in due(today, policy)
        if (moment := instant(*when, zone)) <= at < moment + LATE
    )


def due(today: date, policy: Policy) -> list[tuple[date, bool, tuple[date, time]]]:
    """Each digest near today: its day, whether it is the morning's, and its day and hour on the wall. That
    of yesterday's afternoon too, where its hours go on after midnight."""
    eves = [today - timedelta(days=1), today]
    afternoon = [(eve + timedelta(days=1), False, (eve, policy.digest_at)) for eve in eves]
    return [*afternoon, (today, True, (today, policy.morning_at))]


@transaction.atomic
def owe(day: date, *, is_morning: bool, at: datetime) -> int:
    """One digest to everybody who gets it, unless it was said; how many. The morning's only where something
    has changed since the afternoon's, or that one was never made."""
    programme = Programme.objects.select_for_update(no_key=True).get(pk=Programme.current().pk)
    said = said_of(day)
    if any(event.after["morning"] or not is_morning for event in said):
        return 0
    with override("en"), timezone.override(programme.zone):
        digest = digest_of(day, at=at)
        is_old = bool(said) and said[-1].after["mark"] == digest.mark
        people = [] if digest.is_empty or is_old else list(coordinators(at))
        shown = as_reached(programme, covering(at, programme))
        changed = any(event.after["mails"] for event in said)
        for person in people:
            send(digest, person, is_morning=is_morning, changed=changed, programme=shown, at=at)
        after = {"day": day, "morning": is_morning, "mark": digest.mark, "mails": len(people)}
        record(verb=SAID, subject=programme, by=None, at=at, after=after)
    return len(people)


def said_of(day: date) -> list[Any]:
    """The digests of a day that were made, oldest first; also those that had nothing to say."""
    lately = Event.objects.about(Programme.current()).filter(verb=SAID)[:6]
    return [event for event in reversed(lately) if event.after and event.after["day"] == day.isoformat()]


# --- what


def digest_of(day: date, *, at: datetime) -> Digest:
    """What there is to say of a day; a constant number of queries. Its words are English, as the desk's."""
    until = at + timedelta(days=Policy.current().soon_days)
    runs = list(Run.objects.on_days(day, day).on_the_books().with_closed().with_people())
    ahead = [one for one in weaknesses(at=at) if one.kind not in GAPS or one.run.local_date != day]
    return Digest(
        day=day,
        runs=[line_of(run) for run in runs],
        weak=[one for one in ahead if one.run.starts_at <= until or one.run.local_date == day],
        alerts=[alert_words(booking) for booking in alerts(at)],
        waiting=longest_waits(at),
        failed=Message.objects.failed().count(),
        to_tell=Message.objects.to_tell().count(),
    )


def line_of(run: Run) -> RunLine:
    seated = {booking.seat: booking for booking in run.seated}
    driver, second = seated.get(Booking.Seat.DRIVER), seated.get(Booking.Seat.SECOND)
    beside = f", {second.person} rides along" if second else ""
    if run.closed:
        return RunLine(run, "a site is closed that day", needs=False)
    if driver is None:
        return RunLine(run, f"needs a driver{beside}", needs=True)
    return RunLine(run, f"{driver.person} drives{beside}", needs=False)


def alert_words(booking: Booking) -> str:
    return f"{booking.person} can't make it: {run_words(booking.run)}"


def longest_waits(at: datetime) -> list[OnTheWay]:
    """Who has waited too long for the desk, longest first."""
    desk = (WaitsFor.DESK, WaitsFor.ANSWER)
    return [one for one in on_the_way(at=at) if one.is_stuck and one.stage.waits_for in desk][:WAITING]


def run_words(run: Run) -> str:
    start = localtime(run.starts_at)
    return f"{run.title}, {date_format(start)}, {time_format(start)}"


# --- the mail


def send(
    digest: Digest, person: Person, *, is_morning: bool, changed: bool, programme: Programme, at: datetime
) -> None:
    context = {
        "digest": digest,
        "headline": headline(digest, at),
        "changed": changed,
        "runs": [
            {"at": line.run.starts_at, "title": line.run.title, "words": line.words, "needs": line.needs}
            | {"link": settings.BASE_URL + reverse("desk_run", args=[line.run.pk])}
            for line in digest.runs
        ],
        "weak": weak_lines(digest.weak)[:LISTED],
        "more_weak": max(0, len(weak_lines(digest.weak)) - LISTED),
        "link": settings.BASE_URL + reverse("desk"),
        "programme": programme,
    }
    outbox.owe(
        person=person,
        mail=outbox.render("digest", context),
        kind="digest",
        key=f"digest:{digest.day}:{'morning' if is_morning else 'eve'}:{person.pk}",
        at=at,
        programme=programme,
    )


def headline(digest: Digest, at: datetime) -> str:
    when = "Today" if digest.day == localtime(at).date() else "Tomorrow"
    day = date_format(digest.day)
    if digest.needs:
        some = "1 run needs a driver" if digest.needs == 1 else f"{digest.needs} runs need a driver"
        return f"{when}, {day}: {some}"
    if not digest.runs:
        return f"{when}, {day}: no runs"
    return f"{when}, {day}: every run has a driver"


def weak_lines(weak: Sequence[Weakness]) -> list[str]:
    """One line a run, with everything that is wrong with it."""
    by_run: dict[int, list[Weakness]] = defaultdict(list)
    for one in weak:
        by_run[one.run.pk].append(one)
    return [
        f"{run_words(faults[0].run)}: {' '.join(fault.why for fault in faults)}" for faults in by_run.values()
    ]
