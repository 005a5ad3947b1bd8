"""Requests: one person is asked whether they can take a run, and answers by a private link, or to the
coordinator by phone. The first yes has the seat; later ones are thanked, and may stay as back-up."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Count
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from shifts.models import Ask, Booking, Policy, Run, Search
from shifts.seats import notices, refusals, searches
from shifts.seats.booking import hold, seat
from shifts.seats.on_call import coordinators
from sites.log import changes, record
from volunteers import links, outbox
from volunteers.models import Person
from volunteers.stopping import REQUESTS, link_to_stop

PURPOSE = "request"
WEEK = timedelta(days=7)

YES, NO, NOT_THIS_WEEK, LESS = (
    str(Ask.Answer.YES),
    str(Ask.Answer.NO),
    str(Ask.Answer.NOT_THIS_WEEK),
    str(Ask.Answer.LESS),
)
SILENT = str(Ask.Answer.NO_ANSWER)
BACK_UP, NO_BACK_UP = "back up", "no back up"
LATE, MOVED, CLOSED = str(Ask.Answer.LATE), str(Ask.Answer.MOVED), str(Ask.Answer.CLOSED)

# What somebody can say, by what stands there now. A mind may change; a yes that has a seat is given back on
# the run's page, and in the place of a request that was overtaken by a change stands a new one. A yes
# becomes LATE or MOVED where it comes to that.
UNDECIDED = {"", SILENT, NO, NOT_THIS_WEEK, LESS, CLOSED, LATE}
MAY_SAY: dict[str, set[str]] = {
    YES: UNDECIDED,
    NO: UNDECIDED,
    NOT_THIS_WEEK: UNDECIDED,
    LESS: UNDECIDED,
    SILENT: {""},  # by the coordinator, after a call that nobody took
    BACK_UP: {LATE},
    NO_BACK_UP: {LATE},
}


class NoLonger(refusals.Refusal):
    code = "no longer asked"

    def __init__(self) -> None:
        super().__init__(
            _("The coordinator asks nobody any more about this run."),
            _("If it still needs a driver, the seat is on the run's page."),
        )


class Settled(refusals.Refusal):
    code = "settled"

    def __init__(self, ask: Ask) -> None:
        if ask.booking and ask.booking.is_live:
            super().__init__(
                _("You said yes, and you drive this run."),
                _("If something came up, give the seat back on its page."),
            )
        else:
            super().__init__(
                _("You said yes, and the seat is not yours any more."),
                _("If you can drive after all, look at the run's page."),
            )


class Overtaken(refusals.Refusal):
    code = "overtaken"

    def __init__(self) -> None:
        super().__init__(
            _("The run has changed since this was asked."), _("Answer the newest request instead.")
        )


class NoBackUp(refusals.Refusal):
    code = "no back-up"

    def __init__(self) -> None:
        super().__init__(_("Only after a yes that came too late can one be a back-up."), _("Answer first."))


# --- reads


def token_of(ask: Ask) -> str:
    return links.token(PURPOSE, ask, ask.nonce)


def path_of(ask: Ask) -> str:
    return reverse("request_answer", args=[token_of(ask)])


def found_by(token: str) -> Ask | None:
    """Whose private link this is; None for a wrong one, and for people who have left."""
    pk = links.row_number(token)
    ask = with_run().filter(pk=pk).first() if pk is not None else None
    if ask is None or ask.person.left_on or not links.is_valid(token, PURPOSE, ask, ask.nonce):
        return None
    return ask


def with_run() -> Any:
    return Ask.objects.select_related("search__run", "person", "booking", "asked_by")


def facts_of(run: Run) -> tuple[datetime, datetime, list[int]]:
    """What somebody is asked about: start, end, and the sites in their order."""
    return run.starts_at, run.ends_at, list(run.stops.order_by("position").values_list("site", flat=True))


def shown_of(run: Run) -> str:
    """The same as one word, for a page to say what it showed."""
    starts, ends, sites = facts_of(run)
    return "-".join(str(part) for part in (int(starts.timestamp()), int(ends.timestamp()), *sites))


def has_moved(ask: Ask) -> bool:
    """Whether the run is another than the one they were asked about."""
    return (ask.starts_at, ask.ends_at, ask.sites) != facts_of(ask.search.run)


def newest(ask: Ask) -> Ask:
    """The request that stands in the place of one whose run has changed; else the same."""
    if ask.answer != MOVED:
        return ask
    later = with_run().filter(search__run=ask.search.run_id, person=ask.person_id, pk__gt=ask.pk)
    return later.order_by("-pk").first() or ask


def closed(ask: Ask, at: datetime, *, on_behalf: bool = False) -> refusals.Refusal | None:
    """Why there is nothing to answer any more; None while there is, if only "as a back-up". A coordinator
    still calls about a run that has begun, where its driver did not come."""
    run = ask.search.run
    if run.is_cancelled:
        return refusals.Cancelled(run.cancel_reason)
    if at >= (run.ends_at if on_behalf else run.starts_at):
        return refusals.Over(ended=at >= run.ends_at)
    shut = run.closed_sites()
    if shut:
        return refusals.Closed(shut)
    return None


def nothing_to_say(ask: Ask, at: datetime) -> refusals.Refusal | None:
    """Why whoever was asked has nothing to answer any more; None while they have, or drive."""
    over = closed(ask, at)
    if over:
        return over
    if ask.answer == YES:
        return None if ask.booking and ask.booking.is_live else Settled(ask)
    return NoLonger() if is_stopped(ask.search.run) else None


def is_stopped(run: Run) -> bool:
    """Whether a coordinator wants nobody to be asked: a yes by mail is not seated."""
    last = run.searches.first()
    return last is not None and last.end == Search.End.STOPPED


def asked_of(person: Person, at: datetime) -> list[Ask]:
    """What somebody is asked and can still answer, the earliest run first."""
    asks = with_run().filter(person=person, answer__in=["", SILENT], search__ended_at=None)
    asks = asks.filter(search__run__cancelled_at=None, search__run__starts_at__gt=at)
    return list(asks.exclude(wave=0).order_by("search__run__starts_at"))


def asked_this_week(people: Iterable[int], at: datetime) -> dict[int, int]:
    """By the person's key, about how many runs they were asked in the seven days before `at`, by mail or by
    phone; nobody who was not. Asked twice about one search, as when the run had moved, counts once; a call
    that was noted by mistake does not.

    Seven days and not the calendar's week, so that Sunday and Monday do not add up. One query.
    """
    asks = Ask.objects.made().filter(person__in=people, asked_at__gt=at - WEEK, asked_at__lte=at)
    counts = asks.order_by().values("person").annotate(n=Count("search", distinct=True))
    return dict(counts.values_list("person", "n"))


def not_in_the_week_of(day: date, people: Iterable[int]) -> set[int]:
    """Who said "not this week" to a run of the week, Monday to Sunday, of the local date. One query."""
    monday = day - timedelta(days=day.weekday())
    runs = Run.objects.on_days(monday, monday + timedelta(days=6))
    asks = Ask.objects.filter(answer=NOT_THIS_WEEK, person__in=people, search__run__in=runs.values("pk"))
    return set(asks.values_list("person", flat=True))


def requests_a_week(person: Person, policy: Policy) -> int:
    """The most that somebody is asked in seven days, urgent ones aside."""
    return policy.requests_a_week if person.requests_a_week is None else person.requests_a_week


# --- asking; the caller holds the run


def ask_person(
    search: Search, person: Person, *, wave: int, urgent: bool = False, by: Any, at: datetime, mailed: bool
) -> Ask:
    """Asks one person; with the mail that has the link to their answer, where it is `mailed`."""
    starts_at, ends_at, sites = facts_of(search.run)
    ask = Ask.objects.create(
        search=search,
        person=person,
        wave=wave,
        urgent=urgent,
        starts_at=starts_at,
        ends_at=ends_at,
        sites=sites,
        asked_at=at,
        asked_by=by,
    )
    after = {"group": wave} if wave else {"by": "phone"}
    record(verb="request", subject=search.run, person=person, by=by, at=at, after=after)
    if mailed:
        tell_asked(ask, at=at)
    return ask


def tell_asked(ask: Ask, *, at: datetime) -> None:
    """The question, with the private link to its answer."""
    with notices.in_words_of(ask.person) as programme:
        context = notices.facts(ask.search.run, ask.person, programme)
        context |= {
            "asks": name_of_asker(ask) or programme.contact_name or programme.name,
            "link": settings.BASE_URL + path_of(ask),
            "stop": link_to_stop(ask.person, REQUESTS),
        }
        outbox.owe(
            person=ask.person,
            mail=outbox.render("request", context),
            kind="request",
            key=searches.key_of(ask),
            about=searches.key_of(ask),
            at=at,
            programme=programme,
        )


def name_of_asker(ask: Ask) -> str:
    """The coordinator who chose them by hand; nobody's where the programme asks by itself."""
    if ask.asked_by is None:
        return ""
    return ", ".join(person.first_name for person in ask.asked_by.people.all())


