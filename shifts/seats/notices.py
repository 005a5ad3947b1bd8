"""What people are told of their bookings: one function a notice, each owed in the transaction of the fact."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from typing import Any

from django.conf import settings
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _
from django.utils.translation import override

from shifts.calendar import invitations
from shifts.calendar.components import newest_doors
from shifts.calendar.entries import Touched
from shifts.models import Booking, CalendarEntry, Policy, Run, Standing
from shifts.seats.on_call import as_reached, coordinators, covering
from shifts.seats.refusals import sentence
from shifts.seats.ride_words import cautions, ride_words
from sites.models import Programme
from volunteers import clearance, outbox
from volunteers.models import Person, SignOff, StepTerm


@contextmanager
def in_words_of(person: Person) -> Iterator[Programme]:
    """Their language, and the clock of the programme, which it hands on with whoever is on call now; for
    whoever is on call themselves, with the programme's own contact."""
    programme = Programme.current()
    cover = covering(timezone.now(), programme)
    programme = as_reached(programme, None if cover == person else cover)
    with override(person.language), timezone.override(programme.zone):
        yield programme


def facts(run: Run, person: Person, programme: Programme, **more: Any) -> dict[str, Any]:
    """What every mail about a run can say."""
    doors = newest_doors(set(run.site_ids))
    return {
        "run": run,
        "person": person,
        "programme": programme,
        "doors": doors,
        "stops": [
            {"site": stop.site, "at": run.arrives_at(stop), "doors": doors.get(stop.site_id)}
            for stop in run.ordered_stops
        ],
        "link": settings.BASE_URL + reverse("run", args=[run.pk]),
        **more,
    }


def with_calendar(
    mail: outbox.Mail, entry: CalendarEntry, method: str, context: dict[str, Any], at: datetime
) -> outbox.Mail:
    """The mail with its calendar object, where the entry went out by mail."""
    if not entry.address:
        return mail
    build = invitations.request if method == "REQUEST" else invitations.cancellation
    calendar = build(entry, doors=context["doors"], programme=context["programme"], at=at)
    return outbox.Mail(mail.subject, mail.text, mail.html, calendar=calendar, method=method)


def owe_for_entry(
    name: str, booking: Booking, entry: CalendarEntry, method: str, at: datetime, **more: Any
) -> None:
    with in_words_of(booking.person) as programme:
        context = facts(booking.run, booking.person, programme, booking=booking, **more)
        mail = with_calendar(outbox.render(name, context), entry, method, context, at)
        outbox.owe(
            person=booking.person,
            mail=mail,
            kind=name,
            about=entry.uid,
            at=at,
            key=f"{name}:{entry.uid}:{entry.sequence}",
            programme=programme,
        )


def booked(booking: Booking, entry: CalendarEntry, *, on_behalf: bool, at: datetime) -> None:
    """You have this seat; with the invitation."""
    how = []
    if booking.ride != Booking.Ride.ALONG:
        with in_words_of(booking.person):
            how = [ride_words(booking, to=booking.person), *cautions(booking.ride)]
    owe_for_entry("booked", booking, entry, "REQUEST", at, on_behalf=on_behalf, how=how)


def changed(booking: Booking, entry: CalendarEntry, *, what: list[str], at: datetime) -> None:
    """Your run has changed; with the invitation's new version. `what` lists the changes in words."""
    owe_for_entry("changed", booking, entry, "REQUEST", at, what=what)


def ended(booking: Booking, entry: CalendarEntry, *, at: datetime) -> None:
    """Your seat is given back, or the run is off; with the cancellation."""
    owe_for_entry("ended", booking, entry, "CANCEL", at)


def seat_empty(booking: Booking, *, at: datetime) -> None:
    """The driver's seat fell empty: whoever rides along is told, and at short notice the coordinators.

    Short notice lasts until the run is over: a driver who says so after its start is the shortest of all.
    """
    run = booking.run
    if booking.seat != Booking.Seat.DRIVER or run.ends_at <= at:
        return
    for other in run.bookings.live().select_related("person"):
        with in_words_of(other.person) as programme:
            words = "" if other.person.is_adult else beside_guardian_only()
            mail = outbox.render(
                "no_lead", facts(run, other.person, programme, driver=booking.person, young=words)
            )
            outbox.owe(
                person=other.person, mail=mail, kind="no lead", key=f"no-lead:{other.pk}:{booking.pk}", at=at
            )
    short_notice = timedelta(hours=Policy.current().short_notice_hours)
    if booking.end == Booking.End.GIVEN_BACK and run.starts_at - at <= short_notice:
        for coordinator in coordinators(at):
            with in_words_of(coordinator) as programme:
                desk = settings.BASE_URL + reverse("desk_run", args=[run.pk])
                mail = outbox.render(
                    "given_back", facts(run, coordinator, programme, booking=booking, desk=desk)
                )
                outbox.owe(
                    person=coordinator,
                    mail=mail,
                    kind="given back",
                    key=f"given-back:{booking.pk}:{coordinator.pk}",
                    at=at,
                )


