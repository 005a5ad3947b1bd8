"""What becomes of a message: a run given back, a booking confirmed, a line for the coordinator, or nothing.

From and ATTENDEE can be forged by anybody. What proves that an answer comes from somebody who was invited is
the UID: it is random, and only in the invitation and in the person's own calendar link. Even so an answer can
do no more than the person could with a tap.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime

from shifts.models import Booking, CalendarEntry, Reply, Run
from shifts.schedule import recurrence
from shifts.schedule.clock import instant, local_date
from shifts.seats import presence
from shifts.seats.booking import give_back
from shifts.seats.replies import reading
from shifts.seats.replies.reading import Answer, Letter
from shifts.seats.standing import skip
from sites.log import record
from sites.models import Programme
from volunteers.models import Person

DECLINED_NOTE = "Declined in the calendar."
Outcome = Reply.Outcome


@dataclass(frozen=True)
class Verdict:
    """`reason` says in a sentence why a message is kept, or why there is nothing to do."""

    outcome: str
    reason: str = ""


def nothing(reason: str) -> Verdict:
    return Verdict(Outcome.NOTHING, reason)


def kept(reason: str) -> Verdict:
    return Verdict(Outcome.KEPT, reason)


def take(raw: bytes, *, at: datetime | None = None) -> Reply:
    """Reads a message and does what it says, in one transaction; the same bytes again do nothing.

    What cannot be done is kept for the coordinator with its reason. Bad input never raises.
    """
    return take_letter(reading.read(raw), at=at or timezone.now())


def take_too_large(head: bytes, size: int, *, at: datetime | None = None) -> Reply:
    """Keeps a message of which only the beginning was read, as it is too large: `size` in bytes."""
    return take_letter(reading.too_large(head, size), at=at or timezone.now())


def take_letter(letter: Letter, *, at: datetime) -> Reply:
    programme = Programme.current()
    try:
        with transaction.atomic(), timezone.override(programme.zone):
            # Written first: whoever takes the same message at the same moment waits here, then finds it.
            reply = Reply.objects.create(
                digest=letter.digest,
                message_id=letter.message_id,
                address=letter.sender,
                subject=letter.subject,
                text=letter.text,
                outcome=Outcome.NOTHING,
                received_at=at,
            )
            verdict = verdict_on(letter, reply, programme=programme, at=at)
            reply.outcome, reply.reason = verdict.outcome, verdict.reason[:300]
            reply.save(update_fields=["outcome", "reason", "person", "entry"])
    except IntegrityError:
        known = Reply.objects.filter(digest=letter.digest).first()
        if known is None:
            raise
        return known
    return reply


def verdict_on(letter: Letter, reply: Reply, *, programme: Programme, at: datetime) -> Verdict:
    """Does what the letter says, and fills in whose it is."""
    answer = letter.answer
    if answer is None:
        reply.person = person_of(*letter.undelivered) or person_of(letter.sender)
        return nothing(letter.why) if letter.idle else kept(letter.why)
    entry = (
        CalendarEntry.objects.select_related("person", "booking__run", "standing__shift")
        .filter(uid=answer.uid)
        .first()
    )
    if entry is None:
        reply.person = person_of(letter.sender)
        return kept("It answers an event that is none of ours.")
    reply.entry, reply.person = entry, entry.person
    mismatch = not_theirs(letter, answer, entry)
    if mismatch:
        return kept(mismatch)
    verdict = take_answer(entry, answer, programme=programme, at=at)
    if verdict.outcome == Outcome.CONFIRMED and answer.comment.strip():
        return kept("They accepted, which is noted, and wrote a word with it.")
    return verdict


def person_of(*addresses: str) -> Person | None:
    """The one person with one of these addresses, for the coordinator to call; None for none or several."""
    wanted = [address for address in addresses if address]
    found = [person for address in wanted for person in Person.objects.filter(email__iexact=address)[:2]]
    return found[0] if len(found) == 1 else None


def not_theirs(letter: Letter, answer: Answer, entry: CalendarEntry) -> str:
    """Why the answer is not that of the person who was invited; "" when it is (RFC 6047 2.2.1)."""
    if answer.attendee != entry.address.lower():
        return f"It answers for {answer.attendee}, who was not sent this invitation."
    if letter.sender and letter.sender != answer.attendee:
        return f"It answers for {answer.attendee}, but comes from another address: {letter.sender}."
    return ""


def in_words(answer: Answer) -> str:
    return {
        "TENTATIVE": "They said maybe. The run is theirs still: ask them.",
        "DELEGATED": "They want to send somebody else. The run is theirs still: call them.",
        "NEEDS-ACTION": "Their calendar answered without a yes or a no.",
    }.get(answer.partstat, "Their calendar gave an answer that is not known here.")


# --- an answer of the right person


def take_answer(entry: CalendarEntry, answer: Answer, *, programme: Programme, at: datetime) -> Verdict:
    if answer.partstat not in ("ACCEPTED", "DECLINED"):
        return under_lock(entry, None, answer, at=at, act=lambda: kept(in_words(answer)))
    if entry.standing_id and (answer.occurrence is None or answer.and_later):
        return under_lock(entry, None, answer, at=at, act=lambda: answer_whole(answer))
    day = rule_date(entry, answer, programme)
    run = run_meant(entry, answer, day)
    if run is None:
        return under_lock(
            entry, None, answer, day=day, at=at, act=lambda: answer_without_run(entry, answer, day, at=at)
        )
    return under_lock(entry, run, answer, day=day, at=at, act=lambda: answer_run(entry, run, answer, at=at))


def rule_date(entry: CalendarEntry, answer: Answer, programme: Programme) -> date | None:
    """The date of the weekly run's rule that is answered; None where the rule has no run at that moment.

    RECURRENCE-ID is the start the rule gave (RFC 5545 3.8.4.4), whatever hour the run was moved to.
    """
    if entry.standing is None or answer.occurrence is None:
        return None
    day = local_date(answer.occurrence, programme.zone)
    term = entry.standing.shift.term_on(day)
    if term is None or instant(day, term.starts, programme.zone) != answer.occurrence:
        return None
    return day if recurrence.slot_dates(term.rule, term.anchor, day, day) else None


def run_meant(entry: CalendarEntry, answer: Answer, day: date | None) -> Run | None:
    """The run that is answered; None for a moment without one."""
    if entry.booking:
        return entry.booking.run if answer.occurrence in (None, entry.booking.run.starts_at) else None
    assert entry.standing is not None
    assert answer.occurrence is not None
    runs = entry.standing.shift.runs
    by_rule = runs.filter(slot_date=day).first() if day else None
    return by_rule or runs.filter(starts_at=answer.occurrence).first()


def under_lock(
    entry: CalendarEntry,
    run: Run | None,
    answer: Answer,
    *,
    at: datetime,
    act: Callable[[], Verdict],
    day: date | None = None,
) -> Verdict:
    """Locks the run, then the person, looks whether the answer is too old, keeps it as the last, and acts."""
    if run:
        list(Run.objects.locked().filter(pk=run.pk))
    Person.objects.locked().get(pk=entry.person_id)
    entry.refresh_from_db(fields=["sequence", "cancelled_at", "reply", "reply_sequence", "reply_stamp"])
    if run:
        run.refresh_from_db(fields=["starts_at", "ends_at"])
    # One date of a regular run that is still at the time that is answered: the version counts changes to all
    # its dates, and giving one back must not turn the answer to the next into an old one.
    unmoved = bool(entry.standing_id and (run.starts_at == answer.occurrence if run else day))
    old = too_old(entry, answer, unmoved=unmoved)
    if old:
        return old
    # A clock that is ahead must not silence the answers after it.
    CalendarEntry.objects.filter(pk=entry.pk).update(
        reply=answer.partstat, reply_sequence=answer.sequence, reply_stamp=min(answer.stamp, at)
    )
    return act()


def too_old(entry: CalendarEntry, answer: Answer, *, unmoved: bool) -> Verdict | None:
    """SEQUENCE first, then DTSTAMP (RFC 5546 2.1.5). An old yes does nothing; an old no ends nothing, but
    is worth a question unless a newer answer has overtaken it."""
    declines = answer.partstat == "DECLINED"
    if entry.cancelled_at:
        if declines and is_on(entry):
            return kept("Declined an invitation that was replaced; the run is theirs still: ask them.")
        return nothing("The invitation had ended already.")
    if answer.sequence > entry.sequence:
        return kept("It answers a version of the invitation that was never sent.")
    if answer.sequence < entry.sequence and not unmoved:
        if answer.partstat == "ACCEPTED":
            return nothing("It answers an invitation that has changed since.")
        return kept("It answers an invitation that has changed since: ask whether it still holds.")
    if is_overtaken(entry, answer):
        # One row keeps the last answer to all dates of a regular run: the newer one may be to another date.
        if entry.standing_id and declines:
            return kept("A no that came late, after a newer answer: ask whether it still holds.")
        return nothing("A newer answer came before it.")
    return None


def is_on(entry: CalendarEntry) -> bool:
    """Whether what the entry stands for goes on without it: it was replaced by another."""
    owner = {"booking": entry.booking_id} if entry.booking_id else {"standing": entry.standing_id}
    return CalendarEntry.objects.live().filter(**owner).exists()


def is_overtaken(entry: CalendarEntry, answer: Answer) -> bool:
    if entry.reply_stamp is None or entry.reply_sequence is None:
        return False
    return (answer.sequence, answer.stamp) < (entry.reply_sequence, entry.reply_stamp)


def answer_whole(answer: Answer) -> Verdict:
    """A yes or a no to a regular run as a whole, or from a date on."""
    if answer.partstat == "ACCEPTED":
        return Verdict(Outcome.CONFIRMED)
    since = f" from {day_and_time(answer.occurrence)} on" if answer.occurrence else ""
    return kept(f"Declined the whole regular run{since}: ask them.")


def answer_without_run(entry: CalendarEntry, answer: Answer, day: date | None, *, at: datetime) -> Verdict:
    """A yes or a no to a moment at which no run is made: calendars show a regular run without an end, and
    runs are made some weeks ahead. A date that is declined is left out when its turn comes."""
    assert answer.occurrence is not None
    when = day_and_time(answer.occurrence)
    if answer.partstat == "ACCEPTED":
        return nothing(f"Accepted {when}, for which no run is made.")
    standing = entry.standing
    if standing is None or day is None or not standing.has(day) or answer.occurrence <= at:
        return kept(f"Declined {when}, which is not when their run is: ask them.")
    if standing.skips_day(day):
        return nothing(f"Declined {when}, which is left out already.")
    skip(standing, first=day, last=day, by=None, note=DECLINED_NOTE, at=at)
    return Verdict(Outcome.GIVEN_BACK, f"Left out {when}, for which no run is made yet.")


def answer_run(entry: CalendarEntry, run: Run, answer: Answer, *, at: datetime) -> Verdict:
    """A yes or a no to one run. The caller holds the run and the person."""
    which = {"pk": entry.booking_id} if entry.booking_id else {"standing": entry.standing_id}
    mine = Booking.objects.live().of(entry.person).filter(run=run, **which)
    booking = mine.select_related("person").first()
    when = day_and_time(run.starts_at)
    if answer.partstat == "ACCEPTED":
        if run.ends_at <= at:
            return nothing(f"Accepted {when} when that run was over.")
        if booking is None:
            return kept(f"Accepted {when}, but they are not on that run.")
        booking.run = run
        presence.write_down(booking, how=presence.CALENDAR, by=None, at=at)
        return Verdict(Outcome.CONFIRMED)
    if booking is None:
        return nothing(f"Declined {when}, where they are not on the run.")
    if run.starts_at <= at:
        return kept(f"Declined {when} after that run had started.")
    give_back(booking, by=None, note=DECLINED_NOTE, at=at)
    return Verdict(Outcome.GIVEN_BACK)


def day_and_time(moment: datetime) -> str:
    """As in "Tue, Dec 1, 8:00 a.m."; the caller's time zone is the programme's."""
    return f"{date_format(localtime(moment))}, {time_format(localtime(moment))}"


# --- what the coordinator does about those kept


@transaction.atomic
def settle(reply: Reply, *, by: Any, at: datetime | None = None) -> bool:
    """The coordinator has seen to it. False when it was not waiting."""
    at = at or timezone.now()
    done = Reply.objects.open().filter(pk=reply.pk).order_by().update(settled_at=at, settled_by=by)
    if done:
        record(verb="reply settled", subject=reply, person=reply.person, by=by, at=at)
    return bool(done)


@transaction.atomic
def reopen(reply: Reply, *, by: Any, at: datetime | None = None) -> bool:
    """Undoes `settle`. False when it was not settled."""
    at = at or timezone.now()
    settled = Reply.objects.filter(pk=reply.pk, settled_at__isnull=False)
    undone = settled.update(settled_at=None, settled_by=None)
    if undone:
        record(verb="reply open again", subject=reply, person=reply.person, by=by, at=at)
    return bool(undone)