# --- answering


@transaction.atomic
def answer(
    ask: Ask,
    said: str,
    *,
    by: Any,
    shown: str | None = None,
    on_behalf: bool = False,
    at: datetime | None = None,
) -> Ask:
    """What somebody says to a request: a word of MAY_SAY. A second tap changes nothing.

    A yes seats them, unless somebody else drives (then it is LATE) or the run is another than the one they
    were asked about (then it is MOVED, and a new request about the run as it is comes back). `shown`, from
    `shown_of`, is what their page showed: a yes to the run as it is now is a yes though it has moved.
    `on_behalf` is a coordinator's word after a call, who has told them the run as it is.

    Returns the request that holds the answer. Raises a Refusal, and ValueError for any other word.
    """
    at = at or timezone.now()
    if said not in MAY_SAY:
        raise ValueError(f"Nobody can say {said!r} to a request.")
    ask = now(ask)
    if ask.answer == said and (said != YES or (ask.booking and ask.booking.is_live)):
        return ask
    over = closed(ask, at, on_behalf=on_behalf)
    if over:
        raise over
    check_word(ask, said)
    if said == YES:
        return say_yes(ask, by=by, shown=shown, on_behalf=on_behalf, at=at)
    if said in (BACK_UP, NO_BACK_UP):
        return stand_by(ask, said == BACK_UP, by=by, at=at)
    searches.settle(ask, said, by=by, at=at)
    if said == LESS:
        ask_less(ask.person, by=by, at=at)
    return ask


