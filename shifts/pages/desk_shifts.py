"""Weekly runs at the desk: their days and hour, stops and load; changed or ended from a date on."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.db.models import Min, Prefetch, Q, QuerySet
from django.http import HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from shifts.models import Run, Shift, ShiftTerm, TermStop
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_parts import card_of, title_and_time
from shifts.pages.forms_shifts import EndForm, ShiftForm, known_facts, plan_of
from shifts.schedule import making, recurrence
from shifts.seats import weekly
from sites.models import Site
from volunteers.progress import today

page = require_http_methods(["GET", "HEAD", "POST"])
NEXT_RUNS = 6


def posted(request: Request) -> QueryDict | None:
    return request.POST if request.method == "POST" else None


def with_terms(shifts: QuerySet[Shift]) -> QuerySet[Shift]:
    """Weekly runs with their terms, stops and sites, in three queries more."""
    stops = Prefetch("stops", queryset=TermStop.objects.select_related("site"))
    return shifts.prefetch_related(Prefetch("terms", queryset=ShiftTerm.objects.prefetch_related(stops)))


def shift_or_404(pk: int) -> Shift:
    return get_object_or_404(with_terms(Shift.objects.all()), pk=pk)


def page_of(shift: Shift) -> str:
    return reverse("desk_shift", args=[shift.pk])


# --- the list


@coordinator_only
@require_safe
def shifts(request: Request) -> HttpResponse:
    day, ended = today(), request.GET.get("show") == "ended"
    ahead = Q(runs__starts_at__gt=timezone.now(), runs__cancelled_at=None)
    in_use = Shift.objects.in_use(day)
    found = Shift.objects.exclude(pk__in=in_use.order_by().values("pk")) if ended else in_use
    rows = [
        {"shift": shift, "next": shift.next_start, **now_of(shift, day)}
        for shift in with_terms(found).annotate(next_start=Min("runs__starts_at", filter=ahead))
    ]
    sites = Site.objects.in_use()
    context = {
        "rows": rows,
        "ended": ended,
        "nothing": not rows and not ended and not Shift.objects.exists(),
        "has_sites": sites.filter(gives=True).exists() and sites.filter(takes=True).exists(),
    }
    return render(request, "desk/shifts.html", context)


def term_now(shift: Shift, day: date) -> ShiftTerm | None:
    """The term in force on the day, else the next one, else the last; None of a run that never began."""
    terms = list(shift.terms.all())
    later = [term for term in terms if term.applies_until is None or term.applies_until > day]
    return later[0] if later else terms[-1] if terms else None


def now_of(shift: Shift, day: date) -> dict[str, Any]:
    """What the weekly run is on the day, in words, and what is known of its future."""
    term = term_now(shift, day)
    if term is None:
        return {"rule": "ended before it began", "stops": [], "future": []}
    return {"term": term, **term_words(term), "future": future_of(shift, term, day)}


def term_words(term: ShiftTerm) -> dict[str, Any]:
    return {
        "rule": recurrence.in_words(term.rule),
        "starts": term.starts,
        "minutes": term.minutes,
        "crates": term.crates,
        "second_seat": term.second_seat,
        "stops": [stop.site.name for stop in term.stops.all()],
    }


def future_of(shift: Shift, term: ShiftTerm, day: date) -> list[str]:
    """From when it begins, changes or ends."""
    said = [f"begins {us(term.applies_from)}"] if term.applies_from > day else []
    last = term
    for later in shift.terms.all():
        if later.applies_from > term.applies_from:
            said.append(f"changes {us(later.applies_from)}")
            last = later
    if last.applies_until:
        over = last.applies_until <= day
        said.append(f"{'ended' if over else 'ends'} after {us(last.applies_until - timedelta(days=1))}")
    return said


def us(day: date) -> str:
    return f"{day.month}/{day.day}/{day.year}"


@coordinator_only
@page
def new_shift(request: Request) -> HttpResponse:
    form = ShiftForm(posted(request))
    if form.is_bound and form.is_valid():
        facts = form.cleaned_data
        shift = making.add_shift(
            name=facts["name"], plan=form.plan(), from_day=facts["from_day"], by=request.user
        )
        made = shift.runs.count()
        runs = "1 run is" if made == 1 else f"{made} runs are"
        messages.success(request, f"Added: {shift.name}. {runs} made for the weeks ahead.")
        return redirect(page_of(shift))
    return render(request, "desk/new_shift.html", {"form": form})


# --- one weekly run


@coordinator_only
@page
def shift(request: Request, pk: int) -> HttpResponse:
    """The weekly run's page; posting to it changes it from a date on, after a look at what that moves."""
    which, day = shift_or_404(pk), today()
    term = term_now(which, day)
    form = ShiftForm(posted(request), initial=known_facts(term) if term else {"name": which.name}, term=term)
    if form.is_bound and form.is_valid():
        facts = form.cleaned_data
        if (
            term
            and plan_of(term) == form.plan()
            and which.name == facts["name"]
            and not future_of(which, term, day)
        ):
            messages.info(request, "Nothing was changed: it is already like this.")
            return redirect(page_of(which))

        def change() -> weekly.Outcome:
            return weekly.change_shift(
                which,
                plan=form.plan(),
                from_day=facts["from_day"],
                name=facts["name"],
                by=request.user,
            )

        return confirmed(request, which, change, f"{facts['name']}: changed from {us(facts['from_day'])}.")
    return render(request, "desk/shift.html", facts_of(which, day, form))


