"""People at the desk: who they are, how to reach them, what they have completed, what they drive."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.views.decorators.http import require_POST, require_safe

from shifts.cover import leads
from shifts.models import Booking, Policy
from shifts.pages.access import Request, coordinator_only, is_coordinator, page, posted, waits
from shifts.pages.desk_no_show import facts_for_person
from shifts.pages.desk_parts import contact_of, emergency_of, title_and_time
from shifts.pages.forms_people import (
    AwayForm,
    CarFormSet,
    HoursForm,
    KitForm,
    LeaveForm,
    NotesForm,
    PaperForm,
    PersonForm,
    RideForm,
    StepForm,
    TakeBackForm,
    step_form,
)
from shifts.pages.person_history import history_of
from shifts.pages.regular_rows import rows_of_person
from shifts.pages.undo import back_to, offer_undo, undo_offered
from shifts.seats import breaks, consequences
from shifts.seats.rides import not_ready_for, sign_off_told
from sites.dates import us
from sites.models import Site
from volunteers import clearance, doors, kits, papers, progress
from volunteers import people as writes
from volunteers.models import Away, Completion, PaperPhoto, Person, SignOff, Step
from volunteers.roster.days import in_words

LATELY = timedelta(weeks=8)
NAMED = 5  # runs named in a message before "and more"


def person_or_404(pk: int) -> Person:
    return get_object_or_404(Person.objects.select_related("user"), pk=pk)


def page_of(person: Person) -> str:
    return reverse("desk_person", args=[person.pk])


# --- the list


@coordinator_only
@require_safe
def people(request: Request) -> HttpResponse:
    text = " ".join(request.GET.get("q", "").replace("\0", " ").split())[:100]
    left = request.GET.get("show") == "left"
    if text:
        found = list(Person.objects.found_by(text))
    elif left:
        found = list(Person.objects.exclude(left_on=None))
    else:
        found = list(Person.objects.active())
    sections = sections_of(found, progress.today())
    context = {
        "q": text,
        "left": left,
        "sections": [section for section in sections if section["people"]],
        "nobody": not found and not text and not left and not Person.objects.exists(),
        "undo": undo_offered(request),
    }
    return render(request, "desk/people.html", context)


def sections_of(found: list[Person], today: date) -> list[dict[str, Any]]:
    asking = [person for person in found if person.asking_since and not person.left_on]
    away = [person for person in found if person.paused_on and not person.left_on]
    here = [person for person in found if not (person.left_on or person.asking_since or person.paused_on)]
    drivers = [person for person in here if person.drives]
    missing = clearance.missing_by_person(drivers, on=today) if drivers else {}
    ready = [person for person in drivers if not missing[person.pk]]
    return [
        section("asking", "Asking to join", asking),
        section("leads", "Lead drivers", [person for person in ready if person.is_lead]),
        section("ready", "Ready today", [person for person in ready if not person.is_lead]),
        section("not-ready", "Not ready yet", [p for p in drivers if missing[p.pk]], missing),
        section("not-driving", "Not driving", [person for person in here if not person.drives]),
        section("on-a-break", "On a break", away),
        section("left", "Left", [person for person in found if person.left_on]),
    ]


def section(
    key: str, title: str, found: list[Person], missing: dict[int, list[Step]] | None = None
) -> dict[str, Any]:
    rows = [
        {
            **contact_of(person),
            "reach": "" if person.reach == Person.Reach.MAIL else person.get_reach_display(),
            "is_lead": person.is_lead,
            "left_on": person.left_on,
            "missing": [step.title for step in missing[person.pk]] if missing else [],
        }
        for person in found
    ]
    return {"key": key, "title": title, "people": rows, "shows_missing": bool(missing)}


@coordinator_only
@page
def new_person(request: Request) -> HttpResponse:
    form = PersonForm(posted(request))
    if form.is_bound and form.is_valid():
        facts = form.cleaned_data
        same = Person.objects.active().filter(name__iexact=facts["name"])
        if same.exists() and "again" not in request.POST:
            return render(request, "desk/new_person.html", {"form": form, "same": same})
        person = writes.add_person(by=request.user, **facts)
        messages.success(request, f"Added: {person.name}. Next: tick off what you have seen of them.")
        return redirect(page_of(person))
    return render(request, "desk/new_person.html", {"form": form})


@coordinator_only
@page
def edit_person(request: Request, pk: int) -> HttpResponse:
    person = person_or_404(pk)
    known = {name: getattr(person, name) for name in PersonForm.base_fields}
    form = PersonForm(posted(request), initial=known)
    if form.is_bound and form.is_valid():
        try:
            consequences.change_person(person, by=request.user, **form.cleaned_data)
        except progress.NotPossible as reason:
            form.add_error("drives", str(reason))
        else:
            messages.success(request, "Saved.")
            return redirect(page_of(person))
    return render(request, "desk/edit_person.html", {"form": form, "who": person})


# --- one person


@coordinator_only
@page
def person(request: Request, pk: int) -> HttpResponse:
    """The person's page; posting to it saves the coordinator's notes."""
    who = person_or_404(pk)
    form = NotesForm(posted(request), initial={"notes": who.notes}, auto_id="note_%s")
    if form.is_bound and not is_coordinator(request):
        return waits(request)
    if form.is_bound and form.is_valid():
        writes.change_person(who, by=request.user, notes=form.cleaned_data["notes"])
        messages.success(request, "The notes are saved.")
        return redirect(page_of(who))
    return render(request, "desk/person.html", facts_of(request, who, form))


def facts_of(request: Request, who: Person, form: NotesForm) -> dict[str, Any]:
    at, today = timezone.now(), progress.today()
    own, at_sites = steps_of(who, today, papers=is_coordinator(request))
    missing = [step["name"] for step in own if step["is_missing"]]
    flagged = not_ready_for(who, at)
    return {
        "who": who,
        "contact": contact_of(who),
        "undo": undo_offered(request),
        "is_coordinator_too": bool(who.user and who.user.is_coordinator),
        "household": household_of(who),
        "missing": missing,
        "steps": own,
        "kit": kit_of(who),
        "doors": at_sites,
        "doors_read": sum(not step["is_missing"] for step in at_sites),
        "flagged": [run_row(booking) for booking in flagged],
        "ahead": [run_row(booking, flagged) for booking in runs_ahead(who, at)],
        "lately": [run_row(booking) for booking in runs_lately(who, at)],
        "regular": rows_of_person(who, today),
        **safety_of(who),
        "cars": list(who.cars.all()),
        "hours": in_words((hour.weekday, hour.begins, hour.ends) for hour in who.hours.all()),
        "absences": list(who.absences.filter(last__gte=today)),
        "rides": rides_of(who),
        "history": history_of(who, private=is_coordinator(request)),
        "talk_days": Policy.current().talk_days,
        **facts_for_person(who, at),
        "form": form,
    }


def household_of(who: Person) -> list[Person]:
    """Others who are here and read mail at the same address."""
    if not who.email:
        return []
    return list(Person.objects.active().filter(email=who.email).exclude(pk=who.pk))


def runs_ahead(who: Person, at: datetime) -> QuerySet[Booking]:
    live = Booking.objects.live().of(who).select_related("run", "person")
    return live.filter(run__ends_at__gt=at, run__cancelled_at=None).order_by("run__starts_at")


def runs_lately(who: Person, at: datetime) -> Iterable[Booking]:
    live = Booking.objects.live().of(who).select_related("run")
    return live.filter(run__ends_at__lte=at, run__ends_at__gt=at - LATELY).order_by("-run__starts_at")[:20]


def rides_of(who: Person) -> list[dict[str, Any]]:
    """Their shadow rides that were signed off, newest first; one query."""
    signed = who.rides.select_related("lead", "completion", "ride__run")
    return [{"signed": one, "run": one.ride.run if hasattr(one, "ride") else None} for one in signed]


def run_row(booking: Booking, flagged: Iterable[Booking] = ()) -> dict[str, Any]:
    return {
        "url": reverse("desk_run", args=[booking.run_id]),
        "name": title_and_time(booking.run),
        "seat": "drives" if booking.seat == Booking.Seat.DRIVER else "rides along",
        "is_flagged": booking in flagged,
    }


def safety_of(who: Person) -> dict[str, Any]:
    """Whom to call in an emergency, for whom they answer, and where they are not sent."""
    return {
        "emergency": emergency_of(who),
        "wards": list(who.wards.filter(is_adult=False)),
        "not_at": list(who.not_at.filter(ended_at=None).select_related("site")),
    }


# --- steps


def steps_of(
    who: Person, today: date, *, papers: bool = True
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The programme's own steps, and those of the sites, as the page lists them; without what is done about
    `papers` for whoever has no business with them."""
    sites = Site.objects.in_use().values_list("pk", flat=True)
    standing = clearance.standing(who, on=today, sites=sites)
    latest: dict[int, Completion] = {}
    for completion in who.completions.standing().order_by("pk"):
        latest[completion.step_id] = completion
    photos = set(who.photos.values_list("step", flat=True))
    own: list[dict[str, Any]] = []
    at_sites: list[dict[str, Any]] = []
    for state in standing:
        rows = own if state.step.site_id is None else at_sites
        row = step_row(who, state, latest.get(state.step.pk), today)
        if state.step.pk in photos:
            row["acts"] = [{"word": "Look at the photo", "url": row["done"]}]
        if state.step.kind == Step.Kind.PAPER and not papers:
            row |= {"acts": [], "take_back": "", "hint": ""}
        rows.append(row)
    return own, at_sites


