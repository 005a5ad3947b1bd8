"""Handing a run to somebody: its driver asks one person, who accepts or declines by a private link.

Until then the run stays the driver's. Nothing here needs to be taken back when a booking ends otherwise or
a run starts: whether an answer is still of use is asked at the moment of the answer.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from shifts.models import Booking, HandOver, Run
from shifts.seats import notices, refusals
from shifts.seats.booking import give_back, hold, seat, why_not
from shifts.seats.news import News
from shifts.seats.on_call import coordinators
from shifts.seats.standing import Quiet
from sites.log import record
from volunteers import links, outbox
from volunteers.models import Person

PURPOSE = "hand-over"


class NotToHandOn(refusals.Refusal):
    code = "not to hand on"

    def __init__(self) -> None:
        super().__init__(
            _("Only the driver of a run that is still to come can hand it on."), _("Look at your runs.")
        )


class AskedAlready(refusals.Refusal):
    code = "asked already"

    def __init__(self, hand_over: HandOver) -> None:
        super().__init__(
            _("%(name)s is asked already, and one person is asked at a time.")
            % {"name": short_name(hand_over.to)},
            _("Ask them no longer first, or wait for their answer."),
        )


class NoLonger(refusals.Refusal):
    code = "no longer"

    def __init__(self, hand_over: HandOver) -> None:
        super().__init__(
            _("%(name)s does not need an answer any more.") % {"name": hand_over.booking.person.first_name},
            _("Nothing has changed for you."),
        )


class Answered(refusals.Refusal):
    code = "answered"

    def __init__(self, hand_over: HandOver) -> None:
        if hand_over.answer == HandOver.Answer.ACCEPTED:
            super().__init__(
                _("It was accepted already."), _("If something came up, give the run back on its page.")
            )
        else:
            super().__init__(_("It was declined already."), _("Call each other if that has changed."))


class Moved(refusals.Refusal):
    code = "moved"

    def __init__(self) -> None:
        super().__init__(
            _("The run was moved since you opened this page."),
            _("Here it is as it is now: please answer again."),
        )


# --- reads


def short_name(person: Person) -> str:
    """First name and initial, as in "Ana B.": what volunteers see of each other in a list."""
    words = person.name.split()
    return f"{words[0]} {words[-1][0]}." if len(words) > 1 else person.first_name


def token_of(hand_over: HandOver) -> str:
    return links.token(PURPOSE, hand_over, hand_over.nonce)


def found_by(token: str) -> HandOver | None:
    """Whose private link this is; None for a wrong one, and for people who have left."""
    pk = links.row_number(token)
    if pk is None:
        return None
    row = HandOver.objects.select_related("booking__person", "booking__run", "to").filter(pk=pk).first()
    if row is None or row.to.left_on or not links.is_valid(token, PURPOSE, row, row.nonce):
        return None
    return row


def open_for(booking: Booking) -> HandOver | None:
    """Who is asked to take it and has not answered; None where nobody is."""
    return booking.hand_overs.open().select_related("to").first()


def asked_of(person: Person, at: datetime) -> list[HandOver]:
    """What somebody is asked and can still answer, the earliest run first."""
    return list(
        HandOver.objects.open()
        .filter(to=person, booking__ended_at=None, booking__run__cancelled_at=None)
        .filter(booking__run__starts_at__gt=at)
        .select_related("booking__person", "booking__run")
        .order_by("booking__run__starts_at")
    )


def closed(hand_over: HandOver, at: datetime) -> refusals.Refusal | None:
    """Why it cannot be answered any more; None while it can."""
    booking = hand_over.booking
    if hand_over.answer in (HandOver.Answer.ACCEPTED, HandOver.Answer.DECLINED):
        return Answered(hand_over)
    if booking.run.is_cancelled:
        return refusals.Cancelled(booking.run.cancel_reason)
    if hand_over.answer or not booking.is_live:
        return NoLonger(hand_over)
    if at >= booking.run.starts_at:
        return refusals.Over(ended=at >= booking.run.ends_at)
    return None


# --- asking


@transaction.atomic
def ask(booking: Booking, to: Person, *, by: Any, at: datetime | None = None) -> HandOver:
    """Asks somebody to take the driver's run; told by mail with a private link, or by the coordinator.
    Whoever could not take it now is not asked. Raises a Refusal."""
    at = at or timezone.now()
    booking = held(booking, to)
    to = Person.objects.get(pk=to.pk)
    if booking.seat != Booking.Seat.DRIVER or not booking.is_live or booking.run.starts_at <= at:
        raise NotToHandOn()
    asked = open_for(booking)
    if asked:
        raise AskedAlready(asked)
    refusal = why_not_to(booking, to, at=at)
    if refusal:
        raise refusal
    hand_over = HandOver.objects.create(booking=booking, to=to, asked_at=at, asked_by=by)
    note("hand-over asked", hand_over, by=by, at=at)
    tell_asked(hand_over, at=at)
    return hand_over


def held(booking: Booking, *also: Person) -> Booking:
    """The booking as it is now, its run and these people locked in the usual order. Every change of a
    hand-over holds the run, so that one comes after the other."""
    hold(Run.objects.filter(pk=booking.run_id), also=[booking.person_id, *(person.pk for person in also)])
    return Booking.objects.select_related("run", "person").get(pk=booking.pk)


def why_not_to(booking: Booking, to: Person, *, at: datetime) -> refusals.Refusal | None:
    """What would keep somebody from taking the run once its driver is off. Asked of the same rules by
    taking the driver off and undoing that; the caller holds run and people."""
    if to.pk == booking.person_id:
        return refusals.AlreadyOn()
    with transaction.atomic():
        give_back(booking, by=None, end=Booking.End.HANDED_ON, news=News(at=at), at=at)
        refusal = why_not(run=booking.run, person=to, seat=Booking.Seat.DRIVER, at=at)
        transaction.set_rollback(True)
    return refusal


def note(verb: str, hand_over: HandOver, *, by: Any, at: datetime) -> None:
    record(verb=verb, subject=hand_over.booking.run, person=hand_over.to, by=by, at=at)


@transaction.atomic
def withdraw(hand_over: HandOver, *, by: Any, at: datetime | None = None) -> HandOver:
    """The driver asks no longer. Without effect once it is answered."""
    at = at or timezone.now()
    hand_over = now(hand_over)
    if hand_over.answer:
        return hand_over
    answer(hand_over, HandOver.Answer.WITHDRAWN, at=at)
    note("hand-over withdrawn", hand_over, by=by, at=at)
    if not unsaid(hand_over, at=at):
        tell_withdrawn(hand_over, at=at)
    return hand_over


# --- answering


@transaction.atomic
def accept(hand_over: HandOver, *, starts_at: datetime, by: Any, at: datetime | None = None) -> HandOver:
    """The run is theirs, and its driver is off. `starts_at` is what the page showed. Refused, nothing has
    changed; a second tap changes nothing. Raises a Refusal."""
    at = at or timezone.now()
    hand_over = now(hand_over)
    booking, to = hand_over.booking, hand_over.to
    if hand_over.answer == HandOver.Answer.ACCEPTED:
        return hand_over
    refusal = closed(hand_over, at)
    if refusal:
        raise refusal
    if booking.run.starts_at != starts_at:
        raise Moved()
    news = News(at=at, headline=lambda: _("Another driver: %(run)s") % words_of(hand_over))
    give_back(booking, by=by, end=Booking.End.HANDED_ON, news=Quiet(news), at=at)
    seat(run=booking.run, person=to, seat=Booking.Seat.DRIVER, by=by, news=news, at=at)
    answer(hand_over, HandOver.Answer.ACCEPTED, at=at)
    unsaid(hand_over, at=at)
    news.say(booking.person, lambda: accepted_words(hand_over))
    tell_rider(hand_over, news)
    news.settle()
    tell_coordinators(hand_over, at=at)
    return hand_over


@transaction.atomic
def decline(hand_over: HandOver, *, by: Any, at: datetime | None = None) -> HandOver:
    """The run stays its driver's, who is told. A second tap changes nothing. Raises a Refusal."""
    at = at or timezone.now()
    hand_over = now(hand_over)
    if hand_over.answer == HandOver.Answer.DECLINED:
        return hand_over
    refusal = closed(hand_over, at)
    if refusal:
        raise refusal
    answer(hand_over, HandOver.Answer.DECLINED, at=at)
    note("hand-over declined", hand_over, by=by, at=at)
    unsaid(hand_over, at=at)
    tell_declined(hand_over, at=at)
    return hand_over


