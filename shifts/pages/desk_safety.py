"""At the desk: whether somebody is an adult, whom to call in an emergency, and where they are not sent."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone

from shifts.models import Booking, Standing
from shifts.pages.access import Request, coordinator_only, page, posted
from shifts.pages.desk_parts import title_and_time
from shifts.pages.desk_people import page_of, person_or_404
from shifts.pages.desk_runs import row_posted
from shifts.pages.forms_care import ADULT, YOUNG, NotAtForm, SafetyForm
from shifts.pages.undo import offer_undo, undo_offered
from shifts.seats.consequences import weekly_runs_at
from shifts.seats.safety import set_safety
from sites.models import Site
from volunteers import not_at as writes
from volunteers.models import NotAt, Person
from volunteers.progress import NotPossible, today


@coordinator_only
@page
def safety(request: Request, pk: int) -> HttpResponse:
    who = person_or_404(pk)
    known = {
        "age": ADULT if who.is_adult else YOUNG,
        "guardian": who.guardian_id,
        "consent": who.consent_on is not None,
        "emergency_name": who.emergency_name,
        "emergency_phone": who.emergency_phone,
    }
    form = SafetyForm(posted(request), initial=known, person=who)
    if form.is_bound and form.is_valid():
        try:
            person = set_safety(who, by=request.user, **form.facts())
        except NotPossible as reason:
            form.add_error(None, str(reason))
        else:
            messages.success(request, "Saved." if person.is_adult else f"Saved. {what_follows(person)}")
            return redirect(page_of(who))
    return render(request, "desk/safety.html", {"form": form, "who": who, "wards": who.wards.all()})


def what_follows(person: Person) -> str:
    if person.guardian and person.consent_on:
        return f"{person.name} may ride in the second seat of a run that {person.guardian.name} drives."
    return f"{person.name} may not ride along until there is a guardian and you agree."


@coordinator_only
@page
def not_at(request: Request, pk: int) -> HttpResponse:
    """The sites somebody is not sent to. Posting adds one; with `end`, the key of one, it ends that, and with
    `again` it is as before."""
    who = person_or_404(pk)
    if "end" in request.POST:
        return end_not_at(request, who)
    if "again" in request.POST:
        was = row_posted(request, "again", NotAt.objects.filter(person=who).select_related("site"))
        return begin_not_at(request, who, was.site, was.reason)
    form = NotAtForm(posted(request), person=who)
    if form.is_bound and form.is_valid():
        return begin_not_at(request, who, form.cleaned_data["site"], form.cleaned_data["reason"])
    at = timezone.now()
    rows = list(who.not_at.select_related("site"))
    live = [row for row in rows if row.ended_at is None]
    context = {
        "form": form,
        "who": who,
        "rows": live,
        "ended": [row for row in rows if row.ended_at],
        "booked": [seat_row(booking) for booking in barred_bookings(who, at)],
        "regular": [regular_row(one) for one in regular_there(who, [row.site for row in live])],
        "undo": undo_offered(request),
    }
    return render(request, "desk/not_at.html", context)


def begin_not_at(request: Request, who: Person, where: Site, reason: str) -> HttpResponse:
    row = writes.bar(who, where, reason=reason, by=request.user)
    messages.success(request, f"{who.name} is not sent to {where.name} any more. They are not told why.")
    offer_undo(request, f"Undo: {where.name} again", request.path, end=row.pk)
    return redirect(request.path)


def end_not_at(request: Request, who: Person) -> HttpResponse:
    row = row_posted(request, "end", NotAt.objects.filter(person=who).select_related("site"))
    writes.lift(row, by=request.user)
    messages.success(request, f"{who.name} may be sent to {row.site.name} again.")
    offer_undo(request, f"Undo: not at {row.site.name}", request.path, again=row.pk)
    return redirect(request.path)


def barred_bookings(who: Person, at: datetime) -> list[Booking]:
    """Their seats ahead at sites they are not sent to."""
    gone = Booking.objects.not_there().of(who)
    ahead = gone.filter(run__ends_at__gt=at, run__cancelled_at=None)
    return list(ahead.select_related("run").order_by("run__starts_at"))


def seat_row(booking: Booking) -> dict[str, Any]:
    return {
        "url": reverse("desk_run", args=[booking.run_id]),
        "name": title_and_time(booking.run),
        "seat": "drives" if booking.seat == Booking.Seat.DRIVER else "rides along",
        "run": booking.run_id,
        "booking": booking.pk,
    }


def regular_there(who: Person, sites: list[Site]) -> list[Standing]:
    """Their regular runs that stop there: the runs need another driver as long as they are not sent there."""
    there = who.standings.going_on(today()).filter(shift__in=weekly_runs_at(sites, today()), crew="")
    return list(there.select_related("shift"))


def regular_row(standing: Standing) -> dict[str, str]:
    return {"name": standing.shift.name, "stop": reverse("desk_stop", args=[standing.pk])}
