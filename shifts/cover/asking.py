"""Asking around for a driver, a group after the other: whom, how many, when.

A group is the fewest people of the call list, in its order, of whom at least one says yes with the chance
that the programme's settings name. People are spared: a week's requests are limited, and nobody is mailed in
quiet hours. How close the run is decides when the next group follows; shortly before it, everybody who may
be asked is asked at once, and the call list is for the coordinator's phone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Exists, Max, OuterRef, Q
from django.utils import timezone

from shifts.cover.candidates import CallList, ranked
from shifts.cover.chances import yes_chances
from shifts.models import Ask, Booking, Policy, Run, Search
from shifts.models.run import shut
from shifts.schedule.clock import instant, local_date
from shifts.schedule.quiet import Quiet, quiet_hours
from shifts.seats import searches
from shifts.seats.booking import hold
from shifts.seats.keeping import kept_for, regulars_of, release_day
from shifts.seats.requests import ask_person, asked_this_week, not_in_the_week_of, requests_a_week
from sites.log import record
from sites.models import Programme
from sites.turns import each_in_turn
from volunteers.models import Person
from volunteers.progress import NotPossible

# How long a group has time before the next one is asked, by how far off the run is: with more than this
# left, so long. With less than the settings' "now" left, all are asked at once. Common practice, no
# published source.
TIME_OF_A_GROUP = [
    (timedelta(days=7), timedelta(hours=24)),
    (timedelta(days=2), timedelta(hours=12)),
    (timedelta(0), timedelta(hours=2)),
]
DAY = timedelta(days=1)

# Why somebody who may drive is not asked by mail.
NO_MAIL, WANTS_NONE, NOT_THIS_WEEK, ENOUGH, QUIET, ASKED, WAS_ON_IT, MAY_NOT = (
    "no mail",
    "wants no requests",
    "not this week",
    "asked enough this week",
    "quiet hours",
    "asked already",
    "was on it before",
    "may not drive it",
)


# --- how many, and when


def group_size(chances: Sequence[float], *, chance: float, fewest: int, most: int) -> int:
    """How many of these people, in their order, are asked: the fewest of whom at least one says yes with
    this chance (1 - the product of their chances to say no), within `fewest` and `most`; all, where they
    are fewer."""
    no = 1.0
    for number, one in enumerate(chances, start=1):
        no *= 1 - one
        if number >= most or (number >= fewest and 1 - no >= chance):
            return number
    return len(chances)


def time_of_a_group(left: timedelta) -> timedelta:
    """How long after a group the next one is asked, with so much time left to the run."""
    return next((time for beyond, time in TIME_OF_A_GROUP if left > beyond), TIME_OF_A_GROUP[-1][1])


def is_quiet_for(person: Person, run: Run, quiet: Quiet | None, *, at: datetime, policy: Policy) -> bool:
    if quiet is None:
        return False
    return at < (quiet.early if person.early_requests and is_near(run, at, policy) else quiet.until)


def is_near(run: Run, at: datetime, policy: Policy) -> bool:
    return run.starts_at - at <= timedelta(hours=policy.now_hours)


def is_urgent(run: Run, at: datetime, policy: Policy) -> bool:
    return run.starts_at - at <= timedelta(hours=policy.urgent_hours)


def awake(moment: datetime, run: Run, policy: Policy, zone: ZoneInfo) -> datetime:
    """The moment, or where it lies in quiet hours, the first after it at which anybody may be mailed."""
    quiet = quiet_hours(moment, policy, zone)
    if quiet is None:
        return moment
    early = quiet.early if is_near(run, quiet.early, policy) else quiet.until
    return early if early > moment else quiet.until


# --- whom


@dataclass
class Pool:
    """Of those who `may` drive the run, whom the next group is taken from, in the order of asking: back-ups
    first, then as the call list has them. `others` are not asked by mail now, by their keys, with why."""

    may: list[Person] = field(default_factory=list)
    people: list[Person] = field(default_factory=list)
    chances: dict[int, float] = field(default_factory=dict)
    others: dict[int, str] = field(default_factory=dict)
    back_ups: set[int] = field(default_factory=set)


def pool_of(
    run: Run,
    search: Search | None,
    *,
    at: datetime,
    calls: CallList | None = None,
    by_hand: bool = False,
) -> Pool:
    """For the search that goes on, where there is one. Queries that do not grow with the people; `calls`
    spares those of the call list. `by_hand` is without the limits that a coordinator may set aside."""
    policy = Policy.current()
    may = [candidate.person for candidate in (calls or ranked(run, at=at)).may]
    keys = [person.pk for person in may]
    asked = set(search.asks.made().values_list("person", flat=True)) if search else set()
    limits = Limits.of(keys, run, at=at, policy=policy, by_hand=by_hand)
    quiet = quiet_hours(at, policy, Programme.current().zone)
    pool = Pool(may, chances=yes_chances(keys, at), back_ups=limits.back_ups - asked)
    for person in may:
        why = ASKED if person.pk in asked else limits.why_not(person)
        if not why and is_quiet_for(person, run, quiet, at=at, policy=policy):
            why = QUIET
        if why:
            pool.others[person.pk] = why
        else:
            pool.people.append(person)
    pool.people.sort(key=lambda person: person.pk not in pool.back_ups)  # stable: otherwise as they were
    return pool


@dataclass
class Limits:
    """What spares people requests, for some people and a run: four queries."""

    policy: Policy
    urgent: bool
    by_hand: bool
    counts: dict[int, int]
    not_this_week: set[int]
    back_ups: set[int]
    were_on_it: set[int]

    @classmethod
    def of(
        cls, keys: Sequence[int], run: Run, *, at: datetime, policy: Policy, by_hand: bool = False
    ) -> Limits:
        back_ups = Ask.objects.filter(search__run=run, is_back_up=True, person__in=keys)
        were_on_it = run.bookings.drivers().filter(person__in=keys)
        return cls(
            policy=policy,
            urgent=is_urgent(run, at, policy),
            by_hand=by_hand,
            counts=asked_this_week(keys, at),
            not_this_week=not_in_the_week_of(run.local_date, keys),
            back_ups=set(back_ups.values_list("person", flat=True)),
            were_on_it=set(were_on_it.exclude(end=Booking.End.CANCELLED).values_list("person", flat=True)),
        )

    def why_not(self, person: Person) -> str:
        """Why they are not mailed a request; nothing where they are. A back-up has said that they want to
        be asked about this very run, so no week's limit counts."""
        if not person.is_mailed:
            return NO_MAIL
        if not person.wants_requests:
            return WANTS_NONE
        if self.by_hand or person.pk in self.back_ups:
            return ""
        if person.pk in self.were_on_it:
            return WAS_ON_IT
        if person.pk in self.not_this_week:
            return NOT_THIS_WEEK
        most = requests_a_week(person, self.policy)
        most += self.policy.urgent_requests_a_week if self.urgent else 0
        return ENOUGH if self.counts.get(person.pk, 0) >= most else ""


