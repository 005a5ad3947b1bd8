"""Taking a break, leaving, coming back: by the volunteer, and by a coordinator for them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from shifts.pages import volunteer_parts as parts
from shifts.pages.access import Request, coordinator_only, page, posted, volunteer_only
from shifts.pages.desk_people import is_back, page_of, person_or_404
from shifts.pages.forms_care import BreakForm, MyBreakForm
from shifts.pages.undo import offer_undo
from shifts.pages.volunteer import who
from shifts.seats import breaks
from volunteers import clearance
from volunteers.models import Person
from volunteers.progress import NotPossible, today


@page
@volunteer_only
def my_break(request: Request) -> HttpResponse:
    """My own: `what` is "break", "leave" or "back"."""
    person, at = who(request), timezone.now()
    what = request.POST.get("what", "")
    if what == "back":
        return back(request, person)
    if what == "leave":
        breaks.leave(person, give_up=list(breaks.to_give_back(person, at)), by=request.user, at=at)
        messages.success(
            request, _("You have left. Thank you for every run! The coordinator can bring you back.")
        )
        return redirect("home")
    if what == "break" and person.paused_on:  # tapped twice
        return redirect("home")
    form = MyBreakForm(posted(request), bookings=breaks.to_give_back(person, at))
    if what == "break" and form.is_valid():
        try:
            breaks.take_break(person, give_up=form.given(), by=request.user, at=at)
        except NotPossible as reason:
            form.add_error(None, str(reason))
        else:
            messages.success(request, _("You are on a break. Enjoy it!"))
            return redirect("home")
    status = 400 if request.method == "POST" and not what else 200
    return render(request, "volunteer/break.html", {"form": form, **facts(person, at)}, status=status)


def back(request: Request, person: Person) -> HttpResponse:
    person = breaks.come_back(person, by=request.user)
    messages.success(request, _("Good to have you back!"))
    missing = clearance.missing(person, on=today()) if person.drives else []
    if missing:
        names = ", ".join(parts.title_of(term.step) for term in missing)
        messages.warning(request, _("Before you drive alone again: %(steps)s.") % {"steps": names})
    return redirect("home")


def facts(person: Person, at: datetime) -> dict[str, Any]:
    crews = person.standings.going_on(today()).exclude(crew="")
    return {
        "regular": [standing.shift.name for standing in breaks.stopping(person, at)],
        "crews": list(crews.values_list("crew", flat=True)),
    }


@coordinator_only
@page
def desk_break(request: Request, pk: int) -> HttpResponse:
    """For somebody who said so by phone; for somebody on a break, posting `back` ends it."""
    person, at = person_or_404(pk), timezone.now()
    if person.left_on or person.asking_since:
        messages.info(request, f"{person.name} is not with the programme now, so there is no break to take.")
        return redirect(page_of(person))
    if person.paused_on:
        return is_back(request, person)
    form = BreakForm(posted(request), bookings=breaks.to_give_back(person, at))
    if form.is_bound and form.is_valid():
        breaks.take_break(person, give_up=form.given(), by=request.user, at=at)
        messages.success(request, f"{person.name} is on a break: nobody asks them until they are back.")
        undo = reverse("desk_break", args=[pk])
        offer_undo(request, f"Undo: {person.first_name} is back", undo, back="undo")
        return redirect(page_of(person))
    return render(request, "desk/break.html", {"form": form, "who": person, **facts(person, at)})
