"""Who else is in the car: noted by the driver on their run, or by a coordinator."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _

from shifts.models import Booking, Run
from shifts.pages import volunteer_parts as parts
from shifts.pages.access import Request, coordinator_only, page, volunteer_only
from shifts.pages.desk_runs import run_or_404 as desk_run_or_404
from shifts.pages.forms_care import AlsoForm
from shifts.pages.volunteer import run_or_404, who
from shifts.seats.alongside import note_also
from volunteers.progress import NotPossible


@page
@volunteer_only
def also(request: Request, pk: int) -> HttpResponse:
    run = run_or_404(pk)
    mine = parts.seat_on(run, who(request))
    if mine is None or mine.seat != Booking.Seat.DRIVER:
        raise Http404
    return answer(request, run, mine, at_desk=False)


@coordinator_only
@page
def desk_also(request: Request, pk: int) -> HttpResponse:
    run = desk_run_or_404(pk)
    driver = next((one for one in run.seated if one.seat == Booking.Seat.DRIVER), None)
    if driver is None:
        messages.info(request, "Nobody drives this run, so nobody takes anybody along.")
        return redirect("desk_run", pk=pk)
    return answer(request, run, driver, at_desk=True)


def answer(request: Request, run: Run, driver: Booking, *, at_desk: bool) -> HttpResponse:
    """The form; posting saves it, and with `nobody` takes the note away."""
    back = reverse("desk_run" if at_desk else "run", args=[run.pk])
    nobody = "nobody" in request.POST
    known = {"names": driver.also, "count": driver.also_count or 1}
    form = AlsoForm(request.POST if request.method == "POST" and not nobody else None, initial=known)
    if nobody or (form.is_bound and form.is_valid()):
        said = {"names": "", "count": 0} if nobody else form.cleaned_data
        try:
            note_also(driver, by=request.user, **said)
        except NotPossible as reason:
            if nobody:
                messages.error(request, str(reason))
                return redirect(back)
            form.add_error(None, str(reason))
        else:
            messages.success(request, _("Nobody else is along now.") if nobody else _("Noted."))
            return redirect(back)
    context = {"form": form, "run": run, "when": parts.when(run.starts_at), "back": back, "driver": driver}
    return render(request, "desk/also.html" if at_desk else "volunteer/also.html", context)
