"""One run at the desk: who sits in it, who could, and everything that can be done about it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import Exists, OuterRef
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from shifts.calendar.components import newest_doors
from shifts.cover.candidates import may_ride, ranked
from shifts.cover.regulars import Absent, absent_regulars
from shifts.cover.urgency import level
from shifts.cover.weaknesses import attention, weaknesses
from shifts.models import Booking, Pairing, Policy, Run, Stop
from shifts.pages import desk_no_show, desk_search, drop_offs
from shifts.pages.access import Request, coordinator_only, is_coordinator
from shifts.pages.desk_doors import unread_by_booking
from shifts.pages.desk_history import history_of
from shifts.pages.desk_parts import (
    calls_of,
    contact_of,
    crates,
    emergency_of,
    how_soon,
    phone_of,
    preference_of,
    seats_of,
    sentence,
    title_and_time,
    when,
)
from shifts.pages.desk_presence import presence_by_booking
from shifts.pages.forms_desk_runs import CancelForm, NoteForm, OneOffForm, ToldSignOffForm
from shifts.pages.keys import key_of
from shifts.pages.undo import back_to, offer_undo, undo_offered
from shifts.seats.booking import give_back
from shifts.seats.booking import seat as take_seat
from shifts.seats.changes import add_one_off, add_second_car, cancel_run, restore_run
from shifts.seats.refusals import Refusal
from shifts.seats.rides import ride_of, sign_off_ride
from shifts.seats.riding import ways_to_ride, why_not_ride
from shifts.seats.run_notes import write_note
from sites.models import Closure, Contact, Programme, Site
from volunteers import clearance
from volunteers.models import Person
from volunteers.progress import NotPossible

FIRST_CALLS = 8  # names shown at once; the others one tap away
MOST_CALLS = 60  # of a large programme; nobody calls more people about one run
MOST_MAY_NOT = 200

# What a coordinator can do about a refusal, where it differs from what the volunteer is told.
NEXT = {
    "not ready": "Their page shows each step; what you have seen or been told can be recorded there.",
    "taken": "The run's page shows who has it.",
    "elsewhere": "Take them out of that run first, or ask somebody else.",
    "over": "",
    "cancelled": "Put it on again first.",
    "closed": "If the site is open after all, lift the closed dates on its page.",
    "no lead driver": "Seat a lead driver first, or find another ride on the orientation page.",
    "left": "Their page changes that.",
    "not taken in": "Take them in first, on the list of those who asked to join.",
    "on a break": "Their page ends the break.",
    "under 18": "Their page says who their guardian is and whether you agreed.",
    "not there": "They are not to be sent to one of its sites; their page ends that. Or ask somebody else.",
}


def run_or_404(pk: int) -> Run:
    return get_object_or_404(Run.objects.with_closed().with_people(), pk=pk)


def page_of(run: Run) -> str:
    return reverse("desk_run", args=[run.pk])


# --- the page


@coordinator_only
@require_safe
def run(request: Request, pk: int) -> HttpResponse:
    return show(request, run_or_404(pk))


def show(request: Request, run: Run, form: forms.Form | None = None) -> HttpResponse:
    """The run's page; with the form that was filled in and could not be done, where there is one."""
    at = timezone.now()
    over = run.ends_at <= at
    open_ = not (over or run.is_cancelled or run.closed)
    absent = absent_regulars([run], at=at, policy=Policy.current()).get(run.pk) if open_ else None
    faults = attention(weaknesses(at=at, runs=[run]))
    context = {
        "undo": undo_offered(request),
        "run": run,
        "when": when(run),
        "over": over,
        "urgency": urgency_of(run, at) if open_ and not (absent and absent.is_kept) else None,
        "crates": crates(run),
        "closed_sites": closed_sites(run) if run.closed else [],
        "can_restore": run.cancel_cause == Run.Cause.CALLED_OFF and not over,
        "faults": faults,
        "regular": regular_row(run, absent, faults) if absent else None,
        "elsewhere": drop_offs.elsewhere(run, at) if run.has_driver else [],
        "seats": seats_of(run, absent=absent),
        "seated": seated_rows(run, at, over=over),
        "stops": stops_of(run),
        "history": history_of(run, private=is_coordinator(request)),
        **desk_no_show.facts_for_run(run, at, request),
        **desk_search.facts_for_run(run, at, needed=needs_driver(run, at, open_=open_)),
        "ride": ride_row(run) if run.starts_at <= at and not run.is_cancelled else None,
        "how": None if over or run.is_cancelled else how_row(run),
        "pair": Pairing.objects.open().filter(run=run).select_related("trainee", "lead").first(),
        "form": form,
        "cancel_form": CancelForm(auto_id="cancel_%s"),
        "note_form": NoteForm(auto_id="note_%s", initial={"note": run.note}),
        **lists_of(run, request.programme, at, open_, absent),
        **named(form),
    }
    context["sign_off_form"] = context.get("sign_off_form") or sign_off_form(context["ride"])
    return render(request, "desk/run.html", context)


