"""My regular run: beginning and stopping, dates left out, and seating its driver as runs are made.

Each run gets a booking of its own. Where the driver is not ready on a run's date, the run is kept for them
until some days before; then it is asked around, and they are never seated past the date of a paper.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import partial
from typing import Any

from django.db import transaction
from django.db.models import Exists, OuterRef, Q
from django.db.models.functions import TruncDate
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.translation import gettext as _

from shifts.calendar import entries
from shifts.calendar.series import term_of
from shifts.models import Booking, Policy, Run, Shift, ShiftTerm, Skip, Standing, Stop
from shifts.models.standing import StandingQuerySet
from shifts.schedule import recurrence
from shifts.schedule.clock import local_date
from shifts.seats import notices, refusals
from shifts.seats.booking import clash, give_back, hold, seat
from shifts.seats.keeping import how_often, keeps, live_bookings, release_day, skip_day, with_skips
from shifts.seats.news import News
from sites.log import record
from sites.models import Programme
from sites.turns import each_in_turn
from volunteers import clearance, steps
from volunteers.models import Completion, NotAt, Person, Step, StepTerm

# --- taking one


@dataclass(frozen=True)
class Wish:
    """A regular run somebody would like: which dates of a weekly run, from when on."""

    shift: Shift
    person: Person
    from_day: date
    pattern: str = Standing.Pattern.EVERY
    crew: str = ""

    def as_row(self) -> Standing:
        """Not saved: for asking which dates it would have."""
        return Standing(
            shift=self.shift,
            person=self.person,
            crew=self.crew,
            pattern=self.pattern,
            anchor=self.from_day,
            from_day=self.from_day,
        )


def runs_of(wish: Wish, at: datetime) -> list[Run]:
    """The runs ahead, as far as they are made, that it would have."""
    row = wish.as_row()
    ahead = wish.shift.runs.on_the_books().ahead(at).filter(slot_date__gte=wish.from_day).with_people()
    return [run for run in ahead if run.slot_date and row.has(run.slot_date)]


def why_not(wish: Wish, *, at: datetime, on_behalf: bool = False) -> refusals.Refusal | None:
    """What keeps the person from taking it; None when it is theirs to take.

    A volunteer must be ready on its first date. A coordinator may write down whoever drives a weekly run:
    while somebody is not ready the runs are only kept for them.
    """
    personal = refusals.who_may_not(wish.person, Booking.Seat.DRIVER, driver=None)
    if personal:
        return personal
    mine = Standing.objects.filter(shift=wish.shift, person=wish.person).going_on(wish.from_day)
    if mine.exists():
        return refusals.AlreadyRegular()
    term = (
        wish.shift.term_on(wish.from_day) or wish.shift.terms.filter(applies_from__gt=wish.from_day).first()
    )
    if term is None:
        return refusals.NoDates()
    if wish.pattern != Standing.Pattern.EVERY and not suits(wish.pattern, term.rule):
        return refusals.NoPattern()
    runs = runs_of(wish, at)
    taken = regularly_taken(wish, runs)
    if runs and len(taken) == len(runs):
        return refusals.RegularTaken(taken[runs[0].pk])
    clashes = [clash(run, wish.person) for run in runs if run.pk not in taken]
    if not wish.crew and clashes and all(clashes) and clashes[0]:
        return refusals.Elsewhere(clashes[0])
    first = runs[0] if runs else None
    day, sites = (
        (first.local_date, first.site_ids)
        if first
        else (wish.from_day, [stop.site_id for stop in term.stops.all()])
    )
    if not wish.crew and clearance.barred([wish.person], sites=sites):
        return refusals.NotThere()
    if on_behalf:
        return None
    if is_kept_free(wish.shift, at):
        return refusals.KeptFree()
    missing = clearance.missing(wish.person, on=day, sites=sites)
    return refusals.NotReady(missing) if missing else None


def suits(pattern: str, rule: str) -> bool:
    """Whether a pattern has a meaning for a rule: all but "every run" need a run in every week."""
    day_rule = recurrence.read(rule)
    return pattern == Standing.Pattern.EVERY or (day_rule.every == 1 and not day_rule.nths)


def regularly_taken(wish: Wish, runs: Sequence[Run]) -> dict[int, Standing]:
    """By the run's key, whose regular run each of these dates is already."""
    others = list(with_skips(wish.shift.standings.going_on(wish.from_day)))
    return {run.pk: one for run in runs for one in others if run.slot_date and one.has(run.slot_date)}


