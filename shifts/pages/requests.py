"""A request's private link: the run, and the answer."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone, translation
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from shifts.calendar.components import newest_doors
from shifts.models import Ask, Policy, Run
from shifts.pages import volunteer_parts as parts
from shifts.pages.access import Request
from shifts.pages.volunteer import run_or_404
from shifts.seats import requests as asking
from shifts.seats.own_links import word_path
from shifts.seats.refusals import NotReady, Refusal
from volunteers.models import Person


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def answer(request: Request, token: str) -> HttpResponse:
    """It shows the run, and takes the answer. No sign-in: the link is the person's."""
    ask = asking.found_by(token)
    if ask is None:
        raise Http404
    speak_as(request, ask.person)
    newest = asking.newest(ask)
    if newest.pk != ask.pk and request.method != "POST":
        return redirect(asking.path_of(newest))  # what they were asked about has changed since
    response = taken(request, newest) if request.method == "POST" else show(request, newest)
    response["X-Robots-Tag"] = "noindex"
    response["Referrer-Policy"] = "same-origin"  # the form's POST needs it; other sites get nothing
    return response


def speak_as(request: Request, person: Person) -> None:
    """In the language of the mail, unless whoever opens it has chosen one or is signed in."""
    if request.person is None and settings.LANGUAGE_COOKIE_NAME not in request.COOKIES:
        translation.activate(person.language)
        request.LANGUAGE_CODE = translation.get_language()


def taken(request: Request, ask: Ask) -> HttpResponse:
    by = request.user if request.user.is_authenticated else ask.person.user
    said = request.POST.get("answer", "")
    if said not in asking.MAY_SAY or said == asking.SILENT:
        return show(request, ask, problem=_("Choose one of the answers."), status=400)
    try:
        answered = asking.answer(ask, said, shown=request.POST.get("shown"), by=by)
    except Refusal as refusal:
        return show(request, asking.with_run().get(pk=ask.pk), refusal=refusal, status=409)
    return redirect(asking.path_of(answered))


def show(
    request: Request, ask: Ask, *, refusal: Refusal | None = None, problem: str = "", status: int = 200
) -> HttpResponse:
    run, at = run_or_404(ask.search.run_id), timezone.now()
    over = asking.nothing_to_say(ask, at)
    drives = bool(ask.booking and ask.booking.is_live)
    taken_by_another = not drives and run.has_driver
    missing = refusal.missing if isinstance(refusal, NotReady) else []
    context: dict[str, Any] = {
        "ask": ask,
        "run": run,
        "when": parts.when(run.starts_at),
        "crates": parts.crates_expected(run),
        "stops": stops_of(run),
        "shown": asking.shown_of(run),
        "asks": asking.name_of_asker(ask) or request.programme.contact_name or request.programme.name,
        "heading": heading_of(ask, over, drives=drives, taken=taken_by_another),
        "drives": drives,
        "word": word_path(ask.booking) if ask.booking and drives else "",
        "taken": taken_by_another,
        "was": was(ask) if asking.has_moved(ask) or (not ask.answer and asked_anew(ask)) else "",
        "less": less_words(ask.person) if ask.answer == asking.LESS else "",
        "over": over,
        "refusal": refusal if refusal and not over else None,
        "missing": [parts.missing_task(step, back=reverse("run", args=[run.pk])) for step in missing],
        "problem": problem,
    }
    return render(request, "volunteer/request.html", context, status=status)


def heading_of(ask: Ask, over: Refusal | None, *, drives: bool, taken: bool) -> str:
    if drives:
        return _("You drive")
    if over:
        return _("No answer needed")
    if taken:
        return _("Somebody was faster") if ask.answer == asking.LATE else _("It is filled, thank you")
    return _("Can you take this run?")


def asked_anew(ask: Ask) -> Ask | None:
    """What they said yes to before the run changed, where this asks them again."""
    before = Ask.objects.filter(search__run=ask.search.run_id, person=ask.person_id, answer=asking.MOVED)
    return before.filter(pk__lt=ask.pk).order_by("-pk").first()


def was(ask: Ask) -> str:
    """When the run was to start, as they were asked before."""
    return parts.when((asked_anew(ask) or ask).starts_at)


def less_words(person: Person) -> str:
    most = asking.requests_a_week(person, Policy.current())
    if not most:
        return _("From now on you are asked only when it is urgent.")
    words = ngettext(
        "From now on you are asked at most once a week, and once more when it is urgent.",
        "From now on you are asked at most %(most)s times a week, and once more when it is urgent.",
        most,
    )
    return words % {"most": most}


def stops_of(run: Run) -> list[dict[str, Any]]:
    """With which door it is, which helps to say yes; contacts are for whoever drives."""
    doors = newest_doors(set(run.site_ids))
    found = []
    for stop in run.ordered_stops:
        notes = doors.get(stop.site_id)
        shown = parts.stop_of(stop, run, door=None, contacts=False)
        door = _("Which door: %(door)s") % {"door": notes.entrance} if notes and notes.entrance else ""
        found.append(shown | {"hint": " ".join(part for part in (shown["hint"], door) if part)})
    return found