def needs_driver(run: Run, at: datetime, *, open_: bool) -> bool:
    """Whether anybody can still be asked to drive it."""
    return open_ and not run.has_driver and run.starts_at > at


def named(form: forms.Form | None) -> dict[str, forms.Form]:
    """The form under the name that the page knows it by."""
    names: dict[type, str] = {
        CancelForm: "cancel_form",
        NoteForm: "note_form",
        ToldSignOffForm: "sign_off_form",
    }
    return {names[type(form)]: form} if form else {}


def closed_sites(run: Run) -> list[dict[str, Any]]:
    """The sites of the run that are closed that day; for a drop-off, where its food goes instead."""
    closed = run.closed_sites()
    ways_out = Site.objects.filter(pk__in=[site.fallback_id for site in closed if site.takes])
    shut = Closure.objects.on(run.local_date).filter(site=OuterRef("pk"))
    by_key = {site.pk: site for site in ways_out.annotate(shut=Exists(shut)).prefetch_related("contacts")}
    return [{"site": site, "instead": instead_of(site, by_key)} for site in closed]


def instead_of(site: Site, by_key: dict[int, Any]) -> dict[str, Any] | None:
    found = by_key.get(site.fallback_id or 0)
    if found is None:
        return None
    return {
        "site": found,
        "url": reverse("desk_site", args=[found.pk]),
        "caution": "used no longer" if found.ended_on else "closed that day as well" if found.shut else "",
        "contacts": [{"name": contact.name, **phone_of(contact.phone)} for contact in found.contacts.all()],
    }


def urgency_of(run: Run, at: datetime) -> dict[str, str] | None:
    if run.has_driver:
        return None
    return {
        "level": level(run, at=at, policy=Policy.current()).value,
        "word": how_soon(run.starts_at, at),
    }


def regular_row(run: Run, absent: Absent, faults: list[Any]) -> dict[str, Any]:
    """Whose regular run it is, and why they are not on it, unless that stands above already."""
    said = any(fault.why == absent.why for fault in faults)
    return {
        "name": absent.name,
        "crew": absent.standing.crew,
        "url": reverse("desk_person", args=[absent.standing.person_id]),
        "why": "" if said else absent.why,
        "shift": run.shift,
    }


def lists_of(
    run: Run, programme: Programme, at: datetime, open_: bool, absent: Absent | None = None
) -> dict[str, Any]:
    """Who may take the seats that are empty, and who may not; of a run that a crew holds, its own first."""
    taken = {booking.seat for booking in run.seated}
    found: dict[str, Any] = {"ask_driver": False, "ask_second": False}
    if open_ and Booking.Seat.DRIVER not in taken:
        everybody = ranked(run, at=at, most=MOST_CALLS)
        may_not = everybody.may_not
        calls = calls_of(everybody.may, run, seat=Booking.Seat.DRIVER, programme=programme)
        crew = crew_of(absent) if absent else set()
        found["crew_calls"] = [
            call | {"reasons": call["reasons"][:2]} for call in calls if call["pk"] in crew
        ]
        calls = [call for call in calls if call["pk"] not in crew]
        found |= {
            "ask_driver": True,
            "calls": calls[:FIRST_CALLS],
            "more_calls": calls[FIRST_CALLS:],
            "beyond": everybody.count - len(everybody.may),
            "may_not": [
                contact_of(person) | {"reasons": reasons} for person, reasons in may_not[:MOST_MAY_NOT]
            ],
            "may_not_count": len(may_not),
        }
    if open_ and run.second_seat and Booking.Seat.SECOND not in taken:
        riders = calls_of(may_ride(run, at=at), run, seat=Booking.Seat.SECOND, programme=programme)
        found |= {
            "ask_second": True,
            "rider_count": len(riders),
            "riders": riders[:FIRST_CALLS],
            "more_riders": riders[FIRST_CALLS:],
            "led": any(booking.person.is_lead for booking in run.seated),
        }
    return found


