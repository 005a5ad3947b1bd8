"""Changes to the runs of several days as one change: everything or nothing, one notice to each person.

Nobody loses a seat by a move or another drop-off. Whether a driver may still drive then is asked of the
gate, and answered to the coordinator, who decides. During a run nothing is asked: the food must go somewhere.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from shifts.models import Booking, Run, Stop
from shifts.schedule.clock import local_date
from shifts.schedule.legs import minutes_between
from shifts.seats import notices
from shifts.seats.booking import hold
from shifts.seats.changes import Shape, cancel_run, reshape_run, restore_run, shape_of
from shifts.seats.news import Item, News
from shifts.seats.on_call import coordinators
from shifts.seats.refusals import Refusal
from shifts.seats.weekly import doubtful
from sites.log import record
from sites.models import Closure, Programme, Site
from volunteers import outbox
from volunteers.models import Person
from volunteers.progress import NotPossible

NEARLY = timedelta(hours=1)  # so long before its start a driver may already stand at a closed door

CHANGED_MEANWHILE = "This run was changed meanwhile. This is how it is now: please choose again."

# --- what is wanted


@dataclass(frozen=True)
class CallOff:
    """The run is cancelled. `seen` is its `fingerprint` as somebody looked at it."""

    run: int
    seen: str
    reason: str = ""


@dataclass(frozen=True)
class PutOn:
    """A run that was called off is on again, with whoever was on it."""

    run: int
    seen: str


@dataclass(frozen=True)
class Reshape:
    """The run gets another time or other stops: see `moved` and `taken_to`. Taking such a change back,
    closed dates are not asked, `confirmed` brings back what the sites had said, and a run that followed
    its weekly run does so again (`hand_edited` False)."""

    run: int
    seen: str
    shape: Shape
    takes_back: bool = False
    hand_edited: bool = True
    confirmed: Mapping[int, datetime | None] | None = None


Change = CallOff | PutOn | Reshape


def fingerprint(run: Run) -> str:
    """What a change of the run is decided by. Another one means that it was changed meanwhile."""
    facts = [run.starts_at.timestamp(), run.ends_at.timestamp(), *shape_of(run).stops, run.cancelled_at]
    return hashlib.sha256(repr(facts).encode()).hexdigest()[:16]


def moved(run: Run, starts_at: datetime) -> Shape:
    """The run at another time, as long as it is."""
    shape = shape_of(run)
    return replace(shape, starts_at=starts_at, ends_at=starts_at + (run.ends_at - run.starts_at))


def taken_to(run: Run, site: Site) -> Shape:
    """The run with another last stop, the drive there counted anew."""
    *before, last = run.ordered_stops
    programme = Programme.current()
    here = before[-1].site.place if before else None
    drive = minutes_between(here, site.place, programme)
    return ending_at(run, site, later=drive - minutes_between(here, last.site.place, programme))


def taken_on(run: Run, site: Site) -> Shape:
    """The run with another last stop, to which one drives on from the door of the old one."""
    last = run.ordered_stops[-1]
    return ending_at(run, site, later=minutes_between(last.site.place, site.place, Programme.current()))


def ending_at(run: Run, site: Site, *, later: int) -> Shape:
    """The run with another last stop, reached so many minutes later than the old one; below 0, sooner."""
    shape = shape_of(run)
    *before, (_site, after) = shape.stops
    arrival = max([after + later, *(minutes for _before, minutes in before)])
    ends_at = max(
        run.ends_at + timedelta(minutes=arrival - after), run.starts_at + timedelta(minutes=arrival or 1)
    )
    return replace(shape, ends_at=ends_at, stops=(*before, (site.pk, arrival)))


# --- as plain data, for a session


def plain(change: Change) -> dict[str, Any]:
    """The change in values that JSON has; `from_plain` reads them."""
    known: dict[str, Any] = {"act": type(change).__name__, "run": change.run, "seen": change.seen}
    if isinstance(change, CallOff):
        return known | {"reason": change.reason}
    if isinstance(change, PutOn):
        return known
    return known | {
        "shape": plain_shape(change.shape),
        "takes_back": change.takes_back,
        "hand_edited": change.hand_edited,
        "confirmed": [[site, at and at.isoformat()] for site, at in (change.confirmed or {}).items()],
    }


def plain_shape(shape: Shape) -> dict[str, Any]:
    return {
        "starts_at": shape.starts_at.isoformat(),
        "ends_at": shape.ends_at.isoformat(),
        "stops": [list(stop) for stop in shape.stops],
        "crates": shape.crates,
        "second_seat": shape.second_seat,
    }


def from_plain(data: Mapping[str, Any]) -> Change:
    run, seen = data["run"], data["seen"]
    if data["act"] == CallOff.__name__:
        return CallOff(run, seen, data["reason"])
    if data["act"] == PutOn.__name__:
        return PutOn(run, seen)
    return Reshape(
        run,
        seen,
        shape_from_plain(data["shape"]),
        takes_back=data["takes_back"],
        hand_edited=data["hand_edited"],
        confirmed={site: at and datetime.fromisoformat(at) for site, at in data["confirmed"]},
    )


def shape_from_plain(data: Mapping[str, Any]) -> Shape:
    return Shape(
        starts_at=datetime.fromisoformat(data["starts_at"]),
        ends_at=datetime.fromisoformat(data["ends_at"]),
        stops=tuple((site, after) for site, after in data["stops"]),
        crates=data["crates"],
        second_seat=data["second_seat"],
    )


# --- a look, and the change itself


@dataclass(frozen=True)
class Problem:
    """Why nothing was saved. `about` is "run", "when" or "where"."""

    about: str
    why: str


class NotSaved(Exception):
    """`problems` by the run's key: why its change cannot be made. Nothing was."""

    def __init__(self, problems: dict[int, Problem]) -> None:
        self.problems = problems
        super().__init__("; ".join(problem.why for problem in problems.values()))


