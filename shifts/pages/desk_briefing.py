"""A briefing in the programme's own words: written, looked at as volunteers see it, then saved."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.db.models import QuerySet
from django.http import HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from shifts.models import Booking, Policy
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_doors import held_up_rows
from shifts.pages.forms_briefing import BriefingTextForm, QuestionRows, question_rows, text_form
from volunteers import briefing_check, reading
from volunteers.models import BriefingText, Completion, Step
from volunteers.progress import today
from volunteers.reading import Overtaken

EARLIER = 10  # texts that are shown, newest first
OVERTAKEN = (
    "Somebody else has saved a newer text meanwhile; it is the first of the earlier texts below. What you "
    "typed is still here: put in what you want to keep of theirs, and save again."
)


@coordinator_only
@require_http_methods(["GET", "HEAD", "POST"])
def text(request: Request, pk: int) -> HttpResponse:
    """Nothing is saved before it was looked at."""
    briefings = Step.objects.select_related("site").filter(kind=Step.Kind.BRIEFING)
    step, at = get_object_or_404(briefings, pk=pk), timezone.now()
    written = step.texts.first()
    newest = reading.newest_revision(step, written)
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


def posted(request: Request) -> QueryDict | None:
    return request.POST if request.method == "POST" else None


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
    write(request, step, form, rows, at)
    if form.again_from:
        messages.success(request, f"{step.title} is saved. It is to be read again by {us(form.again_from)}.")
    else:
        messages.success(request, f"{step.title} is saved. Nobody has to read it again.")
    return redirect("desk_briefing_text", pk=step.pk)


def us(day: date) -> str:
    return f"{day.month}/{day.day}/{day.year}"


def look(
    request: Request, step: Step, form: BriefingTextForm, rows: QuestionRows, at: datetime
) -> HttpResponse:
    """What volunteers will see, and whom it concerns. It is saved and taken back at once, so that the gate
    itself says who is booked and would have to read it first."""
    before = set(refused(at).values_list("pk", flat=True))
    with transaction.atomic():
        write(request, step, form, rows, at)
        here = reading.briefing_of(step)
        held_up = list(refused(at).exclude(pk__in=before))
        transaction.set_rollback(True)
    context = {
        "step": step,
        "here": here,
        "questions": briefing_check.own(rows.questions()),
        "again_from": form.again_from,
        "readers": readers(step) if form.again_from else 0,
        "held_up": held_up_rows(held_up),
        "keep_days": Policy.current().keep_days,
        "fields": typed(request.POST),
    }
    return render(request, "desk/briefing_look.html", context)


def typed(post: QueryDict) -> list[tuple[str, str]]:
    """Everything that was typed, to be sent once more."""
    own = ("csrfmiddlewaretoken", "edit", "confirm")
    return [(name, value) for name in post if name not in own for value in post.getlist(name)]


def readers(step: Step) -> int:
    """How many people have read it so far, among those whom the programme counts on."""
    done = Completion.objects.standing().filter(step=step, person__left_on=None)
    return done.exclude(valid_until__lt=today()).order_by().values("person").distinct().count()


def refused(at: datetime) -> QuerySet[Booking]:
    """Drivers' bookings of runs that are not over, which the gate refuses as things stand."""
    gone = Booking.objects.clearance_gone().filter(run__ends_at__gt=at, run__cancelled_at=None)
    return gone.select_related("person", "run").order_by("run__starts_at")
