"""Papers at the desk: which need a look, a date for each in one step, and photographs that wait."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from shifts.cover.papers import Paper, State, papers_to_see
from shifts.pages.access import Request, own_desk_only, page
from shifts.pages.desk_parts import contact_of, title_and_time
from shifts.pages.desk_people import page_of, readiness
from shifts.pages.forms_people import PaperDateForm
from shifts.pages.keys import key_of
from shifts.pages.undo import back_to, offer_undo, undo_offered
from shifts.seats import expiring
from sites.dates import us
from volunteers import papers as writes
from volunteers.models import Completion, PaperPhoto, Person, Step
from volunteers.progress import NotPossible, today


@own_desk_only
@page
def papers(request: Request) -> HttpResponse:
    """The list; posting a date to one of its rows, named as person and step, records that paper."""
    at = timezone.now()
    rejected: PaperDateForm | None = None
    if request.method == "POST":
        person, step = posted_row(request)
        rejected = PaperDateForm(request.POST, prefix=prefix_of(person, step))
        done = record(request, person, step, rejected, at)
        if done:
            messages.success(
                request, f"{person.name}, {step.title}: until {us(done.valid_until)}. {readiness(person)}"
            )
            offer_undo(
                request,
                f"Undo: {person.first_name}'s date",
                reverse("desk_step_back", args=[done.pk]),
                reason="Noted by mistake.",
            )
            return redirect("desk_papers")
    day = today(at)
    rows = [row_of(paper, rejected, day) for paper in papers_to_see(at)]
    context = {"rows": rows, "form": rejected, "undo": undo_offered(request)}
    return render(request, "desk/papers.html", context)


def posted_row(request: Request) -> tuple[Person, Step]:
    person, _dash, step = request.POST.get("row", "").partition("-")
    who = get_object_or_404(Person.objects.active(), pk=key_of(person))
    return who, get_object_or_404(Step, pk=key_of(step), kind=Step.Kind.PAPER)


def prefix_of(person: Person, step: Step) -> str:
    return f"{person.pk}-{step.pk}"


def record(
    request: Request, person: Person, step: Step, form: PaperDateForm, at: datetime
) -> Completion | None:
    """The paper as recorded; None where the form now says why not."""
    if not form.is_valid():
        return None
    try:
        return writes.confirm(
            person=person, step=step, valid_until=form.cleaned_data["valid_until"], by=request.user, at=at
        )
    except NotPossible as reason:
        form.add_error("valid_until", str(reason))
        return None


def row_of(paper: Paper, rejected: PaperDateForm | None, day: date) -> dict[str, Any]:
    prefix = prefix_of(paper.person, paper.step)
    here = rejected and rejected.prefix == prefix
    look = reverse("desk_step_done", args=[paper.person.pk, paper.step.pk])
    return {
        **contact_of(paper.person),
        "row": prefix,
        "paper": paper.step.title,
        "state": paper.state.value,
        "word": in_words(paper, day),
        "photo": paper.photo,
        "look": f"{look}?next={reverse('desk_papers')}" if paper.photo else "",
        "run": title_and_time(paper.run) if paper.run else "",
        "run_url": reverse("desk_run", args=[paper.run.pk]) if paper.run else "",
        "form": rejected if here else PaperDateForm(prefix=prefix),
    }


def in_words(paper: Paper, day: date) -> str:
    match paper.state:
        case State.MISSING:
            return "missing"
        case State.LAPSED:
            return f"ran out {us(paper.until)}"
        case State.TO_FOLLOW:
            return f"date to follow by {us(paper.until)}"
        case State.ENDING:
            return "runs out today" if paper.until == day else f"runs out {us(paper.until)}"
    return "in order"


@require_http_methods(["GET", "HEAD", "POST"])
@own_desk_only
def photo(request: Request, pk: int) -> HttpResponse:
    """The picture itself, kept by no browser; posting says that it cannot be read."""
    if request.method == "POST":
        return unreadable(request, pk)
    found = get_object_or_404(PaperPhoto, pk=pk)
    headers = {
        "Cache-Control": "no-store",
        "X-Content-Type-Options": "nosniff",
        "Content-Disposition": 'inline; filename="paper.jpg"',
    }
    return HttpResponse(bytes(found.image), content_type="image/jpeg", headers=headers)


def unreadable(request: Request, pk: int) -> HttpResponse:
    found = PaperPhoto.objects.defer("image").select_related("person", "step").filter(pk=pk).first()
    if found is None or not expiring.not_readable(found, by=request.user, at=timezone.now()):
        messages.info(request, "That photo is gone already: confirmed, replaced or taken back.")
        return redirect("desk_papers")
    told = "asked by mail for another" if found.person.is_mailed else "on your list to tell by phone"
    messages.success(request, f"The photo is deleted, and {found.person.name} is {told}.")
    return redirect(back_to(request, page_of(found.person)))
