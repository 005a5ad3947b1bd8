"""Regular runs at the desk: given to somebody or to a crew, dates left out, ended."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from shifts.cover.regulars import absent_regulars
from shifts.models import Booking, Policy, Shift, Skip, Standing
from shifts.pages.access import Request, coordinator_only, page, posted
from shifts.pages.desk_parts import sentence, title_and_time
from shifts.pages.desk_runs import NEXT, how_told, row_posted, run_or_404
from shifts.pages.desk_runs import page_of as page_of_run
from shifts.pages.desk_shifts import shift_or_404, term_now
from shifts.pages.forms_regulars import CrewFields, NewCrewForm, RegularForm, SkipForm, StopForm
from shifts.pages.undo import back_to, offer_undo
from shifts.seats import standing as regular
from shifts.seats.keeping import regulars_of
from shifts.seats.refusals import NotTheirs, Refusal
from shifts.seats.standing import Wish
from sites.dates import us
from volunteers.models import Person
from volunteers.progress import today


def page_of(shift: Shift) -> str:
    return reverse("desk_shift", args=[shift.pk]) + "#regular"


def standing_or_404(pk: int) -> Standing:
    return get_object_or_404(Standing.objects.select_related("shift", "person"), pk=pk)


# --- given to somebody


@coordinator_only
@page
def new_regular(request: Request, pk: int) -> HttpResponse:
    shift = shift_or_404(pk)
    form = RegularForm(posted(request), shift=shift, term=term_now(shift, today()))
    if form.is_bound and form.is_valid():
        facts = form.cleaned_data
        wish = Wish(shift, facts["person"], facts["from_day"], facts["pattern"])
        standing = begun(wish, form, by=request.user)
        if standing:
            messages.success(request, " ".join([begun_words(standing), *ahead_words(standing)]))
            return redirect(page_of(shift))
    return render(request, "desk/new_regular.html", {"form": form, "shift": shift})


def begun(wish: Wish, form: forms.Form, *, by: Any, members: Any = ()) -> Standing | None:
    """The regular run; or None, with the reason at the form."""
    try:
        return regular.begin(wish, by=by, on_behalf=True, members=members)
    except Refusal as refusal:
        form.add_error(None, f"{refusal.why} {NEXT.get(refusal.code, refusal.next)}".strip())
        return None


def begun_words(standing: Standing) -> str:
    who = f"The crew {standing.crew}" if standing.crew else standing.person.name
    holds = "holds" if standing.crew else "drives"
    often, first = standing.get_pattern_display(), us(standing.from_day)
    return f"{who} {holds} {standing.shift.name} from {first} on: {often}."


def ahead_words(standing: Standing) -> list[str]:
    """What became of the runs that are made: driven, kept, left out."""
    at = timezone.now()
    runs = list(standing.shift.runs.on_the_books().ahead(at).without_closed().with_people())
    absent = absent_regulars(runs, at=at, policy=Policy.current())
    kept = [one for one in absent.values() if one.standing.pk == standing.pk]
    if standing.crew:
        return [f"{counted(len(kept), 'run needs', 'runs need')} a name of theirs."] if kept else []
    booked = Booking.objects.live().filter(standing=standing, run__in=runs).count()
    said = [f"{counted(booked, 'run')} of the weeks ahead {'is' if booked == 1 else 'are'} theirs."]
    missing = [one for one in kept if one.missing]
    if missing:
        some = "is only kept" if len(missing) == 1 else "are only kept"
        said.append(f"{counted(len(missing), 'run')} {some} for them, as they lack: {missing[0].steps}.")
    left_out = standing.skips.standing().count()
    if left_out:
        said.append(
            f"{counted(left_out, 'date')} left out: somebody else drives, or they are elsewhere then."
        )
    return [*said, how_told_so(standing.person)]


def counted(number: int, one: str, many: str = "") -> str:
    return f"1 {one}" if number == 1 else f"{number} {many or one + 's'}"


def how_told_so(person: Person) -> str:
    return (
        "A mail tells them." if person.is_mailed else "They get no mail: it is on the list to tell by phone."
    )


# --- given to a crew


def looks(request: Request) -> bool:
    """Whether people are only looked for, and nothing is to be saved."""
    return "look" in request.POST


def looked_for(request: Request) -> str:
    return " ".join(request.POST.get("letters", "").replace("\0", " ").split())[:60]


@coordinator_only
@page
def new_crew(request: Request, pk: int) -> HttpResponse:
    shift = shift_or_404(pk)
    term = term_now(shift, today())
    if looks(request):
        form = NewCrewForm(initial=typed(request), term=term, looked_for=looked_for(request))
    else:
        form = NewCrewForm(posted(request), term=term, looked_for=looked_for(request))
    if form.is_bound and form.is_valid():
        facts = form.cleaned_data
        wish = Wish(shift, facts["person"], facts["from_day"], facts["pattern"], facts["crew"])
        standing = begun(wish, form, by=request.user, members=facts["members"])
        if standing:
            messages.success(request, " ".join([begun_words(standing), *ahead_words(standing)]))
            return redirect(page_of(shift))
    return render(request, "desk/crew.html", {"form": form, "shift": shift, "is_new": True})


def typed(request: Request) -> dict[str, Any]:
    """What stands in the form, to go on with: people are only looked for."""
    return {
        name: request.POST.getlist(name) if name == "members" else request.POST.get(name, "")
        for name in NewCrewForm.base_fields
    }


@coordinator_only
@page
def crew(request: Request, pk: int) -> HttpResponse:
    """A crew's name, captain and members."""
    standing = standing_or_404(pk)
    if not standing.crew:
        messages.info(request, f"{standing.person.name} drives this run alone; it has no crew.")
        return redirect(page_of(standing.shift))
    members = [member.pk for member in standing.members.all()]
    known = {"crew": standing.crew, "person": standing.person_id, "members": members}
    term = term_now(shift_or_404(standing.shift_id), today())
    if looks(request):
        form = CrewFields(initial=typed(request), term=term, looked_for=looked_for(request))
    else:
        form = CrewFields(posted(request), initial=known, term=term, looked_for=looked_for(request))
    if form.is_bound and form.is_valid():
        facts = form.cleaned_data
        changed = regular.change_crew(
            standing, crew=facts["crew"], captain=facts["person"], members=facts["members"], by=request.user
        )
        messages.success(request, f"Saved: {changed.crew}, {counted(changed.members.count(), 'member')}.")
        return redirect(page_of(standing.shift))
    return render(request, "desk/crew.html", {"form": form, "shift": standing.shift, "is_new": False})