def now(ask: Ask) -> Ask:
    """As it is, with its run and whoever sits there and its person locked in the usual order."""
    hold(Run.objects.filter(searches__asks=ask.pk), also=[ask.person_id])
    return with_run().get(pk=ask.pk)


def check_word(ask: Ask, said: str) -> None:
    """Raises a Refusal where the word has no place after what stands there."""
    if ask.answer in MAY_SAY[said]:
        return
    if ask.answer == YES:
        raise Settled(ask)
    if ask.answer == MOVED:
        raise Overtaken()
    raise NoBackUp() if said in (BACK_UP, NO_BACK_UP) else NoLonger()


def say_yes(ask: Ask, *, by: Any, shown: str | None, on_behalf: bool, at: datetime) -> Ask:
    run = ask.search.run
    if run.bookings.live().drivers().exclude(person=ask.person_id).exists():
        if ask.answer != LATE:
            searches.settle(ask, LATE, by=by, at=at)
        return ask
    if is_stopped(run) and not on_behalf:
        raise NoLonger()
    if has_moved(ask) and not on_behalf:
        ask = again(ask, by=by, at=at)
        if shown != shown_of(run):
            return ask
    booking = seat(run=run, person=ask.person, seat=Booking.Seat.DRIVER, by=by, on_behalf=on_behalf, at=at)
    ask = yes_of(booking, ask, by=by, at=at)
    tell_filled(ask, by=by, at=at)
    return ask


def yes_of(booking: Booking, ask: Ask, *, by: Any, at: datetime) -> Ask:
    """The request that the seat came of: that of the search going on, which knows already; else this one,
    of a search that had ended."""
    known = with_run().filter(booking=booking).first()
    if known:
        return known
    ask = with_run().get(pk=ask.pk)
    searches.settle(ask, YES, booking=booking, by=by, at=at)
    return ask


