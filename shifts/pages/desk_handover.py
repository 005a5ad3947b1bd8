"""The handover: everything somebody needs who keeps the desk from tomorrow, as one printed document."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.timezone import localdate
from django.views.decorators.http import require_safe

from shifts.calendar.components import newest_doors
from shifts.cover.pairing import waiting
from shifts.cover.papers import Paper, State, papers_to_see
from shifts.cover.regulars import absent_regulars
from shifts.cover.weaknesses import attention, weaknesses
from shifts.models import Pairing, Policy, Run, Search, Shift, Standing
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk import weak_shown
from shifts.pages.desk_parts import phone_of, seats_of, title_and_time
from shifts.pages.desk_runs import door_of
from shifts.pages.desk_shifts import now_of, with_terms
from sites.models import Closure, Site
from volunteers import clearance
from volunteers.models import Join, Message, Person

DAYS = 14
PAPERS = {
    State.LAPSED: "ran out",
    State.ENDING: "runs out",
    State.TO_FOLLOW: "was seen, its date is to follow by",
}


@coordinator_only
@require_safe
def handover(request: Request) -> HttpResponse:
    at, today = timezone.now(), localdate()
    last = today + timedelta(days=DAYS - 1)
    context = {
        "at": at,
        "today": today,
        "last": last,
        "days": days_of(today, last, at),
        "open": open_matters(at),
        "weekly": weekly_of(today),
        "sites": sites_of(today, last),
        "people": people_of(today),
    }
    return render(request, "desk/handover.html", context)


def days_of(first: date, last: date, at: datetime) -> list[dict[str, Any]]:
    """The runs by day, each with both seats."""
    runs = list(Run.objects.on_days(first, last).not_dropped().with_closed().with_people())
    absent = absent_regulars(runs, at=at, policy=Policy.current())
    found: dict[date, list[dict[str, Any]]] = {}
    for run in runs:
        driver, second = seats_of(run, absent=absent.get(run.pk))
        row = {
            "run": run,
            "driver": driver,
            "second": second,
            "stops": [stop.site for stop in run.ordered_stops],
        }
        found.setdefault(run.local_date, []).append(row)
    return [{"date": day, "runs": rows} for day, rows in found.items()]


def open_matters(at: datetime) -> dict[str, Any]:
    """What is not settled, by kind; empty lists where nothing is."""
    proposed = list(Pairing.objects.open().select_related("run", "trainee", "lead"))
    searches = Search.objects.open().select_related("run").order_by("run__starts_at", "run")
    return {
        "weak": weak_shown(attention(weaknesses(at=at)), at),
        "searches": [title_and_time(search.run) for search in searches],
        "joins": list(Join.objects.open().select_related("person")),
        "papers": [paper_words(paper) for paper in papers_to_see(at) if paper.state in PAPERS],
        "rides": rides_to_arrange(at, but={one.trainee_id for one in proposed}),
        "proposed": [f"{one.trainee} with {one.lead}: {title_and_time(one.run)}" for one in proposed],
        "to_tell": list(Message.objects.to_tell().select_related("person").defer("raw")),
        "failed": list(Message.objects.failed().select_related("person").defer("raw")),
    }


def rides_to_arrange(at: datetime, *, but: set[int]) -> list[Person]:
    """Who lacks nothing but a shadow ride and has none ahead, had or asked about; `but` are the asked."""
    only_a_ride = set(clearance.waiting_for_ride(on=localdate(at)).values_list("pk", flat=True))
    return [
        one.person
        for one in waiting(at=at)
        if one.ride is None and one.unsigned is None and one.person.pk in only_a_ride - but
    ]


def paper_words(paper: Paper) -> str:
    until = f" {date_format(paper.until)}" if paper.until else ""
    first = f"; first run it touches: {title_and_time(paper.run)}" if paper.run else ""
    return f"{paper.person}: {paper.step.title} {PAPERS[paper.state]}{until}{first}"


def weekly_of(today: date) -> list[dict[str, Any]]:
    """Weekly runs in use, each with whoever drives it regularly."""
    standings: dict[int, list[dict[str, str]]] = {}
    for standing in Standing.objects.going_on(today).select_related("person").order_by("from_day", "pk"):
        standings.setdefault(standing.shift_id, []).append(
            {
                "name": f"{standing.crew} ({standing.person})" if standing.crew else standing.person.name,
                "often": standing.get_pattern_display(),
                **phone_of(standing.person.phone),
            }
        )
    return [
        {"shift": shift, "regular": standings.get(shift.pk, []), **now_of(shift, today)}
        for shift in with_terms(Shift.objects.in_use(today))
    ]


def sites_of(first: date, last: date) -> list[dict[str, Any]]:
    """Sites in use, pickups first, with contacts, the newest door notes and closed dates ahead."""
    sites = list(Site.objects.in_use().prefetch_related("contacts").order_by("-gives", "name"))
    doors = newest_doors({site.pk for site in sites})
    closed: dict[int, list[Closure]] = {}
    for closure in Closure.objects.standing().filter(last__gte=first, first__lte=last):
        closed.setdefault(closure.site_id, []).append(closure)
    return [
        {
            "site": site,
            "contacts": [contact_row(contact) for contact in site.contacts.all()],
            "door": door_of(doors.get(site.pk)),
            "closed": closed.get(site.pk, []),
        }
        for site in sites
    ]


def contact_row(contact: Any) -> dict[str, str]:
    return {"name": contact.name, "role": contact.role, **phone_of(contact.phone)}


def people_of(today: date) -> dict[str, list[dict[str, str]]]:
    """Who may drive alone today: lead drivers, and the others."""
    ready = list(clearance.cleared(Person.objects.drivers(), on=today).order_by("name", "pk"))
    return {
        "leads": rows(person for person in ready if person.is_lead),
        "ready": rows(person for person in ready if not person.is_lead),
    }


def rows(people: Iterable[Person]) -> list[dict[str, str]]:
    return [
        {
            "name": person.name,
            "email": person.email,
            "reach": person.get_reach_display(),
            **phone_of(person.phone),
        }
        for person in people
    ]