@dataclass
class Outcome:
    """What the change did, or would do. `runs` are as they were before it, with whoever was on them."""

    runs: dict[int, Run]
    changes: list[Change]
    told: list[tuple[Person, list[str]]] = field(default_factory=list)  # each in their own language
    doubtful: list[tuple[Booking, str]] = field(default_factory=list)  # they keep the seat
    left_out: list[tuple[Run, Person, Refusal]] = field(default_factory=list)  # could not be seated again
    opposite: list[Change] = field(default_factory=list)


Ticks = Mapping[int, Mapping[int, bool]]  # by run, by site: whether it said that it is open


def look(changes: Sequence[Change], *, message: str = "", at: datetime | None = None) -> Outcome:
    """What `make` would do now; nothing is written. Raises NotSaved as it does."""
    with transaction.atomic():
        outcome, _news = apply(changes, message=message, by=None, at=at or timezone.now())
        transaction.set_rollback(True)
    return outcome


@transaction.atomic
def make(
    changes: Sequence[Change],
    *,
    by: Any,
    message: str = "",
    ticks: Ticks | None = None,
    at: datetime | None = None,
) -> Outcome:
    """Makes all the changes, or none: raises NotSaved. Each person is told once; `message` is said to all.

    `opposite` of what it returns takes the whole of it back, should no run be changed meanwhile.
    """
    at = at or timezone.now()
    outcome, news = apply(changes, message=message, by=by, at=at)
    news.settle()
    confirm(ticks or {}, by=by, at=at)
    return outcome


def apply(changes: Sequence[Change], *, message: str, by: Any, at: datetime) -> tuple[Outcome, News]:
    keys = [change.run for change in changes]
    put_on = [change.run for change in changes if isinstance(change, PutOn)]
    were_on = Booking.objects.filter(run__in=put_on, end=Booking.End.CANCELLED)
    hold(Run.objects.filter(pk__in=keys), also=were_on.values_list("person", flat=True))
    runs = {run.pk: run for run in Run.objects.filter(pk__in=keys).with_people()}
    refuse(wrong(changes, runs, at=at))
    outcome = Outcome(runs, sorted(changes, key=lambda change: (runs[change.run].starts_at, change.run)))
    news = News(at=at)
    # Seats that fall free come first, so that somebody who is put on again finds the hour free.
    for kind in (CallOff, Reshape, PutOn):
        for change in outcome.changes:
            if isinstance(change, kind):
                do(change, outcome, message=message, by=by, news=news, at=at)
    refuse(two_places(outcome, at=at))
    reshaped = [change.run for change in changes if isinstance(change, Reshape)]
    outcome.doubtful = doubtful(list(Run.objects.filter(pk__in=reshaped, starts_at__gt=at)), at=at)
    outcome.told = told(news, message)
    after = Run.objects.filter(pk__in=keys).with_people()
    outcome.opposite = [opposite(runs[run.pk], run) for run in after]
    return outcome, news


def refuse(problems: dict[int, Problem]) -> None:
    if problems:
        raise NotSaved(problems)


def do(change: Change, outcome: Outcome, *, message: str, by: Any, news: News, at: datetime) -> None:
    run = outcome.runs[change.run]
    if isinstance(change, CallOff):
        cancel_run(run, reason=change.reason or message, by=by, news=news, at=at)
    elif isinstance(change, PutOn):
        left_out = restore_run(run, by=by, news=news, at=at)
        outcome.left_out += [(run, person, refusal) for person, refusal in left_out]
    else:
        reshape_run(run, change.shape, by=by, hand_edited=change.hand_edited, news=news, at=at)
        follow_stops(run, change)


