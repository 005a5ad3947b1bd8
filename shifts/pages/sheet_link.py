"""The run sheet by the private link of a reminder: without signing in, from the eve of the run until midnight
after it. To read, and to say that door notes were read; everything else asks for a sign-in."""

from __future__ import annotations

from datetime import date, timedelta
from urllib.parse import urlencode

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.timezone import localdate
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from shifts.models import Booking
from shifts.pages.access import Request
from shifts.pages.orientation import thanks
from shifts.pages.readings import changed_meanwhile, readings_in, record_readings
from shifts.pages.requests import speak_as
from shifts.pages.sheet import facts
from shifts.pages.volunteer import run_or_404
from shifts.seats import own_links
from volunteers.progress import NotPossible

EVE = timedelta(days=1)


@never_cache  # it names people, and no phone keeps it for whoever signs in there next
@require_http_methods(["GET", "HEAD", "POST"])
def sheet_by_link(request: Request, token: str) -> HttpResponse:
    found = own_links.found_by_sheet(token)
    if found is None:
        raise Http404
    booking, day = found
    speak_as(request, booking.person)
    response = answer(request, booking, day)
    response["X-Robots-Tag"] = "noindex"
    response["Referrer-Policy"] = "same-origin"  # the form's POST needs it; other sites get nothing
    return response


def answer(request: Request, booking: Booking, day: date) -> HttpResponse:
    today = localdate()
    if today > day:
        why = _("It opened until midnight after the run. Sign in to see what became of it.")
        return shut(request, booking, _("This link has ended"), why, status=410)
    if not booking.is_live:
        why = _("This seat is no longer booked for you. Sign in to see the run.")
        return shut(request, booking, _("Not your run any more"), why, status=410)
    if today < booking.run.local_date - EVE:
        why = _("It opens without signing in from the eve of the run on. Sign in to see it now.")
        return shut(request, booking, _("Not open yet"), why, status=200)
    if request.person == booking.person:
        return redirect("sheet", pk=booking.run_id)  # with everything, and kept for a dock without signal
    return read(request, booking) if request.method == "POST" else show(request, booking)


def read(request: Request, booking: Booking) -> HttpResponse:
    """They have read the door notes that the sheet showed."""
    sites = set(booking.run.site_ids)
    shown = {site: revision for site, revision in readings_in(request.POST).items() if site in sites}
    by = request.user if request.user.is_authenticated else booking.person.user
    try:
        changed = record_readings(shown, person=booking.person, by=by)
    except NotPossible as impossible:
        return show(request, booking, problem=str(impossible), status=409)
    if changed:
        return show(request, booking, problem=changed_meanwhile(), status=409)
    if shown:
        messages.success(request, thanks(shown))
    return redirect(request.path)


def show(request: Request, booking: Booking, *, problem: str = "", status: int = 200) -> HttpResponse:
    run = run_or_404(booking.run_id)
    context = {
        **facts(run, booking.person, timezone.now()),
        "can_reroute": False,  # that is on the run's page, which asks for a sign-in
        "name": booking.person.first_name,
        "sign_in": sign_in_for_sheet(booking),
        "problem": problem,
    }
    return render(request, "volunteer/sheet_by_link.html", context, status=status)


def shut(request: Request, booking: Booking, heading: str, why: str, *, status: int) -> HttpResponse:
    context = {"heading": heading, "why": why, "sign_in": sign_in_for_sheet(booking)}
    return render(request, "volunteer/sheet_shut.html", context, status=status)


def sign_in_for_sheet(booking: Booking) -> str:
    """Where one signs in and then sees the sheet."""
    after = urlencode({"next": reverse("sheet", args=[booking.run_id])})
    return f"{reverse('account_login')}?{after}"
