"""What one run's page says to one person: seats to take or why not, what happens next, the ride's word."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from shifts.calendar.components import newest_doors
from shifts.cover.confirming import confirmation_due
from shifts.models import Booking, HandOver, Policy, Run, Standing
from shifts.pages import drop_offs
from shifts.pages import volunteer_parts as parts
from shifts.pages.desk_parts import phone_of
from shifts.pages.forms_volunteer import SignOffForm
from shifts.pages.regular_parts import may_begin
from shifts.pages.riding_parts import how_facts
from shifts.seats import handover
from shifts.seats.booking import why_not
from shifts.seats.keeping import kept_for, release_day
from shifts.seats.own_links import word_path
from shifts.seats.refusals import Kept, NoSecondSeat, NotReady, Refusal, Taken
from shifts.seats.rides import ride_of
from shifts.seats.riding import unled_trainees
from volunteers import clearance
from volunteers.models import Person, Step
from volunteers.progress import today

STARTS_SOON = timedelta(hours=2)  # whoever takes a seat so late is told to look at the drive first

Seat = Booking.Seat
TAKE = {
    Seat.DRIVER: gettext_lazy("Take the driver's seat"),
    Seat.SECOND: gettext_lazy("Take the second seat"),
}
READ_AND_DRIVE = gettext_lazy("I have read these door notes: take the driver's seat")
CONCERNS = {
    Seat.DRIVER: gettext_lazy("The driver's seat"),
    Seat.SECOND: gettext_lazy("The second seat"),
}


def facts(
    run: Run,
    person: Person,
    at: datetime,
    *,
    refused: tuple[str, Refusal] | None = None,
    problem: str = "",
    changed: bool = False,
    form: SignOffForm | None = None,
    form_problem: str = "",
) -> dict[str, Any]:
    """Everything the page shows; `run` was fetched `with_closed` and `with_people`.

    `refused` is the seat just asked for and why it cannot be had, `problem` anything else that could not
    be done, `changed` that door notes were written anew while the person read, `form` and `form_problem` a
    sign-off that could not be recorded.
    """
    mine = parts.seat_on(run, person)
    over = run.ends_at <= at
    doors = doors_of(run, person)
    gave_back = None if mine else last_given_back(run, person)
    offers = [] if mine or over else offers_of(run, person, at, doors, refused, gave_back)
    asked_to_read = any(offer["doors"] for offer in offers)
    new_doors = [] if over or run.is_cancelled or asked_to_read else to_read_first(run, person, doors)
    regular = regular_keeping(run, at)
    unled = run.starts_at > at and is_unled(run, person)
    return {
        "run": run,
        "when": parts.when(run.starts_at),
        "crates": parts.crates_expected(run),
        "seats": parts.seats_of(run, person, kept_for=regular),
        "kept_until": release_day(run, Policy.current())
        if regular and regular.person_id == person.pk and not mine
        else None,
        "mine": mine,
        "drives": drives(run, person),
        "over": over,
        "can_give_back": mine is not None and not over,
        "word": word_path(mine) if mine and confirmation_due(mine, at) else "",
        "starts_at": int(run.starts_at.timestamp()),
        "gave_back": gave_back,
        "offers": [offer for offer in offers if not offer["why"]],
        "refusals": [offer for offer in offers if offer["why"]],
        "is_full": not mine and not over and not offers,
        "can_be_regular": drives_or_may(mine, offers) and may_begin(run, person, at),
        **handing_facts(run, mine, at),
        **how_facts(run, person, over=over),
        "starts_soon": not mine and timedelta(0) < run.starts_at - at <= STARTS_SOON,
        "beside": beside(run, person),
        "also": also_along(run, person),
        "nobody_there": drop_offs.nobody_there(run, at, drives=drives(run, person)),
        "stops": stops_of(run, person, doors, shown_above=bool(new_doors) or asked_to_read),
        "new_doors": new_doors,
        "closed_sites": run.closed_sites() if run.closed else [],
        "missing": missing_tasks(run, person, new_doors)
        if drives(run, person) and run.starts_at > at
        else [],
        "unled": unled,
        "next_steps": next_steps(run, person, mine) if mine and run.starts_at > at and not unled else [],
        "household": household_on(run, person),
        "problem": problem,
        "changed": changed,
        **ride_facts(run, person, at, form),
        "form_problem": form_problem,
    }


def drives(run: Run, person: Person) -> bool:
    mine = parts.seat_on(run, person)
    return mine is not None and mine.seat == Seat.DRIVER


def is_unled(run: Run, person: Person) -> bool:
    """Whether they ride along as a trainee, and no lead driver drives now. No query where one does."""
    mine = parts.seat_on(run, person)
    if mine is None or mine.seat == Seat.DRIVER:
        return False
    if any(one.seat == Seat.DRIVER and one.person.is_lead for one in run.seated):
        return False
    return unled_trainees().filter(pk=mine.pk).exists()


def regular_keeping(run: Run, at: datetime) -> Standing | None:
    """Whose regular run it is kept for: nobody sits there yet. None where it is kept for nobody."""
    if run.shift_id is None or run.has_driver or run.is_cancelled or run.starts_at <= at:
        return None
    return kept_for([run], at=at).get(run.pk)


def drives_or_may(mine: Booking | None, offers: Sequence[dict[str, Any]]) -> bool:
    """Whether the person drives the run, as a single one, or the driver's seat is theirs to take at once."""
    if mine:
        return mine.seat == Seat.DRIVER and mine.standing_id is None
    return any(offer["seat"] == Seat.DRIVER and not offer["why"] and not offer["doors"] for offer in offers)