def crew_of(absent: Absent) -> set[int]:
    """Everybody of the crew, its captain too; nobody where one person holds the run."""
    standing = absent.standing
    if not standing.crew:
        return set()
    return {standing.person_id, *standing.members.values_list("pk", flat=True)}


def seated_rows(run: Run, at: datetime, *, over: bool) -> list[dict[str, Any]]:
    """Who sits in the run, each with the sites whose new door notes they have not read."""
    expected = not over and not run.is_cancelled
    unread = unread_by_booking([run], at=at, sites=run.site_ids) if expected and run.seated else {}
    names = {stop.site_id: stop.site.name for stop in run.ordered_stops}
    said = presence_by_booking(run, at)
    return [
        {
            **seated_row(booking, over=over),
            **said[booking.pk],
            "unread": [name for site, name in names.items() if site in unread.get(booking.pk, ())],
        }
        for booking in run.seated
    ]


def seated_row(booking: Booking, *, over: bool) -> dict[str, Any]:
    driver = booking.seat == Booking.Seat.DRIVER
    does = ("drove" if driver else "rode along") if over else ("drives" if driver else "rides along")
    return {
        **contact_of(booking.person),
        "booking": booking.pk,
        "does": does,
        "is_lead": driver and booking.person.is_lead,
        "reached": booking.person.get_reach_display(),
        "drives": driver,
        "also": booking.also,
        "emergency": emergency_of(booking.person),
        "warn": preference_of(booking.person),
    }


def stops_of(run: Run) -> list[dict[str, Any]]:
    """The stops as the page draws them, with contacts and door notes; two queries."""
    doors = newest_doors(set(run.site_ids))
    contacts: dict[int, list[dict[str, str]]] = {}
    for contact in Contact.objects.filter(site__in=run.site_ids):
        contacts.setdefault(contact.site_id, []).append(
            {"name": contact.name, "role": contact.role, **phone_of(contact.phone)}
        )
    return [
        {
            "what": what_at(stop, is_last=stop is run.ordered_stops[-1]),
            "name": stop.site.name,
            "at": run.arrives_at(stop),
            "address": stop.site.address,
            "hint": takes_at(stop, is_last=stop is run.ordered_stops[-1]),
            "contacts": contacts.get(stop.site_id, []),
            "door": door_of(doors.get(stop.site_id)),
        }
        for stop in run.ordered_stops
    ]


def what_at(stop: Stop, *, is_last: bool) -> str:
    return "Pickup" if stop.site.gives and not is_last else "Drop-off"


def takes_at(stop: Stop, *, is_last: bool) -> str:
    drop_off = what_at(stop, is_last=is_last) == "Drop-off"
    return f"Takes: {stop.site.foods}" if drop_off and stop.site.foods else ""


def door_of(notes: Any) -> dict[str, Any] | None:
    return {"rows": notes.paragraphs(), "updated": notes.written_at} if notes else None


def ride_row(run: Run) -> dict[str, Any] | None:
    """The shadow ride of this run, signed off or not; None where no lead driver took anybody along."""
    ride = ride_of(run)
    if ride is None:
        return None
    driver, second = ride
    signed = second.sign_off
    gone = signed is not None and signed.is_taken_back
    return {
        "lead": driver.person,
        "second": second.person,
        "signed": None if gone else signed,
        "taken_back": signed if gone else None,
    }


def how_row(run: Run) -> dict[str, Any] | None:
    """How the trainee beside a lead driver rides, and the other ways; None where nobody learns."""
    ride = ride_of(run)
    if ride is None or not clearance.missing(ride[1].person, on=run.local_date):
        return None
    second = ride[1]
    ways = ways_to_ride(second.person, run)
    refusal = None if len(ways) > 1 else why_not_ride(second.person, run, Booking.Ride.DRIVES)
    return {
        "name": second.person.first_name,
        "now": second.ride,
        "ways": ways if len(ways) > 1 else [],
        "why": refusal.why if refusal else "",
    }


def sign_off_form(ride: dict[str, Any] | None) -> ToldSignOffForm | None:
    if ride is None or ride["signed"]:
        return None
    told = f"{ride['lead'].name} told me by phone."
    return ToldSignOffForm(auto_id="ride_%s", initial={"told_reason": told})


