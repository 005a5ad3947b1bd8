"""Proposed shadow rides: a trainee beside a lead driver on a run that the lead drives. Both are asked, and
nothing is fixed until both agree; the second yes seats the trainee. Every move is an event of the run."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Exists, OuterRef, Q
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _
from django.utils.translation import override

from shifts.models import Booking, Pairing, Run, Stop
from shifts.models.run import shut
from shifts.seats import pairing_words as words
from shifts.seats import refusals
from shifts.seats.booking import hold, seat, why_not
from shifts.seats.handover import short_name
from shifts.seats.news import News
from shifts.seats.riding import give_up, lacking_ride, led_rides, unled_trainees, why_not_ride
from sites.log import record
from sites.turns import each_in_turn
from volunteers import links
from volunteers.models import NotAt, Person

LEAD, TRAINEE = "ride-lead", "ride-trainee"  # purposes of the two private links

ASKED, HALF = "asked", "half"  # nobody has agreed; one of them has
AGREED, DECLINED, WITHDRAWN = Pairing.Outcome.AGREED, Pairing.Outcome.DECLINED, Pairing.Outcome.WITHDRAWN

# What can become of a proposed ride: by the move and where it stands, where it stands then.
MOVES: dict[tuple[str, str], str] = {
    ("agree", ASKED): HALF,
    ("agree", HALF): AGREED,
    ("take back", HALF): ASKED,
    ("decline", ASKED): DECLINED,
    ("decline", HALF): DECLINED,
    ("withdraw", ASKED): WITHDRAWN,
    ("withdraw", HALF): WITHDRAWN,
}
VERBS = {
    "propose": "ride proposed",
    "agree": "ride agreed",
    "take back": "ride not agreed after all",
    "decline": "ride declined",
    "withdraw": "ride withdrawn",
}


class Settled(refusals.Refusal):
    code = "settled"

    def __init__(self, pairing: Pairing) -> None:
        if pairing.outcome == AGREED and takes_place(pairing):
            super().__init__(
                _("Both have agreed, and the ride is fixed."),
                _("If something came up, give the seat back on the run's page."),
            )
        elif pairing.outcome == DECLINED:
            super().__init__(
                _("One of you has said no, so this ride is not proposed any more."),
                _("Call the coordinator if that has changed."),
            )
        else:
            super().__init__(_("This ride is not proposed any more."), _("Nothing has changed for you."))


class NotAgreed(refusals.Refusal):
    code = "not agreed"

    def __init__(self) -> None:
        super().__init__(_("They have not said yes."), _("Nothing has to be taken back."))


class AskedAbout(refusals.Refusal):
    code = "asked already"

    def __init__(self, pairing: Pairing) -> None:
        names = {"trainee": short_name(pairing.trainee), "lead": short_name(pairing.lead)}
        super().__init__(
            _("%(trainee)s and %(lead)s are asked about a ride already.") % names,
            _("Withdraw that one first, or wait for their answers."),
        )


class OtherDriver(refusals.Refusal):
    code = "other driver"

    def __init__(self, lead: Person) -> None:
        super().__init__(
            _("%(name)s does not drive this run as a lead driver any more.") % {"name": lead.first_name},
            _("Choose a run that a lead driver drives."),
        )


class NeedsNone(refusals.Refusal):
    code = "needs none"

    def __init__(self, trainee: Person) -> None:
        super().__init__(
            _("%(name)s needs no shadow ride any more.") % {"name": trainee.first_name},
            _("Nothing has to be done."),
        )


class RidesElsewhere(refusals.Refusal):
    code = "rides elsewhere"

    def __init__(self, trainee: Person, run: Run) -> None:
        start = localtime(run.starts_at)
        said = {"name": trainee.first_name, "run": run.title, "day": date_format(start)}
        super().__init__(
            _("%(name)s has another shadow ride: %(run)s, %(day)s.") % said,
            _("One ride at a time: wait how that one goes."),
        )


class RunMoved(refusals.Refusal):
    code = "moved"

    def __init__(self, run: Run) -> None:
        start = localtime(run.starts_at)
        said = {"day": date_format(start), "time": time_format(start)}
        super().__init__(
            refusals.sentence(_("The run was moved: it starts on %(day)s at %(time)s.") % said),
            _("Look at it as it is now, and answer again."),
        )


# What both read. Any other reason is the trainee's own; the lead driver reads that it does not work out.
ABOUT_THE_RUN = {
    "cancelled",
    "over",
    "closed",
    "no second seat",
    "taken",
    "other driver",
    "needs none",
    "moved",
}


# --- reads


def state_of(pairing: Pairing) -> str:
    if pairing.outcome:
        return pairing.outcome
    return HALF if pairing.lead_agreed_at or pairing.trainee_agreed_at else ASKED


def takes_place(pairing: Pairing) -> bool:
    """Whether what both agreed to still stands: the trainee has the seat, and this lead driver drives."""
    booking, run = pairing.booking, pairing.run
    if booking is None or not booking.is_live or run.is_cancelled:
        return False
    return run.bookings.live().drivers().filter(person=pairing.lead_id).exists()


def has_agreed(pairing: Pairing, person: Person) -> bool:
    agreed = pairing.lead_agreed_at if person.pk == pairing.lead_id else pairing.trainee_agreed_at
    return agreed is not None


def other_of(pairing: Pairing, person: Person) -> Person:
    return pairing.trainee if person.pk == pairing.lead_id else pairing.lead


def token_of(pairing: Pairing, person: Person) -> str:
    """The secret part of a person's own link to their answer, of the lead driver's or the trainee's."""
    purpose = LEAD if person.pk == pairing.lead_id else TRAINEE
    return links.token(purpose, pairing, pairing.nonce)


