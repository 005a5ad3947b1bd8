"""Sites at the desk: where food is picked up and dropped off, doors, contacts, closed dates."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.db.models import OuterRef, Prefetch, QuerySet, Subquery
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_POST, require_safe

from shifts.models import Booking, Run
from shifts.models.run import RunQuerySet
from shifts.pages.access import Request, coordinator_only, page, posted
from shifts.pages.desk_doors import held_up_rows, not_read_at
from shifts.pages.desk_look import show_look, unless_it_must_be_shown
from shifts.pages.desk_parts import title_and_time
from shifts.pages.desk_runs import row_posted, what_at
from shifts.pages.forms_sites import CloseForm, DoorNotesForm, SiteForm, contact_rows
from shifts.pages.undo import offer_undo, undo_offered
from shifts.seats import consequences
from sites import changes as writes
from sites.dates import us
from sites.models import Closure, DoorNotes, Site
from volunteers import clearance, doors
from volunteers.models import Person
from volunteers.progress import today

TOLD = "Told by phone: they know it."


def site_or_404(pk: int) -> Site:
    return get_object_or_404(Site, pk=pk)


def page_of(site: Site) -> str:
    return reverse("desk_site", args=[site.pk])


# --- the list


@coordinator_only
@require_safe
def sites(request: Request) -> HttpResponse:
    ended = request.GET.get("show") == "ended"
    found = Site.objects.exclude(ended_on=None) if ended else Site.objects.in_use()
    rows = list(with_news(found, today()))
    context = {
        "rows": rows,
        "ended": ended,
        "nothing": not rows and not ended and not Site.objects.exists(),
        "undo": undo_offered(request),
    }
    return render(request, "desk/sites.html", context)


def with_news(found: QuerySet[Site], day: date) -> QuerySet[Site]:
    """Sites with their contacts, the day of their newest door notes, and closed dates not over: 3 queries."""
    newest = DoorNotes.objects.filter(site=OuterRef("pk")).order_by("-revision").values("written_at")[:1]
    closures = Closure.objects.standing().filter(last__gte=day)
    return found.annotate(notes_at=Subquery(newest)).prefetch_related(
        "contacts", Prefetch("closures", queryset=closures, to_attr="closed_days")
    )


@coordinator_only
@page
def new_site(request: Request) -> HttpResponse:
    form = SiteForm(posted(request), initial={"town": request.programme.town})
    if form.is_bound and form.is_valid():
        site = writes.add_site(by=request.user, **form.facts())
        messages.success(request, f"Added: {site.name}. Next: door notes for the drivers.")
        return redirect(page_of(site))
    return render(request, "desk/new_site.html", {"form": form})


# --- one site


@coordinator_only
@page
def site(request: Request, pk: int) -> HttpResponse:
    """The site's page. Posting to it saves its facts; with `use`, ends it ("end") or takes it back in use."""
    where = site_or_404(pk)
    if "use" in request.POST:
        return change_use(request, where)
    form = SiteForm(posted(request), initial=known_facts(where), site=where)
    if form.is_bound and form.is_valid() and "edit" not in request.POST:
        return change_facts(request, where, form)
    return render(request, "desk/site.html", facts_of(request, where, form))


def change_facts(request: Request, where: Site, form: SiteForm) -> HttpResponse:
    """Saves the facts; where somebody is told of them, after a look."""
    facts, at, back = form.facts(), timezone.now(), page_of(where)
    if all(getattr(where, name) == value for name, value in facts.items()):
        messages.info(request, "Nothing was changed: it is already like this.")
        return redirect(back)

    def make() -> Site:
        return consequences.change_site(where, by=request.user, at=at, **facts)

    _site, look = unless_it_must_be_shown(request, make, runs=lambda: consequences.runs_at(where, at), at=at)
    if look:
        return show_look(request, look, look_of(where, f"{where.name}: who is told of the change"))
    messages.success(request, "Saved. Whoever is booked there is told of a new name or address.")
    offer_undo(request, "Change it back", back, **facts_sent(where))
    return redirect(back)


