"""Runs, seats, stops and steps as the volunteer's pages draw them: plain values, no decisions left."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse
from django.utils.formats import date_format, time_format
from django.utils.timezone import localdate, localtime
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from shifts.models import Booking, Run, Standing, Stop
from shifts.pages.desk_parts import phone_of
from sites.models import DoorNotes, Site
from volunteers import doors
from volunteers.models import Person, Step
from volunteers.reading import SHIPPED

DAY = timedelta(days=1)


# --- runs


def seats_of(run: Run, viewer: Person, kept_for: Standing | None = None) -> list[dict[str, str]]:
    """Both seats of a run that was fetched `with_people`, driver first; of others only the first name. An
    empty driver's seat may be `kept_for` its regular."""
    seated = {booking.seat: booking for booking in run.seated}
    off = (
        _("cancelled") if run.is_cancelled else _("closed that day") if getattr(run, "closed", False) else ""
    )
    empty = {Booking.Seat.DRIVER: _("needs a driver"), Booking.Seat.SECOND: _("room for one")}
    labels = {Booking.Seat.DRIVER: _("Driver's seat"), Booking.Seat.SECOND: _("Second seat")}
    seats = []
    for kind in (Booking.Seat.DRIVER, Booking.Seat.SECOND):
        seat = {"kind": str(kind), "label": labels[kind], "state": "empty", "word": empty[kind], "note": off}
        booking = seated.get(kind)
        if booking:
            notes = [_("regular")] if booking.standing_id else []
            if kind == Booking.Seat.DRIVER and booking.person.is_lead:
                notes.append(_("lead driver"))
            if booking.ride != Booking.Ride.ALONG:
                notes.append(booking.get_ride_display())
            if booking.also_count:
                notes.append(_("%(n)s more along") % {"n": booking.also_count})
            note = off or ", ".join(notes)
            name = _("you") if booking.person_id == viewer.pk else booking.person.first_name
            seat |= {"state": "taken", "word": name, "note": note}
        elif kind == Booking.Seat.SECOND and not run.second_seat:
            seat |= {"state": "none", "word": _("no second seat"), "note": ""}
        elif off:
            seat |= {"state": "off", "word": off, "note": ""}
        elif kind == Booking.Seat.DRIVER and kept_for:
            seat |= {"state": "waiting", "word": kept_word(kept_for, viewer), "note": _("regular")}
        seats.append(seat)
    return seats


def kept_word(standing: Standing, viewer: Person) -> str:
    if standing.person_id == viewer.pk and not standing.crew:
        return _("kept for you")
    return _("kept for %(name)s") % {"name": standing.crew or standing.person.first_name}


def seat_on(run: Run, person: Person) -> Booking | None:
    """The person's live booking on a run that was fetched `with_people`."""
    return next((booking for booking in run.seated if booking.person_id == person.pk), None)


def card_of(run: Run, viewer: Person, note: str = "") -> dict[str, Any]:
    """A run in a list."""
    stops = [stop.site.name for stop in run.ordered_stops]
    return {
        "url": reverse("run", args=[run.pk]),
        "starts_at": run.starts_at,
        "ends_at": run.ends_at,
        "title": run.title,
        "stops": stops if len(stops) > 1 else [],
        "seats": seats_of(run, viewer),
        "note": note,
    }


def crates_expected(run: Run) -> str:
    """Empty where nobody has said how many."""
    if not run.crates:
        return ""
    return ngettext("about %(crates)s crate expected", "about %(crates)s crates expected", run.crates) % {
        "crates": run.crates
    }


def when(moment: datetime) -> str:
    """Day and time, as in "Tue, Dec 1, 8:00 a.m."."""
    start = localtime(moment)
    return f"{date_format(start)}, {time_format(start)}"


# --- stops


