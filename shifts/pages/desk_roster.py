"""The roster a coordinator has today, brought in: first what each row becomes, then all or nothing."""

from __future__ import annotations

import hashlib
from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.core import signing
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from shifts.pages.access import Request, own_desk_only
from shifts.pages.forms_people import RosterForm
from shifts.seats import roster_regulars
from shifts.seats.roster_regulars import Look
from volunteers import progress
from volunteers.roster.applying import NotApplied

SALT = "roster looked at"
SEAL_LASTS = timedelta(days=1)


@own_desk_only
@require_http_methods(["GET", "HEAD", "POST"])
def import_people(request: Request) -> HttpResponse:
    """First what each row becomes; posted again, exactly that is brought in.

    Nothing is kept on the server between the two: the page carries the text, signed, with a digest of what
    it showed. If people have changed meanwhile, it is shown anew.
    """
    if "looked_at" in request.POST:
        return bring_in(request)
    sent = request.method == "POST"
    form = RosterForm(request.POST if sent else None, request.FILES if sent else None)
    if not (form.is_bound and form.is_valid()):
        return render(request, "desk/import.html", {"form": form})
    facts = form.cleaned_data
    wanted = {
        "text": facts["text"],
        "papers_seen": facts["papers_seen"],
        "everybody_drives": facts["everybody_drives"],
        "area_code": facts["area_code"],
        "chosen": chosen_in(request.POST),
    }
    return show_roster(request, wanted)


def chosen_in(answers: QueryDict) -> dict[str, int]:
    """Which column counts where several mean the same: fields named "column-phone" and so on."""
    found = {}
    for name in answers:
        number = str(answers[name])
        if name.startswith("column-") and number.isascii() and number.isdecimal() and len(number) < 6:
            found[name.removeprefix("column-")] = int(number)
    return found


def read(wanted: dict[str, Any]) -> Look:
    return roster_regulars.read(wanted["text"], today=progress.today(), **options_of(wanted))


def options_of(wanted: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in wanted.items() if name != "text"}


def show_roster(request: Request, wanted: dict[str, Any], notice: str = "") -> HttpResponse:
    look = roster_regulars.look_at(wanted["text"], today=progress.today(), **options_of(wanted))
    seal = signing.dumps({"digest": digest(look), **wanted}, salt=SALT, compress=True)
    looked_at = look.shown
    context = {
        "form": RosterForm(initial=wanted),
        "looked_at": looked_at,
        "seal": seal if looked_at.may_apply and looked_at.changes_anything else "",
        "chosen": [(f"column-{name}", number) for name, number in wanted["chosen"].items()],
        "notice": notice,
    }
    return render(request, "desk/import.html", context)


def digest(look: Look) -> str:
    """Of the people and of the weekly runs meant; what can be given of these is asked again at the end."""
    return hashlib.sha256(repr((look.people.rows, look.gifts)).encode()).hexdigest()


def bring_in(request: Request) -> HttpResponse:
    try:
        wanted = signing.loads(request.POST["looked_at"], salt=SALT, max_age=SEAL_LASTS)
    except signing.BadSignature:
        messages.error(
            request, "Nothing was brought in: that page was too old. Please paste the cells again."
        )
        return redirect("desk_import")
    shown = wanted.pop("digest")
    look = read(wanted)
    if digest(look) != shown:
        changed = "Nothing was brought in: people have changed meanwhile. Please look at it again."
        return show_roster(request, wanted, changed)
    try:
        brought, regulars = roster_regulars.apply(look, by=request.user)
    except NotApplied as refused:
        return show_roster(request, wanted, str(refused))
    some = "1 person" if len(brought) == 1 else f"{len(brought)} people"
    more = {0: "", 1: " 1 regular run given."}.get(regulars, f" {regulars} regular runs given.")
    messages.success(request, f"Brought in: {some} added or changed.{more}")
    return redirect("desk_people")