def look_of(
    where: Site, heading: str, *, button: str = "Save it as shown", can_edit: bool = True
) -> dict[str, Any]:
    """What the page of a look says beside what it shows."""
    return {
        "title": where.name,
        "heading": heading,
        "back": {"url": page_of(where), "words": where.name},
        "button": button,
        "can_edit": can_edit,
    }


def facts_sent(where: Site) -> dict[str, str]:
    """The facts as the form sends them."""
    place = f"{where.latitude}, {where.longitude}" if where.place else ""
    ticked = {name: "on" for name in ("gives", "takes") if getattr(where, name)}
    words = {name: getattr(where, name) for name in ("name", "street", "town", "foods")}
    return {**words, **ticked, "place": place, "fallback": str(where.fallback_id or "")}


def known_facts(where: Site) -> dict[str, Any]:
    facts = ("name", "gives", "takes", "street", "town", "place", "foods", "fallback")
    return {name: getattr(where, name) for name in facts}


def change_use(request: Request, where: Site) -> HttpResponse:
    if request.POST["use"] == "end":
        try:
            consequences.end_site(where, by=request.user)
        except consequences.InUse as reason:
            messages.error(request, f"{where.name} was not ended. {reason}")
        else:
            messages.success(request, f"{where.name} is used no longer.")
            offer_undo(request, "Undo: still in use", page_of(where), use="again")
    else:
        writes.change_site(where, by=request.user, ended_on=None)
        messages.success(request, f"{where.name} is in use again.")
    return redirect(page_of(where))


def facts_of(request: Request, where: Site, form: SiteForm) -> dict[str, Any]:
    at, day = timezone.now(), today()
    notes = where.door_notes()
    return {
        "where": where,
        "form": form,
        "undo": undo_offered(request),
        "contacts": where.contacts.all(),
        "door": door_of(notes) if notes else None,
        "revision": notes.revision if notes else None,
        "not_read": not_read_at(where, request.programme, at) if notes else [],
        "closures": closures_of(where, day, at),
        "shifts": consequences.weekly_runs_at(where, day),
    }


def door_of(notes: DoorNotes) -> dict[str, Any]:
    rows = [(label[:1].upper() + label[1:], text) for label, text in notes.paragraphs()]
    return {"rows": rows, "updated": notes.written_at}


def closures_of(where: Site, day: date, at: datetime) -> list[dict[str, Any]]:
    """The closed dates that are not over, each with the runs that it touches."""
    closures = list(where.closures.standing().filter(last__gte=day))
    if not closures:
        return []
    runs = list(
        consequences.runs_at(where, at)
        .filter(
            cancelled_at=None,
            local_date__gte=min(closure.first for closure in closures),
            local_date__lte=max(closure.last for closure in closures),
        )
        .with_people()
    )
    return [closure_row(closure, runs) for closure in closures]


def closure_row(closure: Closure, runs: list[Run]) -> dict[str, Any]:
    touched = [run for run in runs if closure.first <= run.local_date <= closure.last]
    return {
        "closure": closure,
        "empty": [title_and_time(run) for run in touched if not run.seated],
        "booked": [
            {
                "url": reverse("desk_run", args=[run.pk]),
                "name": title_and_time(run),
                "who": ", ".join(booking.person.name for booking in run.seated),
            }
            for run in touched
            if run.seated
        ],
    }


# --- door notes


@coordinator_only
@page
def door_notes(request: Request, pk: int) -> HttpResponse:
    where, at = site_or_404(pk), timezone.now()
    notes = where.door_notes()
    known = {name: getattr(notes, name) for name in DoorNotes.TEXTS} if notes else {}
    form = DoorNotesForm(posted(request), initial=known, is_first=notes is None)
    if form.is_bound and form.is_valid() and "edit" not in request.POST:
        if "confirm" not in request.POST:
            held_up = would_hold_up(request, where, form, at)
            if held_up:
                return render(request, "desk/door_notes_confirm.html", look_before(request, where, held_up))
        publish(request, where, form, at)
        return redirect(page_of(where))
    ready = clearance.cleared(Person.objects.drivers(), on=today(), sites=[where.pk]).count()
    return render(request, "desk/door_notes.html", {"form": form, "where": where, "ready": ready})


