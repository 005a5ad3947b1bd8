"""No more mails of a kind: the page behind the link at their end, and the POST that mail programs send."""

from __future__ import annotations

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods

from shifts.pages.access import Request
from shifts.pages.requests import speak_as
from volunteers import stopping
from volunteers.models import Person

FIELD, ONE_CLICK = "List-Unsubscribe", "One-Click"  # RFC 8058 3.1
ON = "on"


@never_cache
@csrf_exempt  # a mail program has no cookie, and nobody else knows the address
@require_http_methods(["GET", "HEAD", "POST"])
def unsubscribe(request: Request, token: str) -> HttpResponse:
    """GET shows what it would do. The POST answers at once and never redirects (RFC 8058 3.1)."""
    found = stopping.found_by(token)
    if found is None:
        raise Http404
    person, what = found
    speak_as(request, person)
    response = taken(request, person, what) if request.method == "POST" else show(request, person, what)
    response["X-Robots-Tag"] = "noindex"
    response["Referrer-Policy"] = "same-origin"
    return response


def taken(request: Request, person: Person, what: str) -> HttpResponse:
    by = request.user if request.user.is_authenticated else person.user
    if request.POST.get(FIELD) == ONE_CLICK:
        person = stopping.turn(person, what, on=False, by=by)
    elif request.POST.get("turn") == ON:
        person = stopping.turn(person, what, on=True, by=by)
    else:
        return show(request, person, what, problem=_("Press the button on this page."), status=400)
    return show(request, person, what)


def show(
    request: Request, person: Person, what: str, *, problem: str = "", status: int = 200
) -> HttpResponse:
    wanted = stopping.wants(person, what)
    context = {
        "name": person.first_name,
        "heading": heading_of(what, wanted=wanted),
        "reminders": what == stopping.REMINDERS,
        "wanted": wanted,
        "problem": problem,
    }
    return render(request, "volunteer/stop.html", context, status=status)


def heading_of(what: str, *, wanted: bool) -> str:
    if what == stopping.REMINDERS:
        return _("No more reminders by mail?") if wanted else _("You get no reminders by mail")
    return _("No more requests by mail?") if wanted else _("You get no requests by mail")