def now(hand_over: HandOver) -> HandOver:
    """As it is, with its run and both people locked."""
    booking = held(hand_over.booking, hand_over.to)
    found = HandOver.objects.select_related("to").get(pk=hand_over.pk)
    found.booking = booking
    return found


def answer(hand_over: HandOver, said: str, *, at: datetime) -> None:
    hand_over.answer, hand_over.answered_at = said, at
    hand_over.save(update_fields=["answer", "answered_at"])


# --- what people are told


def words_of(hand_over: HandOver) -> dict[str, str]:
    """In the active language and zone."""
    run = hand_over.booking.run
    start = localtime(run.starts_at)
    return {
        "run": run.title,
        "day": date_format(start),
        "time": time_format(start),
        "from": short_name(hand_over.booking.person),
        "to": short_name(hand_over.to),
    }


def key_of(hand_over: HandOver) -> str:
    return f"hand-over:{hand_over.pk}"


def tell_asked(hand_over: HandOver, *, at: datetime) -> None:
    """The question, with the private link to its answer."""
    booking = hand_over.booking
    with notices.in_words_of(hand_over.to) as programme:
        context = notices.facts(booking.run, hand_over.to, programme)
        context |= {
            "asks": short_name(booking.person),
            "link": settings.BASE_URL + reverse("hand_over", args=[token_of(hand_over)]),
        }
        outbox.owe(
            person=hand_over.to,
            mail=outbox.render("hand_over", context),
            kind="hand-over",
            key=key_of(hand_over),
            about=key_of(hand_over),
            at=at,
            programme=programme,
        )


