"""Somebody said by phone that they will be there: one tap on the run's page."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.views.decorators.http import require_POST

from shifts.cover.confirming import confirmations_due
from shifts.models import Booking, Run
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_no_show import key_posted
from shifts.pages.undo import offer_undo
from shifts.seats import presence
from shifts.seats.refusals import Refusal


@coordinator_only
@require_POST
def confirmed(request: Request, pk: int) -> HttpResponse:
    """They will be there (`booking`, its key), or have not said so after all (`back`)."""
    name = "back" if "back" in request.POST else "booking"
    bookings = Booking.objects.filter(run=pk).select_related("run", "person")
    booking = get_object_or_404(bookings, pk=key_posted(request, name))
    who, page = booking.person, redirect("desk_run", pk=pk)
    if name == "back":
        presence.unconfirm(booking, by=request.user)
        messages.success(request, f"Taken back: {who.name} has not said yet that they will be there.")
        return page
    try:
        presence.confirm(booking, how=presence.PHONE, by=request.user)
    except Refusal as refusal:
        messages.error(request, f"Not noted. {refusal.why}")
        return page
    messages.success(request, f"Noted: {who.name} will be there.")
    undo = f"Undo: {who.first_name} has not said so"
    offer_undo(request, undo, reverse("desk_confirmed", args=[pk]), back=booking.pk)
    return page


def presence_by_booking(run: Run, at: datetime) -> dict[int, dict[str, Any]]:
    """What stands beside those who sit in a run, by the booking's key: when they said that they will be
    there, or a button for it where their word is asked for."""
    due = confirmations_due(run.seated, at)
    return {
        booking.pk: {"said_at": booking.confirmed_at, "may_say": booking.pk in due} for booking in run.seated
    }