def step_row(who: Person, state: clearance.StepState, last: Completion | None, today: date) -> dict[str, Any]:
    until = state.valid_until
    expires = state.met and clearance.expires_soon(until, today)
    done = reverse("desk_step_done", args=[who.pk, state.step.pk])
    acts = []
    if not state.met:
        acts.append({"word": "Tick off", "url": done})
    elif state.step.kind == Step.Kind.PAPER:
        acts.append({"word": "New date", "url": done})
    return {
        "name": state.step.title,
        "state": "expiring" if expires else "done" if state.met else "missing",
        "is_missing": not state.met,
        "word": step_word(state, last, today),
        "hint": state.completion.reason if state.completion else "",
        "acts": acts,
        "done": done,
        "take_back": reverse("desk_step_back", args=[state.completion.pk]) if state.completion else "",
    }


def step_word(state: clearance.StepState, last: Completion | None, today: date) -> str:
    if not state.met:
        if last and last.valid_until and last.valid_until < today:
            return f"Ran out {us(last.valid_until)}"
        if last and last.revision < state.term.revision:
            return "To be read again"
        if state.done:
            return f"{state.done} of {state.term.times} done"
        return "Missing"
    completion = state.completion
    assert completion is not None  # what is met was completed
    if completion.how == Completion.How.SEEN:
        return f"Date to follow by {us(completion.valid_until)}"
    if completion.how == Completion.How.WAIVED:
        return "Waived"
    if completion.valid_until:
        return f"Until {us(completion.valid_until)}"
    return f"Done {us(completion.valid_from)}"


