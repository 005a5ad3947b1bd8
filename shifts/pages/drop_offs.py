"""Where else a run's food can go: the fallback of its drop-off first, with what each takes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from django.http import HttpRequest
from django.utils.text import Truncator

from shifts.models import Run
from shifts.pages import volunteer_parts as parts
from shifts.pages.desk_parts import phone_of
from shifts.seats import days
from sites.models import Closure, Site

KEY = "rerouted"  # in the session of a driver: what the run was before they took its food elsewhere


def taking() -> list[Site]:
    """The sites that take food now."""
    return list(Site.objects.in_use().filter(takes=True))


def closed_on(first: date, last: date) -> dict[int, list[Closure]]:
    """Closed dates of all sites that touch the days, by site: one query."""
    found: dict[int, list[Closure]] = {}
    for closure in Closure.objects.standing().filter(first__lte=last, last__gte=first):
        found.setdefault(closure.site_id, []).append(closure)
    return found


def is_closed(site: int, day: date, closures: Mapping[int, Iterable[Closure]]) -> bool:
    return any(closure.first <= day <= closure.last for closure in closures.get(site, ()))


def others(run: Run, sites: Iterable[Site]) -> list[Site]:
    """The drop-offs that its food could go to instead, the fallback first."""
    fallback = run.ordered_stops[-1].site.fallback_id
    found = [site for site in sites if site.pk not in run.site_ids]
    return sorted(found, key=lambda site: site.pk != fallback)  # sorting keeps the order of the others


def label_of(site: Site, run: Run, closures: Mapping[int, Iterable[Closure]]) -> str:
    said = [site.name]
    if site.pk == run.ordered_stops[-1].site.fallback_id:
        said.append("fallback")
    if site.foods:
        said.append(f"takes {Truncator(site.foods).chars(60)}")
    if is_closed(site.pk, run.local_date, closures):
        said.append("closed that day")
    return ", ".join(said)


# --- while the run is on


def elsewhere(run: Run, at: datetime) -> list[dict[str, Any]]:
    """For the desk, while the run is on: the drop-offs to take its food to, with whom to call there. Empty
    at any other time."""
    if not days.is_on(run, at):
        return []
    closures = closed_on(run.local_date, run.local_date)
    sites = Site.objects.in_use().filter(takes=True).prefetch_related("contacts")
    fallback = run.ordered_stops[-1].site.fallback_id
    return [
        {
            "site": site,
            "is_fallback": site.pk == fallback,
            "closed": is_closed(site.pk, run.local_date, closures),
            "contacts": contacts_of(site),
        }
        for site in others(run, sites)
    ]


def contacts_of(site: Site) -> list[dict[str, str]]:
    return [
        {"name": contact.name, **phone_of(contact.phone)} for contact in site.contacts.all() if contact.phone
    ]


def nobody_there(run: Run, at: datetime, *, drives: bool) -> dict[str, Any] | None:
    """For the driver, while the run is on: where the food goes if nobody takes it at the drop-off. None
    for anybody else and at any other time."""
    if not drives or not days.is_on(run, at):
        return None
    last = run.ordered_stops[-1].site
    found: dict[str, Any] = {"here": last, "started": run.starts_at <= at}
    fallback = fallback_of(run)
    if fallback:
        found |= {
            "site": fallback,
            "map_url": parts.map_url(fallback),
            "contacts": contacts_of(fallback),
        }
    return found


def fallback_of(run: Run) -> Site | None:
    """Where the food of the run's drop-off goes instead, if that place is in use and open that day."""
    key = run.ordered_stops[-1].site.fallback_id
    if key is None:
        return None
    shut = Closure.objects.on(run.local_date).values("site")
    possible = Site.objects.in_use().filter(takes=True, pk=key).exclude(pk__in=shut)
    return possible.exclude(pk__in=run.site_ids).prefetch_related("contacts").first()


def remember(request: HttpRequest, before: Run, after: Run) -> None:
    """What the run was before its driver took the food elsewhere, so that they can take that back."""
    shape = days.plain_shape(days.shape_of(before))
    request.session[KEY] = {"run": after.pk, "now": after.site_ids[-1], "shape": shape}


def way_back(request: HttpRequest, run: Run, at: datetime) -> dict[str, Any] | None:
    """The change of drop-off that can be taken back: the site it was, and the run's shape then."""
    kept = request.session.get(KEY)
    if not kept or not days.is_on(run, at) or (kept["run"], kept["now"]) != (run.pk, run.site_ids[-1]):
        return None
    shape = days.shape_from_plain(kept["shape"])
    site = Site.objects.filter(pk=shape.stops[-1][0]).first()
    return {"site": site, "shape": shape} if site else None