def handing_facts(run: Run, mine: Booking | None, at: datetime) -> dict[str, Any]:
    """For the driver of a run ahead: whether it can be handed on, and who is asked."""
    if mine is None or mine.seat != Seat.DRIVER or run.starts_at <= at or run.is_cancelled:
        return {}
    asked: HandOver | None = handover.open_for(mine)
    return {"can_hand_on": asked is None, "asked": handover.short_name(asked.to) if asked else ""}


def beside(run: Run, person: Person) -> list[dict[str, str]]:
    """Whoever else is on the person's run: first name and phone, for them alone."""
    return people_on(run, but=person) if parts.seat_on(run, person) else []


def people_on(run: Run, *, but: Person | None) -> list[dict[str, str]]:
    """First name, phone and what they do, of those who sit in a run; for nobody who is not on it."""
    return [
        {
            "name": booking.person.first_name,
            "role": _("drives") if booking.seat == Seat.DRIVER else _("rides along"),
            **phone_of(booking.person.phone),
        }
        for booking in run.seated
        if but is None or booking.person_id != but.pk
    ]


def also_along(run: Run, person: Person) -> str:
    """Who else is in the car, by name, for those on the run."""
    if parts.seat_on(run, person) is None:
        return ""
    return next((booking.also for booking in run.seated if booking.seat == Seat.DRIVER), "")


def household_on(run: Run, person: Person) -> list[Person]:
    """People on the run for whom the same sign-in may act, so that it can switch to them."""
    if person.user_id is None:
        return []
    return [
        booking.person
        for booking in run.seated
        if booking.person.user_id == person.user_id and booking.person_id != person.pk
    ]


def doors_of(run: Run, person: Person) -> dict[int, dict[str, Any]]:
    """The newest door notes by site, as they are shown to the person, in the order of the stops."""
    newest = newest_doors(set(run.site_ids))
    read = parts.revisions_read(person, run.site_ids)
    return {
        stop.site_id: {**door, "name": stop.site.name}
        for stop in run.ordered_stops
        if (door := parts.door_of(newest.get(stop.site_id), read=read.get(stop.site_id)))
    }


def to_read_first(run: Run, person: Person, doors: dict[int, dict[str, Any]]) -> list[dict[str, Any]]:
    """Door notes that changed since the person read them; for somebody on the run, those never read too."""
    which = "is_unread" if parts.seat_on(run, person) else "is_new"
    return [door for door in doors.values() if door[which]]


def stops_of(
    run: Run, person: Person, doors: dict[int, dict[str, Any]], *, shown_above: bool = False
) -> list[dict[str, Any]]:
    """The stops with door notes, and the sites' contacts for those who go there. New door notes stand open
    here unless the page has shown them above."""
    mine = parts.seat_on(run, person)
    shut = {site.pk for site in run.closed_sites()} if run.closed else set()
    stops = []
    for stop in run.ordered_stops:
        door = doors.get(stop.site_id)
        shown = parts.stop_of(stop, run, door=door, contacts=mine is not None)
        shown["door_open"] = door is not None and door["is_new"] and not shown_above
        if stop.site_id in shut:
            shown |= {"state": "off", "word": _("closed that day")}
        stops.append(shown)
    return stops


def missing_tasks(run: Run, person: Person, shown: list[dict[str, Any]]) -> list[dict[str, str]]:
    """What keeps the person from driving this run alone, each with how to get it. Door notes that are
    `shown` on the page are read there."""
    steps = [term.step for term in clearance.missing(person, on=run.local_date, sites=run.site_ids)]
    here = {door["site"] for door in shown}
    return [
        task | {"url": "#new-door-notes"} if step.kind == Step.Kind.DOORS and step.site_id in here else task
        for step, task in zip(steps, tasks_of(run, steps), strict=True)
    ]


def tasks_of(run: Run, steps: Sequence[Step]) -> list[dict[str, str]]:
    return [parts.missing_task(step, back=reverse("run", args=[run.pk])) for step in steps]


# --- seats


def last_given_back(run: Run, person: Person) -> Booking | None:
    """The seat they gave back, where that is the last word between them and the run."""
    last = run.bookings.of(person).exclude(ended_at=None).order_by("-ended_at", "-pk").first()
    return last if last and last.end == Booking.End.GIVEN_BACK else None