@coordinator_only
@page
def step_done(request: Request, pk: int, step: int) -> HttpResponse:
    """Records a step for a person: a paper beside its photograph where one was sent, a kit from the shelf."""
    who, wanted = person_or_404(pk), get_object_or_404(Step.objects.select_related("site"), pk=step)
    if wanted.kind == Step.Kind.PAPER and not is_coordinator(request):
        return waits(request)
    photo = PaperPhoto.objects.filter(person=who, step=wanted).defer("image").first()
    form = step_form(wanted, who, posted(request), photo)
    shelf_empty = False
    if form.is_bound and form.is_valid():
        try:
            tick_off(who, wanted, form, by=request.user)
        except progress.NotPossible as reason:
            shelf_empty = isinstance(reason, kits.ShelfEmpty)
            form.add_error(None, str(reason))
        else:
            messages.success(request, f"{wanted.title}: recorded. {readiness(who)}")
            return redirect(back_to(request, page_of(who)))
    context = {
        "form": form,
        "who": who,
        "step": wanted,
        "photo": photo,
        "shelf_empty": shelf_empty,
        "next": request.POST.get("next") or request.GET.get("next", ""),
    }
    return render(request, "desk/step_done.html", context)


def tick_off(who: Person, step: Step, form: StepForm, *, by: Any) -> None:
    facts = form.cleaned_data
    if isinstance(form, RideForm) and not facts["waived"]:
        sign_off_told(trainee=who, lead=facts["lead"], ridden_on=facts["on"], told=facts["told"], by=by)
    elif step.kind == Step.Kind.DOORS and step.site:
        notes = step.site.door_notes()
        if notes:
            doors.read(step.site, person=who, revision=notes.revision, by=by)
    elif isinstance(form, PaperForm):
        papers.confirm(person=who, step=step, shown=form.shown, by=by, **form.facts())
    elif isinstance(form, KitForm) and not facts["waived"] and step == kits.kit_step():
        kits.hand_over(who, on=facts["on"], anyway=form.anyway, by=by)
    else:
        progress.complete(person=who, step=step, by=by, **form.facts())


