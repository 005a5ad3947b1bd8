"""One run is changed at the desk: another time, other stops, more crates; shown before it is saved."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from shifts.models import Run
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_look import doubtful, show_look, unless_it_must_be_shown
from shifts.pages.desk_parts import sentence, title_and_time
from shifts.pages.desk_runs import page_of, run_or_404
from shifts.pages.forms_change_run import ChangeRunForm, facts_sent
from shifts.pages.undo import offer_undo
from shifts.seats.changes import reshape_run, shape_of


@coordinator_only
@require_http_methods(["GET", "HEAD", "POST"])
def change_run(request: Request, pk: int) -> HttpResponse:
    """The form, then the look, then the change. What is made here stays when the weekly run changes."""
    run, at = run_or_404(pk), timezone.now()
    if run.is_cancelled or run.ends_at <= at:
        messages.error(request, "A run that is cancelled or over is not changed any more.")
        return redirect(page_of(run))
    data = request.POST if request.method == "POST" else None
    form = ChangeRunForm(data, run=run, at=at, zone=request.programme.zone)
    if form.is_bound and form.is_valid() and "edit" not in request.POST:
        return change(request, run, form)
    return render(request, "desk/change_run.html", {"form": form, "run": run, "name": title_and_time(run)})


def change(request: Request, run: Run, form: ChangeRunForm) -> HttpResponse:
    at = form.at

    def make() -> bool:
        return reshape_run(run, form.shape(), by=request.user, hand_edited=True, at=at)

    changed, look = unless_it_must_be_shown(request, make, runs=lambda: Run.objects.filter(pk=run.pk), at=at)
    if look:
        context = {
            "title": run.title,
            "heading": f"{title_and_time(run)}: what changes",
            "back": {"url": page_of(run), "words": title_and_time(run)},
            "button": "Save it as shown",
            "can_edit": True,
        }
        return show_look(request, look, context)
    if not changed:
        messages.info(request, "Nothing was changed: it is already like this.")
        return redirect(page_of(run))
    now = run_or_404(run.pk)
    told = f" {names} will be told." if (names := names_told(run, now)) else ""
    messages.success(request, sentence(f"Changed: {title_and_time(now)}") + told)
    for _run, booking, why in doubtful([now], at=at):
        messages.warning(
            request,
            f"{booking.person.name} may not fit any more: {why}. They keep the seat until you decide.",
        )
    offer_undo(request, "Change it back", reverse("desk_change_run", args=[run.pk]), **facts_sent(run))
    return redirect(page_of(run))


def names_told(old: Run, new: Run) -> str:
    if shape_of(old).told == shape_of(new).told:
        return ""
    return " and ".join(booking.person.name for booking in new.seated)
