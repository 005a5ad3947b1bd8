"""Starter kits at the desk: the shelf, who holds one, who needs one, and each move."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone

from shifts.pages.access import Request, coordinator_only, page
from shifts.pages.desk_history import who_did
from shifts.pages.desk_people import named, not_ready_for, readiness
from shifts.pages.desk_runs import row_posted
from shifts.pages.forms_people import KitsForm
from shifts.pages.undo import back_to, offer_undo, undo_offered
from volunteers import kits as writes
from volunteers.kits import ShelfEmpty
from volunteers.models import KitMove, Person
from volunteers.progress import NotPossible, today

SHOWN = 40  # newest moves


@coordinator_only
@page
def kits(request: Request) -> HttpResponse:
    """The page; posting to it makes one move, named in `what`."""
    if request.method != "POST":
        return show(request)
    act = ACTS.get(request.POST.get("what", ""))
    if act is None:
        raise Http404
    return act(request)


def show(request: Request, **problem: Any) -> HttpResponse:
    """The page, and what could not be done with why: then it is no plain 200."""
    day = today()
    held = writes.holders()
    context = {
        "step": writes.kit_step(day),
        "shelf": writes.on_shelf(),
        "held": held,
        "lacking": list(writes.lacking(day)),
        "count": KitsForm(auto_id="count_%s"),
        "bought": KitsForm(auto_id="bought_%s"),
        "history": history(),
        "undo": undo_offered(request),
        **problem,
    }
    return render(request, "desk/kits.html", context, status=409 if "problem" in problem else 200)


def history() -> list[dict[str, Any]]:
    moves = KitMove.objects.select_related("person", "by").prefetch_related("by__people")
    newest = list(moves.order_by("-pk")[:SHOWN])
    last = next((move.pk for move in newest if move.undone_at is None), None)
    return [
        {
            "pk": move.pk,
            "at": move.at,
            "who": who_did(move),
            "what": in_words(move),
            "is_undone": move.undone_at is not None,
            "is_last": move.pk == last,
        }
        for move in newest
    ]


def in_words(move: KitMove) -> str:
    name, number = move.person.name if move.person else "", move.number
    differs = f"{abs(number)} {'more' if number > 0 else 'fewer'} than" if number else "as many as were"
    return {
        KitMove.Kind.COUNTED.value: f"shelf counted: {differs} noted",
        KitMove.Kind.BOUGHT.value: f"bought or made up: {number}",
        KitMove.Kind.HANDED.value: f"handed over to {name}",
        KitMove.Kind.RETURNED.value: f"returned by {name}",
        KitMove.Kind.LOST.value: f"not coming back from {name}",
    }[move.kind]


# --- moves


def person_of(request: Request) -> Person:
    person: Person = row_posted(request, "person", Person.objects.all())
    return person


def done(request: Request, words: str, move: KitMove | None) -> HttpResponse:
    messages.success(request, words)
    if move:
        offer_undo(request, f"Undo: {in_words(move)}", reverse("desk_kits"), what="undo", move=move.pk)
    return redirect(back_to(request, reverse("desk_kits")))


def hand(request: Request) -> HttpResponse:
    who = person_of(request)
    try:
        move = writes.hand_over(who, by=request.user, anyway="anyway" in request.POST)
    except ShelfEmpty as reason:
        return show(request, problem=str(reason), waits=who, next=request.POST.get("next", ""))
    except NotPossible as reason:
        return show(request, problem=str(reason))
    return done(request, f"{who.name} has a starter kit. {readiness(who)}", move)


def take_in(request: Request) -> HttpResponse:
    return end_holding(request, writes.take_in, "is back on the shelf")


def write_off(request: Request) -> HttpResponse:
    return end_holding(request, writes.write_off, "is not coming back")


def end_holding(request: Request, write: Callable[..., KitMove], words: str) -> HttpResponse:
    who, at = person_of(request), timezone.now()
    before = not_ready_for(who, at)
    try:
        move = write(who, by=request.user)
    except NotPossible as reason:
        return show(request, problem=str(reason))
    gone = [booking for booking in not_ready_for(who, at) if booking not in before]
    if gone:
        messages.warning(request, f"Without a kit {who.name} is not ready for: {named(gone)}")
    return done(request, f"{who.name}'s starter kit {words}.", move)


def count(request: Request) -> HttpResponse:
    form = KitsForm(request.POST, auto_id="count_%s")
    return with_number(request, form, writes.count_shelf, "count", "The shelf is counted: {number}.")


def bought(request: Request) -> HttpResponse:
    form = KitsForm(request.POST, auto_id="bought_%s", least=1)
    return with_number(request, form, writes.put_on_shelf, "bought", "On the shelf: {number} more.")


def with_number(
    request: Request, form: KitsForm, write: Callable[..., KitMove], name: str, words: str
) -> HttpResponse:
    if not form.is_valid():
        return show(request, **{name: form, "form": form})
    number = form.cleaned_data["number"]
    try:
        move = write(number, by=request.user)
    except NotPossible as reason:
        return show(request, problem=str(reason), **{name: form})
    return done(request, words.format(number=number), move)


def undo(request: Request) -> HttpResponse:
    move = row_posted(request, "move", KitMove.objects.select_related("person"))
    try:
        writes.undo(move, by=request.user)
    except NotPossible as reason:
        return show(request, problem=str(reason))
    messages.success(request, f"Undone: {in_words(move)}.")
    return redirect(back_to(request, reverse("desk_kits")))


ACTS: dict[str, Callable[[Request], HttpResponse]] = {
    "hand": hand,
    "return": take_in,
    "lost": write_off,
    "count": count,
    "bought": bought,
    "undo": undo,
}