def take_back(completion: Completion, *, reason: str, by: Any) -> None:
    """Takes a step back; a starter kit is back on the shelf with it."""
    has_kit = completion.step == kits.kit_step() and completion.how != Completion.How.WAIVED
    if has_kit and kits.held_by(completion.person):
        kits.take_in(completion.person, reason=reason, by=by)
    else:
        progress.withdraw(completion, reason=reason, by=by)


def kit_of(who: Person) -> dict[str, Any]:
    """What a person's pages say of their kit: since when they hold one, or whether they need one."""
    held = kits.held_by(who)
    lacks = held is None and kits.lacking(progress.today()).filter(pk=who.pk).exists()
    return {"since": us(held.since) if held else "", "is_lacking": lacks}


def readiness(who: Person) -> str:
    missing = clearance.missing(who, on=progress.today())
    if not missing:
        return f"{who.name} is ready to drive alone."
    return "Still missing: " + ", ".join(term.step.title for term in missing) + "."


@coordinator_only
@page
def step_back(request: Request, pk: int) -> HttpResponse:
    completion = get_object_or_404(Completion.objects.select_related("person", "step"), pk=pk)
    who, at = completion.person, timezone.now()
    if completion.step.kind == Step.Kind.PAPER and not is_coordinator(request):
        return waits(request)
    if completion.withdrawn_at:
        messages.info(request, f"{completion.step.title} was taken back already.")
        return redirect(page_of(who))
    signed = SignOff.objects.filter(completion=completion).first()
    if signed:  # the ride as a whole, with what depends on it
        return redirect("desk_sign_off_back", pk=signed.pk)
    form = TakeBackForm(posted(request))
    if form.is_bound and form.is_valid():
        before = not_ready_for(who, at)
        take_back(completion, reason=form.cleaned_data["reason"], by=request.user)
        messages.success(request, f"{completion.step.title}: taken back. {readiness(who)}")
        gone = [booking for booking in not_ready_for(who, at) if booking not in before]
        if gone:
            messages.warning(
                request,
                f"{who.name} keeps these seats until you change that on the run's page, but is no longer "
                f"ready for them: {named(gone)}",
            )
        return redirect(page_of(who))
    return render(request, "desk/step_back.html", {"form": form, "who": who, "completion": completion})


def named(bookings: list[Booking]) -> str:
    names = [title_and_time(booking.run) for booking in bookings[:NAMED]]
    more = len(bookings) - NAMED
    return "; ".join(names) + (f"; and {more} more" if more > 0 else "")


# --- what they are, and whether they are here


@coordinator_only
@require_POST
def appoint(request: Request, pk: int) -> HttpResponse:
    """Makes a lead driver, or ends it: `lead` is "yes" or "no"; `since` is the day that an undo restores."""
    who, back = person_or_404(pk), back_to(request, reverse("desk_person", args=[pk]))
    if request.POST.get("lead") == "no":
        leads.end(who, by=request.user)
        messages.success(request, f"{who.name} is a lead driver no longer, and is told.")
        since = who.lead_since.isoformat() if who.lead_since else ""
        again = reverse("desk_appoint", args=[pk])
        offer_undo(request, "Undo: lead driver again", again, lead="yes", since=since)
        trainees = runs_with_trainees(who)
        if trainees:
            messages.warning(request, f"Somebody rides along with them to learn: {named(trainees)}")
        return redirect(back)
    try:
        leads.appoint(who, by=request.user, since=parsed_day(request.POST.get("since", "")))
    except progress.NotPossible as reason:
        messages.error(request, str(reason))
    else:
        messages.success(
            request, f"{who.name} is a lead driver and is told: they take trainees along and sign them off."
        )
        offer_undo(request, "Undo: no lead driver", reverse("desk_appoint", args=[pk]), lead="no")
    return redirect(back)


def parsed_day(text: str) -> date | None:
    """A date as an undo sends it; None for anything else."""
    try:
        return parse_date(text)
    except ValueError:
        return None


