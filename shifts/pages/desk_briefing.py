"""A briefing in the programme's own words: written, looked at as volunteers see it, then saved."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from shifts.models import Policy
from shifts.pages.access import Request, own_desk_only, posted
from shifts.pages.desk_look import OWN
from shifts.pages.desk_steps_look import falls_away, groups_of, ready_on, undo_of
from shifts.pages.forms_briefing import BriefingTextForm, QuestionRows, question_rows, text_form
from shifts.pages.undo import offer_undo
from sites.dates import us
from volunteers import briefing_check, reading
from volunteers.models import BriefingText, Step
from volunteers.progress import today
from volunteers.reading import Overtaken

EARLIER = 10  # texts that are shown, newest first
OVERTAKEN = (
    "Somebody else has saved a newer text meanwhile; it is the first of the earlier texts below. What you "
    "typed is still here: put in what you want to keep of theirs, and save again."
)


@own_desk_only
@require_http_methods(["GET", "HEAD", "POST"])
def text(request: Request, pk: int) -> HttpResponse:
    """Nothing is saved before it was looked at."""
    briefings = Step.objects.select_related("site").filter(kind=Step.Kind.BRIEFING)
    step, at = get_object_or_404(briefings, pk=pk), timezone.now()
    written = step.texts.first()
    newest = reading.newest_revision(step)
    form = text_form(posted(request), written=written, newest=newest, is_alone=step.code != reading.SHIPPED)
    rows = question_rows(written, posted(request))
    if form.is_bound and all([form.is_valid(), rows.is_valid()]) and "edit" not in request.POST:
        try:
            if "confirm" in request.POST:
                return save(request, step, form, rows, at)
            return look(request, step, form, rows, at)
        except Overtaken:
            form.add_error(None, OVERTAKEN)
            return show(request, step, form, rows, based_on=newest)
    return show(request, step, form, rows, based_on=request.POST.get("based_on") or newest)


def show(
    request: Request, step: Step, form: BriefingTextForm, rows: QuestionRows, *, based_on: Any
) -> HttpResponse:
    context = {
        "step": step,
        "form": form,
        "formset": rows,
        "based_on": based_on,
        "is_shipped": step.code == reading.SHIPPED,
        "open_rows": 1 + max((n for n, row in enumerate(rows.forms) if is_used(row)), default=-1),
        "earlier": earlier_texts(step),
    }
    return render(request, "desk/briefing_text.html", context)


def is_used(row: Any) -> bool:
    """Whether a row holds a question, or what is wrong with one."""
    return bool(row.errors) or any(row[name].value() for name in row.fields)


def earlier_texts(step: Step) -> list[dict[str, Any]]:
    texts = step.texts.select_related("written_by").prefetch_related("written_by__people")[:EARLIER]
    return [
        {
            "at": one.written_at,
            "by": ", ".join(person.name for person in one.written_by.people.all()) if one.written_by else "",
            "own": reading.blocks(one.text),
            "questions": briefing_check.own(one.questions),
        }
        for one in texts
    ]


def write(
    request: Request, step: Step, form: BriefingTextForm, rows: QuestionRows, at: datetime
) -> BriefingText:
    return reading.write(
        step,
        text=form.cleaned_data["text"],
        questions=rows.questions(),
        again_from=form.again_from,
        based_on=form.cleaned_data["based_on"],
        by=request.user,
        at=at,
    )


def save(
    request: Request, step: Step, form: BriefingTextForm, rows: QuestionRows, at: datetime
) -> HttpResponse:
    terms, page = list(step.terms.order_by("applies_from")), reverse("desk_step", args=[step.pk])
    write(request, step, form, rows, at)
    if form.again_from is None:
        messages.success(request, "Saved. Nobody has to read it again.")
    else:
        day = form.again_from
        messages.success(request, f"Saved. It must be read again by {us(day)}.")
        if undo := undo_of(terms, day, again=True):
            offer_undo(request, "Undo: nobody has to read it again", page, **undo)
    return redirect(page)


def look(
    request: Request, step: Step, form: BriefingTextForm, rows: QuestionRows, at: datetime
) -> HttpResponse:
    """What volunteers will see, and whom it holds up. It is saved and taken back at once, so that the gate
    itself says who would have to read it first."""
    day = form.again_from or today(at)
    before, terms = ready_on(day, step.site, at=at), list(step.terms.order_by("applies_from"))
    with transaction.atomic():
        write(request, step, form, rows, at)
        here, after = reading.briefing_of(step), ready_on(day, step.site, at=at)
        transaction.set_rollback(True)
    context = {
        "step": step,
        "here": here,
        "questions": briefing_check.own(rows.questions()),
        "again_from": form.again_from,
        "notes": falls_away(terms, day) if form.again_from else [],
        "groups": [group for group in groups_of(before, after, day, step.site) if group.rows],
        "keep_days": Policy.current().keep_days,
        "fields": typed(request.POST),
    }
    return render(request, "desk/briefing_look.html", context)


def typed(post: QueryDict) -> list[tuple[str, str]]:
    """Everything that was typed, to be sent once more."""
    return [(name, value) for name in post if name not in OWN for value in post.getlist(name)]
