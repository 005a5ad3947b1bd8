"""The steps before driving alone, at the desk: what is asked of everybody and at a site, and from when."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.contrib import messages
from django.db.models import Prefetch, QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.timezone import localdate

from shifts.models import Run
from shifts.pages.access import Request, own_desk_only, page, posted
from shifts.pages.desk_history import who_did
from shifts.pages.desk_look import Look, show_look, unless_it_must_be_shown
from shifts.pages.desk_steps_look import Ready, as_asked, falls_away, groups_of, ready_on, undo_of
from shifts.pages.forms_steps import AsksForm, NewStepForm, StopForm, WordsForm
from shifts.pages.keys import key_of
from shifts.pages.undo import offer_undo, undo_offered
from sites.dates import us
from sites.models import Event, Site
from volunteers import steps as writes
from volunteers.defaults import ALWAYS
from volunteers.models import Step, StepTerm
from volunteers.progress import NotPossible


def page_of(step: Step) -> str:
    return reverse("desk_step", args=[step.pk])


def with_terms(steps: QuerySet[Step]) -> QuerySet[Step]:
    terms = Prefetch("terms", queryset=StepTerm.objects.order_by("applies_from"))
    return steps.select_related("site").prefetch_related(terms)


# --- in words

KINDS = {
    Step.Kind.BRIEFING: "briefing",
    Step.Kind.PAPER: "paper",
    Step.Kind.FORM: "signed form",
    Step.Kind.KIT: "handed over",
    Step.Kind.RIDE: "shadow ride",
    Step.Kind.DOORS: "door notes",
}


def asked_words(step: Step, term: StepTerm) -> str:
    """What a term asks: how often, and how long it lasts."""
    if step.kind == Step.Kind.DOORS:
        return "to be read once"
    if step.kind == Step.Kind.PAPER:
        return "until its own date"
    often = "once" if term.times == 1 else f"{term.times} times"
    if term.lasts_months is None:
        return f"{often}, for good"
    return f"{often}, lasts {'1 month' if term.lasts_months == 1 else f'{term.lasts_months} months'}"


def since_words(term: StepTerm, day: date) -> str:
    if term.applies_from <= ALWAYS:
        return "from the start"
    return f"{'from' if term.applies_from > day else 'since'} {us(term.applies_from)}"


def term_now(terms: Sequence[StepTerm], day: date) -> StepTerm | None:
    """The term in force on the day, else the next one, else the last; None where it never began."""
    later = [term for term in terms if term.applies_until is None or term.applies_until > day]
    return later[0] if later else terms[-1] if terms else None


def announced(step: Step, terms: Sequence[StepTerm], day: date) -> list[str]:
    """What changes after the day, in words."""
    now = term_now(terms, day)
    said = []
    for before, term in zip([None, *terms], terms, strict=False):
        if term.applies_from > day and term != now:
            again = before is not None and term.revision > before.revision
            said.append(
                f"from {us(term.applies_from)}: {asked_words(step, term)}"
                + (", to be done again by everybody" if again else "")
            )
    last = terms[-1].applies_until if terms else None
    return [*said, f"asked no longer from {us(last)}"] if last and last > day else said


def row_of(step: Step, day: date) -> dict[str, Any]:
    terms = list(step.terms.all())
    now = term_now(terms, day)
    is_doors = step.kind == Step.Kind.DOORS
    return {
        "pk": step.pk,
        "title": step.title,
        "kind": KINDS[Step.Kind(step.kind)],
        "site": step.site.name if step.site else "",
        "url": reverse("desk_door_notes", args=[step.site_id]) if is_doors else page_of(step),
        "asks": asked_words(step, now) if now else "",
        "since": since_words(now, day) if now else "",
        "announced": announced(step, terms, day),
    }


# --- the list


@own_desk_only
@page
def steps(request: Request) -> HttpResponse:
    """The steps in order. Posting moves one (`move`, its key) up (`up`) or down."""
    if request.method == "POST":
        return move(request)
    day = localdate()
    everything = list(with_terms(Step.objects.all()))
    asked = set(Step.objects.asked(day).values_list("pk", flat=True))
    rows: dict[int | None, list[dict[str, Any]]] = {None: []}
    doors: list[dict[str, Any]] = []
    for step in everything:
        if step.pk in asked:
            is_doors = step.kind == Step.Kind.DOORS
            (doors if is_doors else rows.setdefault(step.site_id, [])).append(row_of(step, day))
    for part in rows.values():
        for number, row in enumerate(part):
            row |= {"up": number > 0, "down": number < len(part) - 1}
    context = {
        "everywhere": rows.pop(None),
        "sites": sorted(rows.values(), key=lambda part: part[0]["site"]),
        "doors": sorted(doors, key=lambda row: row["site"]),
        "ended": [row_of(step, day) for step in everything if step.pk not in asked],
        "undo": undo_offered(request),
    }
    return render(request, "desk/step_list.html", context)


def move(request: Request) -> HttpResponse:
    key = key_of(request.POST.get("move", ""))
    for step in Step.objects.exclude(kind=Step.Kind.DOORS).filter(pk=key):
        up = request.POST.get("up") == "yes"
        if writes.move(step, up=up, by=request.user):
            messages.success(request, f"{step.title} is one place further {'up' if up else 'down'}.")
        return redirect(reverse("desk_steps") + f"#step-{step.pk}")
    return redirect("desk_steps")


# --- a new one


@own_desk_only
@page
def new_step(request: Request) -> HttpResponse:
    form = NewStepForm(posted(request), initial={"site": key_of(request.GET.get("site", "")) or None})
    if form.is_bound and form.is_valid() and "edit" not in request.POST:
        at, facts = timezone.now(), form.cleaned_data
        answer = made(
            request,
            lambda: writes.add_step(**facts, by=request.user, at=at),
            form,
            day=facts["from_day"],
            site=facts["site"],
            heading=f"{facts['title']} from {us(facts['from_day'])}: what that means",
            back={"url": reverse("desk_steps"), "words": "Steps"},
            at=at,
        )
        if isinstance(answer, HttpResponse):
            return answer
        if answer:
            step = answer[0]
            messages.success(request, f"Added: {step.title}, asked from {us(facts['from_day'])}.")
            undo = {"what": "back", "from_day": facts["from_day"].isoformat()}
            offer_undo(request, "Undo: do not ask it", page_of(step), **undo)
            return redirect(page_of(step))
    return render(request, "desk/new_step.html", {"form": form})


def made(
    request: Request,
    change: Callable[[], Any],
    form: Any,
    *,
    day: date,
    site: Site | None,
    heading: str,
    back: dict[str, str],
    planned: Sequence[str] = (),
    can_edit: bool = True,
    at: datetime,
) -> HttpResponse | tuple[Any] | None:
    """Makes a change of the steps, unless somebody loses or gains by it, or what was announced falls away,
    and it was not confirmed as it would be shown now. What the change returned, in a tuple; else the page of
    the look; or None where it is not possible, which the form then says.

    Who is ready is compared on the day that it holds from, at the site where it is one site's.
    """
    before: list[Ready] = []

    def make() -> Any:
        before.append(ready_on(day, site, at=at))
        return change()

    def add(look: Look) -> None:
        look.notes += planned
        look.add(*groups_of(before[0], ready_on(day, site, at=at), day, site))

    try:
        result, look = unless_it_must_be_shown(request, make, runs=Run.objects.none, at=at, more=add)
    except NotPossible as impossible:
        form.add_error(None, str(impossible))
        return None
    if look is None:
        return (result,)
    context = {
        "title": heading,
        "heading": heading,
        "back": back,
        "button": "Save it as shown",
        "can_edit": can_edit,
    }
    return show_look(request, look, context)


# --- one step


@own_desk_only
@page
def step(request: Request, pk: int) -> HttpResponse:
    """A step's page. Posting to it says `what`: other words, what it asks from a date on, no longer asked
    from a date on, or that an announced change is taken back."""
    which = get_object_or_404(with_terms(Step.objects.all()), pk=pk)
    if which.kind == Step.Kind.DOORS and which.site_id:
        return redirect("desk_door_notes", pk=which.site_id)
    day = localdate()
    terms = list(which.terms.all())
    now = term_now(terms, day)
    forms = {
        "words": WordsForm(posted(request, "words"), initial={"title": which.title, "how": which.how}),
        "asks": AsksForm(posted(request, "asks"), step=which, term=now),
        "stop": StopForm(posted(request, "stop")),
    }
    what = request.POST.get("what", "")
    answer = None
    if what == "back":
        answer = take_back(request, which, terms)
    elif what in forms and forms[what].is_valid() and "edit" not in request.POST:
        answer = SAVES[what](request, which, terms, forms[what])
    if answer:
        return answer
    context = {
        "step": which,
        "row": row_of(which, day),
        "is_asked": any(term.applies_until is None or term.applies_until > day for term in terms),
        "tomorrow": (day + timedelta(days=1)).isoformat(),
        "history": history_of(which),
        "undo": undo_offered(request),
        "form": forms.get(what),
        **{f"{name}_form": form for name, form in forms.items()},
    }
    return render(request, "desk/step.html", context)


def back_link(which: Step) -> dict[str, str]:
    return {"url": page_of(which), "words": which.title}


def save_words(request: Request, which: Step, terms: list[StepTerm], form: WordsForm) -> HttpResponse:
    was = {"title": which.title, "how": which.how}
    if was == form.cleaned_data:
        messages.info(request, "Nothing was changed: it is already like this.")
        return redirect(page_of(which))
    writes.reword(which, by=request.user, **form.cleaned_data)
    messages.success(request, "Saved. Volunteers read the new words from now on.")
    old = {form.add_prefix(name): value for name, value in was.items()}
    offer_undo(request, "Undo: the words as they were", page_of(which), what="words", **old)
    return redirect(page_of(which))


def save_asks(request: Request, which: Step, terms: list[StepTerm], form: AsksForm) -> HttpResponse | None:
    at, asked = timezone.now(), form.asked()
    from_day = asked["from_day"]
    old, planned = writes.term_on(terms, from_day), falls_away(terms, from_day)
    same = old and (old.times, old.lasts_months) == (asked["times"], asked["lasts_months"])
    if same and not asked["again"] and not planned:
        messages.info(request, "Nothing was changed: it asks just this already.")
        return redirect(page_of(which))
    answer = made(
        request,
        lambda: writes.ask(which, **asked, by=request.user, at=at),
        form,
        day=from_day,
        site=which.site,
        heading=f"{which.title} from {us(from_day)}: what changes",
        back=back_link(which),
        planned=planned,
        at=at,
    )
    if isinstance(answer, HttpResponse) or answer is None:
        return answer
    messages.success(request, f"{which.title}: {asked_words(which, answer[0])} from {us(from_day)}.")
    if undo := undo_of(terms, from_day, again=asked["again"]):
        offer_undo(request, "Undo: as it was", page_of(which), **undo)
    return redirect(page_of(which))


def save_stop(request: Request, which: Step, terms: list[StepTerm], form: StopForm) -> HttpResponse | None:
    at, from_day = timezone.now(), form.cleaned_data["from_day"]
    answer = made(
        request,
        lambda: writes.stop_asking(which, from_day=from_day, by=request.user, at=at),
        form,
        day=from_day,
        site=which.site,
        heading=f"{which.title} no longer asked from {us(from_day)}: what changes",
        back=back_link(which),
        planned=falls_away(terms, from_day, ends=True),
        at=at,
    )
    if isinstance(answer, HttpResponse) or answer is None:
        return answer
    messages.success(request, f"{which.title} is no longer asked from {us(from_day)}.")
    if undo := undo_of(terms, from_day, ends=True):
        offer_undo(request, "Undo: ask it all the same", page_of(which), **undo)
    return redirect(page_of(which))


SAVES: dict[str, Callable[..., HttpResponse | None]] = {
    "words": save_words,
    "asks": save_asks,
    "stop": save_stop,
}


def take_back(request: Request, which: Step, terms: list[StepTerm]) -> HttpResponse:
    """What was to change from a day on does not."""
    at, form = timezone.now(), StopForm({"stop-from_day": request.POST.get("from_day", "")})
    if not form.is_valid():
        messages.error(request, "That change holds already, or there is none. This is how it is now.")
        return redirect(page_of(which))
    from_day = form.cleaned_data["from_day"]
    again = asked_again(which, terms, from_day)
    answer = made(
        request,
        lambda: writes.take_back(which, from_day=from_day, by=request.user, at=at),
        form,
        day=from_day,
        site=which.site,
        heading=f"{which.title}: the change from {us(from_day)} taken back",
        back=back_link(which),
        can_edit=False,
        at=at,
    )
    if isinstance(answer, HttpResponse):
        return answer
    if answer is None:
        messages.info(request, " ".join(map(str, form.non_field_errors())))
    else:
        messages.success(request, f"Taken back: nothing changes from {us(from_day)} on.")
        if again:
            offer_undo(request, "Undo: change it all the same", page_of(which), **again)
    return redirect(page_of(which))


def asked_again(which: Step, terms: list[StepTerm], from_day: date) -> dict[str, str]:
    """The one change from a day on, as its form sends it; nothing where there are several."""
    later = [term for term in terms if term.applies_from >= from_day]
    last = terms[-1].applies_until if terms else None
    if last and last >= from_day and not later:
        return {"what": "stop", "stop-from_day": last.isoformat()}
    if len(later) != 1 or last:
        return {}
    [term] = later
    before = [old.revision for old in terms if old != term]
    sent = as_asked(term)
    return {**sent, "asks-again": "on"} if before and term.revision > max(before) else sent


# --- what was done


def history_of(which: Step) -> list[dict[str, Any]]:
    """The step's events, newest first; two queries."""
    events = Event.objects.about(which).select_related("by").prefetch_related("by__people")
    return [{"at": event.at, "who": who_did(event), "what": what_was_done(which, event)} for event in events]


def what_was_done(which: Step, event: Event) -> str:
    after = event.after or {}
    day = date.fromisoformat(after["from"]) if after.get("from") else None
    when = f" from {us(day)}" if day else ""
    if event.verb == writes.ASKS:
        term = StepTerm(times=after.get("times") or 1, lasts_months=after.get("months"))
        again = ", to be done again by everybody" if after.get("again") else ""
        return f"asked it {asked_words(which, term)}{again}{when}"
    return {
        "added": f"added it{when}",
        "changed": "changed the words",
        "briefing written": "wrote what is read",
        "moved": "moved it up" if after.get("up") else "moved it down",
        writes.STOPS: f"asked it no longer{when}",
        writes.TAKEN_BACK: f"took back what was to change{when}",
    }.get(event.verb, event.verb)
