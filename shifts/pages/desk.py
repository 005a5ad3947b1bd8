"""The desk: what needs a driver or attention, whom to tell, the days ahead; the week."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from allauth.mfa.utils import is_mfa_enabled
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.utils.timezone import localdate
from django.views.decorators.http import require_POST, require_safe

from shifts.cover.candidates import three_names
from shifts.cover.orientation import newcomers_waiting
from shifts.cover.regulars import Absent, absent_regulars
from shifts.cover.urgency import Level
from shifts.cover.weaknesses import Weakness, attention, gaps, marks, weaknesses
from shifts.models import Booking, Policy, Run, Shift
from shifts.pages.access import Request, coordinator_only, is_coordinator, keeps_desk
from shifts.pages.desk_cover import is_alone
from shifts.pages.desk_days import holidays_shown
from shifts.pages.desk_no_show import talks_shown
from shifts.pages.desk_parts import calls_of, card_of, contact_of, how_soon, mark_of, seats_of, when
from shifts.pages.desk_replies import replies_shown
from shifts.pages.desk_search import alerts_shown, going_on
from shifts.pages.undo import back_to, offer_undo, undo_offered
from shifts.worker import is_late, last_seen
from sites.models import Closure, Programme, Site
from volunteers import outbox
from volunteers.models import Join, Message, Person

DAYS_AHEAD = 14
NAMED = 40  # gaps with names and buttons; a new programme may have hundreds, and nobody calls for all today
ROOMY = 4  # runs a day that fit the week's page with their stops; more are drawn densely
LISTED = 30  # lines of a list before "and more"


# --- the desk


@coordinator_only
@require_safe
def desk(request: Request) -> HttpResponse:
    at, policy = timezone.now(), Policy.current()
    first = day_asked(request) or localdate(at)
    found = weaknesses(at=at)
    empty = [one.run for one in gaps(found)]
    ahead = runs_of_days(first, first + timedelta(days=DAYS_AHEAD - 1))
    absent = absent_regulars([*empty, *ahead], at=at, policy=policy)
    to_tell = Message.objects.to_tell().select_related("person").defer("raw")
    failed = Message.objects.failed().select_related("person").annotate(can_go=~Q(raw=b"")).defer("raw")
    context = {
        "undo": undo_offered(request),
        "alerts": alerts_shown(at),
        "beginnings": beginnings(),
        "gaps": gaps_shown(empty[:NAMED], absent, at=at, policy=policy, programme=request.programme),
        "more_gaps": [card_of(run, at=at, policy=policy) for run in empty[NAMED:]],
        "gap_count": len(empty),
        "join_count": Join.objects.open().filter(state=Join.State.WAITING).count(),
        "newcomers": newcomers_waiting(at=at),
        "soon_until": at + timedelta(days=policy.soon_days),
        "weak": weak_shown(attention(found), at),
        "to_tell": [told_row(message) for message in to_tell[:LISTED]],
        "tell_count": to_tell.count(),
        "failed": [told_row(message) for message in failed[:LISTED]],
        "failed_count": failed.count(),
        "mail": mail_trouble(at),
        "talks": talks_shown(at) if is_coordinator(request) else [],
        "alone": is_coordinator(request) and is_alone(),
        "holidays": holidays_shown(localdate(at)),
        **replies_shown(at),
        "days": days_of(ahead, absent, marks(found)),
        "first": first,
        "last": first + timedelta(days=DAYS_AHEAD - 1),
        "is_now": first == localdate(at),
        **neighbours(first),
    }
    return render(request, "desk/desk.html", context)


def day_asked(request: Request) -> date | None:
    """The date in the address, or None where there is none that a calendar has."""
    try:
        day = parse_date(request.GET.get("from", ""))
    except ValueError:
        return None
    return day if day and 2000 <= day.year <= 2200 else None


def neighbours(first: date) -> dict[str, date]:
    return {"earlier": first - timedelta(weeks=1), "later": first + timedelta(weeks=1)}


def beginnings() -> list[dict[str, str]]:
    """The first three things of a new programme; empty once all are done."""
    steps = [
        (
            Person.objects.drivers().exists(),
            "Paste your roster",
            "Names, phones and e-mail addresses from the spreadsheet you have.",
            "desk_import",
        ),
        (
            Site.objects.in_use().exists(),
            "Add a site",
            "Where food is picked up and where it goes, with door notes for the drivers.",
            "desk_new_site",
        ),
        (
            Shift.objects.exists(),
            "Add a weekly run",
            "Its stops, days and hour; its runs are then made weeks ahead.",
            "desk_new_shift",
        ),
    ]
    if all(done for done, *_words in steps):
        return []
    return [
        {
            "name": name,
            "hint": hint,
            "url": reverse(address),
            "state": "done" if done else "missing",
            "word": "Done" if done else "To do",
            "action": "" if done else name,
        }
        for done, name, hint, address in steps
    ]


def gaps_shown(
    runs: list[Run], absent: dict[int, Absent], *, at: datetime, policy: Policy, programme: Programme
) -> list[dict[str, Any]]:
    names, asked = three_names(runs, at=at), going_on(runs)
    return [
        {
            "card": card_of(run, at=at, policy=policy),
            "calls": [
                call | {"reasons": call["reasons"][:2]}  # one line on a phone
                for call in calls_of(names[run.pk], run, seat=Booking.Seat.DRIVER, programme=programme)
            ],
            "called_url": reverse("desk_called", args=[run.pk]),
            "regular": absent[run.pk].why if run.pk in absent else "",
            "asked": asked.get(run.pk, ""),
        }
        for run in runs
    ]


def weak_shown(found: list[Weakness], at: datetime) -> list[dict[str, Any]]:
    """One entry for each run, with everything that is wrong with it."""
    by_run: dict[int, dict[str, Any]] = {}
    for one in found:
        entry = by_run.setdefault(
            one.run.pk,
            {
                "title": one.run.title,
                "when": when(one.run),
                "url": reverse("desk_run", args=[one.run.pk]),
                "level": one.level.value,
                "soon": how_soon(one.run.starts_at, at),
                "faults": [],
            },
        )
        entry["faults"].append(one)
    return list(by_run.values())


def told_row(message: Message) -> dict[str, Any]:
    """A message to say by phone. A sign-in code is of no use on the phone, so it has no words."""
    row: dict[str, Any] = {"message": message, "can_go": getattr(message, "can_go", False)}
    if message.person:
        row |= contact_of(message.person)
    else:
        row |= {"name": message.address}
    return row


def mail_trouble(at: datetime) -> dict[str, Any]:
    """What keeps mail from going out; nothing in it when all is well."""
    trouble: dict[str, Any] = {}
    if is_late(at):
        trouble["worker_seen"] = last_seen() or "never"
    waiting = Message.objects.waiting_long(at).defer("raw", "text")
    oldest = waiting.first()
    if oldest:
        trouble |= {"waiting": waiting.count(), "oldest": oldest}
    return trouble


def runs_of_days(first: date, last: date) -> list[Run]:
    return list(Run.objects.on_days(first, last).not_dropped().with_closed().with_people())


def days_of(
    runs: list[Run], absent: dict[int, Absent], marked: dict[int, tuple[Level, str]]
) -> list[dict[str, Any]]:
    """The days that have runs, each with its cards."""
    found: dict[date, list[dict[str, Any]]] = {}
    for run in runs:
        card = card_of(run, absent=absent.get(run.pk)) | mark_of(run, marked)
        card |= {"stops": [], "note": ""}  # the seats are what is looked for here
        found.setdefault(run.local_date, []).append(card)
    return [{"date": day, "runs": cards} for day, cards in found.items()]


# --- messages told by phone


def message_or_404(pk: int) -> Message:
    return get_object_or_404(Message.objects.select_related("person").defer("raw"), pk=pk)


@coordinator_only
@require_POST
def told(request: Request, pk: int) -> HttpResponse:
    message = message_or_404(pk)
    if outbox.mark_told(message, by=request.user):
        messages.success(request, f"Told: {message.person or message.address}. {message.subject}")
        offer_undo(request, "Undo: not told yet", reverse("desk_not_told", args=[pk]))
    else:
        messages.info(request, "That was told already, or there is nothing to tell any more.")
    return redirect(back_to(request, reverse("desk")))


@coordinator_only
@require_POST
def not_told(request: Request, pk: int) -> HttpResponse:
    message = message_or_404(pk)
    if outbox.not_told(message, by=request.user):
        messages.success(request, f"Still to tell: {message.person or message.address}. {message.subject}")
    else:
        messages.info(request, "That was not marked as told.")
    return redirect(back_to(request, reverse("desk")))


@coordinator_only
@require_POST
def try_again(request: Request, pk: int) -> HttpResponse:
    message = message_or_404(pk)
    if outbox.try_again(message, by=request.user):
        messages.success(request, f"The mail to {message.address} is tried again now.")
    else:
        messages.info(request, "There is nothing to send again: it went out, was told, or is of no use now.")
    return redirect(back_to(request, reverse("desk")))


# --- the second factor


@login_required
@require_safe
def second_factor(request: Request) -> HttpResponse:
    """Why the desk asks for a second factor; it leads to the pages that set one up."""
    if not keeps_desk(request):
        raise PermissionDenied
    if is_mfa_enabled(request.user):
        return redirect("desk")
    return render(request, "desk/second_factor.html")


# --- the week on one page


@coordinator_only
@require_safe
def week(request: Request) -> HttpResponse:
    """Monday to Sunday around the date asked for, else around today."""
    asked = day_asked(request) or localdate()
    first = asked - timedelta(days=asked.weekday())
    dates = [first + timedelta(days=number) for number in range(7)]
    runs: dict[date, list[dict[str, Any]]] = {day: [] for day in dates}
    shown = runs_of_days(dates[0], dates[-1])
    at = timezone.now()
    absent = absent_regulars(shown, at=at, policy=Policy.current())
    marked = marks(weaknesses(at=at, runs=shown))
    for run in shown:
        # One page has no room for crates and whole names, and a wall is no place for the latter.
        seats = seats_of(run, short=True, absent=absent.get(run.pk))
        card = card_of(run) | mark_of(run, marked)
        runs[run.local_date].append(card | {"seats": seats, "note": ""})
    closures = list(
        Closure.objects.standing().filter(first__lte=dates[-1], last__gte=first).select_related("site")
    )
    days = [{"date": day, "runs": runs[day], "note": closed_note(closures, day)} for day in dates]
    context = {
        "days": days,
        "dense": max(len(cards) for cards in runs.values()) > ROOMY,
        "first": dates[0],
        "last": dates[-1],
        "is_now": first <= localdate() <= dates[-1],
        **neighbours(first),
    }
    return render(request, "desk/week.html", context)


def closed_note(closures: Iterable[Closure], day: date) -> str:
    names = [closure.site.name for closure in closures if closure.first <= day <= closure.last]
    return "closed: " + ", ".join(dict.fromkeys(names)) if names else ""
