"""Weekly runs at the desk: their days and hour, stops and load; changed or ended from a date on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.contrib import messages
from django.db.models import Min, Prefetch, Q, QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import time_format
from django.views.decorators.http import require_safe

from shifts.cover.regulars import absent_regulars
from shifts.models import Policy, Run, Shift, ShiftTerm, Standing, TermStop
from shifts.pages.access import Request, coordinator_only, page, posted
from shifts.pages.desk_look import Group, Look, doubts_of, show_look, unless_it_must_be_shown
from shifts.pages.desk_parts import card_of
from shifts.pages.forms_shifts import EndForm, ShiftForm, facts_sent, known_facts, plan_of
from shifts.pages.regular_rows import rows_of_shift
from shifts.pages.undo import offer_undo, undo_offered
from shifts.schedule import making, recurrence
from shifts.seats import standing as regular
from shifts.seats import weekly
from sites.dates import us
from sites.models import Site
from volunteers.progress import today

NEXT_RUNS = 6


def with_terms(shifts: QuerySet[Shift]) -> QuerySet[Shift]:
    """Weekly runs with their terms, stops and sites, in three queries more."""
    stops = Prefetch("stops", queryset=TermStop.objects.select_related("site"))
    return shifts.prefetch_related(Prefetch("terms", queryset=ShiftTerm.objects.prefetch_related(stops)))


def shift_or_404(pk: int) -> Shift:
    return get_object_or_404(with_terms(Shift.objects.all()), pk=pk)


def page_of(shift: Shift) -> str:
    return reverse("desk_shift", args=[shift.pk])


def end_of(shift: Shift) -> str:
    return reverse("desk_shift_end", args=[shift.pk])


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
    """The weekly run's page; posting to it changes it from a date on, after a look at what that does."""
    which, day = shift_or_404(pk), today()
    term = term_now(which, day)
    terms = [*(one for one in which.terms.all() if one != term), term] if term else []
    form = ShiftForm(
        posted(request), initial=known_facts(term) if term else {"name": which.name}, terms=terms
    )
    if form.is_bound and form.is_valid() and "edit" not in request.POST:
        return change(request, which, form)
    return render(request, "desk/shift.html", facts_of(request, which, day, form))


def change(request: Request, which: Shift, form: ShiftForm) -> HttpResponse:
    at, plan, facts = timezone.now(), form.plan(), form.cleaned_data
    name, from_day = facts["name"], facts["from_day"]
    old = term_on(which, from_day)
    dropped = planned_after(which, from_day)
    if old and plan_of(old) == plan and which.name == name and not dropped:
        messages.info(request, "Nothing was changed: it is already like this.")
        return redirect(page_of(which))

    def make() -> weekly.Outcome:
        return weekly.change_shift(
            which,
            plan=plan,
            from_day=from_day,
            name=name,
            resume=keys_sent(request, "resume"),
            by=request.user,
            at=at,
        )

    answer, outcome = look_and_make(
        request,
        which,
        make,
        from_day=from_day,
        planned=dropped,
        heading=f"{which.name} from {us(from_day)}: what changes",
        said=f"{name}: changed from {us(from_day)}.",
        at=at,
    )
    if outcome and old:
        fields = {**facts_sent(old), "from_day": from_day.isoformat()}
        offer_undo(request, f"Change it back from {us(from_day)}", page_of(which), **fields)
    elif outcome and from_day > today():
        last = from_day - timedelta(days=1)
        offer_undo(request, "Undo: end it again", end_of(which), last_day=last.isoformat())
    return answer


def keys_sent(request: Request, name: str) -> list[int]:
    return [
        int(key) for key in request.POST.getlist(name) if key.isascii() and key.isdigit() and len(key) < 10
    ]


def term_on(which: Shift, day: date) -> ShiftTerm | None:
    """The term in force on the day, of those that were fetched."""
    for term in which.terms.all():
        if term.applies_from <= day and (term.applies_until is None or term.applies_until > day):
            return term
    return None


def planned_after(which: Shift, from_day: date, *, ends: bool = False) -> list[str]:
    """What was planned for later and falls away when the weekly run changes, or ends, from a date on."""
    terms = list(which.terms.all())
    later = [term for term in terms if term.applies_from > from_day]
    said = []
    if later and later[0] == terms[0] and not ends:
        said.append(f"It was to begin on {us(later.pop(0).applies_from)}. This takes its place.")
    said += [
        f"A change was planned from {us(term.applies_from)}. It falls away: enter it again if it still holds."
        for term in later
    ]
    last = terms[-1].applies_until if terms else None
    if last and last > from_day and not ends:
        said.append(f"It was to end after {us(last - timedelta(days=1))}; now it goes on.")
    return said