# --- a group


@transaction.atomic
def next_wave(
    search: Search, *, by: Any = None, at: datetime | None = None, hurried: bool = False
) -> list[Ask]:
    """Asks the next group, and says when the one after it is due; who is asked, or nobody: it is not due
    yet, the run is kept for somebody, these are quiet hours, or nobody is left. `hurried` is a coordinator's
    "now". Ends the search where there is nothing to ask for any more.

    However long nothing was at work, one group is asked.
    """
    at = at or timezone.now()
    found = now(search)
    if found is None:
        return []
    search, policy, zone = found, Policy.current(), Programme.current().zone
    over = how_over(search.run, at)
    if over:
        searches.end(search, over, by=None, at=at)
        return []
    if not hurried and (search.next_at is None or search.next_at > at):
        return []
    kept = kept_for([search.run], at=at).get(search.run_id)
    if kept:
        wait(search, instant(release_day(search.run, policy), time.min, zone), policy, zone)
        return []
    if not hurried:
        fall_silent(search, at=at)
    pool = pool_of(search.run, search, at=at)
    group = spared(group_of(pool, search.run, at=at, policy=policy), search.run, at=at, policy=policy)
    wave = next_number(search)
    asks = [
        ask_person(
            search, person, wave=wave, urgent=is_urgent(search.run, at, policy), by=None, at=at, mailed=True
        )
        for person in group
    ]
    schedule(search, pool, at=at, policy=policy, zone=zone)
    return asks


