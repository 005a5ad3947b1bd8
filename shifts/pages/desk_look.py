"""A look before a change is saved: which runs appear, move or vanish, who is on them, who is told what.

The change is made, compared with what was, and taken back, so the look can say nothing else than what the
change does. It is kept when it was confirmed as it would be shown now.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeVar

from django.db import transaction
from django.db.models import Max, Q
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.formats import time_format
from django.utils.timezone import localtime

from shifts.models import Booking, Run
from shifts.models.run import RunQuerySet
from shifts.pages.access import Request
from shifts.pages.desk_parts import crates, phone_of, title_and_time, when
from shifts.seats import weekly
from shifts.seats.changes import Shape, shape_of
from sites.models import Closure
from volunteers.models import Message

AT_ONCE = 4  # rows shown of a list; the others are one tap away
LINES = 5  # and sentences of what one person is told
OWN = {"csrfmiddlewaretoken", "confirm", "edit"}  # what the forms of the look bring, beside what was typed

T = TypeVar("T")
Row = dict[str, Any]


@dataclass(frozen=True)
class Group:
    """A part of the look: a heading, a word on it, and rows with `name`, `url`, `hint`, `lines`, `tel`."""

    title: str
    rows: Sequence[Row]
    hint: str = ""
    needs: bool = False  # whether the coordinator has to do something about it

    @property
    def first(self) -> Sequence[Row]:
        return self.rows if len(self.rows) <= AT_ONCE + 1 else self.rows[:AT_ONCE]

    @property
    def more(self) -> Sequence[Row]:
        return self.rows[len(self.first) :]


@dataclass
class Look:
    groups: list[Group] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def add(self, *groups: Group) -> None:
        self.groups += [group for group in groups if group.rows]

    @property
    def is_empty(self) -> bool:
        return not self.groups and not self.notes

    @property
    def mark(self) -> str:
        """Stands for everything that is shown: with it a look is confirmed, and nothing else."""
        rows = [[one.title, [{**row, "url": ""} for row in one.rows]] for one in self.groups]
        return hashlib.sha256(json.dumps([rows, self.notes], default=str).encode()).hexdigest()[:32]


@dataclass(frozen=True)
class Shown:
    """A run at a moment, as two of them are compared."""

    run: Run
    shape: Shape
    stops: list[str]

    @property
    def is_on(self) -> bool:
        return not self.run.is_cancelled and not getattr(self.run, "closed", False)

    @property
    def who(self) -> str:
        return ", ".join(booking.person.name for booking in self.run.seated)


# --- making it, and taking it back


def unless_it_must_be_shown(
    request: Request,
    change: Callable[[], T],
    *,
    runs: Callable[[], RunQuerySet],
    at: datetime,
    more: Callable[[Look], None] = lambda look: None,
) -> tuple[T, Look | None]:
    """Makes a change: what it returned, and None when it is saved. Where it touches a run or somebody is told
    and this was not confirmed yet, nothing is saved, and the look to show is returned.

    `runs` are those that it may touch, asked before and after; `at` is the moment it is made with. `more`
    adds to the look what else is to be said, read while the change stands.
    """
    with transaction.atomic():
        look, result = look_at(change, runs=runs, at=at, more=more)
        if look.is_empty or request.POST.get("confirm") == look.mark:
            return result, None
        transaction.set_rollback(True)
    return result, look


def look_at(
    change: Callable[[], T],
    *,
    runs: Callable[[], RunQuerySet],
    at: datetime,
    more: Callable[[Look], None] = lambda look: None,
) -> tuple[Look, T]:
    """Makes the change inside the caller's transaction; reads what it did in a constant number of queries."""
    before = shown(runs())
    last = Message.objects.aggregate(last=Max("pk"))["last"] or 0
    result = change()
    after = shown(Run.objects.filter(Q(pk__in=before) | Q(pk__in=runs().order_by().values("pk"))))
    look = Look()
    moved = [pk for pk in before if pk in after and before[pk].is_on and after[pk].is_on]
    look.add(
        moves([(before[pk], after[pk]) for pk in moved]),
        *appearing(before, after),
        *vanishing(before, after),
        kept([one for pk, one in after.items() if one.run.off_rule and not was_off_rule(before.get(pk))]),
        ending(before, after),
    )
    more(look)
    look.add(
        doubts_of([after[pk].run for pk in moved if before[pk].shape.told != after[pk].shape.told], at=at),
        *tellings(Message.objects.filter(pk__gt=last, created_at=at)),
    )
    return look, result