def is_kept_free(shift: Shift, at: datetime) -> bool:
    """Whether one more weekly run with a regular driver would leave too few for newcomers."""
    percent = Policy.current().newcomer_percent
    if not percent:
        return False
    today = local_date(at, Programme.current().zone)
    shifts = Shift.objects.in_use(today)
    regular = shifts.filter(Exists(Standing.objects.going_on(today).filter(shift=OuterRef("pk"))))
    if regular.filter(pk=shift.pk).exists():
        return False  # it has one already: another driver for other weeks leaves nobody less
    return (regular.count() + 1) * 100 > shifts.count() * (100 - percent)


@transaction.atomic
def begin(
    wish: Wish,
    *,
    by: Any,
    on_behalf: bool = False,
    members: Iterable[Person] = (),
    news: News | None = None,
    at: datetime | None = None,
) -> Standing:
    """Gives somebody a regular run. They are seated in every run ahead that is free and for which they are
    ready; dates that are somebody else's are left out. Raises a Refusal."""
    at = at or timezone.now()
    shift = Shift.objects.select_for_update(of=("self",), no_key=True).get(pk=wish.shift.pk)
    ahead = shift.runs.on_the_books().ahead(at).filter(slot_date__gte=wish.from_day)
    hold(ahead, also=[wish.person.pk])
    refusal = why_not(wish, at=at, on_behalf=on_behalf)
    if refusal:
        raise refusal
    standing = wish.as_row()
    standing.made_at, standing.made_by = at, by
    standing.cleared_until = cleared_until(standing, at=at)
    standing.save()
    standing.members.set(members)
    record(
        verb="regular run begun",
        subject=shift,
        person=wish.person,
        by=by,
        at=at,
        after={"from": wish.from_day, "pattern": wish.pattern, "crew": wish.crew, "on behalf": on_behalf},
    )
    told = news or News(at=at, headline=lambda: _("Your regular run: %(run)s") % {"run": shift.name})
    kind = "words" if begins_unready(standing) else "begun"
    told.say(wish.person, lambda: begun_words(standing), kind=kind)
    seat_in(standing, list(ahead), by=by, news=told, at=at, at_first=True)
    if told is not news:
        told.settle()
    return standing


def begins_unready(standing: Standing) -> bool:
    """Whether its driver cannot drive any of it yet, as papers and steps are known now. A crew's captain need
    not drive."""
    until = standing.cleared_until
    return not standing.crew and until is not None and until < standing.from_day


def begun_words(standing: Standing) -> str:
    """In the active language and zone: what they have taken on."""
    term = term_of(standing)
    words = {
        "run": standing.shift.name,
        "when": how_often(standing),
        "time": time_format(term.starts) if term else "",
        "from": date_format(standing.from_day),
    }
    if standing.crew:
        text = _(
            "Your crew keeps %(run)s, %(when)s at %(time)s, from %(from)s on. Name a driver for each run."
        )
    elif begins_unready(standing):
        text = _(
            "%(run)s is kept for you, %(when)s at %(time)s, from %(from)s on, until you stop. "
            "Something is missing still: you drive once your steps are done."
        )
    else:
        text = _("You drive %(run)s, %(when)s at %(time)s, from %(from)s on, until you stop.")
    return refusals.sentence(text % words)