def now(search: Search) -> Search | None:
    """As it is, with its run locked; None once it has ended. Nobody's row yet: those of a group follow, by
    key."""
    list(Run.objects.locked().filter(pk=search.run_id))
    return Search.objects.open().select_related("run").filter(pk=search.pk).first()


def how_over(run: Run, at: datetime) -> str:
    """How a search for this run ends now; nothing where it goes on."""
    if run.is_cancelled or run.starts_at <= at or run.closed_sites():
        return Search.End.OVER
    return Search.End.FILLED if run.bookings.live().drivers().exists() else ""


def group_of(pool: Pool, run: Run, *, at: datetime, policy: Policy) -> list[Person]:
    """Whom the next group holds: the back-ups alone while there are any, everybody where the run is near,
    else as many as make a yes likely enough."""
    if is_near(run, at, policy):
        return pool.people
    if pool.back_ups:
        first = [person for person in pool.people if person.pk in pool.back_ups]
        if first:
            return first
    size = group_size(
        [pool.chances[person.pk] for person in pool.people],
        chance=policy.ask_chance_percent / 100,
        fewest=policy.ask_fewest,
        most=policy.ask_most,
    )
    return pool.people[:size]


def spared(group: list[Person], run: Run, *, at: datetime, policy: Policy) -> list[Person]:
    """The group without whom another search has just asked: counted again under their locks, so that two
    searches at once do not ask somebody more often than they are to be."""
    keys = [person.pk for person in group]
    list(Person.objects.locked().filter(pk__in=keys))
    limits = Limits.of(keys, run, at=at, policy=policy)
    return [person for person in group if not limits.why_not(person)]


def next_number(search: Search) -> int:
    """The number of the next group; 0 are calls."""
    return 1 + (search.asks.aggregate(last=Max("wave"))["last"] or 0)


def fall_silent(search: Search, *, at: datetime) -> None:
    """Earlier groups have had their time: whoever has not answered counts as silent. They still may."""
    for ask in search.asks.open().exclude(wave=0):
        searches.settle(ask, Ask.Answer.NO_ANSWER, by=None, at=at)


def schedule(search: Search, pool: Pool, *, at: datetime, policy: Policy, zone: ZoneInfo) -> None:
    """When the next group is due. In quiet hours, when they end; where all have been asked at once, no
    more."""
    run, near = search.run, is_near(search.run, at, policy)
    if quiet_hours(at, policy, zone) and (not near or QUIET in pool.others.values()):
        wait(search, at, policy, zone)
    else:
        wait(search, None if near else at + time_of_a_group(run.starts_at - at), policy, zone)


def wait(search: Search, moment: datetime | None, policy: Policy, zone: ZoneInfo) -> None:
    """The next group is due then, out of quiet hours, and before the run starts; None, or later: none is."""
    moment = awake(moment, search.run, policy, zone) if moment else None
    search.next_at = moment if moment and moment < search.run.starts_at else None
    search.save(update_fields=["next_at"])


# --- what the coordinator does


@transaction.atomic
def start_search(run: Run, *, by: Any, at: datetime | None = None) -> Search:
    """Asks the first group now; or, where one is asked already, the next. Raises NotPossible."""
    at = at or timezone.now()
    run = Run.objects.locked().get(pk=run.pk)
    check_needed(run, at)
    search = searches.begin(run, next_at=at, by=by, at=at)
    next_wave(search, at=at, hurried=True)
    search.refresh_from_db()
    return search


