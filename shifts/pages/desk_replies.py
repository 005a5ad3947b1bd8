"""Mail for the coordinator: answers of calendars that somebody has to look at, and runs given back by one."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.db.models import Exists, OuterRef
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.views.decorators.http import require_POST

from shifts.models import Booking, Reply
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_parts import contact_of, title_and_time
from shifts.pages.undo import back_to, offer_undo
from shifts.seats import replies

LISTED = 30  # messages shown at once
UNDOABLE = timedelta(hours=24)  # how long a decline is offered to be undone
MAILBOX_LATE = timedelta(minutes=15)


def replies_shown(at: datetime) -> dict[str, Any]:
    """What the desk shows of the mailbox; two queries, one more where a mailbox is read."""
    waiting = list(Reply.objects.open().select_related("person", "entry__booking")[: LISTED + 1])
    return {
        "replies": [reply_row(reply) for reply in waiting[:LISTED]],
        "more_replies": len(waiting) > LISTED,
        "declined": [declined_row(booking) for booking in declined_lately(at)],
        "mailbox": mailbox_trouble(at),
    }


def reply_row(reply: Reply) -> dict[str, Any]:
    who = contact_of(reply.person) if reply.person else {"name": reply.address or "somebody unnamed"}
    booking = reply.entry.booking if reply.entry else None
    return {"reply": reply, "run_url": reverse("desk_run", args=[booking.run_id]) if booking else "", **who}


def declined_lately(at: datetime) -> list[Booking]:
    """Bookings ended by a calendar's answer whose seat is still empty, on runs that have not started."""
    again = Booking.objects.live().filter(run=OuterRef("run"), seat=OuterRef("seat"))
    return list(
        Booking.objects.filter(
            end=Booking.End.GIVEN_BACK,
            end_note=replies.DECLINED_NOTE,
            ended_by=None,
            ended_at__gt=at - UNDOABLE,
            run__starts_at__gt=at,
            run__cancelled_at=None,
        )
        .exclude(Exists(again))
        .select_related("run", "person")
        .order_by("run__starts_at", "pk")[:LISTED]
    )


def declined_row(booking: Booking) -> dict[str, Any]:
    return {
        **contact_of(booking.person),
        "pk": booking.person_id,
        "seat": booking.seat,
        "run": title_and_time(booking.run),
        "run_url": reverse("desk_run", args=[booking.run_id]),
        "seat_url": reverse("desk_seat", args=[booking.run_id]),
    }


def mailbox_trouble(at: datetime) -> dict[str, Any]:
    """When the mailbox was last read, if that is long ago; nothing in it when all is well or none is read."""
    if not settings.REPLY_MAILBOX_URL:
        return {}
    seen = replies.last_read()
    return {} if seen and at - seen <= MAILBOX_LATE else {"seen": seen or "never"}


def reply_or_404(pk: int) -> Reply:
    return get_object_or_404(Reply.objects.select_related("person"), pk=pk)


def named(reply: Reply) -> str:
    return reply.person.name if reply.person else reply.address or "somebody unnamed"


@coordinator_only
@require_POST
def done(request: Request, pk: int) -> HttpResponse:
    reply = reply_or_404(pk)
    if replies.settle(reply, by=request.user):
        messages.success(request, f"Done: the mail from {named(reply)}.")
        offer_undo(request, "Undo: not done yet", reverse("desk_reply_open", args=[pk]))
    else:
        messages.info(request, "That was done already, or there was nothing to do.")
    return redirect(back_to(request, reverse("desk")))


@coordinator_only
@require_POST
def open_again(request: Request, pk: int) -> HttpResponse:
    reply = reply_or_404(pk)
    if replies.reopen(reply, by=request.user):
        messages.success(request, f"Open again: the mail from {named(reply)}.")
    else:
        messages.info(request, "That was not marked as done.")
    return redirect(back_to(request, reverse("desk")))
