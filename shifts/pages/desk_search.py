"""Asking around at the desk: who was asked, when, what they said, when the next group is; and the alert that
a driver gave back shortly before the start."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from itertools import groupby
from typing import Any

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localdate, localtime
from django.views.decorators.http import require_POST

from shifts.cover import asking
from shifts.cover.asking import Pool, pool_of
from shifts.cover.candidates import CallList
from shifts.models import Ask, Booking, Policy, Run, Search
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_parts import contact_of, sentence, title_and_time, when
from shifts.pages.undo import back_to, offer_undo
from shifts.schedule.quiet import quiet_hours
from shifts.seats import alerts
from shifts.seats.keeping import kept_for
from sites.models import Programme
from volunteers.progress import NotPossible

BY_PHONE = (asking.NO_MAIL, asking.WANTS_NONE)
MOST_BY_HAND = 60  # of a large programme
NOT_BY_HAND = {  # why somebody who was chosen is not mailed
    asking.NO_MAIL: "has no mail or wants none: call or text",
    asking.WANTS_NONE: "wants no requests by mail: call or text",
    asking.ASKED: "is asked already",
    asking.QUIET: "is not mailed in quiet hours: call, or choose them in the morning",
    asking.MAY_NOT: "may not drive it, or not any more",
}


@coordinator_only
@require_POST
def search(request: Request, pk: int) -> HttpResponse:
    """`what`: start, hurry, stop, or hand with the keys of people as `person`."""
    run = get_object_or_404(Run, pk=pk)
    acts = {"start": start, "hurry": start, "stop": stop, "hand": by_hand}
    act = acts.get(request.POST.get("what", ""))
    try:
        if act is None:
            messages.error(request, "Nothing was done: choose what to do.")
        else:
            act(request, run)
    except NotPossible as reason:
        messages.error(request, str(reason))
    return redirect(back_to(request, reverse("desk_run", args=[pk])))  # its top, which says what was done


def start(request: Request, run: Run) -> None:
    """The first group, or the next one, now."""
    open_one = Search.objects.open().filter(run=run).first()
    before = set(open_one.asks.values_list("pk", flat=True)) if open_one else set()
    if open_one:
        asking.hurry(open_one, by=request.user)
        open_one.refresh_from_db()
        found = open_one
    else:
        found = asking.start_search(run, by=request.user)
    names = [ask.person.first_name for ask in found.asks.select_related("person") if ask.pk not in before]
    if names:
        messages.success(request, f"Asked by mail: {', '.join(sorted(names))}.")
    else:
        messages.info(request, f"Nobody is asked now. {why_nobody(run, found)}")


def why_nobody(run: Run, found: Search) -> str:
    at, policy, zone = timezone.now(), Policy.current(), Programme.current().zone
    if kept_for([run], at=at):
        return f"The run is kept for its regular driver; then, {moment(found.next_at)}, others are asked."
    quiet = quiet_hours(at, policy, zone)
    if quiet and found.next_at:
        asked = sentence(f"These are quiet hours: the first are asked {moment(found.next_at)}")
        return f"{asked} Call whom you can."
    if quiet:
        return "These are quiet hours until the run starts. Call whom you can."
    return "Everybody who may be asked by mail has been. Call the others."


def moment(at: datetime | None) -> str:
    """As in "today at 2:00 p.m."."""
    if at is None:
        return "not by itself"
    local = localtime(at)
    day = "today" if local.date() == localdate() else f"on {date_format(local)}"
    return f"{day} at {time_format(local)}"


def stop(request: Request, run: Run) -> None:
    found = Search.objects.open().filter(run=run).first()
    if found is None:
        raise NotPossible("Nobody is asked any more: the search has ended.")
    asking.stop_search(found, by=request.user)
    messages.success(request, "Nobody more is asked, and a yes by mail is not seated any more.")


def by_hand(request: Request, run: Run) -> None:
    chosen = request.POST.getlist("person")
    keys = [int(value) for value in chosen if value.isascii() and value.isdecimal() and len(value) < 19]
    if not keys:
        messages.error(request, "Nobody was asked: tick at least one name.")
        return
    done = asking.ask_by_hand(run, keys, by=request.user)
    if done.asked:
        names = ", ".join(ask.person.first_name for ask in done.asked)
        messages.success(request, f"Asked by mail: {names}.")
    for person, why in done.not_asked:
        messages.warning(request, f"{person.name} {NOT_BY_HAND.get(why, why)}.")


# --- what the run's page shows


def facts_for_run(run: Run, at: datetime, *, needed: bool, calls: CallList | None = None) -> dict[str, Any]:
    """The newest search of a run, and what can be done. `needed` is whether it needs a driver now; `calls`
    spares the call list's queries."""
    last = run.searches.select_related("opened_by", "ended_by").first()
    if last is None and not needed:
        return {"asking": None}
    open_one = last if last and last.ended_at is None else None
    pool = pool_of(run, open_one, at=at, calls=calls, by_hand=True) if needed else Pool()
    quiet = quiet_hours(at, Policy.current(), Programme.current().zone)
    return {
        "asking": {
            "needed": needed,
            "search": last,
            "open": open_one,
            "next": sentence(moment(open_one.next_at)) if open_one and open_one.next_at else "",
            "ended": ended_words(last) if last and last.ended_at else "",
            "groups": groups_of(last) if last else [],
            "quiet_until": time_format(localtime(quiet.until)) if quiet else "",
            "only_calls": needed and bool(quiet and run.starts_at <= quiet.until and not pool.people),
            "hand": [
                {"pk": person.pk, "name": person.name, "back_up": person.pk in pool.back_ups}
                for person in pool.people[:MOST_BY_HAND]
            ],
            "phone_only": [person.name for person in pool.may if pool.others.get(person.pk) in BY_PHONE],
        }
    }