def seat_in(
    standing: Standing,
    runs: Sequence[Run],
    *,
    by: Any,
    news: News,
    at: datetime,
    at_first: bool = False,
) -> list[Run]:
    """Seats a regular driver in those of the runs that are free and theirs; the runs they got.

    What they are not ready for, or is closed, stays as it is. What cannot be theirs is left out, and they
    are told; `at_first` is when they begin, so that runs of others are left out for good: should the other
    give it back, nobody is put there unasked. The caller holds runs and person.
    """
    news.follow(standing.person)
    if standing.crew:
        return []
    got = []
    for run in runs:
        if run.slot_date is None or not keeps(standing, run):
            continue
        seated = {booking.seat: booking for booking in run.bookings.live()}
        own = next((one for one in seated.values() if one.person_id == standing.person_id), None)
        if own:
            if at_first and own.seat == Booking.Seat.DRIVER:  # taken as a single run before: part of it now
                Booking.objects.filter(pk=own.pk).update(standing=standing)
            continue
        if Booking.Seat.DRIVER in seated and not at_first:
            continue
        with notices.in_words_of(standing.person):  # a refusal is kept and told in their words
            try:
                seat_quietly(run, standing.person, by=by, news=news, at=at)
            except (refusals.NotReady, refusals.Closed, refusals.NotThere):
                continue
            except refusals.Refusal as refusal:
                leave_out(standing, run, refusal, by=by, news=news, at=at)
            else:
                got.append(run)
    return got


def seat_quietly(run: Run, person: Person, *, by: Any, news: News, at: datetime) -> None:
    """Seats a regular driver, who is told of the regular run as a whole and not of each run."""
    seat(run=run, person=person, seat=Booking.Seat.DRIVER, by=by, on_behalf=True, news=Quiet(news), at=at)


class Quiet(News):
    """Passes on whose calendar follows, without a line for each run."""

    def __init__(self, news: News) -> None:
        super().__init__(at=news.at)
        self.people = news.people


class AsAWhole(News):
    """Passes on everything but changes of runs that somebody drives as their regular run: of these they are
    told once, as a whole."""

    def __init__(self, news: News) -> None:
        super().__init__(at=news.at)
        self.people, self.items = news.people, news.items

    def tell(self, person: Person, kind: str, *, booking: Booking | None = None, **more: Any) -> None:
        if booking and booking.standing_id:
            self.follow(person)
        else:
            super().tell(person, kind, booking=booking, **more)


def leave_out(
    standing: Standing, run: Run, refusal: refusals.Refusal, *, by: Any, news: News, at: datetime
) -> None:
    assert run.slot_date is not None
    why = _("Somebody else has this run.") if isinstance(refusal, refusals.Taken) else refusal.why
    skip_day(standing, run.slot_date, reason=why, by=by, at=at)
    news.say(
        standing.person,
        lambda: _("Not yours: %(day)s. %(why)s") % {"day": date_format(run.local_date), "why": why},
    )


# --- changing and stopping one


@transaction.atomic
def stop(
    standing: Standing, *, last_day: date, by: Any, news: News | None = None, at: datetime | None = None
) -> Standing:
    """Ends a regular run after a date. Their bookings beyond are given back; never refused."""
    at = at or timezone.now()
    today = local_date(at, Programme.current().zone)  # what was driven stays as it was told
    until = max(last_day + timedelta(days=1), standing.from_day, today)
    standing = held(standing, after=until, at=at)
    ending = [one for one in (standing, *followers_of(standing)) if goes_beyond(one, until)]
    if not ending:
        return standing
    told = news or News(at=at, headline=lambda: _("Your regular run: %(run)s") % {"run": standing.shift.name})
    told.say(standing.person, lambda: ended_words(standing, until))
    for one in ending:
        one.until_day = max(until, one.from_day)
        one.save(update_fields=["until_day"])
        end_bookings(one, first=until, last=None, note="", by=by, news=told, at=at)
    record(
        verb="regular run ended",
        subject=standing.shift,
        person=standing.person,
        by=by,
        at=at,
        after={"last day": last_day},
    )
    if told is not news:
        told.settle()
    return ending[0]