def found_by(token: str) -> tuple[Pairing, Person] | None:
    """Whose private link this is, and to what; None for a wrong one, and for people who have left."""
    pk = links.row_number(token)
    pairing = pk and with_people().filter(pk=pk).first()
    if not pairing:
        return None
    for purpose, person in ((LEAD, pairing.lead), (TRAINEE, pairing.trainee)):
        if not person.left_on and links.is_valid(token, purpose, pairing, pairing.nonce):
            return pairing, person
    return None


def with_people() -> Any:
    return Pairing.objects.select_related("run", "trainee", "lead", "declined_by", "booking")


def asked_of(person: Person, at: datetime) -> list[Pairing]:
    """What somebody is asked and has not answered, the earliest run first."""
    mine = Q(lead=person, lead_agreed_at=None) | Q(trainee=person, trainee_agreed_at=None)
    rows = with_people().filter(mine, settled_at=None, run__cancelled_at=None, run__starts_at__gt=at)
    return list(rows.order_by("run__starts_at"))


def impossible(pairing: Pairing, *, at: datetime) -> refusals.Refusal | None:
    """Why it cannot take place any more, in the active language; None while it can."""
    run, trainee, lead = pairing.run, pairing.trainee, pairing.lead
    if run.is_cancelled:
        return refusals.Cancelled(run.cancel_reason)
    if at >= run.starts_at:
        return refusals.Over(ended=at >= run.ends_at)
    return why_not_pair(run, trainee, lead, at=at)


def why_over(pairing: Pairing, person: Person, *, at: datetime) -> refusals.Refusal | None:
    """Why there is nothing to answer any more, as far as it is for that one of the two to read; None while
    there is."""
    if pairing.outcome:
        return Settled(pairing)
    refusal = impossible(pairing, at=at)
    return refusal if refusal is None or may_read(refusal, pairing, person) else Settled(pairing)


def may_read(refusal: refusals.Refusal, pairing: Pairing, person: Person) -> bool:
    return person.pk == pairing.trainee_id or refusal.code in ABOUT_THE_RUN


def why_not_pair(run: Run, trainee: Person, lead: Person, *, at: datetime) -> refusals.Refusal | None:
    """Why the two cannot ride together on a run; None when they can."""
    driver = run.bookings.live().drivers().filter(person=lead).select_related("person").first()
    if driver is None or not driver.person.is_lead or driver.person.left_on:
        return OtherDriver(lead)
    if not lacking_ride(person=trainee.pk, on=run.local_date).exists():
        return NeedsNone(trainee)
    other = (
        led_rides().of(trainee).filter(run__starts_at__gt=at).exclude(run=run).select_related("run").first()
    )
    if other:
        return RidesElsewhere(trainee, other.run)
    return why_not(run=run, person=trainee, seat=Booking.Seat.SECOND, at=at)


# --- asking


@transaction.atomic
def propose(
    *,
    run: Run,
    trainee: Person,
    lead: Person,
    by: Any,
    ride: str = Booking.Ride.ALONG,
    instead: Iterable[Pairing] = (),
    at: datetime | None = None,
) -> Pairing:
    """Asks both about the ride, each by mail with a private link or by the coordinator on the phone.

    `instead` are open ones that it takes the place of: they are withdrawn. Raises a Refusal.
    """
    at = at or timezone.now()
    instead = list(instead)
    runs = {run.pk, *(pairing.run_id for pairing in instead)}
    people = {person for pairing in instead for person in (pairing.trainee_id, pairing.lead_id)}
    held = hold(Run.objects.filter(pk__in=runs), also=[trainee.pk, lead.pk, *people])
    run = next(one for one in held if one.pk == run.pk)
    trainee, lead = Person.objects.get(pk=trainee.pk), Person.objects.get(pk=lead.pk)
    for pairing in with_people().filter(pk__in=[pairing.pk for pairing in instead], settled_at=None):
        close(pairing, WITHDRAWN, by=by, why="Another ride took its place.", at=at)
        words.tell_withdrawn(pairing, None, at=at)
    asked = with_people().filter(Q(run=run) | Q(trainee=trainee), settled_at=None).first()
    if asked:
        raise AskedAbout(asked)
    refusal = why_not_pair(run, trainee, lead, at=at) or why_not_ride(trainee, run, ride)
    if refusal:
        raise refusal
    pairing = Pairing.objects.create(
        run=run, trainee=trainee, lead=lead, ride=ride, proposed_at=at, proposed_by=by
    )
    note("propose", pairing, trainee, by=by, at=at)
    for person in (lead, trainee):
        words.ask(pairing, person, token_of(pairing, person), at=at)
    return pairing


