"""The store phones that nobody came: one tap, and the numbers to call stand there. What is remembered of it
is private to the coordinators; whoever covers for them marks it and reads no more."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from shifts.cover.talks import have_talked, talks_suggested
from shifts.models import NoShow, Run
from shifts.pages.access import Request, coordinator_only, is_coordinator, own_desk_only
from shifts.pages.desk_parts import phone_of, sentence, title_and_time
from shifts.pages.forms_cover import MissedForm
from shifts.pages.undo import back_to, offer_undo
from shifts.seats import no_shows
from shifts.seats.refusals import Refusal
from sites.models import Contact
from volunteers.models import Person
from volunteers.progress import NotPossible


@coordinator_only
@require_POST
def no_show(request: Request, pk: int) -> HttpResponse:
    """The driver did not come (`booking`), or did after all (`back`, its key); or a coordinators' note."""
    run = get_object_or_404(Run, pk=pk)
    page = reverse("desk_run", args=[pk])
    if "back" in request.POST:
        return came_after_all(request, run, page)
    bookings = run.bookings.select_related("person")
    booking = get_object_or_404(bookings, pk=key_posted(request, "booking"))
    try:
        missed = no_shows.did_not_come(booking, by=request.user)
    except NotPossible as reason:
        messages.error(request, str(reason))
        return redirect(page)
    if "note" in request.POST and is_coordinator(request):
        return note(request, missed, page)
    on = timezone.now() < run.ends_at
    then = " The driver's seat is empty: who could step in stands below." if on else ""
    messages.success(request, f"Noted: {booking.person.name} did not come. They are told nothing.{then}")
    offer_undo(
        request,
        f"Undo: {booking.person.first_name} came",
        reverse("desk_no_show", args=[pk]),
        back=booking.pk,
    )
    return redirect(page)


def key_posted(request: Request, name: str) -> int:
    value = request.POST.get(name, "")
    return int(value) if value.isascii() and value.isdecimal() else 0


def note(request: Request, missed: NoShow, page: str) -> HttpResponse:
    form = MissedForm(request.POST)
    if form.is_valid():
        no_shows.write_note(missed, form.cleaned_data["note"], by=request.user)
        messages.success(request, "The note is saved, for coordinators only.")
    else:
        messages.error(request, "The note was not saved: it is too long. 300 characters fit.")
    return redirect(back_to(request, page))


def came_after_all(request: Request, run: Run, page: str) -> HttpResponse:
    missed = get_object_or_404(
        NoShow.objects.select_related("booking__person"),
        booking=key_posted(request, "back"),
        booking__run=run,
        withdrawn_at=None,
    )
    name = missed.booking.person.name
    booking, refusal = no_shows.came_after_all(missed, by=request.user)
    if booking:
        messages.success(request, f"Taken back: {name} has the driver's seat.")
    elif isinstance(refusal, Refusal):
        messages.warning(request, f"Taken back, but {name} is not seated again. {refusal.why}")
    return redirect(page)


# --- what pages show of it


def facts_for_run(run: Run, at: datetime, request: Request) -> dict[str, Any]:
    """Whether the driver can be marked, who was, and whom to call at the sites while nobody drives."""
    started = run.starts_at <= at and not run.is_cancelled
    drives = run.has_driver
    on = started and at < run.ends_at
    missed = NoShow.objects.standing().filter(booking__run=run).select_related("booking__person")
    return {
        "can_miss": started and drives,
        "missed": [missed_row(one) for one in missed] if on or is_coordinator(request) else [],
        "sites_to_call": sites_to_call(run) if on and not drives else [],
    }


def missed_row(one: NoShow) -> dict[str, Any]:
    return {
        "booking": one.booking_id,
        "person": one.booking.person,
        "form": MissedForm(initial={"note": one.note}, auto_id=f"missed{one.pk}_%s"),
        "note": one.note,
    }


def sites_to_call(run: Run) -> list[dict[str, Any]]:
    """Every stop with its numbers, in order; one query."""
    contacts: dict[int, list[dict[str, str]]] = {}
    for contact in Contact.objects.filter(site__in=run.site_ids):
        row = {"name": contact.name, "role": contact.role, **phone_of(contact.phone)}
        contacts.setdefault(contact.site_id, []).append(row)
    return [{"site": stop.site, "contacts": contacts.get(stop.site_id, [])} for stop in run.ordered_stops]


def facts_for_person(who: Person, at: datetime) -> dict[str, Any]:
    """Runs they did not come to, newest first, and whether a talk is suggested."""
    missed = NoShow.objects.standing().of(who).select_related("booking__run")
    return {
        "missed": [
            {
                "url": reverse("desk_run", args=[one.booking.run_id]),
                "run": title_and_time(one.booking.run),
                "note": one.note,
            }
            for one in missed.order_by("-booking__run__starts_at")
        ],
        "talk": bool(talks_suggested(at=at, people=[who])),
    }


def talks_shown(at: datetime) -> list[dict[str, Any]]:
    """Suggested talks, for the desk."""
    return [
        {
            "name": person.name,
            "url": reverse("desk_person", args=[person.pk]) + "#did-not-come",
            "runs": sentence("; ".join(title_and_time(one.booking.run) for one in times)),
        }
        for person, times in talks_suggested(at=at).items()
    ]


@own_desk_only
@require_POST
def talked(request: Request, pk: int) -> HttpResponse:
    person = get_object_or_404(Person, pk=pk)
    have_talked(person, by=request.user)
    messages.success(request, f"Noted: you talked with {person.name}.")
    return redirect(reverse("desk_person", args=[pk]) + "#did-not-come")