def facts_of(which: Shift, day: date, form: ShiftForm) -> dict[str, Any]:
    ahead = which.runs.on_the_books().ahead(timezone.now()).with_closed().with_people()
    return {
        "shift": which,
        "now": now_of(which, day),
        "later": [
            {"from": term.applies_from, **term_words(term)}
            for term in which.terms.all()
            if term.applies_from > day and term != term_now(which, day)
        ],
        "runs": [card_of(run) for run in ahead[:NEXT_RUNS]],
        "form": form,
        "in_use": Shift.objects.in_use(day).filter(pk=which.pk).exists(),
    }


@coordinator_only
@page
def end(request: Request, pk: int) -> HttpResponse:
    which = shift_or_404(pk)
    form = EndForm(posted(request))
    if form.is_bound and form.is_valid():
        last = form.cleaned_data["last_day"]

        def change() -> weekly.Outcome:
            return weekly.end_shift(which, last_day=last, by=request.user)

        return confirmed(request, which, change, f"{which.name} ends after {us(last)}.")
    return render(request, "desk/shift_end.html", {"form": form, "shift": which})


# --- a look before, and a word after


def confirmed(request: Request, which: Shift, change: Any, said: str) -> HttpResponse:
    """Makes the change; first asks where somebody's booked run is moved or falls off the rule."""
    if "confirm" not in request.POST:
        would_be = weekly.tried(change)
        if would_be.told or would_be.kept:
            context = {
                "shift": which,
                "told": rows_of(would_be.told),
                "kept": rows_of(would_be.kept),
                "dropped": len(would_be.dropped),
                "fields": [
                    (name, value)
                    for name in request.POST
                    if name != "csrfmiddlewaretoken"
                    for value in request.POST.getlist(name)
                ],
            }
            return render(request, "desk/shift_confirm.html", context)
    messages.success(request, " ".join([said, *outcome_words(change())]))
    return redirect(page_of(which))


def rows_of(runs: Iterable[Run]) -> list[dict[str, str]]:
    """Runs as they are now, with who is on them."""
    now = Run.objects.filter(pk__in=[run.pk for run in runs]).with_people()
    return [
        {
            "url": reverse("desk_run", args=[run.pk]),
            "name": title_and_time(run),
            "who": ", ".join(booking.person.name for booking in run.seated),
        }
        for run in now
    ]


def outcome_words(outcome: weekly.Outcome) -> list[str]:
    """What became of the runs ahead, in sentences; nothing is said of what did not happen."""

    def count(runs: list[Run]) -> str:
        return "1 run" if len(runs) == 1 else f"{len(runs)} runs"

    said = []
    if outcome.changed:
        said.append(f"{count(outcome.changed)} changed.")
    if outcome.told:
        said.append(f"Those booked on {count(outcome.told)} are told.")
    if outcome.kept:
        said.append(f"{count(outcome.kept)} off the rule kept, as somebody is booked: see the desk.")
    if outcome.dropped:
        said.append(f"{count(outcome.dropped)} without anybody dropped.")
    if outcome.made:
        said.append(f"{'1 run' if outcome.made == 1 else f'{outcome.made} runs'} added.")
    return said