# --- seats


def row_posted(request: Request, name: str, rows: Any) -> Any:
    """The row whose key the form names; 404 where there is none."""
    return get_object_or_404(rows, pk=key_of(request.POST.get(name, "")))


@coordinator_only
@require_POST
def seat(request: Request, pk: int) -> HttpResponse:
    """Agreed by phone: seats somebody, who is told."""
    run = run_or_404(pk)
    person = row_posted(request, "person", Person.objects.all())
    wanted = request.POST.get("seat", Booking.Seat.DRIVER)
    back = back_to(request, page_of(run))
    if wanted not in Booking.Seat.values:
        messages.error(request, f"{person.name} was not seated: choose the driver's seat or the second seat.")
        return redirect(back)
    try:
        booking = take_seat(run=run, person=person, seat=wanted, by=request.user, on_behalf=True)
    except Refusal as refusal:
        not_seated(request, person, run, refusal)
        return redirect(back)
    seated_by_phone(request, booking, back)
    return redirect(back)


def not_seated(request: Request, person: Person, run: Run, refusal: Refusal) -> None:
    """Says why, and what the coordinator can do about it."""
    what_next = NEXT.get(refusal.code, refusal.next)
    said = sentence(f"{person.name} was not seated on {title_and_time(run)}")
    messages.error(request, f"{said} {refusal.why} {what_next}".strip())


def seated_by_phone(request: Request, booking: Booking, back: str, *, ask: int | None = None) -> None:
    """Says who drives or rides along, whether they are told, and offers to undo it; with the key of what was
    noted of a call, that as well."""
    person, run = booking.person, booking.run
    does = "drives" if booking.seat == Booking.Seat.DRIVER else "rides along on"
    done = sentence(f"{person.name} {does} {title_and_time(run)}")
    messages.success(request, f"{done} {how_told(person)}")
    name, fields = ("desk_called", {"back": ask}) if ask else ("desk_unseat", {"booking": booking.pk})
    undo = f"Undo: take {person.first_name} out"
    offer_undo(request, undo, reverse(name, args=[run.pk]), **fields, next=back)


def how_told(person: Person) -> str:
    if person.is_mailed:
        return "A mail with the invitation goes to them."
    return "They get no mail: it is on the list to tell by phone."


@coordinator_only
@require_POST
def take_out(request: Request, pk: int) -> HttpResponse:
    run = run_or_404(pk)
    booking = row_posted(request, "booking", run.bookings.select_related("person"))
    back = back_to(request, page_of(run))
    if run.ends_at <= timezone.now():
        messages.error(request, "This run is over, so who was on it stays as it was recorded.")
        return redirect(back)
    if not booking.is_live:
        messages.info(request, f"{booking.person.name} was out of this run already.")
        return redirect(back)
    give_back(booking, by=request.user, end=Booking.End.TAKEN_OUT)
    done = sentence(f"{booking.person.name} is out of {title_and_time(run)}")
    messages.success(request, f"{done} {how_told_off(booking.person)}")
    offer_undo(
        request,
        f"Undo: seat {booking.person.first_name} again",
        reverse("desk_seat", args=[run.pk]),
        person=booking.person_id,
        seat=booking.seat,
        next=back,
    )
    return redirect(back)


def how_told_off(person: Person) -> str:
    if person.is_mailed:
        return "A mail tells them, and the run leaves their calendar."
    return "They get no mail: it is on the list to tell by phone."


# --- the run as a whole


@coordinator_only
@require_POST
def cancel(request: Request, pk: int) -> HttpResponse:
    run = run_or_404(pk)
    form = CancelForm(request.POST, auto_id="cancel_%s")
    if run.ends_at <= timezone.now():
        messages.error(request, "This run is over and cannot be cancelled any more.")
        return redirect(page_of(run))
    if not form.is_valid():
        return show(request, run, form)
    cancel_run(run, reason=form.cleaned_data["reason"], by=request.user)
    names = " and ".join(booking.person.name for booking in run.seated)
    told = f" {names} will be told." if names else ""
    messages.success(request, sentence(f"Cancelled: {title_and_time(run)}") + told)
    offer_undo(request, "Undo: put it on again", reverse("desk_restore", args=[run.pk]))
    return redirect(back_to(request, page_of(run)))


