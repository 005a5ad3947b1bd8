"""The run sheet: everything for the way, on one page that is readable without network and prints on one."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from shifts.calendar.components import newest_doors
from shifts.models import Booking, Run
from shifts.pages import drop_offs, offline
from shifts.pages import volunteer_parts as parts
from shifts.pages import volunteer_run as page
from shifts.pages.access import Request, keeps_desk, volunteer_or_coordinator
from shifts.pages.my_steps import SIGN_OFF_REMINDER
from shifts.pages.volunteer import run_or_404
from shifts.seats import ride_words
from shifts.seats.on_call import on_call
from volunteers.models import Person

SHOWN_AFTER = SIGN_OFF_REMINDER  # as long as the word on a ride is asked for


@volunteer_or_coordinator
@require_safe
def sheet(request: Request, pk: int) -> HttpResponse:
    """For whoever sits in the run, until some weeks after it, and for coordinators. Whoever was on it sees
    what became of it on its page."""
    run, person, at = run_or_404(pk), request.person, timezone.now()
    mine = parts.seat_on(run, person) if person else None
    current = mine is not None and at < run.ends_at + SHOWN_AFTER
    if not current and not keeps_desk(request):
        if person and run.bookings.of(person).exists():
            return redirect("run", pk=pk)
        raise Http404
    context = {
        **facts(run, person if mine else None, at),
        "desk_url": reverse("desk_run", args=[pk]) if keeps_desk(request) else "",
    }
    return offline.keep(render(request, "volunteer/sheet.html", context), request)


def facts(run: Run, person: Person | None, at: datetime) -> dict[str, Any]:
    """What the sheet shows to somebody on the run; to a coordinator who is not, None."""
    doors = page.doors_of(run, person) if person else doors_for_desk(run)
    new_doors = page.to_read_first(run, person, doors) if person else []
    drives = person is not None and page.drives(run, person)
    return {
        "run": run,
        "when": parts.when(run.starts_at),
        "saved": parts.when(at),
        "on_call": on_call(run.starts_at),
        "crates": parts.crates_expected(run),
        "seats": parts.seats_of(run, person or Person()),
        "beside": page.people_on(run, but=person),
        "also": [booking for booking in run.seated if booking.also],
        "riding": riding(run, person),
        "closed_sites": run.closed_sites() if run.closed else [],
        "new_doors": new_doors,
        "stops": stops_of(run, doors),
        "instead": drop_offs.fallback_of(run) if drives or person is None else None,
        "can_reroute": drop_offs.nobody_there(run, at, drives=drives) is not None,
        **(page.ride_facts(run, person, at, None, early=True) if person else {}),
    }


def doors_for_desk(run: Run) -> dict[int, dict[str, Any]]:
    """The newest door notes by site, for somebody who need not read them."""
    found = newest_doors(set(run.site_ids))
    return {site: door for site in found if (door := parts.door_of(found[site], read=found[site].revision))}


def stops_of(run: Run, doors: dict[int, dict[str, Any]]) -> list[dict[str, Any]]:
    """The stops in order, each with its door notes and with what to heed there: lifting and the cold where
    food is first loaded, as the clock starts there."""
    shut = {site.pk for site in run.closed_sites()} if run.closed else set()
    stops: list[dict[str, Any]] = []
    for stop in run.ordered_stops:
        loads = not parts.is_drop_off(stop, run)
        first = loads and not any(earlier["loads"] for earlier in stops)
        shown = parts.stop_of(stop, run, door=doors.get(stop.site_id), contacts=True)
        stops.append(shown | {"loads": loads, "heed": first, "shut": stop.site_id in shut})
    return stops


def riding(run: Run, person: Person | None) -> list[str]:
    """How a trainee rides, to either of the two, and what both heed; empty without anybody in the second seat
    and for a coordinator."""
    seated = {booking.seat: booking for booking in run.seated}
    driver, second = seated.get(Booking.Seat.DRIVER), seated.get(Booking.Seat.SECOND)
    if person is None or driver is None or second is None:
        return []
    how = ride_words.how_words(second.ride, trainee=second.person, lead=driver.person, to=person)
    return [how, *ride_words.cautions(second.ride)]
