"""My steps to drive alone, the next of them first, and the door notes of each site."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from shifts.models import Booking, Policy, Run, Stop
from shifts.pages import volunteer_parts as parts
from shifts.pages.access import Request, volunteer_only
from shifts.pages.my_steps import MySteps
from shifts.pages.readings import changed_meanwhile, readings_in, record_readings
from shifts.pages.undo import back_to
from shifts.pages.volunteer import who
from sites.models import DoorNotes, Site
from volunteers.doors import newest_revisions
from volunteers.models import Person
from volunteers.progress import NotPossible


@volunteer_only
@require_safe
def orientation(request: Request) -> HttpResponse:
    """The one next thing, then every step."""
    person, at = who(request), timezone.now()
    mine = MySteps(person, programme=request.programme, at=at, back=reverse("orientation"))
    sites = sites_ahead(at)
    doors = door_tasks(person, sites, at, back=reverse("orientation"))
    word = person.rides.select_related("lead", "completion").first()
    context = {
        "thing": mine.next_thing(doors),
        "tasks": mine.tasks,
        "lacking": len(mine.lacking),
        "at_sites": mine.site_tasks(site.pk for site in sites),
        "doors": doors,
        "word": None if word is None or word.is_taken_back else word,
    }
    return render(request, "volunteer/orientation.html", context)


def sites_ahead(at: datetime) -> list[Site]:
    """Where the runs of the weeks ahead stop."""
    until = Policy.current().opens_until(at)
    stops = Stop.objects.filter(run__in=Run.objects.on_the_books().ahead(at).filter(starts_at__lte=until))
    return list(Site.objects.filter(pk__in=stops.values("site")))


def door_tasks(person: Person, sites: Iterable[Site], at: datetime, *, back: str) -> list[dict[str, Any]]:
    """Door notes of these sites: unread ones first, and of these the person's `own` runs first. Read ones
    that have changed since are unread, though they may still count."""
    newest = newest_revisions(site.pk for site in sites)
    known = parts.revisions_read(person, newest)
    mine = Booking.objects.live().of(person).filter(run__starts_at__gt=at).values("run")
    own = set(Stop.objects.filter(run__in=mine).values_list("site", flat=True))
    tasks: list[dict[str, Any]] = []
    for site in sites:
        if site.pk not in newest:
            continue
        seen = known.get(site.pk)
        task = {
            "name": site.name,
            "url": reverse("doors", args=[site.pk]) + f"?next={back}",
            "state": "done",
            "word": _("Read"),
            "hint": "",
            "action": "",
            "own": site.pk in own,
        }
        if seen is None or seen < newest[site.pk]:
            task |= {
                "state": "missing",
                "word": _("Changed since you read it") if seen else _("Not read yet"),
            }
            task["hint"] = _("You have a run there.") if site.pk in own else ""
            task["action"] = _("Read them now")
        tasks.append(task)
    return sorted(tasks, key=lambda task: (task["state"] == "done", not task["own"], task["name"]))


# --- door notes


@require_http_methods(["GET", "HEAD", "POST"])
@volunteer_only
def doors(request: Request, pk: int) -> HttpResponse:
    """A site's newest door notes. Whoever says "read" names the revision they had on the screen; a run's
    page that shows the notes of several sites names them all."""
    site = get_object_or_404(Site, pk=pk)
    notes = site.door_notes()
    if request.method == "POST" and notes:
        shown = readings_in(request.POST)
        try:
            changed = record_readings({pk: 0, **shown}, person=who(request), by=request.user)
        except NotPossible as impossible:
            return show_doors(request, site, notes, problem=str(impossible), status=409)
        if pk in changed:
            return show_doors(request, site, notes, changed=True, status=409)
        if changed:
            messages.warning(request, changed_meanwhile())
        else:
            messages.success(request, thanks(shown))
        return redirect(back_to(request, reverse("orientation")))
    return show_doors(request, site, notes)


def thanks(shown: dict[int, int]) -> str:
    names = Site.objects.filter(pk__in=shown).values_list("name", flat=True)
    return _("Thank you. It is noted that you have read %(site)s.") % {"site": ", ".join(names)}


def show_doors(
    request: Request,
    site: Site,
    notes: DoorNotes | None,
    *,
    changed: bool = False,
    problem: str = "",
    status: int = 200,
) -> HttpResponse:
    seen = parts.revisions_read(who(request), [site.pk]).get(site.pk)
    context = {
        "site": site,
        "map_url": parts.map_url(site),
        "notes": notes,
        "door": parts.door_of(notes, read=seen, link=False),
        "to_read": notes is not None and (seen or 0) < notes.revision,
        "changed": changed,
        "problem": problem,
        "next": request.POST.get("next") or request.GET.get("next", ""),
    }
    return render(request, "volunteer/doors.html", context, status=status)
