"""My regular run: beginning one, its dates, skipping some of them, stopping it; for a crew's captain, who
drives when."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localdate
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shifts.calendar.series import term_of
from shifts.cover.candidates import cleared_for_each, engagements_of_each
from shifts.models import Booking, Policy, Run, Skip, Standing
from shifts.pages import volunteer_parts as parts
from shifts.pages.access import Request, volunteer_only
from shifts.pages.forms_volunteer import SkipForm, StopForm, span_of_days
from shifts.pages.undo import offer_undo, undo_offered
from shifts.pages.volunteer import lacking_steps, seen_or_404, who, with_lacking
from shifts.seats import standing as regular_runs
from shifts.seats.booking import seat
from shifts.seats.keeping import how_often, often_in_words, release_day, with_skips
from shifts.seats.refusals import AlreadyRegular, Refusal
from volunteers.models import Person, Step

FIRST_DATES = 4  # shown of each choice before one is made
DATES_SHOWN = 8  # at once; later ones are behind "later dates"
Pattern = Standing.Pattern


# --- beginning one


@require_http_methods(["GET", "HEAD", "POST"])
@volunteer_only
def begin(request: Request, pk: int) -> HttpResponse:
    """A run of a weekly run is to be theirs from its date on."""
    run, person, at = seen_or_404(request, pk), who(request), timezone.now()
    if run.shift is None or run.slot_date is None:
        raise Http404
    if request.method != "POST":
        return ask_which(request, run, at=at)
    pattern = request.POST.get("pattern", "")
    if pattern not in Pattern.values:
        return ask_which(request, run, at=at, problem=_("Choose how often."), status=400)
    wish = regular_runs.Wish(run.shift, person, run.slot_date, pattern)
    try:
        mine = regular_runs.begin(wish, by=request.user, at=at)
    except AlreadyRegular as refusal:
        old = person.standings.filter(shift=run.shift).going_on(run.slot_date).first()
        if old is None:
            return ask_which(request, run, at=at, pattern=pattern, refusal=refusal, status=409)
        messages.info(request, _("It is your regular run already."))
        return redirect("regular", pk=old.pk)
    except Refusal as refusal:
        return ask_which(request, run, at=at, pattern=pattern, refusal=refusal, status=409)
    messages.success(request, _("It is your regular run now. Thank you!"))
    return redirect("regular", pk=mine.pk)


def ask_which(
    request: Request,
    run: Run,
    *,
    at: datetime,
    pattern: str = "",
    refusal: Refusal | None = None,
    problem: str = "",
    status: int = 200,
) -> HttpResponse:
    choices = choices_of(run, who(request), at)
    missing = getattr(refusal, "missing", [])
    context = {
        "run": run,
        "from_day": run.slot_date,
        "time": time_format(timezone.localtime(run.starts_at)),
        "choices": [choice | {"chosen": choice["value"] == (pattern or Pattern.EVERY)} for choice in choices],
        "kept": any(date["kept"] for choice in choices for date in choice["dates"]),
        "keep_days": Policy.current().keep_days,
        "refusal": refusal,
        "missing": [parts.missing_task(step, back=request.path) for step in missing],
        "problem": problem,
    }
    return render(request, "volunteer/regular_begin.html", context, status=status)


def choices_of(run: Run, person: Person, at: datetime) -> list[dict[str, Any]]:
    """How often it could be theirs, with the first dates of each. One stands alone where no other has a
    meaning."""
    assert run.shift is not None
    assert run.slot_date is not None
    term = run.shift.term_on(run.slot_date)
    if term is None:
        return []
    every = regular_runs.Wish(run.shift, person, run.slot_date)
    ahead = regular_runs.runs_of(every, at)
    marks = marks_of(every, ahead)
    found = []
    for pattern in Pattern:
        if not regular_runs.suits(pattern, term.rule):
            continue
        row = regular_runs.Wish(run.shift, person, run.slot_date, pattern).as_row()
        dates = [marks[one.pk] for one in ahead if one.slot_date and row.has(one.slot_date)]
        found.append(
            {
                "value": str(pattern),
                "words": often_in_words(term.rule, pattern),
                "dates": dates[:FIRST_DATES],
            }
        )
    return found


def marks_of(wish: regular_runs.Wish, runs: Sequence[Run]) -> dict[int, dict[str, Any]]:
    """By the run's key, its date and what stands against it, in words: closed, or who has it. `kept` is a
    date for which they are not ready yet."""
    known = Run.objects.filter(pk__in=[run.pk for run in runs])
    opened = set(known.without_closed().values_list("pk", flat=True))
    ready = set(known.open_to(wish.person).values_list("pk", flat=True))
    regulars = regular_runs.regularly_taken(wish, runs)
    found = {}
    for run in runs:
        holder = name_of_holder(run, regulars.get(run.pk), wish.person)
        note = _("closed") if run.pk not in opened else ""
        if holder:
            note = _("%(name)s has it") % {"name": holder}
        kept = not note and run.pk not in ready
        found[run.pk] = {
            "day": run.local_date,
            "note": note or (_("kept") if kept else ""),
            "kept": kept,
        }
    return found


def name_of_holder(run: Run, regular: Standing | None, person: Person) -> str:
    """Whose run it is, as its driver or its regular; empty where it is free or the person's own."""
    driver = driver_of(run)
    if driver:
        return "" if driver.person_id == person.pk else driver.person.first_name
    return (regular.crew or regular.person.first_name) if regular else ""