def follow_stops(run: Run, change: Reshape) -> None:
    """What a site said of one day says nothing of another."""
    stops = Stop.objects.filter(run=run)
    if change.takes_back:
        Run.objects.filter(pk=run.pk).update(hand_edited=change.hand_edited)
        for site, at in (change.confirmed or {}).items():
            stops.filter(site=site).update(confirmed_at=at)
    elif local_date(change.shape.starts_at, Programme.current().zone) != run.local_date:
        stops.update(confirmed_at=None)


def opposite(before: Run, after: Run) -> Change:
    """What takes back a change from one version of a run to another."""
    seen = fingerprint(after)
    if after.is_cancelled and not before.is_cancelled:
        return PutOn(after.pk, seen)
    if before.is_cancelled and not after.is_cancelled:
        return CallOff(after.pk, seen, before.cancel_reason)
    return Reshape(
        after.pk,
        seen,
        shape_of(before),
        takes_back=True,
        hand_edited=before.hand_edited,
        confirmed={stop.site_id: stop.confirmed_at for stop in before.ordered_stops},
    )


def told(news: News, message: str) -> list[tuple[Person, list[str]]]:
    """Who is told what, by name; the message for all goes to each whose lines do not hold it already."""
    for pk, items in list(news.items.items()):
        if message and not all(holds(item, message) for item in items):
            news.say(news.people[pk], lambda: message)
    found = []
    for pk in news.items:
        with notices.in_words_of(news.people[pk]):
            lines = [line for item in news.items[pk] for line in notices.lines_of(item)]
        found.append((news.people[pk], lines))
    return sorted(found, key=lambda one: (one[0].name, one[0].pk))


def holds(item: Item, message: str) -> bool:
    return item.kind == "ended" and item.booking is not None and item.booking.end_note == message


# --- what cannot be


def wrong(changes: Iterable[Change], runs: Mapping[int, Run], *, at: datetime) -> dict[int, Problem]:
    """By the run's key, what keeps a change from being made, as far as one run shows it."""
    shapes = [change.shape for change in changes if isinstance(change, Reshape)]
    asked = {site for shape in shapes for site, _after in shape.stops}
    sites = Site.objects.prefetch_related("closures").in_bulk(asked)
    found = {}
    for change in changes:
        problem = wrong_with(change, runs.get(change.run), sites, at=at)
        if problem:
            found[change.run] = problem
    return found


def wrong_with(change: Change, run: Run | None, sites: Mapping[int, Site], *, at: datetime) -> Problem | None:
    if run is None:
        return Problem("run", "This run is no longer there: the weekly run has dropped its date.")
    if fingerprint(run) != change.seen:
        return Problem("run", CHANGED_MEANWHILE)
    if run.ends_at <= at:
        return Problem("run", "This run is over, so it stays as it was.")
    if isinstance(change, PutOn) and run.cancel_cause != Run.Cause.CALLED_OFF:
        return Problem("run", "The weekly run no longer has this date. Add a one-off run instead.")
    if not isinstance(change, Reshape):
        return None
    return wrong_time(change, run, at=at) or wrong_place(change, run, sites)


def wrong_time(change: Reshape, run: Run, *, at: datetime) -> Problem | None:
    if change.shape.starts_at == run.starts_at or change.shape.starts_at > at:
        return None
    return Problem("when", "That time is over. Choose a later one.")


def wrong_place(change: Reshape, run: Run, sites: Mapping[int, Site]) -> Problem | None:
    """Of a move, each of its sites must be open on the new day; else the new drop-off on its own."""
    day = local_date(change.shape.starts_at, Programme.current().zone)
    asked = [sites[site] for site, _after in change.shape.stops]
    last = asked[-1]
    if last.pk != run.site_ids[-1]:
        if not last.takes or last.ended_on:
            return Problem("where", f"No food is taken at {last}. Choose another drop-off.")
        if last.pk in run.site_ids[:-1]:
            return Problem("where", f"{last} is where it is picked up. Choose another drop-off.")
    if change.takes_back:
        return None
    about = "where" if day == run.local_date else "when"
    for site in asked if day != run.local_date else [last] if last.pk != run.site_ids[-1] else []:
        for closure in site.closures.all():
            if closure.lifted_at is None and closure.first <= day <= closure.last:
                return Problem(about, closed_words(site, closure, day, about))
    return None


def closed_words(site: Site, closure: Closure, day: Any, about: str) -> str:
    why = f" ({closure.reason})" if closure.reason else ""
    choose = "another drop-off" if about == "where" else "another day"
    return f"{site} is closed on {date_format(day)}{why}. Choose {choose}."


