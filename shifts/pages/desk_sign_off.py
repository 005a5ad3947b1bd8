"""Taking back the sign-off of a shadow ride: what depends on it stands on the page before it is done."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from shifts.models import Booking
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_parts import title_and_time
from shifts.pages.forms_people import TakeBackForm
from shifts.seats.rides import take_back, would_lose
from volunteers.models import SignOff
from volunteers.progress import NotPossible


@coordinator_only
@require_http_methods(["GET", "HEAD", "POST"])
def sign_off_back(request: Request, pk: int) -> HttpResponse:
    rides = SignOff.objects.select_related("trainee", "lead", "completion", "ride__run")
    signed, at = get_object_or_404(rides, pk=pk), timezone.now()
    if signed.is_taken_back:
        messages.info(request, f"The ride of {signed.trainee.name} with {signed.lead.name} counts no longer.")
        return redirect("desk_person", pk=signed.trainee_id)
    form = TakeBackForm(request.POST if request.method == "POST" else None)
    changed = False
    if form.is_bound and form.is_valid():
        try:
            lost = taken_back(request, signed, form, at)
        except NotPossible as reason:
            form.add_error(None, str(reason))
        else:
            if lost is not None:
                say(request, signed, lost)
                return redirect("desk_person", pk=signed.trainee_id)
            changed = True
    lost = would_lose(signed, at=at)
    context = {
        "form": form,
        "signed": signed,
        "who": signed.trainee,
        "run": signed.ride.run if hasattr(signed, "ride") else None,
        "lost": [
            {"url": reverse("desk_run", args=[one.run_id]), "name": title_and_time(one.run)} for one in lost
        ],
        "seen": mark_of(lost),
        "changed": changed,
    }
    return render(request, "desk/sign_off_back.html", context)


def taken_back(request: Request, signed: SignOff, form: Any, at: datetime) -> list[Booking] | None:
    """Takes it back where that costs what the page has named; None, and nothing done, where it costs more
    by now."""
    with transaction.atomic():
        lost = take_back(signed, reason=form.cleaned_data["reason"], by=request.user, at=at)
        if mark_of(lost) != request.POST.get("seen", ""):
            transaction.set_rollback(True)
            return None
    return lost


def mark_of(lost: list[Booking]) -> str:
    return ",".join(str(booking.pk) for booking in lost)


def say(request: Request, signed: SignOff, lost: list[Booking]) -> None:
    trainee = signed.trainee
    told = " They get no mail: it is on the list to tell by phone."
    if trainee.is_mailed:
        told = " A mail tells them."
    if trainee.left_on:
        told = ""
    messages.success(request, f"The ride of {trainee.name} with {signed.lead.name} is taken back.{told}")
    if lost:
        named = "; ".join(title_and_time(booking.run) for booking in lost)
        messages.warning(
            request,
            f"{trainee.name} keeps these seats until you change that on the run's page, but is no longer "
            f"ready for them: {named}",
        )