def beside_guardian_only() -> str:
    """To somebody under 18 whose guardian does not drive any more."""
    return _(
        "Under 18 one rides only beside one's guardian, who does not drive this run now. "
        "Please do not set out before the coordinator has called."
    )


def runs_changed() -> str:
    return _("Your runs have changed")


def news(
    person: Person,
    items: Sequence[Any],
    touched: Sequence[Touched],
    *,
    headline: Callable[[], str],
    at: datetime,
) -> None:
    """Everything one change means to a person, in one mail; it carries the calendar object of the first
    entry it touches, of those that go on where there is one: a mail about what is theirs now must not show
    a cancellation. Each further entry has a short mail of its own, because an object holds one UID.

    Where nothing is to be said, only calendars are brought up to date.
    """
    rest = list(touched)
    with in_words_of(person) as programme:
        if items:
            own = [one for one in rest if one.entry.address == person.email]
            first = min(own, key=lambda one: one.method != "REQUEST", default=None)
            rest = [one for one in rest if one is not first]
            lines = [line for item in items for line in lines_of(item)]
            link = settings.BASE_URL + reverse("home")
            drives = any(item.kind in ("booked", "begun") for item in items)
            context = {
                "headline": headline(),
                "lines": lines,
                "drives": drives,
                "link": link,
                "programme": programme,
            }
            mail = outbox.render("news", context)
            if first:
                mail = with_calendar(mail, first.entry, first.method, calendar_context(first, programme), at)
            outbox.owe(
                person=person,
                mail=mail,
                kind=outbox.NEWS,
                about=first.entry.uid if first else "",
                key=f"news:{person.pk}:{secrets.token_hex(8)}",
                at=at,
                programme=programme,
            )
        for one in rest:
            calendar_only(person, one, programme, at=at)


def calendar_only(person: Person, touched: Touched, programme: Programme, *, at: datetime) -> None:
    """A mail that only brings a calendar up to date; nothing where none is told by mail."""
    entry = touched.entry
    if not entry.address:
        return
    context = {
        "title": title_of(entry),
        "programme": programme,
        "moved": entry.address != person.email,
        "still_booked": touched.method == "CANCEL" and is_held(entry),
    }
    mail = outbox.render("calendar_only", context)
    outbox.write(
        address=entry.address,
        name=person.name,
        person=person,
        mail=with_calendar(mail, entry, touched.method, calendar_context(touched, programme), at),
        kind="calendar",
        about=entry.uid,
        key=f"calendar:{entry.uid}:{entry.sequence}",
        at=at,
        programme=programme,
    )


def is_held(entry: CalendarEntry) -> bool:
    """Whether the run is theirs all the same, and takes place, so that only its entry ends."""
    booking = entry.booking
    if booking is None or booking.ended_at is not None:
        return False
    return Run.objects.on_the_books().without_closed().filter(pk=booking.run_id).exists()


def calendar_context(touched: Touched, programme: Programme) -> dict[str, Any]:
    """What building an entry's calendar object needs."""
    entry = touched.entry
    if entry.booking:
        sites = set(entry.booking.run.site_ids)
    else:
        assert entry.standing is not None
        sites = sites_of(entry.standing)
    return {"doors": newest_doors(sites), "programme": programme}


def sites_of(standing: Any) -> set[int]:
    """Every site that a regular run stops at, moved runs included; it comes from `for_calendars`."""
    of_terms = {stop.site_id for term in standing.shift.terms.all() for stop in term.stops.all()}
    return of_terms | {site for booking in standing.driven for site in booking.run.site_ids}


def title_of(entry: CalendarEntry) -> str:
    if entry.booking:
        run = entry.booking.run
        return f"{run.title}, {date_format(localtime(run.starts_at))}"
    assert entry.standing is not None
    return entry.standing.shift.name