def two_places(outcome: Outcome, *, at: datetime) -> dict[int, Problem]:
    """By the key of a run that was moved: somebody on it would be on two runs at once."""
    times = {
        change.run: outcome.runs[change.run]
        for change in outcome.changes
        if isinstance(change, Reshape) and change.shape.starts_at != outcome.runs[change.run].starts_at
    }
    people = {booking.person_id for run in times.values() for booking in run.seated}
    takes_place = Run.objects.on_the_books().not_over(at).without_closed().order_by()
    of_person: dict[int, list[Booking]] = {}
    for booking in (
        Booking.objects.live()
        .filter(person__in=people, run__in=takes_place.values("pk"))
        .select_related("run", "person")
        .order_by("run__starts_at", "pk")
    ):
        of_person.setdefault(booking.person_id, []).append(booking)
    found: dict[int, Problem] = {}
    for theirs in of_person.values():
        for one in theirs:
            for other in theirs:
                if one.run_id in times and one is not other and overlap(one.run, other.run):
                    found.setdefault(one.run_id, Problem("when", two_words(one, other)))
    return found


def overlap(a: Run, b: Run) -> bool:
    return a.starts_at < b.ends_at and b.starts_at < a.ends_at


def two_words(booking: Booking, other: Booking) -> str:
    start = localtime(other.run.starts_at)
    return (
        f"{booking.person.name} is on {other.run.title} then, {date_format(start)} at {time_format(start)}. "
        "Choose another time, or take them out of one of the two."
    )


# --- what the sites said


def confirm(ticks: Ticks, *, by: Any, at: datetime) -> int:
    """Notes that sites said they are open for a run, or takes that back; the number noted. Safe to repeat.
    Must be called in a transaction."""
    runs = {run.pk: run for run in Run.objects.locked().filter(pk__in=ticks)}
    count = 0
    for stop in Stop.objects.filter(run__in=runs).select_related("site").order_by("run", "position"):
        said = ticks[stop.run_id].get(stop.site_id)
        if said is None or said == (stop.confirmed_at is not None):
            continue
        Stop.objects.filter(pk=stop.pk).update(confirmed_at=at if said else None)
        verb = "noted as confirmed" if said else "noted as not confirmed"
        record(verb=verb, subject=runs[stop.run_id], by=by, at=at, after={"note": stop.site.name})
        count += 1
    return count


# --- another drop-off while the run is on


def is_on(run: Run, at: datetime) -> bool:
    """Whether the run is under way or about to be, so that its food may find a closed door."""
    return not run.is_cancelled and run.starts_at - NEARLY <= at < run.ends_at


@transaction.atomic
def reroute(
    run: Run, site: Site, *, by: Any, person: Person | None = None, shape: Shape | None = None,
    at: datetime | None = None,
) -> Run:  # fmt: skip
    """The food goes to another drop-off than the last stop. No gate is asked: it is for a run that is on.

    Whoever is on it and the coordinators are told; `person` is the driver where they say so themselves.
    `shape` is what the run becomes where that is known, as when it goes back. Raises NotPossible.
    """
    at = at or timezone.now()
    (run,) = hold(Run.objects.filter(pk=run.pk))
    if not is_on(run, at):
        raise NotPossible(_("This run is not on now, so its drop-off is changed on another page."))
    if site.pk == run.site_ids[-1]:
        return run
    if not site.takes or site.ended_on or site.pk in run.site_ids[:-1]:
        raise NotPossible(_("No food is taken at %(site)s. Choose another drop-off.") % {"site": site})
    old = run.ordered_stops[-1].site
    news = News(at=at)
    reshape_run(run, shape or taken_on(run, site), by=by, hand_edited=True, news=news, at=at)
    news.settle()
    for coordinator in coordinators(at):
        if coordinator.user != by and coordinator.pk not in news.people:
            tell_of_reroute(coordinator, run, old=old, new=site, person=person, at=at)
    return Run.objects.get(pk=run.pk)


def tell_of_reroute(
    coordinator: Person, run: Run, *, old: Site, new: Site, person: Person | None, at: datetime
) -> None:
    with notices.in_words_of(coordinator) as programme:
        start = localtime(run.starts_at)
        words = {
            "run": run.title,
            "day": date_format(start),
            "time": time_format(start),
            "old": old.name,
            "new": new.name,
            "name": person.name if person else "",
        }
        line = (
            _("%(name)s takes the food to %(new)s instead of %(old)s.")
            if person
            else _("The food goes to %(new)s instead of %(old)s.")
        )
        context = {
            "headline": _("Other drop-off: %(run)s, %(day)s, %(time)s") % words,
            "lines": [line % words],
            "link": settings.BASE_URL + reverse("desk_run", args=[run.pk]),
            "where": "run",
            "programme": programme,
        }
        outbox.owe(
            person=coordinator,
            mail=outbox.render("news", context),
            kind="rerouted",
            key=f"rerouted:{run.pk}:{coordinator.pk}:{at.isoformat()}",
            at=at,
            programme=programme,
        )