@coordinator_only
@require_POST
def name_driver(request: Request, pk: int) -> HttpResponse:
    """Somebody of the crew drives one of its runs."""
    run = run_or_404(pk)
    person = row_posted(request, "person", Person.objects.all())
    back = back_to(request, page_of_run(run))
    standing = regulars_of([run]).get(run.pk)
    try:
        if standing is None or not standing.crew:
            raise NotTheirs()
        booking = regular.name_driver(standing, run, person, by=request.user)
    except Refusal as refusal:
        said = sentence(f"{person.name} was not named for {title_and_time(run)}")
        messages.error(request, f"{said} {refusal.why} {NEXT.get(refusal.code, refusal.next)}".strip())
        return redirect(back)
    done = sentence(f"{person.name} of {standing.crew} drives {title_and_time(run)}")
    messages.success(request, f"{done} {how_told(person)}")
    offer_undo(
        request,
        f"Undo: take {person.first_name} out",
        reverse("desk_unseat", args=[run.pk]),
        booking=booking.pk,
        next=back,
    )
    return redirect(back)


# --- dates left out


@coordinator_only
@page
def skip(request: Request, pk: int) -> HttpResponse:
    standing = standing_or_404(pk)
    form = SkipForm(posted(request))
    if form.is_bound and form.is_valid():
        facts = form.cleaned_data
        row = regular.skip(standing, by=request.user, **facts)
        messages.success(
            request,
            f"{name_of(standing)} is off {standing.shift.name} {days_of(row)}. The runs need a driver.",
        )
        offer_undo(request, "Undo: theirs again", reverse("desk_skip_back", args=[row.pk]))
        return redirect(page_of(standing.shift))
    context = {"form": form, "standing": standing, "name": name_of(standing)}
    return render(request, "desk/skip.html", context)


def name_of(standing: Standing) -> str:
    return standing.crew or standing.person.name


def days_of(row: Skip) -> str:
    return f"on {us(row.first)}" if row.first == row.last else f"from {us(row.first)} to {us(row.last)}"


@coordinator_only
@require_POST
def skip_back(request: Request, pk: int) -> HttpResponse:
    row = get_object_or_404(Skip.objects.select_related("standing__shift", "standing__person"), pk=pk)
    standing = row.standing
    if row.lifted_at:
        messages.info(request, "That was taken back already.")
        return redirect(page_of(standing.shift))
    got = regular.take_back_skip(row, by=request.user)
    said = f"Theirs again: {standing.shift.name} {days_of(row)}."
    if not standing.crew:
        said += f" {name_of(standing)} drives {counted(len(got), 'run')} of these days."
    messages.success(request, said)
    return redirect(page_of(standing.shift))


# --- ended


@coordinator_only
@page
def stop(request: Request, pk: int) -> HttpResponse:
    standing = standing_or_404(pk)
    form = StopForm(posted(request))
    if form.is_bound and form.is_valid():
        last = form.cleaned_data["last_day"]
        if standing.until_day and standing.until_day <= day_after(last):
            form.add_error("last_day", f"It ends after {us(day_before(standing.until_day))} already.")
        else:
            stopped = regular.stop(standing, last_day=last, by=request.user)
            messages.success(request, stopped_words(stopped))
            return redirect(page_of(standing.shift))
    context = {
        "form": form,
        "standing": standing,
        "name": name_of(standing),
        "ahead": [title_and_time(booking.run) for booking in booked_ahead(standing)],
    }
    return render(request, "desk/stop_regular.html", context)


def day_after(day: date) -> date:
    return day + timedelta(days=1)


def day_before(day: date) -> date:
    return day - timedelta(days=1)


def booked_ahead(standing: Standing) -> Any:
    live = Booking.objects.live().filter(standing=standing, run__starts_at__gt=timezone.now())
    return live.select_related("run").order_by("run__starts_at")


def stopped_words(standing: Standing) -> str:
    assert standing.until_day is not None  # it was just ended
    last = max(day_before(standing.until_day), standing.from_day)
    if standing.until_day == standing.from_day:
        return f"{name_of(standing)}: {standing.shift.name} ended before it began."
    return (
        f"{name_of(standing)}: {standing.shift.name} ends after {us(last)}. "
        f"To take that back, give it to them again from {us(day_after(last))} on."
    )