def show_look(request: Request, look: Look, context: dict[str, Any]) -> HttpResponse:
    """The look as a page. The context says `title`, `heading`, `back` (address and words) and `button`, and
    with `can_edit` whether what was typed can be gone back to."""
    known = {"look": look, "fields": typed(request), "again": "confirm" in request.POST}
    return render(request, "desk/look.html", {**known, **context})


def typed(request: Request) -> list[tuple[str, str]]:
    """Everything that was typed, to be sent once more."""
    names = [name for name in request.POST if name not in OWN]
    return [(name, value) for name in names for value in request.POST.getlist(name)]


# --- runs


def shown(runs: RunQuerySet) -> dict[int, Shown]:
    found = runs.with_closed().with_people().order_by("starts_at", "pk")
    return {
        run.pk: Shown(run, shape_of(run), [stop.site.name for stop in run.ordered_stops]) for run in found
    }


def count(number: int, one: str, more: str = "") -> str:
    return f"{number} {one}" if number == 1 else f"{number} {more or one + 's'}"


def row_of(one: Shown, *, lines: Iterable[str] = (), url: bool = True) -> Row:
    return {
        "name": title_and_time(one.run),
        "url": reverse("desk_run", args=[one.run.pk]) if url else "",
        "hint": one.who,
        "lines": list(lines),
    }


def moves(pairs: list[tuple[Shown, Shown]]) -> Group:
    rows = [row_of(old, lines=lines) for old, new in pairs if (lines := differences(old, new))]
    return Group(
        f"{count(len(rows), 'run')} {'changes' if len(rows) == 1 else 'change'}",
        rows,
        "Whoever is booked keeps the seat.",
    )


def differences(old: Shown, new: Shown) -> list[str]:
    """What is other about a run, each with what it was."""
    was, will = old.shape, new.shape
    said = []
    if old.run.title != new.run.title:
        said.append(f"called {new.run.title}")
    if was.starts_at != will.starts_at:
        before, after = localtime(was.starts_at), localtime(will.starts_at)
        if before.date() == after.date():
            said.append(f"{time_format(after)}, was {time_format(before)}")
        else:
            said.append(f"{when(new.run)}, was {when(old.run)}")
    if was.ends_at - was.starts_at != will.ends_at - will.starts_at:
        said.append(f"{minutes(will)} minutes, was {minutes(was)}")
    if old.stops != new.stops:
        said.append(f"{' to '.join(new.stops)}, was {' to '.join(old.stops)}")
    elif was.stops != will.stops:
        said.append("other times at the stops")
    if was.crates != will.crates:
        said.append(f"about {crates(new.run)}, was {was.crates}")
    if was.second_seat != will.second_seat:
        said.append("has a second seat" if will.second_seat else "no second seat")
    if old.run.off_rule and not new.run.off_rule:
        said.append("one of the weekly run's dates again")
    return said


def minutes(shape: Shape) -> int:
    return int((shape.ends_at - shape.starts_at).total_seconds()) // 60


def appearing(before: dict[int, Shown], after: dict[int, Shown]) -> list[Group]:
    new = [row_of(one, url=False) for pk, one in after.items() if one.is_on and pk not in before]
    again = [row_of(one) for pk, one in after.items() if one.is_on and pk in before and not before[pk].is_on]
    return [
        Group(f"{count(len(new), 'run')} {'appears' if len(new) == 1 else 'appear'}", new),
        Group(f"{count(len(again), 'run')} {'takes' if len(again) == 1 else 'take'} place again", again),
    ]


def vanishing(before: dict[int, Shown], after: dict[int, Shown]) -> list[Group]:
    """Runs that are off from now on: no date of the weekly run any more, or closed, where bookings stay."""
    off = [(one, after.get(pk)) for pk, one in before.items() if one.is_on and not is_on(after.get(pk))]
    shut = closed_sites([new.run for _old, new in off if new and not new.run.is_cancelled])
    gone = [row_of(old) for old, _new in off if old.run.pk not in shut]
    closed = [
        row_of(old, lines=[f"closed: {', '.join(shut[old.run.pk])}"])
        for old, _new in off
        if old.run.pk in shut
    ]
    return [
        Group(f"{count(len(gone), 'run')} {'falls' if len(gone) == 1 else 'fall'} away", gone),
        Group(
            f"{count(len(closed), 'run')} {'does' if len(closed) == 1 else 'do'} not take place",
            closed,
            "Whoever is booked stays booked, should it open after all.",
        ),
    ]


def is_on(one: Shown | None) -> bool:
    return one is not None and one.is_on