def lines_of(item: Any) -> list[str]:
    """One thing that is told, as sentences in a list with others."""
    if item.booking is None:
        return item.what
    run, start = item.booking.run, localtime(item.booking.run.starts_at)
    words = {"run": run.title, "day": date_format(start), "time": time_format(start)}
    if item.kind == "booked":
        if item.booking.seat == Booking.Seat.DRIVER:
            return [_("You drive: %(run)s, %(day)s at %(time)s") % words]
        along = item.booking.ride == Booking.Ride.ALONG
        how = (
            [] if along else [ride_words(item.booking, to=item.booking.person), *cautions(item.booking.ride)]
        )
        return [_("You ride along: %(run)s, %(day)s at %(time)s") % words, *how]
    if item.kind == "changed":
        return [
            f"{run.title}: {line}" if words["day"] in line else f"{run.title}, {words['day']}: {line}"
            for line in item.what
        ]
    if item.booking.end == Booking.End.CANCELLED:
        line = _("Cancelled, please do not go: %(run)s, %(day)s at %(time)s") % words
        return [f"{sentence(line + '.')} {item.booking.end_note}" if item.booking.end_note else line]
    return [_("You are off: %(run)s, %(day)s at %(time)s") % words]


def kept(standing: Standing, run: Run, *, missing: Sequence[StepTerm], until: date, at: datetime) -> None:
    """To a regular driver who is not ready on a run's date: it is kept for them until a day. Told once for
    what is missing, with the first of the runs."""
    person = standing.person
    steps = ",".join(str(term.step_id) for term in missing)
    with in_words_of(person) as programme:
        names = ", ".join(_(term.step.title) for term in missing)
        start = localtime(run.starts_at)
        words = {
            "run": run.title,
            "day": date_format(start),
            "steps": names,
            "until": date_format(until),
        }
        line = (
            _("Missing for %(run)s from %(day)s on: %(steps)s. The run is kept for you until %(until)s.")
            % words
        )
        context = {
            "headline": _("Kept for you for now: %(run)s") % words,
            "lines": [line, _("Give it to the coordinator, or do it on your orientation page.")],
            "link": settings.BASE_URL + reverse("orientation"),
            "where": "steps",
            "programme": programme,
        }
        outbox.owe(
            person=person,
            mail=outbox.render("news", context),
            kind="kept",
            key=f"kept:{standing.pk}:{steps}:{standing.cleared_until}",
            at=at,
            programme=programme,
        )


def kept_no_longer(standing: Standing, run: Run, *, missing: Sequence[StepTerm], at: datetime) -> None:
    """The day has come: the run is asked around. To its regular driver (of a crew, the captain) and the
    coordinators, once."""
    for person in {standing.person, *coordinators(at)}:
        with in_words_of(person) as programme:
            own = person == standing.person
            start = localtime(run.starts_at)
            words = {
                "run": run.title,
                "day": date_format(start),
                "time": time_format(start),
                "name": standing.crew or standing.person.name,
                "steps": ", ".join(_(term.step.title) for term in missing),
            }
            headline = _("Needs a driver: %(run)s, %(day)s, %(time)s") % words
            if own and missing:
                line = _("Still missing: %(steps)s. So this run is offered to others now.") % words
            elif own:
                line = _("Nobody is named for this run, so it is offered to others now.")
            elif missing:
                line = _("It was kept for %(name)s, who still lacks: %(steps)s.") % words
            else:
                line = _("It was kept for %(name)s, and nobody is named.") % words
            page = reverse("run" if own else "desk_run", args=[run.pk])
            context = {
                "headline": headline,
                "lines": [line],
                "link": settings.BASE_URL + page,
                "where": "run",
                "programme": programme,
            }
            outbox.owe(
                person=person,
                mail=outbox.render("news", context),
                kind="kept",
                key=f"kept-no-longer:{standing.pk}:{run.pk}:{person.pk}",
                at=at,
                programme=programme,
            )


