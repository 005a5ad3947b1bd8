"""One paper of mine: until when it counts, and a photograph of it for the coordinator, if such are taken."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from shifts.models import Policy
from shifts.pages import volunteer_parts as parts
from shifts.pages.access import Request, volunteer_only
from shifts.pages.forms_volunteer import PhotoForm
from shifts.pages.undo import back_to
from shifts.pages.volunteer import who
from volunteers import clearance, papers
from volunteers.clearance import StepState
from volunteers.models import PaperPhoto, Person, Step
from volunteers.progress import NotPossible, today


@require_http_methods(["GET", "HEAD", "POST"])
@volunteer_only
def paper(request: Request, pk: int) -> HttpResponse:
    """Posting sends a photograph, or takes one back that nobody has looked at yet."""
    person = who(request)
    step = get_object_or_404(Step.objects.select_related("site"), pk=pk, kind=Step.Kind.PAPER)
    if request.method != "POST":
        return show(request, step, PhotoForm())
    if request.POST.get("what") == "take back":
        return take_back(request, person, step)
    if state_of(person, step) is None:
        raise Http404
    if not Policy.current().photos_on:
        return show(request, step, PhotoForm(), status=409, closed=True)
    form = PhotoForm(request.POST, request.FILES)
    if form.is_valid() and send(request, person, step, form):
        messages.success(
            request, _("Thank you. The coordinator looks at it and notes the date; then it is deleted.")
        )
        return redirect(back_to(request, reverse("orientation")))
    return show(request, step, form)


def state_of(person: Person, step: Step) -> StepState | None:
    """How they stand to it today; None where it is asked of nobody now."""
    sites = [step.site_id] if step.site_id else []
    states = clearance.standing(person, on=today(timezone.now()), sites=sites)
    return next((state for state in states if state.step == step), None)


def send(request: Request, person: Person, step: Step, form: PhotoForm) -> bool:
    """Whether it was sent; else the form says why not."""
    facts = form.cleaned_data
    try:
        papers.send(
            person=person, step=step, data=facts["photo"].read(), said_until=facts["until"], by=request.user
        )
    except NotPossible as reason:
        form.add_error("photo", str(reason))
        return False
    return True


def take_back(request: Request, person: Person, step: Step) -> HttpResponse:
    photo = PaperPhoto.objects.filter(person=person, step=step).defer("image").first()
    if photo and papers.discard(photo, by=request.user, why="taken back"):
        messages.success(request, _("Your photo is deleted. Nobody keeps a copy here."))
    else:
        messages.info(request, _("That photo is gone already."))
    return redirect("paper", pk=step.pk)


def show(request: Request, step: Step, form: PhotoForm, *, status: int = 200, **more: Any) -> HttpResponse:
    person = who(request)
    state = state_of(person, step)
    if state is None:
        raise Http404
    context = {
        "step": step,
        "name": parts.title_of(step),
        "how": parts.how_to_get(step),
        "until": state.valid_until if state.met else None,
        "is_missing": not state.met,
        "photos_on": Policy.current().photos_on,
        "photo": PaperPhoto.objects.filter(person=person, step=step).defer("image").first(),
        "form": form,
        "next": request.POST.get("next") or request.GET.get("next", ""),
        **more,
    }
    return render(request, "volunteer/paper.html", context, status=status)