def goes_beyond(standing: Standing, until: date) -> bool:
    """Whether it has dates, or could have, from a day on."""
    return standing.until_day is None or standing.until_day > max(until, standing.from_day)


def followers_of(standing: Standing) -> list[Standing]:
    """Those as which it goes on when the weekly run has changed for good, with their skips. To its driver
    they are one: a range that is skipped, and an end, hold for all of them."""
    found: list[Standing] = []
    one: Standing | None = standing
    while one := with_skips(Standing.objects.filter(succeeds=one)).first():
        found.append(one)
    return found


def ended_words(standing: Standing, until: date) -> str:
    words = {"run": standing.shift.name, "day": date_format(until - timedelta(days=1))}
    if until <= standing.from_day:
        return _("Your regular run %(run)s does not begin.") % words
    return _("Your regular run %(run)s ends; its last day is %(day)s. Thank you!") % words


def held(standing: Standing, *, after: date, until: date | None = None, at: datetime) -> Standing:
    """The regular run as it is now, its runs from a date on and its person locked, in the usual order."""
    runs = standing.shift.runs.ahead(at).filter(slot_date__gte=after)
    if until:
        runs = runs.filter(slot_date__lte=until)
    hold(runs, also=[standing.person_id])
    return with_skips(Standing.objects.filter(pk=standing.pk)).get()


def end_bookings(
    standing: Standing, *, first: date, last: date | None, note: str, by: Any, news: News, at: datetime
) -> None:
    """Gives back its bookings on rule dates from one to another (None: all that follow)."""
    theirs = live_bookings(standing).filter(run__starts_at__gt=at, run__slot_date__gte=first)
    if last:
        theirs = theirs.filter(run__slot_date__lte=last)
    for booking in theirs.order_by("run__starts_at"):
        give_back(booking, by=by, note=note, news=Quiet(news), at=at)


@transaction.atomic
def skip(
    standing: Standing, *, first: date, last: date, by: Any, note: str = "", at: datetime | None = None
) -> Skip:
    """Leaves out the dates from one to another, both included, also beyond the runs that are made. Never
    refused; runs of theirs on these dates are given back, and told once."""
    at = at or timezone.now()
    standing = held(standing, after=first, until=last, at=at)
    for known in standing.skips.standing().filter(first__lte=first, last__gte=last):
        return known
    reason = note.strip()[:200]
    row = Skip.objects.create(standing=standing, first=first, last=last, reason=reason, at=at, by=by)
    reached = [one for one in followers_of(standing) if one.from_day <= last]
    for one in reached:
        begins = max(first, one.from_day)
        Skip.objects.create(standing=one, first=begins, last=last, reason=reason, at=at, by=by)
    record(
        verb="regular run skipped",
        subject=standing.shift,
        person=standing.person,
        by=by,
        at=at,
        after={"first": first, "last": last, "note": note},
    )
    news = News(at=at, headline=lambda: _("Skipped: %(run)s") % {"run": standing.shift.name})
    news.say(standing.person, lambda: skipped_words(standing, first, last))
    for one in (standing, *reached):
        end_bookings(one, first=first, last=last, note=note, by=by, news=news, at=at)
    news.settle()
    return row


def skipped_words(standing: Standing, first: date, last: date) -> str:
    words = {"run": standing.shift.name, "first": date_format(first), "last": date_format(last)}
    if first == last:
        return _("You are off %(run)s on %(first)s. Your other dates stay yours.") % words
    return _("You are off %(run)s from %(first)s to %(last)s. Your other dates stay yours.") % words