def publish(request: Request, where: Site, form: DoorNotesForm, at: datetime) -> None:
    before = set(unread(where, at).values_list("pk", flat=True))
    consequences.publish_door_notes(where, form.texts(), by=request.user, **form.rules())
    messages.success(request, f"The door notes of {where.name} are saved; every run there shows them.")
    warn_of_unread(request, unread(where, at).exclude(pk__in=before))


def would_hold_up(request: Request, where: Site, form: DoorNotesForm, at: datetime) -> list[Booking]:
    """Drivers' bookings that the gate would refuse once this is saved, and does not refuse now. It is saved
    and taken back at once, so that the gate itself answers."""
    before = set(unread(where, at).values_list("pk", flat=True))
    with transaction.atomic():
        consequences.publish_door_notes(where, form.texts(), by=request.user, **form.rules())
        held_up = list(unread(where, at).exclude(pk__in=before))
        transaction.set_rollback(True)
    return held_up


def look_before(request: Request, where: Site, held_up: list[Booking]) -> dict[str, Any]:
    """Who would have to read the new door notes, and everything that was typed, to be sent once more."""
    typed = [
        (name, value)
        for name in request.POST
        if name != "csrfmiddlewaretoken"
        for value in request.POST.getlist(name)
    ]
    return {"where": where, "held_up": held_up_rows(held_up), "fields": typed}


def unread(where: Site, at: datetime) -> QuerySet[Booking]:
    """Drivers' bookings of runs there that are not over, which the gate would refuse now."""
    gone = Booking.objects.lacking().drivers().filter(run__in=consequences.runs_at(where, at).order_by())
    return gone.filter(run__cancelled_at=None).select_related("person", "run").order_by("run__starts_at")


def warn_of_unread(request: Request, bookings: QuerySet[Booking]) -> None:
    names = list(dict.fromkeys(booking.person.name for booking in bookings))
    if names:
        messages.warning(
            request,
            f"Booked there and still to read them: {', '.join(names)}. They keep their seats; "
            "the desk shows it until they have read.",
        )


@coordinator_only
@require_POST
def doors_known(request: Request, pk: int) -> HttpResponse:
    """Told by phone: records for somebody that they know the door notes which the desk has on its screen."""
    where, person = site_or_404(pk), row_posted(request, "person", Person.objects.active())
    notes, back = where.door_notes(), page_of(where) + "#not-read"
    if notes is None or request.POST.get("revision") != str(notes.revision):
        messages.warning(
            request, f"The door notes were changed again meanwhile. Tell {person.name} the newest ones."
        )
        return redirect(back)
    known = doors.read(where, person=person, revision=notes.revision, by=request.user, reason=TOLD)
    if known is None:
        messages.info(request, f"{person.name} has read them already.")
        return redirect(back)
    messages.success(request, f"Noted: {person.name} knows the door notes of {where.name}.")
    take_back = reverse("desk_step_back", args=[known.pk])
    offer_undo(request, f"Undo: {person.first_name} was not told", take_back, reason="Recorded by mistake.")
    return redirect(back)


# --- contacts and closed dates


@coordinator_only
@page
def contacts(request: Request, pk: int) -> HttpResponse:
    where = site_or_404(pk)
    formset = contact_rows(where, posted(request))
    if formset.is_bound and formset.is_valid():
        rows = [row for row in formset.cleaned_data if row.get("name")]
        consequences.set_contacts(where, rows, by=request.user)
        messages.success(request, "The contacts are saved.")
        return redirect(page_of(where))
    return render(request, "desk/contacts.html", {"formset": formset, "where": where})