def closed_sites(runs: Sequence[Run]) -> dict[int, list[str]]:
    """By the run's key, the names of its sites that are closed that day; one query."""
    sites = {site for run in runs for site in run.site_ids}
    closures = list(Closure.objects.standing().filter(site__in=sites)) if sites else []
    return {
        run.pk: [
            stop.site.name
            for stop in run.ordered_stops
            if any(c.site_id == stop.site_id and c.first <= run.local_date <= c.last for c in closures)
        ]
        for run in runs
    }


def was_off_rule(one: Shown | None) -> bool:
    return one is not None and one.run.off_rule


def kept(found: list[Shown]) -> Group:
    verb = "run is" if len(found) == 1 else "runs are"
    return Group(
        f"{len(found)} booked {verb} kept, though off the rule",
        [row_of(one) for one in found],
        "Somebody booked that very run. It stands on the desk until you keep it this once or cancel it.",
        needs=True,
    )


def ending(before: dict[int, Shown], after: dict[int, Shown]) -> Group:
    """Bookings that end with the change, a row for each person."""
    live = {booking.pk for one in after.values() for booking in one.run.seated}
    of_person: dict[int, list[tuple[Shown, Booking]]] = {}
    for one in before.values():
        for booking in one.run.seated:
            if booking.pk not in live:
                of_person.setdefault(booking.person_id, []).append((one, booking))
    rows = [ending_row(theirs) for theirs in of_person.values()]
    number = sum(map(len, of_person.values()))
    return Group(f"{count(number, 'booking')} {'ends' if number == 1 else 'end'}", rows)


def ending_row(theirs: list[tuple[Shown, Booking]]) -> Row:
    first, booking = theirs[0]
    more = f", and {count(len(theirs) - 1, 'run')} more" if len(theirs) > 1 else ""
    return {
        "name": booking.person.name,
        "url": person_url(booking),
        "hint": title_and_time(first.run) + more,
    }


def person_url(booking: Booking) -> str:
    return reverse("desk_person", args=[booking.person_id])


# --- people


def doubts_of(runs: Sequence[Run], *, at: datetime) -> Group:
    """Who sits in these runs and may not be able to drive them, with the number to ask them."""
    rows = [
        {
            "name": booking.person.name,
            "url": person_url(booking),
            "hint": why,
            "lines": [],
            "run": title_and_time(run),
            "run_url": reverse("desk_run", args=[run.pk]),
            **phone_of(booking.person.phone),
        }
        for run, booking, why in doubtful(runs, at=at)
    ]
    return Group(
        "It may not fit any more",
        rows,
        "They keep the seat until you decide. Call them; the run's page takes them out.",
        needs=True,
    )


def doubtful(runs: Sequence[Run], *, at: datetime) -> list[tuple[Run, Booking, str]]:
    known = {run.pk: run for run in runs}
    return [(known[booking.run_id], booking, why) for booking, why in weekly.doubtful(runs, at=at)]


def tellings(messages: Any) -> list[Group]:
    """Each person once, with all that they are told; and whose calendar follows without a word."""
    people: dict[int, list[Message]] = {}
    for message in messages.filter(person__isnull=False).select_related("person").order_by("pk"):
        people.setdefault(message.person_id or 0, []).append(message)
    told: list[Row] = []
    quiet: list[Row] = []
    for theirs in people.values():
        spoken = [message for message in theirs if message.kind != "calendar"]
        (told if spoken else quiet).append(telling(spoken or theirs, say=bool(spoken)))
    return [
        Group(f"{count(len(told), 'person is', 'people are')} told", told, "Each of them once."),
        Group(
            f"{count(len(quiet), 'calendar')} {'follows' if len(quiet) == 1 else 'follow'} without a word",
            quiet,
        ),
    ]


def telling(theirs: list[Message], *, say: bool) -> Row:
    person = theirs[0].person
    assert person is not None
    by_phone = any(message.state == Message.State.TELL for message in theirs)
    lines = [line for message in theirs for line in words_of(message)] if say else []
    return {
        "name": person.name,
        "url": reverse("desk_person", args=[person.pk]),
        "hint": "by phone: it comes on your list" if by_phone else "by mail",
        "lines": lines[:LINES],
        "more_lines": lines[LINES:],
        "language": person.language,
    }


def words_of(message: Message) -> list[str]:
    """The subject of a message, and the sentences it lists."""
    listed = [line.removeprefix("* ") for line in message.text.splitlines() if line.startswith("* ")]
    return [message.subject, *(line for line in listed if line != message.subject)]