def driver_of(run: Run) -> Booking | None:
    return next((booking for booking in run.seated if booking.seat == Booking.Seat.DRIVER), None)


# --- its page


def mine_or_404(request: Request, pk: int) -> Standing:
    rows = with_skips(Standing.objects.filter(person=who(request))).prefetch_related("members")
    return get_object_or_404(rows, pk=pk)


@volunteer_only
@require_safe
def regular(request: Request, pk: int) -> HttpResponse:
    return show(request, mine_or_404(request, pk))


def show(
    request: Request,
    standing: Standing,
    *,
    form: SkipForm | None = None,
    problems: dict[int, Refusal] | None = None,
    status: int = 200,
) -> HttpResponse:
    """The page; with the form that was refused, or by run what could not be done there."""
    at = timezone.now()
    today = localdate(at)
    term = term_of(standing)
    ended = standing.until_day is not None and standing.until_day <= max(today, standing.from_day)
    dates = dates_of(standing, at, problems or {}) if not ended else []
    shown = {row["day"] for row in dates}
    successor = Standing.objects.filter(succeeds=standing).going_on(today).first()
    context = {
        "standing": standing,
        "often": how_often(standing),
        "time": time_format(term.starts) if term else "",
        "last_day": standing.until_day - parts.DAY if standing.until_day and not successor else None,
        "successor": successor,
        "ended": ended,
        "dates": dates[:DATES_SHOWN],
        "later": dates[DATES_SHOWN:],
        "later_open": any(row["problem"] for row in dates[DATES_SHOWN:]),
        "skips": [
            {"pk": skip.pk, "days": span_of_days(skip.first, skip.last), "reason": skip.reason}
            for skip in standing.skips.all()
            if skip.last >= today
            and (standing.until_day is None or skip.first < standing.until_day)
            and not (skip.first == skip.last and skip.first in shown)
        ],
        "form": form or SkipForm(),
        "undo": undo_offered(request),
    }
    return render(request, "volunteer/regular.html", context, status=status)


def dates_of(standing: Standing, at: datetime, problems: dict[int, Refusal]) -> list[dict[str, Any]]:
    """The runs ahead that are dates of the regular run, skipped ones too. The number of queries does not
    grow with them."""
    person, policy = standing.person, Policy.current()
    ahead = standing.shift.runs.not_dropped().ahead(at).filter(slot_date__gte=standing.from_day)
    marked = with_lacking(ahead, person).with_closed().with_people()
    runs = [run for run in marked if run.slot_date and standing.has(run.slot_date)]
    steps = lacking_steps(runs)
    crew = ready_of_crew(standing, [run for run in runs if driver_of(run) is None and not run.closed])
    rows = []
    for run in runs:
        row = row_of(standing, run, steps[run.pk], at=at, policy=policy)
        problem = problems.get(run.pk)
        row["problem"] = f"{problem.why} {problem.next}" if problem else ""
        row["crew"] = crew.get(run.pk, []) if row["kept"] else []
        rows.append(row)
    return rows