def ended_words(search: Search) -> str:
    if search.end == Search.End.STOPPED:
        return "Stopped: nobody more is asked."
    return {
        Search.End.FILLED: "Filled: nobody more is asked.",
        Search.End.OVER: "Over: the run has started, was cancelled, or was closed.",
    }.get(Search.End(search.end), "")


WORDS = {
    "": "no answer yet",
    Ask.Answer.NO_ANSWER: "no answer",
    Ask.Answer.YES: "yes",
    Ask.Answer.NO: "no",
    Ask.Answer.NOT_THIS_WEEK: "not this week",
    Ask.Answer.LESS: "no, and asked less from now on",
    Ask.Answer.LATE: "yes, too late",
    Ask.Answer.MOVED: "yes, before the run changed; asked again",
    Ask.Answer.CLOSED: "no longer asked",
}


def groups_of(search: Search) -> list[dict[str, Any]]:
    """The groups in their order, with who was asked and what they said: one query."""
    asks = search.asks.select_related("person").order_by("wave", "asked_at", "pk")
    return [
        {
            "name": f"Group {wave}" if wave else "By phone",
            "at": rows[0].asked_at,
            "asks": list(map(ask_row, rows)),
        }
        for wave, rows in ((wave, list(rows)) for wave, rows in groupby(asks, key=lambda ask: ask.wave))
    ]


def ask_row(ask: Ask) -> dict[str, Any]:
    word = WORDS.get(ask.answer, ask.answer)
    return {
        "name": ask.person.name,
        "url": reverse("desk_person", args=[ask.person_id]),
        "word": f"{word}, back-up" if ask.is_back_up else word,
        "at": ask.answered_at if ask.answer not in ("", Ask.Answer.CLOSED, Ask.Answer.NO_ANSWER) else None,
        "state": "done" if ask.answer == Ask.Answer.YES else "",
    }


def going_on(runs: Iterable[Run]) -> dict[int, str]:
    """By the run's key, what a search that goes on has come to, in words: one query."""
    mailed = ~Q(asks__wave=0)
    said_no = mailed & Q(asks__answer__in=[Ask.Answer.NO, Ask.Answer.NOT_THIS_WEEK, Ask.Answer.LESS])
    found: Any = Search.objects.open().filter(run__in=[run.pk for run in runs])
    counted = found.annotate(asked=Count("asks", filter=mailed), no=Count("asks", filter=said_no))
    return {one.run_id: going_words(one.asked, one.no, one.next_at) for one in counted.order_by()}


def going_words(asked: int, no: int, next_at: datetime | None) -> str:
    said = f"{asked or 'Nobody'} asked by mail" + (f", {no} said no." if no else ".")
    more = f"The next few are asked {moment(next_at)}" if next_at else "No more are asked by themselves: call"
    return f"{said} {sentence(more)}"


# --- given back shortly before the start


def alerts_shown(at: datetime) -> list[dict[str, Any]]:
    """For the desk: who gave back, when, and whether somebody drives again. Two queries."""
    late = list(alerts.alerts(at))
    drives = {
        booking.run_id: booking.person.name
        for booking in Booking.objects.live()
        .drivers()
        .filter(run__in=[one.run_id for one in late])
        .select_related("person")
    }
    return [
        {
            "pk": one.pk,
            "run": one.run,
            "when": when(one.run),
            "url": reverse("desk_run", args=[one.run_id]),
            "who": contact_of(one.person),
            "at": one.ended_at,
            "note": one.end_note,
            "driver": drives.get(one.run_id, ""),
        }
        for one in late
    ]


@coordinator_only
@require_POST
def seen(request: Request, pk: int) -> HttpResponse:
    """A coordinator has seen that a driver gave back; `back` undoes it."""
    given_back = Booking.objects.filter(end=Booking.End.GIVEN_BACK).select_related("run", "person")
    booking = get_object_or_404(given_back, pk=pk)
    back = back_to(request, reverse("desk"))
    if "back" in request.POST:
        alerts.mark_unseen(booking, by=request.user)
        return redirect(back)
    if alerts.mark_seen(booking, by=request.user):
        said = f"Seen: {booking.person.name} cannot make it, {title_and_time(booking.run)}"
        messages.success(request, sentence(said))
        offer_undo(request, "Undo: show it again", reverse("desk_seen", args=[pk]), back="yes", next=back)
    return redirect(back)