def now(pairing: Pairing, *, also: Iterable[int] = ()) -> Pairing:
    """As it is, with its run, those runs `also`, and both people locked in the usual order."""
    runs = Run.objects.filter(pk__in=[pairing.run_id, *also])
    hold(runs, also=[pairing.trainee_id, pairing.lead_id])
    return with_people().get(pk=pairing.pk)


def note(move: str, pairing: Pairing, person: Person, *, by: Any, at: datetime, **more: Any) -> None:
    """The event of a move: about the run, and about whose it is."""
    after = {"with": short_name(other_of(pairing, person)), **more}
    record(verb=VERBS[move], subject=pairing.run, person=person, by=by, at=at, after=after)


def moved(pairing: Pairing, move: str) -> str:
    """Where it stands after a move. Raises Settled where there is no such move from here."""
    state = MOVES.get((move, state_of(pairing)))
    if state is None:
        raise NotAgreed() if move == "take back" and not pairing.outcome else Settled(pairing)
    return state


# --- answering


@transaction.atomic
def agree(
    pairing: Pairing,
    person: Person,
    *,
    by: Any,
    starts_at: datetime | None = None,
    at: datetime | None = None,
) -> Pairing:
    """One of the two says yes; the second yes seats the trainee. A second tap changes nothing.

    Where it has become impossible, it is withdrawn with the reason and both are told: look at the outcome of
    what comes back. `starts_at` is what the page showed. Raises a Refusal.
    """
    at = at or timezone.now()
    unled = unled_trainees().of(pairing.trainee).filter(run__starts_at__gt=at)
    pairing = now(pairing, also=unled.values_list("run", flat=True))
    if pairing.outcome == AGREED or (not pairing.outcome and has_agreed(pairing, person)):
        return pairing
    state = moved(pairing, "agree")
    if impossible(pairing, at=at):
        return drop(pairing, at=at)
    if starts_at and starts_at != pairing.run.starts_at:
        raise RunMoved(pairing.run)
    field = "lead_agreed_at" if person.pk == pairing.lead_id else "trainee_agreed_at"
    setattr(pairing, field, at)
    note("agree", pairing, person, by=by, at=at)
    words.unsaid(pairing, person, at=at)
    if state == AGREED:
        return seated(pairing, person, by=by, at=at)
    pairing.save(update_fields=[field])
    return pairing


def seated(pairing: Pairing, person: Person, *, by: Any, at: datetime) -> Pairing:
    """Both have agreed, `person` as the second: the trainee is seated, and each is told once. A seat of
    theirs on a run that has lost its lead driver ends with it."""
    run, trainee = pairing.run, pairing.trainee
    refusal = why_not_ride(trainee, run, pairing.ride)
    ride = Booking.Ride.ALONG if refusal else pairing.ride  # a paper ran out meanwhile
    news = News(at=at)
    for unled in unled_trainees().of(trainee).filter(run__starts_at__gt=at).select_related("run", "person"):
        give_up(unled, by=by, news=news, at=at)
    pairing.ride = ride
    pairing.booking = seat(
        run=run, person=trainee, seat=Booking.Seat.SECOND, ride=ride, by=by, news=news, at=at
    )
    close(pairing, AGREED, by=by, at=at)
    if person.pk != pairing.lead_id:
        news.say(pairing.lead, *words.fixed(pairing))
    news.settle()
    return pairing


def close(pairing: Pairing, outcome: str, *, by: Any, at: datetime, why: str = "") -> None:
    """It is settled; the caller has told, or will."""
    pairing.outcome, pairing.settled_at, pairing.settled_by, pairing.why = outcome, at, by, why[:200]
    pairing.save()
    if outcome == WITHDRAWN:
        note("withdraw", pairing, pairing.trainee, by=by, at=at, note=why)