def facts_of(request: Request, which: Shift, day: date, form: ShiftForm) -> dict[str, Any]:
    at = timezone.now()
    ahead = list(which.runs.on_the_books().ahead(at).with_closed().with_people())
    absent = absent_regulars([run for run in ahead if not run.closed], at=at, policy=Policy.current())
    return {
        "shift": which,
        "regulars": rows_of_shift(which, ahead, absent, day),
        "now": now_of(which, day),
        "later": [
            {"from": term.applies_from, **term_words(term)}
            for term in which.terms.all()
            if term.applies_from > day and term != term_now(which, day)
        ],
        "runs": [card_of(run, absent=absent.get(run.pk)) for run in ahead[:NEXT_RUNS]],
        "doubts": doubts_of([run for run in ahead if not run.closed], at=at),
        "undo": undo_offered(request),
        "form": form,
        "in_use": Shift.objects.in_use(day).filter(pk=which.pk).exists(),
    }


@coordinator_only
@page
def end(request: Request, pk: int) -> HttpResponse:
    which, at = shift_or_404(pk), timezone.now()
    form = EndForm(posted(request))
    if not (form.is_bound and form.is_valid()) or "edit" in request.POST:
        return render(request, "desk/shift_end.html", {"form": form, "shift": which})
    last = form.cleaned_data["last_day"]
    after = last + timedelta(days=1)
    old = term_on(which, after) or next((t for t in which.terms.all() if t.applies_from > after), None)
    if old is None:
        messages.info(request, "Nothing was changed: it has ended by then.")
        return redirect(page_of(which))
    going_on = [str(standing.pk) for standing in regulars_of(which, after)]

    def make() -> weekly.Outcome:
        return weekly.end_shift(which, last_day=last, by=request.user, at=at)

    answer, outcome = look_and_make(
        request,
        which,
        make,
        from_day=after,
        planned=planned_after(which, after, ends=True),
        heading=f"{which.name} ends after {us(last)}: what changes",
        said=f"{which.name} ends after {us(last)}.",
        at=at,
    )
    if outcome:
        begins = max(after, old.applies_from)
        fields = {**facts_sent(old), "from_day": begins.isoformat(), "resume": going_on}
        offer_undo(request, f"Undo: it goes on from {us(begins)}", page_of(which), **fields)
    return answer


# --- a look before, and a word after


def look_and_make(
    request: Request,
    which: Shift,
    make: Callable[[], weekly.Outcome],
    *,
    from_day: date,
    planned: list[str],
    heading: str,
    said: str,
    at: datetime,
) -> tuple[HttpResponse, weekly.Outcome | None]:
    """Makes a change of the weekly run, or shows what it would do. The outcome where it is made."""
    before, old = regulars_of(which, from_day), term_on(which, from_day)

    def add(look: Look) -> None:
        look.notes += planned
        look.add(*regular_groups(which, from_day, before, old))

    outcome, look = unless_it_must_be_shown(
        request,
        make,
        runs=lambda: Run.objects.filter(shift=which, slot_date__gte=from_day).ahead(at),
        at=at,
        more=add,
    )
    if look:
        context = {
            "title": which.name,
            "heading": heading,
            "back": {"url": page_of(which), "words": which.name},
            "button": "Save it as shown",
            "can_edit": True,
        }
        return show_look(request, look, context), None
    messages.success(request, " ".join([said, *outcome_words(outcome)]))
    return redirect(page_of(which)), outcome


def regulars_of(which: Shift, from_day: date) -> list[Standing]:
    return list(which.standings.going_on(from_day).select_related("person").order_by("person__name", "pk"))


def regular_groups(
    which: Shift, from_day: date, before: Sequence[Standing], old: ShiftTerm | None
) -> list[Group]:
    """Regular runs that go on as something else, and those that end; asked while the change stands."""
    after = {(one.person_id, one.crew): one for one in regulars_of(which, from_day)}
    known = {(one.person_id, one.crew): one for one in before}
    term = which.term_on(from_day)
    on = []
    if term and regular.terms_told(term) != regular.terms_told(old):
        on = [goes_on(known.get(key), one, term) for key, one in after.items()]
    ended = [{"name": one.crew or one.person.name} for key, one in known.items() if key not in after]
    return [Group("Regular runs that go on with it", on), Group("Regular runs that end", ended)]


def goes_on(was: Standing | None, now: Standing, term: ShiftTerm) -> dict[str, Any]:
    other = f"; it was {was.get_pattern_display()}" if was and was.pattern != now.pattern else ""
    rule = recurrence.in_words(term.rule)
    return {
        "name": now.crew or now.person.name,
        "hint": f"{rule} at {time_format(term.starts)}, {now.get_pattern_display()}{other}",
    }


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
        said.append(f"{count(outcome.dropped)} dropped.")
    if outcome.made:
        said.append(f"{'1 run' if outcome.made == 1 else f'{outcome.made} runs'} added.")
    return said