@transaction.atomic
def take_back_skip(row: Skip, *, by: Any, at: datetime | None = None) -> list[Run]:
    """The dates are theirs again where nobody else has taken them; the runs they got back."""
    at = at or timezone.now()
    standing = held(row.standing, after=row.first, until=row.last, at=at)
    if not Skip.objects.standing().filter(pk=row.pk).update(lifted_at=at):
        return []
    # The same range where it reaches into what follows: `skip` and `succeed` give it the same moment.
    copies = Skip.objects.standing().filter(standing__in=followers_of(standing), at=row.at, last=row.last)
    copies.update(lifted_at=at)
    standing = with_skips(Standing.objects.filter(pk=standing.pk)).get()
    record(
        verb="regular run not skipped",
        subject=standing.shift,
        person=standing.person,
        by=by,
        at=at,
        before={"first": row.first, "last": row.last},
    )
    news = News(at=at, headline=lambda: _("Your regular run: %(run)s") % {"run": standing.shift.name})
    runs = standing.shift.runs.on_the_books().ahead(at).filter(slot_date__range=(row.first, row.last))
    got = [
        run
        for one in (standing, *followers_of(standing))
        for run in seat_in(one, list(runs), by=by, news=news, at=at, at_first=True)
    ]
    news.say(
        standing.person,
        lambda: (
            _("Yours again: %(run)s, %(days)s.")
            % {
                "run": standing.shift.name,
                "days": ", ".join(date_format(run.local_date) for run in got) or "–",
            }
        ),
    )
    news.settle()
    return got


@transaction.atomic
def change_crew(
    standing: Standing,
    *,
    crew: str,
    captain: Person,
    members: Iterable[Person],
    by: Any,
    at: datetime | None = None,
) -> Standing:
    """A crew's name, captain and members."""
    standing = held(standing, after=date.max, at=at or timezone.now())
    standing.crew, standing.person = crew, captain
    standing.save(update_fields=["crew", "person"])
    standing.members.set(members)
    record(
        verb="crew changed",
        subject=standing.shift,
        person=captain,
        by=by,
        at=at,
        after={"crew": crew, "members": [person.name for person in standing.members.all()]},
    )
    return standing


def name_driver(
    standing: Standing, run: Run, person: Person, *, by: Any, at: datetime | None = None
) -> Booking:
    """Names somebody of a crew for one of its runs: seated as by agreement. Raises a Refusal."""
    with transaction.atomic():
        if not keeps(standing, run):
            raise refusals.NotTheirs()
        if person.pk != standing.person_id and not standing.members.filter(pk=person.pk).exists():
            raise refusals.NotOfTheCrew(person)
        return seat(run=run, person=person, seat=Booking.Seat.DRIVER, by=by, on_behalf=True, at=at)


# --- when the weekly run changes for good


def succeed(shift: Shift, day: date, *, rule: str, by: Any, at: datetime) -> list[Standing]:
    """From a date on the weekly run is another: its regular runs end there, and successors begin, with the
    skips that are still to come and the bookings of runs that stay. The caller holds all of them, and seats
    the successors once the runs have followed. Those that begin later simply go on; one that was to follow
    on a later date follows now.
    """
    going_on = list(with_skips(shift.standings.going_on(day)))
    followed = {old.pk for old in going_on if old.from_day < day}
    found = []
    for old in going_on:
        if old.succeeds_id in followed:
            continue  # it is the `new` of another
        if old.from_day >= day:
            if not suits(old.pattern, rule):
                old.pattern = Standing.Pattern.EVERY
                old.save(update_fields=["pattern"])
            found.append(old)
            continue
        new = Standing.objects.filter(succeeds=old).first() or Standing(
            shift=shift,
            person=old.person,
            crew=old.crew,
            anchor=old.anchor,
            from_day=day,
            until_day=day,
            cleared_until=old.cleared_until,
            succeeds=old,
            made_at=at,
            made_by=by,
        )
        if not goes_beyond(new, day):  # it has no dates yet, or was ended before it began
            new.until_day = old.until_day
        new.from_day = day
        new.pattern = old.pattern if suits(old.pattern, rule) else Standing.Pattern.EVERY
        Standing.objects.filter(pk=old.pk).update(until_day=day)
        is_new = new.pk is None
        new.save()
        if is_new:
            new.members.set(old.members.all())
        for skip in old.skips.all():
            if skip.last >= day:
                new.skips.update_or_create(
                    at=skip.at,
                    last=skip.last,
                    lifted_at=None,
                    defaults={"first": max(skip.first, day), "reason": skip.reason, "by": skip.by},
                )
        old.bookings.live().filter(run__slot_date__gte=day).update(standing=new)
        found.append(new)
    return found


