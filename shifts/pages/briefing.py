"""A briefing as a volunteer reads it, with the check of understanding at its end."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from shifts.pages import volunteer_parts as parts
from shifts.pages.access import Request, volunteer_or_coordinator
from shifts.pages.forms_briefing import CheckForm, kept
from shifts.pages.undo import back_to
from volunteers import reading
from volunteers.models import Step
from volunteers.progress import NotPossible, today
from volunteers.reading import Briefing, Reading, Rewritten


@require_http_methods(["GET", "HEAD", "POST"])
@volunteer_or_coordinator
def briefing(request: Request, pk: int | None = None) -> HttpResponse:
    """One step's briefing; without a key the one that is shipped, which can be read even where the programme
    has taken it out."""
    wanted = Step.objects.select_related("site").filter(kind=Step.Kind.BRIEFING)
    step = reading.shipped_step() if pk is None else get_object_or_404(wanted, pk=pk)
    here, at = reading.briefing_of(step), timezone.now()
    if request.method == "POST":
        return answered(request, here, at)
    return show(request, here, at)


def answered(request: Request, here: Briefing, at: datetime) -> HttpResponse:
    """All answers right, it is recorded; else it is shown again with what was answered. A page that showed
    an older revision gets the newest."""
    if request.person is None:
        raise PermissionDenied
    how_it_stands = reading.reading(request.person, here.step, on=today(at))
    if how_it_stands.is_due:
        if request.POST.get("revision") != str(here.revision):
            return show_anew(request, here, at)
        form = CheckForm(here.questions, request.POST)
        if not form.is_valid():
            return show(request, here, at, form=form)
    try:
        reading.read(request.person, here.step, revision=here.revision, by=request.user, at=at)
    except Rewritten:  # in this very moment
        return show_anew(request, reading.briefing_of(here.step), at)
    except NotPossible as impossible:
        messages.error(request, str(impossible))
    else:
        messages.success(
            request, _("Thank you. It is noted that you have read: %(name)s.") % {"name": name_of(here)}
        )
    return redirect(back_to(request, reverse("orientation")))


def show_anew(request: Request, here: Briefing, at: datetime) -> HttpResponse:
    answers = {one.key: request.POST.get(one.key, "") for one in here.questions}
    return show(request, here, at, form=kept(here.questions, answers), changed=True, status=409)


def show(
    request: Request,
    here: Briefing,
    at: datetime,
    *,
    form: CheckForm | None = None,
    changed: bool = False,
    status: int = 200,
) -> HttpResponse:
    stands = Reading(state=None, is_due=False)
    if request.person:
        stands = reading.reading(request.person, here.step, on=today(at))
    last = stands.state.completion if stands.state else None
    context: dict[str, Any] = {
        "here": here,
        "name": name_of(here),
        "site": here.step.site if here.step else None,
        "is_due": stands.is_due,
        "form": (form or CheckForm(here.questions)) if stands.is_due else None,
        "to_read": form.sections_to_read() if form and form.is_bound else set(),
        "changed": changed,
        "read_on": last.valid_from if last else None,
        "counts_until": last.valid_until if last else None,
        "next": request.POST.get("next") or request.GET.get("next", ""),
    }
    return render(request, "volunteer/briefing.html", context, status=status)


def name_of(here: Briefing) -> str:
    return parts.title_of(here.step) if here.step else _("Driver briefing")