def stop_of(stop: Stop, run: Run, *, door: dict[str, Any] | None, contacts: bool) -> dict[str, Any]:
    """A stop in the order of a run. Contacts are for those who go there."""
    site = stop.site
    takes = site.foods if is_drop_off(stop, run) else ""
    return {
        "what": _("Drop-off") if is_drop_off(stop, run) else _("Pickup"),
        "name": site.name,
        "hint": _("Takes: %(foods)s") % {"foods": takes} if takes else "",
        "at": run.arrives_at(stop),
        "address": site.address,
        "map_url": map_url(site),
        "door": door,
        "contacts": [
            {"name": contact.name, "role": contact.role, **phone_of(contact.phone)}
            for contact in site.contacts.all()
        ]
        if contacts
        else [],
    }


def is_drop_off(stop: Stop, run: Run) -> bool:
    """A site that gives and takes is the drop-off where a run ends."""
    if stop.site.gives and stop.site.takes:
        return stop == run.ordered_stops[-1] and len(run.ordered_stops) > 1
    return not stop.site.gives


def map_url(site: Site) -> str:
    """A geo: address (RFC 5870), which opens whichever map the phone has; empty without a place.

    The query is not of the RFC, but maps on phones show its words and a mark there.
    """
    if site.place is None:
        return ""
    latitude, longitude = site.place
    place = f"{latitude:.6f},{longitude:.6f}"
    return f"geo:{place}?" + urlencode({"q": f"{place}({site.name})"}, safe=",()")


def door_of(notes: DoorNotes | None, *, read: int | None, link: bool = True) -> dict[str, Any] | None:
    """Door notes to show; None where none are written. `read` is the newest revision that the person has
    read, None if none."""
    if notes is None:
        return None
    return {
        "rows": [(_(heading).capitalize(), text) for heading, text in notes.paragraphs()],
        "updated": localtime(notes.written_at),
        "is_new": read is not None and read < notes.revision,
        "is_unread": (read or 0) < notes.revision,
        "reading": f"{notes.site_id}:{notes.revision}",  # what whoever has read them sends back
        "site": notes.site_id,
        "url": reverse("doors", args=[notes.site_id]) if link else "",
    }


def revisions_read(person: Person, site_ids: Iterable[int]) -> dict[int, int]:
    """The newest door notes that the person has read, and that still count, by site: one query."""
    read = doors.revisions_read([person.pk], site_ids, on=localdate())
    return {site: revision for (_person, site), revision in read.items()}


# --- steps


def only_doors(steps: Iterable[Step]) -> bool:
    """Whether reading door notes, which can be done at once, is all of these steps."""
    return all(step.kind == Step.Kind.DOORS for step in steps)


def title_of(step: Step) -> str:
    if step.kind == Step.Kind.DOORS and step.site:
        return _("Door notes: %(site)s") % {"site": step.site.name}
    return _(step.title)


def how_to_get(step: Step) -> str:
    if step.kind == Step.Kind.DOORS:
        return _("Read them here; it takes a minute.")
    return _(step.how) if step.how else _("Ask the coordinator.")


def link_to(step: Step, *, back: str = "") -> tuple[str, str]:
    """Where a volunteer can do the step themselves, and a word for the button; both empty elsewhere."""
    query = "?" + urlencode({"next": back}) if back else ""
    if step.kind == Step.Kind.DOORS and step.site_id:
        return reverse("doors", args=[step.site_id]) + query, _("Read them now")
    if step.kind == Step.Kind.BRIEFING:
        page = reverse("briefing") if step.code == SHIPPED else reverse("briefing_of", args=[step.pk])
        return page + query, _("Read it now")
    if step.kind == Step.Kind.RIDE:
        return reverse("runs"), _("Find a ride")
    return "", ""


def missing_task(step: Step, *, back: str = "") -> dict[str, str]:
    """A step that is missing, with how to get it. `back` is the page to return to after reading."""
    url, action = link_to(step, back=back)
    return {
        "name": title_of(step),
        "state": "missing",
        "word": _("Missing"),
        "hint": how_to_get(step),
        "url": url,
        "action": action,
    }