# --- by the clock


def seat_regulars(*, at: datetime | None = None, standings: StandingQuerySet | None = None) -> int:
    """Seats regular drivers in runs that were made, opened or became possible since; the number of seats.
    Safe to repeat. Each regular run is a transaction of its own."""
    at = at or timezone.now()
    today = local_date(at, Programme.current().zone)
    asked = Standing.objects.all() if standings is None else standings
    waiting = waiting_runs(with_skips(asked.going_on(today).filter(crew="")), at)
    if not waiting:
        return 0
    ready = ready_for(waiting)
    behind = entries.behind(Standing.objects.filter(pk__in=[standing.pk for standing, _runs in waiting]))
    due = [standing for standing, _runs in waiting if standing.pk in ready or standing.pk in behind]
    return sum(each_in_turn(due, lambda standing: seat_one(standing, ready.get(standing.pk, set()), at=at)))


def ready_for(waiting: Sequence[tuple[Standing, list[Run]]]) -> dict[int, set[int]]:
    """By the regular run's key, which of these runs of its weekly run its driver is ready for, as keys: the
    gate over all pairs in one query. Those without any are left out."""
    sites = Stop.objects.filter(run=OuterRef(OuterRef("shift__runs__pk"))).values("site")
    unmet = StepTerm.objects.unmet(
        person=OuterRef("person"), on=OuterRef("shift__runs__local_date"), sites=sites
    )
    wanted = {(standing.pk, run.pk) for standing, runs in waiting for run in runs}
    barring = NotAt.objects.barring(person=OuterRef("person"), sites=sites)
    pairs = Standing.objects.filter(
        pk__in={standing for standing, _run in wanted}, shift__runs__in={run for _standing, run in wanted}
    )
    ready: dict[int, set[int]] = {}
    for standing, run in (
        pairs.exclude(Exists(unmet)).exclude(Exists(barring)).order_by().values_list("pk", "shift__runs__pk")
    ):
        if (standing, run) in wanted:
            ready.setdefault(standing, set()).add(run)
    return ready


def waiting_runs(standings: StandingQuerySet, at: datetime) -> list[tuple[Standing, list[Run]]]:
    """Regular runs with those of their runs ahead that have no driver: two queries and the skips."""
    known = list(standings)
    if not known:
        return []
    empty: dict[int, list[Run]] = {}
    runs = Run.objects.filter(shift__in={one.shift_id for one in known}).on_the_books().ahead(at)
    for run in runs.unfilled().without_closed():
        empty.setdefault(run.shift_id or 0, []).append(run)
    pairs = [(one, [run for run in empty.get(one.shift_id, []) if keeps(one, run)]) for one in known]
    return [(one, theirs) for one, theirs in pairs if theirs]


@transaction.atomic
def seat_one(standing: Standing, runs: set[int], *, at: datetime) -> int:
    """Seats one regular driver; where they get no run, their calendar follows all the same: a run that was
    made and is not theirs yet is a date left out."""
    held_runs = hold(Run.objects.filter(pk__in=runs), also=[standing.person_id])
    standing = with_skips(Standing.objects.filter(pk=standing.pk)).get()
    news = News(at=at, headline=lambda: _("Your regular run: %(run)s") % {"run": standing.shift.name})
    got = seat_in(standing, held_runs, by=None, news=news, at=at)
    news.settle()
    return len(got)