def check_needed(run: Run, at: datetime) -> None:
    """Raises NotPossible where nobody needs to be asked."""
    over = how_over(run, at)
    if over == Search.End.FILLED:
        raise NotPossible("This run has a driver, so nobody needs to be asked.")
    if over:
        raise NotPossible("Nobody can be asked about a run that has started, is cancelled, or is closed.")


@transaction.atomic
def hurry(search: Search, *, by: Any, at: datetime | None = None) -> list[Ask]:
    """Asks the next group now. Raises NotPossible once the search has ended, or nobody needs to be asked."""
    at = at or timezone.now()
    found = still(search)
    check_needed(found.run, at)
    record(verb="search hurried", subject=found.run, by=by, at=at)
    return next_wave(found, at=at, hurried=True)


@transaction.atomic
def stop_search(search: Search, *, by: Any, at: datetime | None = None) -> Search:
    """Asks nobody more, and those who have not answered need not. Raises NotPossible once it has ended."""
    at = at or timezone.now()
    found = still(search)
    searches.end(found, Search.End.STOPPED, by=by, at=at)
    return found


def still(search: Search) -> Search:
    found = now(search)
    if found is None:
        raise NotPossible("Nobody is asked any more: the search has ended.")
    return found


@dataclass
class ByHand:
    asked: list[Ask]
    not_asked: list[tuple[Person, str]]  # and why


@transaction.atomic
def ask_by_hand(run: Run, people: Iterable[int], *, by: Any, at: datetime | None = None) -> ByHand:
    """Asks these people, by their keys, whom a coordinator has chosen. A week's limits do not count, but
    whoever may not drive the run, has no mail, wants no requests, is asked already or has quiet hours is
    not asked. The next group is due as it was. Raises NotPossible."""
    at, chosen = at or timezone.now(), set(people)
    (run,) = hold(Run.objects.filter(pk=run.pk), also=chosen)
    check_needed(run, at)
    if run.pk in kept_for([run], at=at):
        raise NotPossible("This run is kept for its regular driver for now. You can still seat somebody.")
    search = searches.begin(run, next_at=None, by=by, at=at)
    pool = pool_of(run, search, at=at, by_hand=True)
    wave, urgent = next_number(search), is_urgent(run, at, Policy.current())
    asked = [
        ask_person(search, person, wave=wave, urgent=urgent, by=by, at=at, mailed=True)
        for person in pool.people
        if person.pk in chosen
    ]
    rest = Person.objects.filter(pk__in=chosen.difference(ask.person_id for ask in asked))
    return ByHand(asked, [(person, pool.others.get(person.pk, MAY_NOT)) for person in rest])


# --- what the worker does


def ask_around(at: datetime) -> int:
    """Asks the groups that are due, the earliest run first, and ends what is over; how many were asked.
    Safe to repeat: what is due once is done once."""
    begin_released(at)
    due = Q(next_at__lte=at) | Q(run__starts_at__lte=at) | Q(run__cancelled_at__isnull=False)
    closed = Run.objects.filter(Exists(shut()), pk=OuterRef("run"))
    found = Search.objects.open().filter(due | Exists(closed)).order_by("run__starts_at", "run")
    return sum(each_in_turn(list(found), lambda search: len(next_wave(search, at=at))))


def begin_released(at: datetime) -> None:
    """Begins to ask about runs that are kept no longer for their regular driver or crew."""
    policy = Policy.current()
    if not policy.asks_on:
        return
    today = local_date(at, Programme.current().zone)
    near = Run.objects.on_the_books().ahead(at).on_days(today, today + timedelta(days=policy.keep_days))
    empty = list(near.exclude(shift=None).unfilled().without_closed())
    regulars = regulars_of(empty)
    for run in empty:
        if run.pk in regulars and release_day(run, policy) <= today:
            searches.released(run, at=at)