def offers_of(
    run: Run,
    person: Person,
    at: datetime,
    doors: dict[int, dict[str, Any]],
    refused: tuple[str, Refusal] | None,
    gave_back: Booking | None,
) -> list[dict[str, Any]]:
    """The seat the person may take, and why not the others. What concerns both seats is said once, and
    whoever may drive is not offered the second seat as well. Empty when nothing is left to take.

    Where only door notes are missing, the seat is offered together with them: they are read and the seat
    is taken in one step."""
    offers: list[dict[str, Any]] = []
    for seat in (Seat.DRIVER, Seat.SECOND):
        asked = refused is not None and refused[0] == seat
        refusal = refused[1] if refused and asked else why_not(run=run, person=person, seat=seat, at=at)
        if isinstance(refusal, (Taken, NoSecondSeat)) and not asked:
            continue
        if offers and offers[0]["is_kept"] and not asked:
            continue  # nobody drives yet: there is nobody to sit beside
        if offers and not offers[0]["why"] and not asked:
            continue
        unread = notes_to_read(refusal, doors)
        if unread:
            refusal = None
        if any(offer["why"] == (refusal.why if refusal else "") for offer in offers):
            continue
        again = gave_back is not None and gave_back.seat == seat
        offers.append(
            {
                "seat": seat.value,
                "button": READ_AND_DRIVE if unread else _("I can make it after all") if again else TAKE[seat],
                "doors": unread,
                "title": title_of(seat, refusal),
                "why": refusal.why if refusal else "",
                "next": refusal.next if refusal else "",
                "asked": asked,
                "is_kept": isinstance(refusal, Kept),
                "missing": tasks_of(run, refusal.missing) if isinstance(refusal, NotReady) else [],
            }
        )
    return offers


def notes_to_read(refusal: Refusal | None, doors: dict[int, dict[str, Any]]) -> list[dict[str, Any]]:
    """The door notes that stand between the person and the driver's seat, where nothing else does; with
    those that changed since they read them."""
    if not isinstance(refusal, NotReady) or not parts.only_doors(refusal.missing):
        return []
    missing = {step.site_id for step in refusal.missing}
    return [door for site, door in doors.items() if site in missing or door["is_new"]]


def title_of(seat: Booking.Seat, refusal: Refusal | None) -> str:
    """A heading over a refusal: its seat where it is about one, else nothing."""
    one_seat = ("not ready", "taken", "no second seat", "no lead driver")
    return str(CONCERNS[seat]) if refusal and refusal.code in one_seat else ""


def next_steps(run: Run, person: Person, mine: Booking) -> list[str]:
    """What happens from here on, in order."""
    words = []
    if person.is_mailed:
        words.append(_("An invitation for your calendar goes to %(address)s.") % {"address": person.email})
    else:
        words.append(_("If anything changes, the coordinator calls or texts you. Note the time now."))
    if run.ordered_stops:
        first = run.ordered_stops[0]
        place = {"site": first.site.name, "when": parts.when(run.arrives_at(first))}
        words.append(
            _("Be at %(site)s: %(when)s") % place
            if mine.seat == Seat.DRIVER
            else _("Meet your driver at %(site)s: %(when)s") % place
        )
    words.append(
        _("Bring your starter kit, license and insurance card, and an empty car.")
        if mine.seat == Seat.DRIVER
        else _("Bring closed shoes, clothes you can lift in, and your starter kit if you have it.")
    )
    if mine.ride != Booking.Ride.ALONG:
        words.append(_("You drive a car on this run: bring your license and insurance card."))
    words.append(_("Ill, or something came up? Say “I can't make it” on this page, the sooner the better."))
    return words


# --- the lead driver's word


def ride_facts(
    run: Run, person: Person, at: datetime, form: SignOffForm | None, *, early: bool = False
) -> dict[str, Any]:
    """From the start of the run on: the form for its lead driver, or the word that was given, which the
    trainee reads too. `early` gives the form before the start as well, on a page that may be kept on a phone
    and filled in where there is no network."""
    begun = run.starts_at <= at
    ride = ride_of(run) if (begun or early) and not run.is_cancelled else None
    if ride is None or person.pk not in (ride[0].person_id, ride[1].person_id):
        return {}
    lead, second = ride
    word = second.sign_off if second.sign_off and not second.sign_off.is_taken_back else None
    found: dict[str, Any] = {"word": word, "lead": lead.person, "trainee": second.person, "begun": begun}
    leads = person.pk == lead.person_id
    lacking = run.bookings.filter(pk=second.pk).lacking_a_ride(today(at))
    if leads and (form or (word is None and lacking.exists())):
        points = Policy.current().points()
        found |= {"form": form or SignOffForm(points=points), "asks_sign_off": True}
    return found