def follow_papers(*, at: datetime, since: datetime | None) -> int:
    """Papers and steps that were recorded or taken back since a moment (None: ever): how long the regular
    runs of these people, and of those who may or may not be sent to a site since, can be driven is
    reckoned anew, and their calendars follow; everybody's where it was
    changed what is asked. The number changed."""
    today = local_date(at, Programme.current().zone)
    going_on = Standing.objects.going_on(today).filter(crew="").select_related("person", "shift")
    if since and not steps.changed_since(since):
        news = Q(recorded_at__gte=since) | Q(withdrawn_at__gte=since)
        people = Completion.objects.filter(news).values("person")
        barred = NotAt.objects.filter(Q(at__gte=since) | Q(ended_at__gte=since)).values("person")
        going_on = going_on.filter(Q(person__in=people) | Q(person__in=barred))
    of_person: dict[int, list[Standing]] = {}
    for standing in going_on:
        of_person.setdefault(standing.person_id, []).append(standing)
    return sum(each_in_turn(of_person.values(), lambda standings: reckon(standings, at=at)))


def reckon(standings: Sequence[Standing], *, at: datetime) -> int:
    """How many of a person's regular runs can be driven to another date than was known; they are told once,
    and their calendar follows."""
    reach = [(standing, cleared_until(standing, at=at)) for standing in standings]
    changed = [(standing, until) for standing, until in reach if until != standing.cleared_until]
    if not changed:
        return 0
    names = ", ".join(standing.shift.name for standing, _until in changed)
    with transaction.atomic():
        person = Person.objects.locked().get(pk=changed[0][0].person_id)
        news = News(at=at, headline=lambda: _("Your regular run: %(run)s") % {"run": names})
        for standing, until in changed:
            Standing.objects.filter(pk=standing.pk).update(cleared_until=until)
            news.say(person, partial(reach_words, standing, until))
        news.settle()
    return len(changed)


def reach_words(standing: Standing, until: date | None) -> str:
    """In the active language: how far their papers reach, as it was just recorded."""
    words = {"run": standing.shift.name, "day": date_format(until) if until else ""}
    term = term_of(standing)
    if term and clearance.barred([standing.person], sites=[stop.site_id for stop in term.stops.all()]):
        return (
            _("The coordinator plans %(run)s with other people, so no further dates come into your calendar.")
            % words
        )
    if until is None:
        return _("Your papers and steps are complete for %(run)s, without an end.") % words
    if until < standing.from_day:
        return (
            _(
                "Something is missing for %(run)s, so no further dates come into your calendar. "
                "See your steps."
            )
            % words
        )
    return _("As recorded now, your papers and steps reach to %(day)s for %(run)s.") % words


def cleared_until(standing: Standing, *, at: datetime) -> date | None:
    """The last date on which the gate lets its person drive it, as papers and steps are known now; None
    when that has no end, the day before it begins when there is none, and for somebody who is not to be sent
    there. Door notes do not count: they are
    read in a minute, any day, and new ones take nobody's runs.

    The gate changes only where a completion runs out or a term begins, so it is asked there and nowhere else.
    """
    term = term_of(standing)
    sites = [stop.site_id for stop in term.stops.all()] if term else []
    if clearance.barred([standing.person], sites=sites):
        return standing.from_day - timedelta(days=1)
    first = max(standing.from_day, local_date(at, Programme.current().zone))
    ends = Completion.objects.standing().filter(person=standing.person, valid_until__gte=first)
    begins = StepTerm.objects.filter(applies_from__gt=first).values_list("applies_from", flat=True)
    known = {*ends.values_list("valid_until", flat=True), *(day - timedelta(days=1) for day in begins)}
    days = {day for day in known if day}
    beyond = max([first, *days]) + timedelta(days=1)
    if not beside_doors(clearance.missing(standing.person, on=beyond, sites=sites)):
        return None
    for day in sorted(days, reverse=True):
        if not beside_doors(clearance.missing(standing.person, on=day, sites=sites)):
            return day
    return standing.from_day - timedelta(days=1)


