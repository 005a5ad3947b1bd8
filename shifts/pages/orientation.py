"""My steps to drive alone, the briefing, and the door notes of each site."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from shifts.models import Booking, Policy, Run, Stop
from shifts.pages import volunteer_parts as parts
from shifts.pages.access import Request, volunteer_only
from shifts.pages.readings import changed_meanwhile, readings_in, record_readings
from shifts.pages.undo import back_to
from shifts.pages.volunteer import who
from sites.models import DoorNotes, Site
from volunteers import briefing as text
from volunteers import clearance
from volunteers.clearance import StepState
from volunteers.doors import newest_revisions
from volunteers.models import Completion, Person, Step
from volunteers.progress import NotPossible, today


@volunteer_only
@require_safe
def orientation(request: Request) -> HttpResponse:
    person, at = who(request), timezone.now()
    here = reverse("orientation")
    standing = clearance.standing(person, on=today(at))
    ride, earlier = next_ride(person, at), newest_completions(person)
    word = person.rides.select_related("lead", "completion").first()
    context = {
        "tasks": [
            task_of(state, at, back=here, ride=ride, earlier=earlier.get(state.term.step_id))
            for state in standing
        ],
        "lacking": sum(not state.met for state in standing),
        "doors": door_tasks(person, at, back=here),
        "word": None if word is None or word.is_taken_back else word,
    }
    return render(request, "volunteer/orientation.html", context)


def next_ride(person: Person, at: datetime) -> Booking | None:
    """Their next second seat, on a run that is not over."""
    rides = Booking.objects.live().of(person).filter(seat=Booking.Seat.SECOND)
    ahead = rides.filter(run__ends_at__gt=at, run__cancelled_at=None)
    return ahead.select_related("run").order_by("run__starts_at").first()


def newest_completions(person: Person) -> dict[int, Completion]:
    """By the step's key, the newest one even where it counts no longer: one query."""
    newest: dict[int, Completion] = {}
    for completion in person.completions.standing():
        newest.setdefault(completion.step_id, completion)
    return newest


def task_of(
    state: StepState, at: datetime, *, back: str, ride: Booking | None, earlier: Completion | None
) -> dict[str, str]:
    """A step in the list. `earlier` is what the person completed last, which may count no longer."""
    step = state.step
    if state.met:
        return done_task(state, at, back=back)
    task = parts.missing_task(step, back=back)
    if step.kind == Step.Kind.RIDE and ride:
        task |= {
            "state": "waiting",
            "word": _("You ride along: %(when)s") % {"when": parts.when(ride.run.starts_at)},
            "url": reverse("run", args=[ride.run_id]),
            "action": _("Look at the run"),
        }
    elif state.done:
        task["word"] = _("%(done)s of %(times)s done") % {"done": state.done, "times": state.term.times}
    elif earlier and earlier.valid_until and earlier.valid_until < today(at):
        task["word"] = _("Ran out %(day)s") % {"day": long_day(earlier.valid_until)}
    elif earlier and earlier.revision < state.term.revision:
        task["word"] = _("Changed since you did it")
    return task


def done_task(state: StepState, at: datetime, *, back: str) -> dict[str, str]:
    """A step that is met: until when, and how to renew it where it soon runs out."""
    step, until = state.step, state.valid_until
    task = {"name": parts.title_of(step), "state": "done", "hint": "", "url": "", "action": ""}
    if until is None:
        task["word"] = _("Done")
    elif state.completion and state.completion.how == Completion.How.SEEN:
        day = {"day": date_format(until)}
        task |= {"state": "expiring", "word": _("Seen; we need its date by %(day)s") % day}
        task["hint"] = parts.how_to_get(step)
    elif parts.expires_soon(until, today(at)):
        url, action = parts.link_to(step, back=back)
        task |= {"state": "expiring", "word": _("Runs out %(day)s") % {"day": date_format(until)}}
        task |= {"hint": parts.how_to_get(step), "url": url, "action": action}
    else:
        task["word"] = _("Done, until %(day)s") % {"day": long_day(until)}
    return task


def long_day(day: Any) -> str:
    """A day that may be years off, with its year."""
    return date_format(day, "SHORT_DATE_FORMAT")


def door_tasks(person: Person, at: datetime, *, back: str) -> list[dict[str, str]]:
    """Door notes of the sites that runs go to in the weeks ahead: unread ones first, and of these the
    person's own runs first. Read ones that have changed since are unread, though they may still count."""
    until = Policy.current().opens_until(at)
    stops = Stop.objects.filter(run__in=Run.objects.on_the_books().ahead(at).filter(starts_at__lte=until))
    sites = list(Site.objects.filter(pk__in=stops.values("site"), notes__isnull=False).distinct())
    newest = newest_revisions(site.pk for site in sites)
    known = parts.revisions_read(person, newest)
    mine = Booking.objects.live().of(person).filter(run__starts_at__gt=at).values("run")
    own = set(Stop.objects.filter(run__in=mine).values_list("site", flat=True))
    tasks = []
    for site in sites:
        seen = known.get(site.pk)
        task = {
            "name": site.name,
            "url": reverse("doors", args=[site.pk]) + f"?next={back}",
            "state": "done",
            "word": _("Read"),
            "hint": "",
            "action": "",
        }
        if seen is None or seen < newest[site.pk]:
            task |= {
                "state": "missing",
                "word": _("Changed since you read it") if seen else _("Not read yet"),
            }
            task["hint"] = _("You have a run there.") if site.pk in own else ""
            task["action"] = _("Read them now")
        tasks.append((task["state"] == "done", site.pk not in own, task))
    return [task for _done, _own, task in sorted(tasks, key=lambda row: (row[0], row[1], row[2]["name"]))]


# --- the briefing


@require_http_methods(["GET", "HEAD", "POST"])
@volunteer_only
def briefing(request: Request) -> HttpResponse:
    person, at = who(request), timezone.now()
    if request.method == "POST":
        try:
            text.read(person, by=request.user, at=at)
        except NotPossible as impossible:
            messages.error(request, str(impossible))
        else:
            messages.success(request, _("Thank you. It is noted that you have read the briefing."))
        return redirect(back_to(request, reverse("orientation")))
    reading = text.reading(person, on=today(at))
    last = reading.state.completion if reading.state else None
    context = {
        "sections": text.sections(),
        "is_due": reading.is_due,
        "read_on": last.valid_from if last else None,
        "counts_until": last.valid_until if last else None,
        "next": request.GET.get("next", ""),
    }
    return render(request, "volunteer/briefing.html", context)


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