def again(ask: Ask, *, by: Any, at: datetime) -> Ask:
    """Asks anew about the run as it is now, in the place of a request about what it was. They are on its
    page, so no mail goes out."""
    search = searches.open_of(ask.search.run) or ask.search
    searches.settle(ask, MOVED, by=by, at=at)
    for other in search.asks.open().filter(person=ask.person_id):
        searches.settle(other, MOVED, by=by, at=at)
    return ask_person(
        search, ask.person, wave=ask.wave, urgent=ask.urgent, by=ask.asked_by, at=at, mailed=False
    )


def stand_by(ask: Ask, wants: bool, *, by: Any, at: datetime) -> Ask:
    """Whether they would still take it, should the driver fall out: then they are asked first."""
    if ask.is_back_up != wants:
        ask.is_back_up = wants
        ask.save(update_fields=["is_back_up"])
        verb = "back-up" if wants else "back-up no more"
        record(verb=verb, subject=ask.search.run, person=ask.person, by=by, at=at)
    return ask


def ask_less(person: Person, *, by: Any, at: datetime) -> None:
    """One request a week less, from what holds for them now; their own page changes it back."""
    new = {"requests_a_week": max(0, requests_a_week(person, Policy.current()) - 1)}
    before, after = changes(person, new)
    person.requests_a_week = new["requests_a_week"]
    person.save(update_fields=["requests_a_week"])
    record(verb="changed", subject=person, person=person, by=by, at=at, before=before, after=after)


@transaction.atomic
def called(run: Run, person: Person, said: str, *, by: Any, at: datetime | None = None) -> Ask:
    """What somebody said to the coordinator by phone: a word of MAY_SAY, SILENT where nobody took the call.
    A yes seats them. It counts as a request, and is that of the search going on; where none is, one begins
    that asks nobody by mail, and ends at once where somebody drives. Raises a Refusal."""
    at = at or timezone.now()
    (run,) = hold(Run.objects.filter(pk=run.pk), also=[person.pk])
    search = searches.open_of(run)
    if search is None:
        search = searches.begin(run, next_at=None, by=by, at=at)
    ask = search.asks.filter(person=person).exclude(answer=MOVED).first()
    if ask is None or (said == SILENT and ask.answer != ""):  # each call that nobody took is one
        ask = ask_person(search, person, wave=0, by=by, at=at, mailed=False)
    ask = answer(ask, said, by=by, on_behalf=True, at=at)
    going_on = searches.open_of(run)
    if going_on and run.bookings.live().drivers().exists():
        searches.end(going_on, Search.End.FILLED, by=by, at=at)
    return ask


# --- what people are told


def tell_filled(ask: Ask, *, by: Any, at: datetime) -> None:
    """To the coordinators, whom a mail has told that this run lost its driver at short notice: it has one
    again. Not to the one who did it."""
    booking, run = ask.booking, ask.search.run
    assert booking is not None
    lost = run.bookings.drivers().filter(end=Booking.End.GIVEN_BACK).order_by("-ended_at").first()
    short_notice = timedelta(hours=Policy.current().short_notice_hours)
    if lost is None or lost.ended_at is None or run.starts_at - lost.ended_at > short_notice:
        return
    others = coordinators(at).exclude(pk=ask.person_id)
    for coordinator in others.exclude(user=by) if by else others:
        with notices.in_words_of(coordinator) as programme:
            start = localtime(run.starts_at)
            words = {
                "name": ask.person.name,
                "run": run.title,
                "day": date_format(start),
                "time": time_format(start),
            }
            context = {
                "headline": _("%(name)s drives: %(run)s, %(day)s, %(time)s") % words,
                "lines": [_("It has a driver again, and nobody else is asked. There is nothing to do.")],
                "link": settings.BASE_URL + reverse("desk_run", args=[run.pk]),
                "where": "run",
                "programme": programme,
            }
            outbox.owe(
                person=coordinator,
                mail=outbox.render("news", context),
                kind="filled",
                key=f"filled:{booking.pk}:{coordinator.pk}",
                at=at,
                programme=programme,
            )