def signed_off(signed: SignOff, *, by: Any, at: datetime) -> None:
    """A lead driver's word on a ride: to the trainee; and where there is a word for the coordinators alone,
    to them that it is there. It stands on the trainee's page, which whoever covers for them reads without."""
    trainee = signed.trainee
    if trainee.left_on is None:
        with in_words_of(trainee) as programme:
            headline, lines = words_on_ride(signed, at)
            context = {
                "headline": headline,
                "lines": lines,
                "link": settings.BASE_URL + reverse("orientation"),
                "where": "steps",
                "programme": programme,
            }
            outbox.owe(
                person=trainee,
                mail=outbox.render("news", context),
                kind="signed off",
                key=f"signed-off:{signed.pk}",
                at=at,
                programme=programme,
            )
    if not signed.private_remarks:
        return
    others = Person.objects.coordinators().exclude(pk=trainee.pk)
    for coordinator in others.exclude(user=by) if by else others:
        with in_words_of(coordinator) as programme:
            words = {"name": trainee.name, "lead": signed.lead.name, "day": date_format(signed.ridden_on)}
            context = {
                "headline": _("A word for you alone, on the ride of %(name)s") % words,
                "lines": [
                    _("%(lead)s has signed off the ride on %(day)s and left a word for coordinators.") % words
                ],
                "link": settings.BASE_URL + reverse("desk_person", args=[trainee.pk]) + "#rides",
                "where": "person",
                "programme": programme,
            }
            outbox.owe(
                person=coordinator,
                mail=outbox.render("news", context),
                kind="signed off",
                key=f"signed-off:{signed.pk}:{coordinator.pk}",
                at=at,
                programme=programme,
            )


def words_on_ride(signed: SignOff, at: datetime) -> tuple[str, list[str]]:
    """What the trainee is told of their ride, in the active language: a headline, and lines. Never what only
    coordinators read."""
    words = {
        "lead": signed.lead.first_name,
        "day": date_format(signed.ridden_on),
        "outcome": signed.get_outcome_display(),
        "words": " ".join(signed.remarks.split()),
    }
    lines = [_("%(lead)s about your ride on %(day)s: %(outcome)s.") % words]
    if words["words"]:
        lines.append(_("%(lead)s writes: %(words)s") % words)
    if signed.outcome == SignOff.Outcome.AGAIN:
        more = _("Many ride along more than once. Take another second seat, or wait until one is proposed.")
        return _("One more ride before you drive alone"), [*lines, more]
    if not (signed.trainee.drives and signed.trainee.is_adult):
        return _("Your shadow ride counts"), lines
    terms = clearance.missing(signed.trainee, on=localtime(at).date(), sites=[])
    if terms:
        missing = ", ".join(_(term.step.title) for term in terms)
        return _("Your shadow ride counts"), [*lines, _("Still missing: %(steps)s") % {"steps": missing}]
    take = _("Take a run that needs a driver, whenever it suits you.")
    return _("You are ready to drive alone"), [*lines, take]


def sign_off_taken_back(signed: SignOff, lost: Sequence[Booking], *, by: Any, at: datetime) -> None:
    """A sign-off counts no longer: to the trainee in kind words, with the seats `lost` that they are not
    ready for any more; and, where there are any, to the coordinators but the one who did it."""
    trainee = signed.trainee
    outbox.take_back(f"signed-off:{signed.pk}", at=at)
    if trainee.left_on is None:
        with in_words_of(trainee) as programme:
            context = {
                "signed": signed,
                "runs": [booking.run for booking in lost],
                "link": settings.BASE_URL + reverse("orientation"),
                "programme": programme,
            }
            outbox.owe(
                person=trainee,
                mail=outbox.render("sign_off_back", context),
                kind="sign-off back",
                key=f"sign-off-back:{signed.pk}",
                at=at,
            )
    if not lost:
        return
    others = coordinators(at).exclude(pk=trainee.pk)
    for coordinator in others.exclude(user=by) if by else others:
        with in_words_of(coordinator) as programme:
            words = {"name": trainee.name, "lead": signed.lead.name, "day": date_format(signed.ridden_on)}
            context = {
                "headline": _("Not ready any more, but booked: %(name)s") % words,
                "lines": [
                    _("The sign-off of %(name)s's ride with %(lead)s on %(day)s was taken back.") % words,
                    *(line_of_run(booking.run) for booking in lost),
                    _("They keep these seats until somebody changes that."),
                ],
                "link": settings.BASE_URL + reverse("desk_person", args=[trainee.pk]),
                "where": "person",
                "programme": programme,
            }
            outbox.owe(
                person=coordinator,
                mail=outbox.render("news", context),
                kind="sign-off back",
                key=f"sign-off-back:{signed.pk}:{coordinator.pk}",
                at=at,
                programme=programme,
            )


def line_of_run(run: Run) -> str:
    start = localtime(run.starts_at)
    return f"{run.title}, {date_format(start)}, {time_format(start)}"
