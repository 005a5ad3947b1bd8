"""What a phone keeps while it has no network, and sends later: done exactly once, answered each time.

A form marked `data-offline` is sent by static/offline.js with a key of its own, as often as it takes until an
answer with that key comes back. Without a script the same form simply posts. A view of such a form is marked
`resendable` and returns `Done` or `Refused`; each becomes a page, or an answer to the script.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import redirect, render
from django.templatetags.static import static
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from shifts.models import SentOnce
from shifts.pages.access import Request
from shifts.pages.keys import key_of
from volunteers.models import Person

KEY, ACTING = "sent_key", "sent_as"  # fields that the script adds to a form
KEEP = "X-Keep"  # the header of a page that may be read without network; its value: whose copy it is


@dataclass(frozen=True)
class Done:
    said: str
    to: str  # the address of the page that shows it


@dataclass(frozen=True)
class Refused:
    why: str
    page: Callable[[], HttpResponse]  # the form again with what was typed, for a browser without a script
    status: int = 409


Outcome = Done | Refused


def resendable(view: Callable[..., Outcome]) -> Callable[..., HttpResponse]:
    """A view whose form a phone may keep and send again. Sign-in is asked before it, by `access`."""

    @wraps(view)
    def inner(request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        key = key_in(request)
        if key is not None:
            act_as_before(request)
            return once(request, key, lambda: view(request, *args, **kwargs))
        outcome = view(request, *args, **kwargs)
        if isinstance(outcome, Refused):
            return outcome.page()
        messages.success(request, outcome.said)
        return redirect(outcome.to)

    return inner


def once(request: Request, key: UUID, act: Callable[[], Outcome]) -> JsonResponse:
    """Does it, and remembers the answer with the fact; or gives the answer that this key got before.

    The key is written first: whoever comes with the same one at the same moment waits for it, and then finds
    the answer. What is refused leaves nothing behind, so that it can be tried again.
    """
    try:
        with transaction.atomic():
            row, is_new = SentOnce.objects.get_or_create(
                user=request.user,
                key=key,
                defaults={"address": request.path[:200], "status": 200, "at": timezone.now()},
            )
            if not is_new:
                return told(key, status=row.status, **row.answer)
            outcome = act()
            if isinstance(outcome, Refused):
                transaction.set_rollback(True)
                return told(key, status=outcome.status, why=outcome.why)
            row.answer = {"said": outcome.said, "to": outcome.to}
            row.save(update_fields=["answer"])
            return told(key, status=row.status, **row.answer)
    except Http404:
        return told(key, status=404, why=_("This is no longer yours to record. Call the coordinator."))


def told(key: UUID, *, status: int, **facts: Any) -> JsonResponse:
    """An answer to the script. It names the key, so that no other page is taken for it."""
    return JsonResponse({"key": str(key), **facts}, status=status, headers={"Cache-Control": "no-store"})


def key_in(request: Request) -> UUID | None:
    """The key of what was sent; None for a form that was posted without a script, and for no key at all."""
    try:
        return UUID(request.POST.get(KEY, ""))
    except ValueError:
        return None


def act_as_before(request: Request) -> None:
    """Where a sign-in acts for several people, it is sent as the one for whom it was written."""
    acting = Person.objects.of(request.user).filter(pk=key_of(request.POST.get(ACTING, "")))
    request.person = acting.first() or request.person


def mistakes_in(form: forms.Form) -> str:
    """What is wrong with a form, in one line: its page is not at hand."""
    lines = []
    for name, errors in form.errors.items():
        label = form.fields[name].label if name in form.fields else ""
        lines += [f"{label}: {error}" if label else str(error) for error in errors]
    return " ".join(lines)


def keep(response: HttpResponse, request: Request) -> HttpResponse:
    """Marks a page that a phone may keep, for this sign-in alone."""
    response[KEEP] = str(request.user.pk)
    return response


@never_cache
@require_safe
def token(request: Request) -> JsonResponse:
    """Who is signed in now, null for nobody; and a fresh token, as signing in has changed a page's own."""
    user = str(request.user.pk) if request.user.is_authenticated else None
    return JsonResponse({"user": user, "token": get_token(request)})


@require_safe
def service_worker(request: Request) -> HttpResponse:
    """The script that answers from the copies. It stands at the root and is never hashed: its address is what
    it is known by, and where it stands is what it may answer for."""
    parts = [static(name) for name in ("app.css", "offline.js", "favicon.svg")]
    facts = {"keep": KEEP, "parts": parts}
    answer = render(request, "sw.js", facts, content_type="text/javascript; charset=utf-8")
    answer["Cache-Control"] = "no-cache"
    answer.same_for_all = True  # type: ignore[attr-defined]  # read by SameForAllMiddleware
    return answer