def beside_doors(missing: Iterable[StepTerm]) -> list[StepTerm]:
    """What is missing beside door notes."""
    return [term for term in missing if term.step.kind != Step.Kind.DOORS]


def watch_kept(*, at: datetime | None = None) -> None:
    """Tells of runs that are kept because their regular driver is not ready, and hands them on when the day
    has come. Safe to repeat: each is told once."""
    at = at or timezone.now()
    programme, policy = Programme.current(), Policy.current()
    today = local_date(at, programme.zone)
    for standing, runs in waiting_runs(with_skips(Standing.objects.going_on(today)), at):
        for run in runs:
            near = release_day(run, policy) <= today
            if standing.crew:
                if near:
                    notices.kept_no_longer(standing, run, missing=[], at=at)
                continue
            missing = clearance.missing(standing.person, on=run.local_date, sites=run.site_ids)
            if missing and near:
                notices.kept_no_longer(standing, run, missing=missing, at=at)
            elif missing:
                notices.kept(standing, run, missing=missing, until=release_day(run, policy), at=at)
    for booking in lapsed(today + timedelta(days=policy.keep_days), at):
        end_lapsed(booking, at=at)


@transaction.atomic
def end_lapsed(booking: Booking, *, at: datetime) -> None:
    """Gives it back, and tells why; not when what was missing has been brought at that moment."""
    (run,) = hold(Run.objects.filter(pk=booking.run_id), also=[booking.person_id])
    missing = clearance.missing(booking.person, on=run.local_date, sites=run.site_ids)
    booked_on = local_date(booking.booked_at, Programme.current().zone)
    if not [term for term in beside_doors(missing) if term.applies_from < booked_on]:
        return
    ended = give_back(booking, by=None, end=Booking.End.LAPSED, at=at)
    if ended.end == Booking.End.LAPSED:
        assert booking.standing is not None
        notices.kept_no_longer(booking.standing, run, missing=missing, at=at)


def lapsed(last: date, at: datetime) -> list[Booking]:
    """Bookings of regular runs up to a date whose driver has lost what they had when they were booked.

    New door notes, and whatever is asked only since then, unseat nobody: their run shows the door notes
    first, and the desk shows the booking.
    """
    zone = Programme.current().zone
    sites = Stop.objects.filter(run=OuterRef(OuterRef("run"))).values("site")
    unmet = StepTerm.objects.unmet(person=OuterRef("person"), on=OuterRef("run__local_date"), sites=sites)
    lost = unmet.exclude(step__kind=Step.Kind.DOORS).filter(applies_from__lt=OuterRef("booked_on"))
    regular = Booking.objects.live().drivers().exclude(standing=None)
    gone = regular.annotate(booked_on=TruncDate("booked_at", tzinfo=zone)).filter(Exists(lost))
    ahead = gone.filter(run__starts_at__gt=at, run__local_date__lte=last, run__cancelled_at=None)
    return list(ahead.select_related("person", "run", "standing__shift", "standing__person"))


def regular_rows(shift: Shift, today: date) -> list[Standing]:
    """The regular runs of a weekly run that have not ended, with their skips."""
    return list(with_skips(shift.standings.going_on(today)).prefetch_related("members"))


def terms_told(term: ShiftTerm | None) -> tuple | None:
    """What of a weekly run its regular driver is told of; a change of it for good begins a new entry."""
    if term is None:
        return None
    return term.rule, term.starts, term.minutes, tuple((s.site_id, s.after_minutes) for s in term.stops.all())
