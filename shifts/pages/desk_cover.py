"""Who keeps the desk while the coordinators are away."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.timezone import localdate
from django.views.decorators.http import require_http_methods

from shifts.models import CoverTurn
from shifts.pages.access import Request, own_desk_only
from shifts.pages.desk_parts import contact_of
from shifts.pages.forms_cover import CoverForm
from shifts.pages.undo import offer_undo, undo_offered
from shifts.seats import cover_turns
from sites.models import Programme
from volunteers.models import User
from volunteers.progress import NotPossible

PAST_SHOWN = 5


@own_desk_only
@require_http_methods(["GET", "HEAD", "POST"])
def cover(request: Request) -> HttpResponse:
    """Turns of cover, now and to come. Posting begins one; with `end` or `on`, a turn's key, it ends one or
    undoes that."""
    for act in ("end", "on"):
        if act in request.POST:
            return change(request, act)
    sent = request.POST if request.method == "POST" else None
    form = CoverForm(sent, you=request.person)
    if form.is_bound and form.is_valid():
        try:
            turn = cover_turns.begin(**form.cleaned_data, by=request.user)
        except NotPossible as reason:
            form.add_error(None, str(reason))
        else:
            messages.success(request, f"{in_words(turn)} They are told.")
            offer_undo(request, "Undo: nobody covers then", reverse("desk_cover"), end=turn.pk)
            return redirect("desk_cover")
    return render(request, "desk/cover.html", {"form": form, **facts_of(request)})


def facts_of(request: Request) -> dict[str, Any]:
    today = localdate()
    turns = CoverTurn.objects.select_related("person")
    past = turns.filter(last__lt=today) | turns.exclude(ended_at=None)
    return {
        "undo": undo_offered(request),
        "turns": [row_of(turn) for turn in turns.filter(ended_at=None, last__gte=today)],
        "past": past.order_by("-first", "-pk")[:PAST_SHOWN],
        "own": Programme.current(),
        "alone": is_alone(),
    }


def row_of(turn: CoverTurn) -> dict[str, Any]:
    return {**contact_of(turn.person), "turn": turn, "is_now": turn.first <= localdate()}


def is_alone() -> bool:
    """Whether one sign-in alone has the desk for good: with it, the desk would be lost."""
    return User.objects.filter(is_coordinator=True).count() == 1


def in_words(turn: CoverTurn) -> str:
    first, last = date_format(turn.first), date_format(turn.last)
    days = f"on {first}" if first == last else f"from {first} to {last}"
    return f"{turn.person.name} covers {days}."


def change(request: Request, act: str) -> HttpResponse:
    key = request.POST[act]
    turn = get_object_or_404(
        CoverTurn.objects.select_related("person"), pk=int(key) if key.isascii() and key.isdecimal() else 0
    )
    if act == "end":
        if cover_turns.end(turn, by=request.user):
            messages.success(request, f"{turn.person.name} does not cover any more. Alerts come to you.")
            offer_undo(request, "Undo: they cover as planned", reverse("desk_cover"), on=turn.pk)
        else:
            messages.info(request, f"{turn.person.name}'s turn had ended already.")
        return redirect("desk_cover")
    try:
        turn = cover_turns.go_on(turn, by=request.user)
    except NotPossible as reason:
        messages.error(request, str(reason))
    else:
        messages.success(request, in_words(turn))
    return redirect("desk_cover")