@transaction.atomic
def take_back(pairing: Pairing, person: Person, *, by: Any, at: datetime | None = None) -> Pairing:
    """A yes that was recorded by mistake is none. Raises a Refusal."""
    at = at or timezone.now()
    pairing = now(pairing)
    moved(pairing, "take back")
    if not has_agreed(pairing, person):
        raise NotAgreed()
    field = "lead_agreed_at" if person.pk == pairing.lead_id else "trainee_agreed_at"
    setattr(pairing, field, None)
    pairing.save(update_fields=[field])
    note("take back", pairing, person, by=by, at=at)
    return pairing


@transaction.atomic
def decline(
    pairing: Pairing, person: Person, *, word: str = "", by: Any, at: datetime | None = None
) -> Pairing:
    """One of the two says no; the other is told, without the word, which is for the coordinator. A second
    tap changes nothing. Raises a Refusal."""
    at = at or timezone.now()
    pairing = now(pairing)
    if pairing.outcome == DECLINED and pairing.declined_by_id == person.pk:
        return pairing
    moved(pairing, "decline")
    pairing.declined_by = person
    close(pairing, DECLINED, by=by, why=word.strip(), at=at)
    note("decline", pairing, person, by=by, at=at, note=word.strip()[:200])
    words.unsaid(pairing, person, at=at)
    words.tell_declined(pairing, other_of(pairing, person), at=at)
    return pairing


@transaction.atomic
def withdraw(pairing: Pairing, *, by: Any, at: datetime | None = None) -> Pairing:
    """The coordinator asks no longer, and both are told. Without effect once it is withdrawn. Raises a
    Refusal once it is settled otherwise."""
    at = at or timezone.now()
    pairing = now(pairing)
    if pairing.outcome == WITHDRAWN:
        return pairing
    moved(pairing, "withdraw")
    close(pairing, WITHDRAWN, by=by, at=at)
    words.tell_withdrawn(pairing, None, at=at)
    return pairing


# --- what has become impossible


def drop(pairing: Pairing, *, by: Any = None, at: datetime) -> Pairing:
    """Withdraws what has become impossible, with the reason, and tells both. The caller holds the run."""
    moved(pairing, "withdraw")
    with override(settings.LANGUAGE_CODE), timezone.override(words.zone()):
        refusal = impossible(pairing, at=at)
    assert refusal is not None
    close(pairing, WITHDRAWN, by=by, why=refusal.why, at=at)

    def reason(person: Person) -> str:
        found = impossible(pairing, at=at)
        return found.why if found and may_read(found, pairing, person) else ""

    words.tell_withdrawn(pairing, reason, at=at)
    return pairing


def drop_moved(run: Run, *, by: Any, at: datetime) -> None:
    """The run starts at another time, so whoever agreed, agreed to something else. The caller holds it."""
    for pairing in with_people().filter(run=run, settled_at=None):
        pairing.run = run
        with override(settings.LANGUAGE_CODE), timezone.override(words.zone()):
            why = RunMoved(run).why
        close(pairing, WITHDRAWN, by=by, why=why, at=at)
        words.tell_withdrawn(pairing, lambda person: RunMoved(run).why, at=at)


def settle(*, at: datetime) -> int:
    """The worker's look: withdraws what has become impossible; how many. One query where nothing has."""
    return sum(each_in_turn(list(suspects(at)), lambda pairing: settle_one(pairing, at=at)))


def suspects(at: datetime) -> Any:
    """Open ones that look impossible; the word on each is that of `impossible`, under its locks."""
    live = Booking.objects.live()
    led = live.led().filter(run=OuterRef("run"), person=OuterRef("lead"), person__left_on=None)
    second = live.filter(run=OuterRef("run"), seat=Booking.Seat.SECOND)
    elsewhere = led_rides().filter(person=OuterRef("trainee"), run__starts_at__gt=at)
    lacking = lacking_ride(person=OuterRef("trainee"), on=OuterRef("run__local_date"))
    closed = Run.objects.filter(Exists(shut()), pk=OuterRef("run"))
    sites = Stop.objects.filter(run=OuterRef(OuterRef("run"))).values("site")
    barred = NotAt.objects.barring(person=OuterRef("trainee"), sites=sites)
    here = Person.objects.drivers().order_by().values("pk")
    return Pairing.objects.open().filter(
        Q(run__cancelled_at__isnull=False)
        | Q(run__starts_at__lte=at)
        | Q(run__second_seat=False)
        | ~Q(trainee__in=here)
        | ~Exists(led)
        | Exists(second)
        | Exists(elsewhere)
        | ~Exists(lacking)
        | Exists(closed)
        | Exists(barred)
    )


@transaction.atomic
def settle_one(pairing: Pairing, *, at: datetime) -> bool:
    pairing = now(pairing)
    if pairing.outcome or impossible(pairing, at=at) is None:
        return False
    drop(pairing, at=at)
    return True
