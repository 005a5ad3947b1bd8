"""In which order people are called about a run, and why: what is known of each, one score, and words."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from heapq import nsmallest
from typing import Any, NamedTuple

from django.db.models import Count

from shifts.cover.cars import holds, one_holds
from shifts.cover.chances import yes_chances
from shifts.cover.free import span, why_not_free
from shifts.models import Ask, Booking, Run
from shifts.schedule.clock import local_date
from shifts.seats.requests import asked_this_week
from sites.geography import Place, metres_from, miles
from sites.models import Programme
from volunteers.models import Availability, Away, Car, Person

LATELY = timedelta(weeks=4)  # back and ahead: "these weeks"
WEEKS = 2 * LATELY.days // 7

# What counts how much in the score. Common practice, no published source.
RESTED = 4.0  # for having driven nothing of what they want these weeks
SAYS_YES = 4.0  # for a yes that is certain
NEAR = 3.0  # for living at the door
SAYS_HOURS = 1.0  # for being usually free then by their own word
MEASURED = 0.5  # for a car that is known to hold it
ASKED = 1.0  # taken off for each request of the week, up to
MOST_ASKED = 3
FULL_WEEK = 5.0  # taken off who drives that week as often as they want already
HALF_AS_NEAR = 10.0  # miles of road at which nearness counts half
UNKNOWN_HOME = 10.0  # miles that are assumed of whoever has not said where they live

# Who comes before whom whatever the score, by what was said about this very run.
YES_BEFORE, NOT_ASKED, WAITING, SILENT, NOT_NOW = range(5)


class Said(NamedTuple):
    """What somebody last said about a run, or did with its seat; `words` have the time in them."""

    place: int
    words: str
    at: datetime


class Facts(NamedTuple):
    """What is known of one person for one run."""

    miles: float | None  # of road, from their home to the first stop; None: not known
    lately: int  # runs of these weeks
    that_week: int  # runs of the run's week, Monday to Sunday
    wish: int  # runs a week that they want
    chance: float  # that they say yes
    asked: int  # requests of the last seven days
    says_hours: bool  # usually free then by their own word; silence is no reason against anybody
    measured: bool  # their car is known to hold it
    said: Said | None


def score(facts: Facts) -> float:
    """How good a choice somebody is, among those who may take a run: the higher the sooner they are called.

    A sum of parts, each with a weight named above: how little they drove these weeks of what they want
    (RESTED); how likely they say yes (SAYS_YES); how near they live to the first stop (NEAR, half at
    HALF_AS_NEAR miles); whether they said that they are free at that hour (SAYS_HOURS); whether their car
    is known to hold it (MEASURED). Taken off: the requests of the week (ASKED), and a week that is full
    already (FULL_WEEK). What is not known counts as middling, never as bad.
    """
    wanted = facts.wish * WEEKS
    rest = max(0.0, 1 - facts.lately / wanted) if wanted else 0.0
    road = UNKNOWN_HOME if facts.miles is None else facts.miles
    return (
        RESTED * rest
        + SAYS_YES * facts.chance
        + NEAR * HALF_AS_NEAR / (HALF_AS_NEAR + road)
        + SAYS_HOURS * facts.says_hours
        + MEASURED * facts.measured
        - ASKED * min(facts.asked, MOST_ASKED)
        - FULL_WEEK * (facts.that_week >= facts.wish)
    )


class Ranked(NamedTuple):
    """Sorts: those who said yes before, then by score, then by name; those who were asked in vain last."""

    place: int
    minus_score: float
    name: str
    person: int
    facts: Facts


@dataclass
class Known:
    """What is known of everybody who drives, for some runs."""

    at: datetime
    programme: Programme
    people: list[tuple[int, str, int]]  # key, name, runs a week that they want
    homes: dict[int, Place]
    days: dict[int, list[tuple[date, int]]]  # runs of each, by date
    lately: dict[int, int]
    asked: dict[int, int]
    chances: dict[int, float]
    hours: dict[int, list[Any]]
    absences: dict[int, list[Any]]
    cars: dict[int, list[int | None]]  # crates that each of their cars takes
    said: dict[tuple[int, int], Said]  # by run and person

    @classmethod
    def of(cls, runs: Sequence[Run], *, at: datetime) -> Known:
        """Eleven queries, however many the runs and the people are."""
        programme = Programme.current()
        rows = Person.objects.drivers().values_list(
            "pk", "name", "runs_a_week", "home_latitude", "home_longitude"
        )
        found = list(rows.order_by())
        keys = [row[0] for row in found]
        today = local_date(at, programme.zone)
        days = days_driven(runs, today)
        hours = Availability.objects.order_by().values_list("person", "weekday", "begins", "ends", named=True)
        away = Away.objects.order_by().values_list("person", "first", "last", named=True)
        cars: dict[int, list[int | None]] = {}
        for person, crates in Car.objects.order_by().values_list("person", "crates"):
            cars.setdefault(person, []).append(crates)
        return cls(
            at=at,
            programme=programme,
            people=[(pk, name, wish) for pk, name, wish, _latitude, _longitude in found],
            homes={row[0]: (row[3], row[4]) for row in found if row[3] is not None and row[4] is not None},
            days=days,
            lately={
                person: sum(n for day, n in theirs if abs(day - today) <= LATELY)
                for person, theirs in days.items()
            },
            asked=asked_this_week(Person.objects.drivers().order_by().values_list("pk", flat=True), at),
            chances=yes_chances(keys, at),
            hours=by_person(hours),
            absences=by_person(away.filter(last__gte=min([today, *(run.local_date for run in runs)]))),
            cars=cars,
            said=said_about(runs, at),
        )

    def order(
        self,
        run: Run,
        *,
        among: Collection[int] | None = None,
        without: Collection[int] = (),
        able: bool = False,
        most: int = 0,
    ) -> list[Ranked]:
        """Everybody, or those `among`, in the order of calling; of these the first `most`, or all (0).
        `able` leaves out those who are not free then, and those whose car is too small."""
        road, week, when = self.road_to(run), self.week_of(run), span(run, self.programme.zone)
        found = []
        for person, name, wish in self.people:
            if (among is not None and person not in among) or person in without:
                continue
            hours, cars = self.hours.get(person, ()), self.cars.get(person, ())
            if able and not (
                one_holds(cars, run)
                and not why_not_free(hours, self.absences.get(person, ()), run.local_date, when)
            ):
                continue
            said = self.said.get((run.pk, person))
            facts = Facts(
                miles=road.get(person),
                lately=self.lately.get(person, 0),
                that_week=week.get(person, 0),
                wish=wish,
                chance=self.chances[person],
                asked=self.asked.get(person, 0),
                says_hours=bool(hours),
                measured=any(crates is not None and holds(crates, run) for crates in cars),
                said=said,
            )
            found.append(Ranked(said.place if said else NOT_ASKED, -score(facts), name, person, facts))
        return nsmallest(most, found) if most else sorted(found)

    def week_of(self, run: Run) -> dict[int, int]:
        """By the person's key, how many runs they drive in the run's week, Monday to Sunday."""
        monday = run.local_date - timedelta(days=run.local_date.weekday())
        sunday = monday + timedelta(days=6)
        return {
            person: sum(n for day, n in theirs if monday <= day <= sunday)
            for person, theirs in self.days.items()
        }

    def road_to(self, run: Run) -> dict[int, float]:
        """By the person's key, miles of road from their home to the run's first stop, as far as known."""
        place = run.ordered_stops[0].site.place if run.ordered_stops else None
        if place is None or not self.homes:
            return {}
        far = metres_from(place, list(self.homes.values()))
        factor = self.programme.road_factor
        return {person: miles(metres) * factor for person, metres in zip(self.homes, far, strict=True)}

    def reasons(self, one: Ranked, run: Run) -> list[str]:
        """At most three facts that help to choose, in words, the weightiest first."""
        facts = one.facts
        words = [facts.said.words] if facts.said else []
        words.append(words_of_runs(facts))
        words += words_of_distance(facts, run)
        words += words_of_answers(facts)
        words += self.words_of_car(one.person, run)
        words += ["usually free then"] if facts.says_hours else []
        return words[:3]

    def words_of_car(self, person: int, run: Run) -> list[str]:
        sizes = self.cars.get(person, [])
        measured = [crates for crates in sizes if crates is not None]
        if measured:
            return [f"car takes {max(measured)} crates"]
        if not run.crates:
            return []
        return ["car not measured" if sizes else "no car noted"]


def by_person(rows: Iterable[Any]) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = {}
    for row in rows:
        found.setdefault(row.person, []).append(row)
    return found


def days_driven(runs: Sequence[Run], today: date) -> dict[int, list[tuple[date, int]]]:
    """By the person's key, on which dates they drive how many runs: of these weeks, and of the weeks of
    these runs."""
    last = max([today + LATELY, *(run.local_date + timedelta(days=6) for run in runs)])
    first = min([today - LATELY, *(run.local_date - timedelta(days=6) for run in runs)])
    driven = (
        Booking.objects.live()
        .drivers()
        .filter(run__cancelled_at=None, run__local_date__gte=first, run__local_date__lte=last)
        .order_by()
        .values_list("person", "run__local_date")
        .annotate(n=Count("pk"))
    )
    found: dict[int, list[tuple[date, int]]] = {}
    for person, day, count in driven:
        found.setdefault(person, []).append((day, count))
    return found


# --- what was said about these very runs


def said_about(runs: Sequence[Run], at: datetime) -> dict[tuple[int, int], Said]:
    """By run and person, the newest of what they said or did: three queries."""
    keys = [run.pk for run in runs]
    found: dict[tuple[int, int], Said] = {}
    for run, person, said in [*not_these_weeks(runs, at), *answers_about(keys, at), *gave_up(keys, at)]:
        known = found.get((run, person))
        if known is None or known.at <= said.at:
            found[run, person] = said
    return found


def answers_about(runs: Sequence[int], at: datetime) -> list[tuple[int, int, Said]]:
    asks = Ask.objects.filter(search__run__in=runs).exclude(answer__in=[Ask.Answer.CLOSED, Ask.Answer.YES])
    found: list[tuple[int, int, Said]] = []
    said_yes: set[tuple[int, int]] = set()
    for ask in asks.order_by("pk").select_related("search"):
        pair = ask.search.run_id, ask.person_id
        if ask.answer == Ask.Answer.MOVED:
            said_yes.add(pair)
        unsaid = ask.answer == "" or (ask.answer == Ask.Answer.NO_ANSWER and not by_phone(ask))
        if not (unsaid and pair in said_yes):  # where they are asked anew, their yes counts for now
            found.append((*pair, said_by(ask, at)))
    return found


def by_phone(ask: Ask) -> bool:
    """Whether somebody was called, and a coordinator noted it."""
    return ask.wave == 0 or ask.answered_by_id is not None


def said_by(ask: Ask, at: datetime) -> Said:
    answered_at = ask.answered_at or ask.asked_at
    when, mailed = ago(answered_at, at), ago(ask.asked_at, at)
    if ask.is_back_up:
        return Said(YES_BEFORE, "stands by for this run", answered_at)
    if ask.answer == Ask.Answer.LATE:
        return Said(YES_BEFORE, f"said yes {when}, somebody was faster", answered_at)
    if ask.answer == Ask.Answer.MOVED:
        return Said(YES_BEFORE, f"said yes {when}, before the run was changed", answered_at)
    if ask.answer == Ask.Answer.NO_ANSWER:
        silent = f"no answer {when}" if by_phone(ask) else f"mailed {mailed}, no answer"
        return Said(SILENT, silent, answered_at)
    if ask.answer == Ask.Answer.NOT_THIS_WEEK:
        return Said(NOT_NOW, f"said not this week, {when}", answered_at)
    if ask.answer == "":
        return Said(WAITING, f"mailed {mailed}, no answer yet", ask.asked_at)
    return Said(NOT_NOW, f"said no {when}", answered_at)


def not_these_weeks(runs: Sequence[Run], at: datetime) -> list[tuple[int, int, Said]]:
    """Those who said "not this week" to another run of the same week."""
    if not runs:
        return []
    days = [run.local_date for run in runs]
    near = timedelta(days=6)
    rows = Ask.objects.filter(
        answer=Ask.Answer.NOT_THIS_WEEK,
        search__run__local_date__gte=min(days) - near,
        search__run__local_date__lte=max(days) + near,
    ).values_list("person", "search__run__local_date", "answered_at")
    by_week: dict[tuple[int, int], list[tuple[int, datetime]]] = {}
    for person, day, answered_at in rows:
        if answered_at:  # always, by a constraint
            by_week.setdefault(day.isocalendar()[:2], []).append((person, answered_at))
    return [
        (run.pk, person, Said(NOT_NOW, f"said not this week, {ago(moment, at)}", moment))
        for run in runs
        for person, moment in by_week.get(run.local_date.isocalendar()[:2], [])
    ]


def gave_up(runs: Sequence[int], at: datetime) -> list[tuple[int, int, Said]]:
    """Those who had the seat and gave it up, or did not come."""
    words = {
        Booking.End.GIVEN_BACK: "gave it back {}",
        Booking.End.HANDED_ON: "handed it on {}",
        Booking.End.NO_SHOW: "did not come",
    }
    ended = Booking.objects.drivers().filter(run__in=runs, end__in=list(words))
    return [
        (run, person, Said(NOT_NOW, words[Booking.End(end)].format(ago(moment, at)), moment))
        for run, person, end, moment in ended.order_by("pk").values_list("run", "person", "end", "ended_at")
        if moment  # always, by a constraint
    ]


# --- words


def ago(moment: datetime, at: datetime) -> str:
    minutes = max(0, round((at - moment) / timedelta(minutes=1)))
    if minutes < 1:
        return "just now"
    if minutes < 90:
        return f"{minutes} min ago"
    hours = round(minutes / 60)
    if hours < 48:
        return f"{hours} hours ago"
    return f"{round(hours / 24)} days ago"


def words_of_runs(facts: Facts) -> str:
    if facts.that_week and facts.that_week >= facts.wish:
        return f"{facts.that_week} that week already, wants {facts.wish}"
    return runs_lately(facts.lately)


def runs_lately(count: int) -> str:
    return f"{count or 'no'} run{'' if count == 1 else 's'} in these weeks"


def words_of_distance(facts: Facts, run: Run) -> list[str]:
    if not run.ordered_stops or run.ordered_stops[0].site.place is None:
        return []
    if facts.miles is None:
        return ["home not known"]
    return ["about a mile away"] if facts.miles < 1.5 else [f"about {round(facts.miles)} miles away"]


def words_of_answers(facts: Facts) -> list[str]:
    """Only what stands out."""
    words = []
    if facts.asked > 1:
        words.append(f"asked {facts.asked} times this week")
    if facts.chance >= 0.6:
        words.append("usually says yes")
    elif facts.chance <= 0.12:
        words.append("seldom says yes")
    return words