@coordinator_only
@require_POST
def restore(request: Request, pk: int) -> HttpResponse:
    run = run_or_404(pk)
    if run.cancel_cause == Run.Cause.RULE:
        messages.error(
            request, "The weekly run no longer has this date. Add a one-off run, or change the weekly run."
        )
        return redirect(page_of(run))
    if not run.is_cancelled:
        messages.info(request, "This run is on.")
        return redirect(page_of(run))
    left_out = restore_run(run, by=request.user)
    done = sentence(f"On again: {title_and_time(run)}")
    messages.success(request, f"{done} Those who were on it are seated and told.")
    for person, refusal in left_out:
        messages.warning(request, f"{person.name} could not be seated again. {refusal.why}")
    return redirect(page_of(run))


@coordinator_only
@require_POST
def second_car(request: Request, pk: int) -> HttpResponse:
    run = run_or_404(pk)
    if run.is_cancelled or run.ends_at <= timezone.now():
        messages.error(request, "A run that is cancelled or over takes no second car.")
        return redirect(page_of(run))
    second = add_second_car(run, by=request.user)
    done = sentence(f"Added: {title_and_time(second)}")
    messages.success(request, f"{done} It has the same stops and needs a driver.")
    offer_undo(
        request,
        "Undo: cancel the second car",
        reverse("desk_cancel", args=[second.pk]),
        reason="The second car was added by mistake.",
        next=page_of(run),
    )
    return redirect(page_of(second))


@coordinator_only
@require_POST
def note(request: Request, pk: int) -> HttpResponse:
    run = run_or_404(pk)
    form = NoteForm(request.POST, auto_id="note_%s")
    if not form.is_valid():
        return show(request, run, form)
    told = write_note(run, form.cleaned_data["note"], by=request.user)
    messages.success(request, f"The note is saved. {told_of_note(told)}".strip())
    offer_undo(request, "Undo: the note as it was", reverse("desk_note", args=[run.pk]), note=run.note)
    return redirect(page_of(run))


def told_of_note(people: list[Person]) -> str:
    mailed = " and ".join(person.name for person in people if person.is_mailed)
    called = " and ".join(person.name for person in people if not person.is_mailed)
    return " ".join(
        [
            *([f"A mail goes to {mailed}."] if mailed else []),
            *([f"To tell by phone: {called}."] if called else []),
        ]
    )


@coordinator_only
@require_POST
def sign_off(request: Request, pk: int) -> HttpResponse:
    """Records a shadow ride as the lead driver told it."""
    run = run_or_404(pk)
    form = ToldSignOffForm(request.POST, auto_id="ride_%s")
    ride = ride_of(run)
    if ride is None:
        messages.error(
            request, "No lead driver took anybody along on this run, so there is no ride to sign off."
        )
        return redirect(page_of(run))
    if not form.is_valid():
        return show(request, run, form)
    try:
        signed = sign_off_ride(run=run, lead=ride[0].person, by=request.user, **form.cleaned_data)
    except NotPossible as reason:
        form.add_error(None, str(reason))
        return show(request, run, form)
    messages.success(
        request,
        f"Signed off: {signed.trainee.name}, {signed.get_outcome_display()}. It can be taken back here.",
    )
    return redirect(page_of(run))


# --- a one-off run


@coordinator_only
def new_run(request: Request) -> HttpResponse:
    at = timezone.now()
    form = OneOffForm(
        request.POST or None, at=at, programme=request.programme, days=7 * Policy.current().weeks_ahead
    )
    if request.method == "POST" and form.is_valid():
        facts = form.cleaned_data
        run = add_one_off(
            pickup=facts["pickup"],
            dropoff=facts["dropoff"],
            starts_at=facts["when"],
            crates=facts["crates"],
            note=facts["note"],
            by=request.user,
            at=at,
        )
        messages.success(request, sentence(f"Added: {title_and_time(run)}") + " Now somebody to drive it.")
        offer_undo(
            request,
            "Undo: cancel it",
            reverse("desk_cancel", args=[run.pk]),
            reason="Added by mistake.",
            next=reverse("desk"),
        )
        return redirect(page_of(run))
    sites = Site.objects.in_use()
    ready = sites.filter(gives=True).exists() and sites.filter(takes=True).exists()
    return render(request, "desk/new_run.html", {"form": form, "ready": ready})