def unsaid(hand_over: HandOver, *, at: datetime) -> bool:
    """Takes back a question that has not gone out, or that the coordinator has not told; whether one was."""
    return outbox.take_back(key_of(hand_over), at=at)


def tell_withdrawn(hand_over: HandOver, *, at: datetime) -> None:
    with notices.in_words_of(hand_over.to):
        words = words_of(hand_over)
        headline = _("No answer needed any more: %(run)s") % words
        line = _("You need not take %(run)s, %(day)s at %(time)s: %(from)s no longer asks.") % words
    tell(hand_over, hand_over.to, headline, line, at=at)


def tell_declined(hand_over: HandOver, *, at: datetime) -> None:
    driver = hand_over.booking.person
    with notices.in_words_of(driver):
        words = words_of(hand_over)
        headline = _("%(to)s can't take it: %(run)s") % words
        line = _("%(run)s, %(day)s at %(time)s, stays yours. You can ask somebody else on its page.") % words
    tell(hand_over, driver, headline, line, at=at)


def tell_coordinators(hand_over: HandOver, *, at: datetime) -> None:
    """Whoever coordinates and is neither of the two."""
    booking, parties = hand_over.booking, (hand_over.to_id, hand_over.booking.person_id)
    for coordinator in coordinators(at).exclude(pk__in=parties):
        with notices.in_words_of(coordinator):
            words = words_of(hand_over) | {"from": booking.person.name, "to": hand_over.to.name}
            headline = _("%(from)s handed %(run)s to %(to)s") % words
            line = _("On %(day)s at %(time)s %(to)s drives. There is nothing to do.") % words
        page = reverse("desk_run", args=[booking.run_id])
        tell(hand_over, coordinator, headline, line, page=page, at=at)


def tell(
    hand_over: HandOver, person: Person, headline: str, line: str, *, page: str = "", at: datetime
) -> None:
    """A short mail, its words in the person's language already."""
    with notices.in_words_of(person) as programme:
        link = settings.BASE_URL + (page or reverse("run", args=[hand_over.booking.run_id]))
        context = {
            "headline": headline,
            "lines": [line],
            "link": link,
            "where": "run",
            "programme": programme,
        }
        outbox.owe(
            person=person,
            mail=outbox.render("news", context),
            kind="hand-over",
            key=f"{key_of(hand_over)}:{hand_over.answer}:{person.pk}",
            at=at,
            programme=programme,
        )


def accepted_words(hand_over: HandOver) -> str:
    return _("%(to)s drives %(run)s, %(day)s at %(time)s; you are off that run.") % words_of(hand_over)


def tell_rider(hand_over: HandOver, news: News) -> None:
    """Whoever rides along hears who drives now. A trainee keeps the seat, but the ride counts with a lead
    driver only."""
    run, to = hand_over.booking.run, hand_over.to
    for other in run.bookings.live().filter(seat=Booking.Seat.SECOND).select_related("person"):
        words = [lambda: rider_words(hand_over)]
        if not other.person.is_adult:
            words.append(lambda: notices.beside_guardian_only())
        elif hand_over.booking.person.is_lead and not to.is_lead:
            words.append(lambda: _("A shadow ride counts with a lead driver only, and they are none."))
        news.say(other.person, *words)


def rider_words(hand_over: HandOver) -> str:
    return _("%(to)s drives %(run)s, %(day)s at %(time)s, in place of %(from)s.") % words_of(hand_over)