def row_of(
    standing: Standing, run: Run, lacking: list[Step], *, at: datetime, policy: Policy
) -> dict[str, Any]:
    """One date: what it is to them (`word`, `hint`), and what a tap can do: `skip`, or take back `skipped`.
    `kept` is a run that waits for them or their crew."""
    assert run.slot_date is not None
    skip = next((one for one in standing.skips.all() if one.covers(run.slot_date)), None)
    driver = driver_of(run)
    own = driver is not None and driver.person_id == standing.person_id
    part = driver is not None and driver.standing_id == standing.pk
    off = run.is_cancelled or run.closed
    kept = not (off or driver or skip)
    word, hint, missing = "", "", []
    if run.is_cancelled:
        word, hint = _("cancelled"), run.cancel_reason
    elif run.closed:
        word = _("closed that day")
    elif own:
        word = "" if part or standing.crew else _("yours, taken as a single run")
        hint = _("To give it back, open it.") if word else ""
    elif driver and not standing.crew:
        word = _("%(name)s has it") % {"name": driver.person.first_name}
    elif skip:
        word = _("skipped")
        hint = skip.reason if skip.reason != str(Booking.End.GIVEN_BACK.label) else ""
    elif kept and standing.crew:
        word = _("needs a driver of the crew")
    elif kept:
        word, hint = words_of_kept(run, lacking, at=at, policy=policy)
        missing = [parts.missing_task(step) for step in lacking]
    holder = None if standing.crew or not kept or not still_kept(run, at, policy) else standing
    seats = parts.seats_of(run, standing.person, kept_for=holder)
    seen = run.starts_at <= policy.opens_until(at) or parts.seat_on(run, standing.person)
    return {
        "pk": run.pk,
        "day": run.slot_date,
        "card": {
            "url": reverse("run", args=[run.pk]) if seen else "",
            "title": date_format(timezone.localtime(run.starts_at)),
            "starts_at": run.starts_at,
            "ends_at": run.ends_at,
            "seats": seats,
        },
        "word": word,
        "hint": hint,
        "missing": missing,
        "kept": kept,
        "can_skip": not off and not skip and (part or kept),
        "skipped": skip if skip and not off and driver is None else None,
        "one_day": skip is not None and skip.first == skip.last,
    }


def still_kept(run: Run, at: datetime, policy: Policy) -> bool:
    return release_day(run, policy) > localdate(at)


def words_of_kept(run: Run, lacking: list[Step], *, at: datetime, policy: Policy) -> tuple[str, str]:
    """What a run without a driver is to its regular: kept for now, or asked around."""
    names = ", ".join(parts.title_of(step) for step in lacking)
    if not lacking:
        return _("yours in a moment"), _("Your seat is being put down. Look again soon.")
    if still_kept(run, at, policy):
        until = date_format(release_day(run, policy))
        word = _("kept for you until %(day)s") % {"day": until}
        return word, _("Still missing: %(steps)s") % {"steps": names}
    return (
        _("asked around"),
        _("It was kept for you until it came near. Still missing: %(steps)s") % {"steps": names},
    )


def ready_of_crew(standing: Standing, runs: Sequence[Run]) -> dict[int, list[Person]]:
    """By the run's key, who of the crew is ready and free to drive it."""
    if not standing.crew or not runs:
        return {}
    people = {person.pk: person for person in (standing.person, *standing.members.all())}
    active = [person for person in people.values() if person.drives and not person.left_on]
    ready = cleared_for_each(runs, among=[person.pk for person in active])
    busy = engagements_of_each(runs)
    return {
        run.pk: [person for person in active if person.pk in ready[run.pk] and person.pk not in busy[run.pk]]
        for run in runs
    }


# --- what its page does