def runs_with_trainees(who: Person) -> list[Booking]:
    """Their runs ahead on which somebody rides along who may not drive alone yet."""
    riding = Booking.objects.lacking().filter(seat=Booking.Seat.SECOND).values("run")
    ahead = runs_ahead(who, timezone.now())
    return [booking for booking in ahead.filter(run__in=riding) if booking.seat == Booking.Seat.DRIVER]


@coordinator_only
@page
def leave(request: Request, pk: int) -> HttpResponse:
    """They leave, with or without their runs ahead; for somebody who left, posting `back` ends that."""
    who = person_or_404(pk)
    if who.left_on:
        return is_back(request, who)
    form = LeaveForm(posted(request), bookings=runs_ahead(who, timezone.now()))
    if form.is_bound and form.is_valid():
        given = list(form.cleaned_data.get("give_up", []))
        breaks.leave(who, give_up=given, by=request.user)
        runs = {0: "", 1: " One run is given back."}.get(len(given), f" {len(given)} runs are given back.")
        messages.success(request, f"{who.name} has left the programme.{runs}")
        undo = reverse("desk_leave", args=[pk])
        offer_undo(request, f"Undo: {who.first_name} is still here", undo, back="undo")
        return redirect(page_of(who))
    return render(request, "desk/leave.html", {"form": form, "who": who, "kit": kit_of(who)})


def is_back(request: Request, who: Person) -> HttpResponse:
    """To their page; where `back` is posted they are here again. Without it a form was sent twice."""
    if back := request.POST.get("back"):
        breaks.come_back(who, by=request.user)
        messages.success(request, f"{who.name} is back. {readiness(who)}")
        if back == "undo":
            messages.info(
                request,
                "Runs that were given back and regular runs that ended stay so: seat them there anew.",
            )
    return redirect(page_of(who))


# --- cars, hours, away


@coordinator_only
@page
def car(request: Request, pk: int) -> HttpResponse:
    who = person_or_404(pk)
    known = [{"label": car.label, "crates": car.crates} for car in who.cars.all()]
    formset = CarFormSet(posted(request), initial=known)
    if formset.is_bound and formset.is_valid():
        cars = [
            {"label": row["label"], "crates": row["crates"]}
            for row in formset.cleaned_data
            if row.get("label") or row.get("crates") is not None
        ]
        writes.set_cars(who, cars, by=request.user)
        messages.success(request, "The cars are saved.")
        return redirect(page_of(who))
    return render(request, "desk/car.html", {"formset": formset, "who": who})


@coordinator_only
@page
def hours(request: Request, pk: int) -> HttpResponse:
    who = person_or_404(pk)
    known = in_words((hour.weekday, hour.begins, hour.ends) for hour in who.hours.all())
    form = HoursForm(posted(request), initial={"hours": known})
    if form.is_bound and form.is_valid():
        writes.set_hours(who, form.cleaned_data["hours"], by=request.user)
        messages.success(request, f"Usual hours: {in_words(form.cleaned_data['hours']) or 'not said'}.")
        return redirect(page_of(who))
    return render(request, "desk/hours.html", {"form": form, "who": who})


@coordinator_only
@page
def away(request: Request, pk: int) -> HttpResponse:
    who = person_or_404(pk)
    form = AwayForm(posted(request))
    if form.is_bound and form.is_valid():
        days = form.cleaned_data
        writes.add_away(who, by=request.user, **days)
        messages.success(request, f"{who.name} is away {us(days['first'])} to {us(days['last'])}.")
        booked = [
            booking
            for booking in runs_ahead(who, timezone.now())
            if days["first"] <= booking.run.local_date <= days["last"]
        ]
        if booked:
            messages.warning(request, f"They are still booked on those days: {named(booked)}")
        return redirect(page_of(who))
    return render(request, "desk/away.html", {"form": form, "who": who})


@coordinator_only
@require_POST
def end_away(request: Request, pk: int) -> HttpResponse:
    absence = Away.objects.select_related("person").filter(pk=pk).first()
    if absence is None:
        messages.info(request, "Those days were taken away already.")
        return redirect("desk_people")
    writes.end_away(absence, by=request.user)
    messages.success(request, f"Not away {us(absence.first)} to {us(absence.last)} after all.")
    offer_undo(
        request,
        "Undo: away all the same",
        reverse("desk_away", args=[absence.person_id]),
        first=absence.first.isoformat(),
        last=absence.last.isoformat(),
    )
    return redirect(page_of(absence.person))
