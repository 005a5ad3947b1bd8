"""Who is asking, and what they may open: one helper an object, it answers 404 or 403 otherwise."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from allauth.mfa.utils import is_mfa_enabled
from django.conf import settings
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone, translation
from django.views.decorators.http import require_http_methods

from shifts.models import CoverTurn
from shifts.seats.on_call import as_reached, turn_now
from sites.models import Programme
from volunteers.models import Person, User

View = Callable[..., HttpResponse]


class Request(HttpRequest):
    """A request as views get it, with what ProgrammeMiddleware adds."""

    programme: Programme  # with whoever is on call as its contact
    turn: CoverTurn | None  # of whoever covers for the coordinators today
    person: Person | None
    user: User


# Addresses of programs: who is signed in is of no account, and nothing is read for them. /healthz must
# answer when the database does not, and a calendar that finds nothing new costs one read.
NEED_NOBODY = ("/healthz", "/cal/")


class ProgrammeMiddleware:
    """Gives every request that people make the programme, its clock, and the person the sign-in acts for."""

    def __init__(self, get_response: View) -> None:
        self.get_response = get_response

    def __call__(self, request: Request) -> HttpResponse:
        if request.path_info.startswith(NEED_NOBODY):
            return self.get_response(request)
        programme, at = Programme.current(), timezone.now()
        request.turn = turn_now(at, programme)
        request.programme = as_reached(programme, request.turn.person if request.turn else None)
        request.person = acting_person(request)
        language = language_of(request)
        if language:
            translation.activate(language)
            request.LANGUAGE_CODE = translation.get_language()
        with timezone.override(request.programme.zone):
            return self.get_response(request)


def language_of(request: Request) -> str:
    """The desk is English for everybody; else what the person chose, unless the browser was told otherwise.
    Empty: as the browser asks."""
    if request.path_info.startswith("/desk/"):
        return "en"
    if request.person and settings.LANGUAGE_COOKIE_NAME not in request.COOKIES:
        return request.person.language
    return ""


class SameForAllMiddleware:
    """Takes Vary from answers that depend on no language and no sign-in, marked with `same_for_all`.

    The middleware inside it names both for every address, since it reads them before the view is known.
    """

    def __init__(self, get_response: View) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if getattr(response, "same_for_all", False):
            del response["Vary"]
        return response


def acting_person(request: HttpRequest) -> Person | None:
    """The person this sign-in acts for now: the one chosen in a shared household, else the first."""
    if not request.user.is_authenticated:
        return None
    people = list(Person.objects.of(request.user))
    chosen = request.session.get("person")
    return next((person for person in people if person.pk == chosen), people[0] if people else None)


def page_facts(request: HttpRequest) -> dict[str, Any]:
    """What every page may show."""
    match = request.resolver_match
    return {
        "programme": getattr(request, "programme", None),
        "person": getattr(request, "person", None),
        "keeps_desk": keeps_desk(request),
        "owns_desk": is_coordinator(request),
        "demo": settings.DEMO,
        "nav": NAV.get(match.url_name or "", "") if match else "",
    }


NAV = {
    "home": "home", "regular": "home", "regular_stop": "home", "runs": "runs", "run": "runs",
    "regular_begin": "runs", "hand_over_ask": "runs", "give_back": "runs", "sheet": "runs",
    "orientation": "orientation", "briefing": "orientation", "briefing_of": "orientation",
    "doors": "orientation", "paper": "orientation",
    "calendar": "calendar", "new_link": "calendar", "me": "me", "my_break": "me", "my_mails": "me",
    "also": "runs", "desk_also": "desk",
    "desk_break": "people", "desk_safety": "people", "desk_not_at": "people",
    "desk": "desk", "desk_run": "desk", "desk_new_run": "desk", "desk_change_run": "desk",
    "desk_week": "week", "desk_days": "desk",
    "desk_people": "people", "desk_person": "people", "desk_new_person": "people", "desk_import": "people",
    "desk_joins": "people", "desk_join": "people", "desk_help_hours": "people", "join_answer": "home",
    "desk_orientation": "orientation", "desk_rides": "orientation", "desk_papers": "orientation",
    "desk_kits": "orientation",
    "desk_sites": "sites", "desk_site": "sites", "desk_new_site": "sites",
    "desk_site_list": "sites", "desk_close": "sites", "desk_lift": "sites",
    "desk_shifts": "shifts", "desk_shift": "shifts", "desk_shift_end": "shifts",
    "desk_new_shift": "shifts", "desk_new_regular": "shifts",
    "desk_new_crew": "shifts", "desk_crew": "shifts", "desk_skip": "shifts", "desk_stop": "shifts",
    "desk_sign_off_back": "people",
    "desk_settings": "settings", "desk_cover": "settings", "desk_briefing_text": "settings",
    "desk_steps": "settings", "desk_new_step": "settings", "desk_step": "settings",
    "desk_handover": "desk", "desk_plan": "desk",
}  # fmt: skip


def is_coordinator(request: HttpRequest) -> bool:
    """Whether the desk is theirs for good: settings, papers and what is private to coordinators too."""
    user = getattr(request, "user", None)
    return bool(user and user.is_authenticated and user.is_coordinator)


def covers(request: HttpRequest) -> bool:
    """Whether they keep the desk today for the coordinators, who are away."""
    user, turn = getattr(request, "user", None), getattr(request, "turn", None)
    return bool(user and user.is_authenticated and turn and turn.person.user_id == user.pk)


def keeps_desk(request: HttpRequest) -> bool:
    """Whether the desk is open to them today."""
    return is_coordinator(request) or covers(request)


page = require_http_methods(["GET", "HEAD", "POST"])  # shown, and posted to


def posted(request: HttpRequest, what: str | None = None) -> QueryDict | None:
    """What a form has sent, for the form; None where the page is only shown, or where a form that says
    another `what` was sent."""
    if request.method != "POST" or (what is not None and request.POST.get("what", "") != what):
        return None
    return request.POST


def volunteer_only(view: View) -> View:
    """Signed in, and acting for somebody; a coordinator who is nobody's sign-in is sent to the desk."""

    @login_required
    @wraps(view)
    def inner(request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.person is None:
            if is_coordinator(request):
                return redirect("desk")
            raise PermissionDenied
        return view(request, *args, **kwargs)

    return inner


def volunteer_or_coordinator(view: View) -> View:
    """Signed in; a coordinator who is nobody's sign-in sees the page too, with nobody to act for."""

    @login_required
    @wraps(view)
    def inner(request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.person is None and not keeps_desk(request):
            raise PermissionDenied
        return view(request, *args, **kwargs)

    return inner


def coordinator_only(view: View) -> View:
    """The desk: coordinators, and whoever covers for them today; with a second factor, which the demo does
    without."""

    @login_required
    @wraps(view)
    def inner(request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        if not keeps_desk(request):
            raise PermissionDenied
        if not settings.DEMO and not is_mfa_enabled(request.user):
            return redirect("second_factor")
        return view(request, *args, **kwargs)

    return inner


def own_desk_only(view: View) -> View:
    """What waits for the coordinators while somebody covers for them: settings, steps, papers, photographs,
    and what is private to coordinators."""

    @coordinator_only
    @wraps(view)
    def inner(request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        return view(request, *args, **kwargs) if is_coordinator(request) else waits(request)

    return inner


def waits(request: Request) -> HttpResponse:
    """403 to whoever covers, in kind words; with the coordinators' own number, since theirs stands
    everywhere else."""
    context = {"turn": request.turn, "own": Programme.current()}
    return render(request, "desk/waits.html", context, status=403)
