"""The private link to one's own seat: "I'll be there", or "I can't make it"."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from shifts.models import Booking
from shifts.pages import volunteer_parts as parts
from shifts.pages.access import Request
from shifts.pages.handing import moment_in, stops_of
from shifts.pages.requests import speak_as
from shifts.pages.volunteer import run_or_404
from shifts.seats import booking as seats
from shifts.seats import own_links, presence
from shifts.seats.alerts import is_short_notice
from shifts.seats.refusals import Refusal

THERE, CANNOT, AFTER_ALL = "there", "cannot", "after all"


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def confirm(request: Request, token: str) -> HttpResponse:
    """It shows the run and two buttons, and takes the answer. No sign-in: the link is the person's."""
    booking = own_links.found_by_word(token)
    if booking is None:
        raise Http404
    speak_as(request, booking.person)
    response = taken(request, booking) if request.method == "POST" else show(request, booking)
    response["X-Robots-Tag"] = "noindex"
    response["Referrer-Policy"] = "same-origin"  # the form's POST needs it; other sites get nothing
    return response


def taken(request: Request, booking: Booking) -> HttpResponse:
    by = request.user if request.user.is_authenticated else booking.person.user
    said = request.POST.get("answer", "")
    has_moved = int(booking.run.starts_at.timestamp()) != int(moment_in(request).timestamp())
    if said in (THERE, AFTER_ALL) and has_moved:
        return show(request, booking, problem=moved_words(), status=409)
    try:
        if said == THERE:
            presence.confirm(booking, how=presence.LINK, by=by)
        elif said == CANNOT:
            give_back(booking, by)
        elif said == AFTER_ALL:
            booking = back_on(booking, by)
        else:
            return show(request, booking, problem=_("Choose one of the two."), status=400)
    except Refusal as refusal:
        return show(request, again(booking), refusal=refusal, status=409)
    return redirect(own_links.word_path(booking))


def moved_words() -> str:
    return _("The run has another time now. Here it is as it is now; please answer again.")


def give_back(booking: Booking, by: Any) -> None:
    """Never refused; but a run that is over stays as it was, and its page says so."""
    if presence.impossible(booking, at=timezone.now()) is None:
        seats.give_back(booking, by=by)


def back_on(booking: Booking, by: Any) -> Booking:
    """They take the seat again that they gave back; the new booking, or the one they have. Whoever lost it
    otherwise does not, by this link."""
    mine = Booking.objects.live().filter(run=booking.run_id, person=booking.person_id).first()
    if mine is None and booking.end != Booking.End.GIVEN_BACK:
        raise presence.NotOn()
    return mine or seats.seat(run=booking.run, person=booking.person, seat=booking.seat, by=by)


def again(booking: Booking) -> Booking:
    return Booking.objects.select_related("run", "person").get(pk=booking.pk)


def show(
    request: Request,
    booking: Booking,
    *,
    refusal: Refusal | None = None,
    problem: str = "",
    status: int = 200,
) -> HttpResponse:
    run, at = run_or_404(booking.run_id), timezone.now()
    booking.run = run
    over = presence.impossible(booking, at=at)
    off = booking.end == Booking.End.GIVEN_BACK and run.starts_at > at and not run.is_cancelled
    context: dict[str, Any] = {
        "name": booking.person.first_name,
        "run": run,
        "when": parts.when(run.starts_at),
        "crates": parts.crates_expected(run),
        "stops": stops_of(run),
        "starts_at": int(run.starts_at.timestamp()),
        "heading": heading_of(booking, over, off=off),
        "drives": booking.seat == Booking.Seat.DRIVER,
        "regular": booking.standing_id is not None,
        "confirmed": booking.confirmed_at is not None,
        "closed_sites": run.closed_sites() if run.closed else [],
        "off": off,
        "over": over,
        "call": is_short_notice(run, at),
        "refusal": refusal if refusal and (off or not over) else None,
        "problem": problem,
    }
    return render(request, "volunteer/confirm.html", context, status=status)


def heading_of(booking: Booking, over: Refusal | None, *, off: bool) -> str:
    if off:
        return _("You are off this run")
    if over:
        return _("No answer needed")
    return _("You will be there") if booking.confirmed_at else _("Will you be there?")