@coordinator_only
@page
def close(request: Request, pk: int) -> HttpResponse:
    """Closes the site on some days, after a look at the runs there and at what those booked are told."""
    where, at = site_or_404(pk), timezone.now()
    form = CloseForm(posted(request))
    if not (form.is_bound and form.is_valid()) or "edit" in request.POST:
        return render(request, "desk/close.html", {"form": form, "where": where})
    first, last = form.cleaned_data["first"], form.cleaned_data["last"]
    if where.closures.standing().filter(first__lte=first, last__gte=last).exists():
        messages.info(request, f"Nothing was changed: {where.name} is closed {span(first, last)} already.")
        return redirect(page_of(where) + "#closed")

    def make() -> Closure:
        return consequences.close_site(where, by=request.user, at=at, **form.cleaned_data)

    touched = list(touched_by(where, first, last, at).without_closed().with_people())
    closure, look = unless_it_must_be_shown(
        request, make, runs=lambda: touched_by(where, first, last, at), at=at
    )
    if look:
        context = look_of(where, f"{where.name} closed {span(first, last)}: what that means")
        only_drop_off = any(is_drop_off(where, run) for run in touched)
        context["elsewhere"] = days_page(first, last) if only_drop_off else ""
        return show_look(request, look, context)
    said = touched_words(touched)
    messages.success(request, f"{where.name} is closed {span(closure.first, closure.last)}. {said}")
    offer_undo(request, "Undo: not closed", reverse("desk_lift", args=[closure.pk]))
    return redirect(page_of(where) + "#closed")


def touched_by(where: Site, first: date, last: date, at: datetime) -> RunQuerySet:
    return consequences.runs_at(where, at).on_the_books().on_days(first, last)


def is_drop_off(where: Site, run: Run) -> bool:
    """Whether the run only drops off at the site, so that another drop-off would save it."""
    stops = run.ordered_stops
    here = [what_at(stop, is_last=stop is stops[-1]) for stop in stops if stop.site_id == where.pk]
    return set(here) == {"Drop-off"}


def days_page(first: date, last: date) -> str:
    """Where other drop-offs are chosen for a span of days."""
    return reverse("desk_days") + "?" + urlencode({"from": first.isoformat(), "to": last.isoformat()})


def span(first: date, last: date) -> str:
    return f"on {us(first)}" if first == last else f"from {us(first)} to {us(last)}"


def touched_words(touched: list[Run]) -> str:
    if not touched:
        return "No run stops there on those days."
    runs = "1 run stops" if len(touched) == 1 else f"{len(touched)} runs stop"
    booked = [run for run in touched if run.seated]
    who = f"; those booked on {len(booked)} of them are told" if booked else ", nobody is booked"
    return f"{runs} there on those days{who}."


@coordinator_only
@require_POST
def lift(request: Request, pk: int) -> HttpResponse:
    """The site is open after all; where that concerns somebody, after a look."""
    closure, at = get_object_or_404(Closure.objects.select_related("site"), pk=pk), timezone.now()
    where, days = closure.site, span(closure.first, closure.last)
    if closure.lifted_at:
        messages.info(request, f"Nothing was changed: {where.name} was opened {days} already.")
        return redirect(page_of(where))

    def make() -> None:
        consequences.lift_closure(closure, by=request.user, at=at)

    _none, look = unless_it_must_be_shown(
        request, make, runs=lambda: touched_by(where, closure.first, closure.last, at), at=at
    )
    if look:
        heading = f"{where.name} open after all {days}: what that means"
        return show_look(request, look, look_of(where, heading, button="Open it", can_edit=False))
    messages.success(request, f"{where.name} is open again {days}.")
    offer_undo(
        request,
        "Undo: closed all the same",
        reverse("desk_close", args=[closure.site_id]),
        first=closure.first.isoformat(),
        last=closure.last.isoformat(),
        reason=closure.reason,
    )
    return redirect(page_of(where))