@require_POST
@volunteer_only
def skip(request: Request, pk: int) -> HttpResponse:
    """One date by a tap, or from a first to a last day by the form."""
    standing = mine_or_404(request, pk)
    form = SkipForm(request.POST)
    if not form.is_valid():
        return show(request, standing, form=form)
    first, last = form.cleaned_data["first"], form.cleaned_data["last"]
    days = span_of_days(first, last)
    known = [one for one in standing.skips.all() if one.first <= first and one.last >= last]
    if known:  # tapped twice
        row = known[0]
    else:
        note = form.cleaned_data["reason"]
        row = regular_runs.skip(standing, first=first, last=last, note=note, by=request.user)
    messages.success(request, _("Skipped: %(days)s. Your other dates stay yours.") % {"days": days})
    url = reverse("regular_unskip", args=[standing.pk])
    offer_undo(request, _("Not skipped after all"), url, skip=row.pk)
    return redirect("regular", pk=pk)


@require_POST
@volunteer_only
def unskip(request: Request, pk: int) -> HttpResponse:
    """Takes back a skip as a whole, or, where a `run` is named, gives back one date of a longer one."""
    standing = mine_or_404(request, pk)
    if request.POST.get("run"):
        run = run_of(standing, request)
        try:
            seat(run=run, person=standing.person, seat=Booking.Seat.DRIVER, by=request.user)
        except Refusal as refusal:
            return show(request, standing, problems={run.pk: refusal}, status=409)
        messages.success(request, _("Yours again: %(days)s.") % {"days": date_format(run.local_date)})
        return redirect("regular", pk=pk)
    row = get_object_or_404(Skip, standing=standing, pk=number_in(request, "skip"))
    got = regular_runs.take_back_skip(row, by=request.user)
    if got:
        days = "; ".join(date_format(run.local_date) for run in got)
        messages.success(request, _("Yours again: %(days)s.") % {"days": days})
    else:
        messages.success(request, _("Not skipped any more. What somebody else has taken stays theirs."))
    return redirect("regular", pk=pk)


@require_POST
@volunteer_only
def name_driver(request: Request, pk: int) -> HttpResponse:
    """A captain says who of the crew drives one of its runs."""
    standing = mine_or_404(request, pk)
    run = run_of(standing, request)
    person = get_object_or_404(Person.objects.active(), pk=number_in(request, "person"))
    try:
        regular_runs.name_driver(standing, run, person, by=request.user)
    except Refusal as refusal:
        return show(request, standing, problems={run.pk: refusal}, status=409)
    words = {"name": person.first_name, "day": date_format(run.local_date)}
    messages.success(request, _("%(name)s drives on %(day)s, and is told.") % words)
    return redirect("regular", pk=pk)


def run_of(standing: Standing, request: Request) -> Run:
    return get_object_or_404(Run, shift=standing.shift_id, pk=number_in(request, "run"))


def number_in(request: Request, name: str) -> int:
    text = request.POST.get(name, "")
    if not (text.isascii() and text.isdigit() and len(text) < 19):
        raise Http404
    return int(text)


@require_http_methods(["GET", "HEAD", "POST"])
@volunteer_only
def stop(request: Request, pk: int) -> HttpResponse:
    """Asks first: the dates after the last day go to others."""
    standing, today = mine_or_404(request, pk), localdate()
    if standing.until_day is not None and standing.until_day <= max(today, standing.from_day):
        return redirect("regular", pk=pk)
    form = StopForm(request.POST if request.method == "POST" else None, initial={"last_day": today})
    if form.is_bound and form.is_valid():
        last_day = form.cleaned_data["last_day"]
        regular_runs.stop(standing, last_day=last_day, by=request.user)
        words = _("Your regular run ends. Its last day is %(day)s. Thank you!")
        messages.success(request, words % {"day": date_format(last_day)})
        return redirect("regular", pk=pk)
    context = {
        "form": form,
        "standing": standing,
        "often": how_often(standing),
        "ahead": standing.bookings.live().filter(run__starts_at__gt=timezone.now()).count(),
    }
    return render(request, "volunteer/regular_stop.html", context)
