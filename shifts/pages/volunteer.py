"""The volunteer's pages: my next run, runs with room, one run, its seats, the lead driver's word."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any

from django.contrib import messages
from django.db.models import Exists, OuterRef, Subquery
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.utils.timezone import localdate
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shifts.cover.candidates import KeysAsList
from shifts.models import Ask, Booking, HandOver, Policy, Run, Stop
from shifts.models.run import RunQuerySet
from shifts.pages import drop_offs
from shifts.pages import volunteer_parts as parts
from shifts.pages import volunteer_run as page
from shifts.pages.access import Request, keeps_desk, volunteer_only
from shifts.pages.forms_volunteer import GiveBackForm, SignOffForm, span_of_days
from shifts.pages.my_steps import SIGN_OFF_REMINDER, MySteps, NextThing
from shifts.pages.offline import Done, Outcome, Refused, mistakes_in, resendable
from shifts.pages.readings import readings_in, record_readings
from shifts.pages.regular_parts import my_regular_runs
from shifts.pages.riding_parts import asked_card as ride_asked
from shifts.pages.undo import back_to
from shifts.seats import booking as seats
from shifts.seats import days, handover, pairing, requests
from shifts.seats.alerts import is_short_notice
from shifts.seats.keeping import kept_for
from shifts.seats.refusals import AlreadyOn, Refusal
from shifts.seats.rides import ride_of, sign_off_ride
from sites.models import Programme
from volunteers import clearance
from volunteers.models import Join, Person, Step, StepTerm
from volunteers.progress import NotPossible

DAYS_A_PAGE = 7
ILL = "ill"  # the address says it once, for the page that follows; it is kept nowhere


def who(request: Request) -> Person:
    """The person of a view that only volunteers reach."""
    assert request.person is not None
    return request.person


# --- reads


def with_lacking(runs: RunQuerySet, person: Person) -> RunQuerySet:
    """Marks each run with `lacking`: the keys of the steps the gate asks of the person on its date."""
    sites = Stop.objects.filter(run=OuterRef(OuterRef("pk"))).values("site")
    unmet = StepTerm.objects.unmet(person=person.pk, on=OuterRef("local_date"), sites=sites)
    return runs.annotate(lacking=Subquery(unmet.order_by().values_list(KeysAsList("step"))))


def lacking_steps(runs: Iterable[Any]) -> dict[int, list[Step]]:
    """By the run's key, the steps it was marked with, in their order: one query."""
    keys = {key for run in runs for key in run.lacking or []}
    steps = list(Step.objects.filter(pk__in=keys).select_related("site")) if keys else []
    return {run.pk: [step for step in steps if step.pk in (run.lacking or [])] for run in runs}


def runs_ahead_of(person: Person, at: datetime) -> RunQuerySet:
    """Runs that are not over and that the person has a seat on."""
    mine = Booking.objects.live().of(person).filter(run=OuterRef("pk"))
    return Run.objects.on_the_books().not_over(at).filter(Exists(mine))


def rides_to_sign_off(lead: Person, at: datetime) -> list[Booking]:
    """Second seats of the lead's runs of the last weeks that wait for their word."""
    led = Booking.objects.live().of(lead).led()
    rides = (
        Booking.objects.live()
        .unsigned()
        .lacking_a_ride(localdate(at))
        .filter(seat=Booking.Seat.SECOND, run__in=led.values("run"))
        .filter(run__cancelled_at=None, run__ends_at__lte=at, run__ends_at__gt=at - SIGN_OFF_REMINDER)
        .select_related("run", "person")
        .order_by("run__starts_at")
    )
    return list(rides)


# --- my next run


@require_safe
def home(request: Request) -> HttpResponse:
    person = request.person
    if person is None:
        return visitor(request)
    at = timezone.now()
    runs = list(with_lacking(runs_ahead_of(person, at), person).with_closed().with_people())
    steps = lacking_steps(runs)
    mine = MySteps(person, programme=request.programme, at=at)
    context: dict[str, Any] = {
        "household": [one for one in Person.objects.of(request.user) if one.pk != person.pk],
        "next_run": next_run(runs[0], person, steps[runs[0].pk]) if runs else None,
        "later": [parts.card_of(run, person, own_note(run, person, steps[run.pk])) for run in runs[1:]],
        "expiring": [task for task in mine.tasks if task["state"] == "expiring"] if person.drives else [],
        "rides": rides_to_sign_off(person, at) if person.is_lead else [],
        "regular_runs": my_regular_runs(person, at),
        "asked": [asked_card(one) for one in handover.asked_of(person, at)],
        "requests": [request_card(one) for one in requests.asked_of(person, at)],
        "rides_asked": [ride_asked(one, person) for one in pairing.asked_of(person, at)],
    }
    if not context["rides_asked"]:
        context["thing"] = thing_at_home(mine, runs)
    return render(request, "volunteer/home.html", context)


def visitor(request: Request) -> HttpResponse:
    """Of somebody who acts for nobody here; perhaps they asked to join, and the answer was no."""
    signed_in = request.user.is_authenticated
    asked = Join.objects.filter(person__user=request.user) if signed_in else Join.objects.none()
    declined = asked.filter(state=Join.State.DECLINED).exists()
    return render(request, "volunteer/visitor.html", {"signed_in": signed_in, "declined": declined})


def thing_at_home(mine: MySteps, runs: list[Run]) -> NextThing | None:
    """The next thing on the way to driving alone, up to the first driver's seat. A run ahead is shown rather
    than what merely waits, and whoever asks to join has a panel of their own."""
    person = mine.person
    if person.asking_since or person.paused_on:
        return None
    if not mine.is_under_way and (runs or not person.drives or had_a_seat(person)):
        return None
    thing = mine.next_thing()
    return None if runs and thing.state == "waiting" else thing


def had_a_seat(person: Person) -> bool:
    """Whether they have ever had a driver's seat, given back or not."""
    return Booking.objects.of(person).drivers().exists()


def asked_card(hand_over: HandOver) -> dict[str, str]:
    run = hand_over.booking.run
    return {
        "name": handover.short_name(hand_over.booking.person),
        "title": run.title,
        "when": parts.when(run.starts_at),
        "url": reverse("hand_over", args=[handover.token_of(hand_over)]),
    }


def request_card(ask: Ask) -> dict[str, str]:
    run = ask.search.run
    return {"title": run.title, "when": parts.when(run.starts_at), "url": requests.path_of(ask)}


def next_run(run: Run, person: Person, lacking: list[Step]) -> dict[str, Any]:
    back = reverse("run", args=[run.pk])
    drives, doors = page.drives(run, person), page.doors_of(run, person)
    return {
        **parts.card_of(run, person),
        "new_doors": [door["name"] for door in page.to_read_first(run, person, doors)],
        "pk": run.pk,
        "when": parts.when(run.starts_at),
        "drives": drives,
        "closed_sites": run.closed_sites() if run.closed else [],
        "route": page.stops_of(run, person, doors),
        "crates": parts.crates_expected(run),
        "note": run.note,
        "beside": page.beside(run, person),
        "missing": [parts.missing_task(step, back=back) for step in lacking] if drives else [],
        "unled": page.is_unled(run, person),
    }


def own_note(run: Run, person: Person, lacking: list[Step]) -> str:
    if not page.drives(run, person):
        return _("You ride along")
    return still_missing(lacking) if lacking else _("You drive")


def still_missing(steps: list[Step]) -> str:
    return _("Still missing: %(steps)s") % {"steps": ", ".join(parts.title_of(step) for step in steps)}


# --- runs with room


@volunteer_only
@require_safe
def runs(request: Request) -> HttpResponse:
    """One week of runs with room at a time, from the day asked for on."""
    person, at, policy = who(request), timezone.now(), Policy.current()
    today, end = localdate(at), localdate(policy.opens_until(at))
    first = min(max(day_asked(request) or today, today), end)
    last = min(first + timedelta(days=DAYS_A_PAGE - 1), end)
    found = list(
        with_lacking(Run.objects.on_the_books(), person)
        .on_days(first, last)
        .ahead(at)
        .filter(starts_at__lte=policy.opens_until(at))
        .with_room()
        .without_closed()
        .not_barring(person)
        .with_people()
    )
    found = without_kept(found, person, at)
    context = {
        "days": days_of(found, person, at, policy, request.programme),
        "span": span_of_days(first, last),
        "earlier": max(first - timedelta(days=DAYS_A_PAGE), today) if first > today else None,
        "later": last + timedelta(days=1) if last < end else None,
        "missing": [term.step for term in clearance.missing(person, on=today)] if person.drives else [],
    }
    return render(request, "volunteer/runs.html", context)


def without_kept(found: list[Run], person: Person, at: datetime) -> list[Run]:
    """Leaves out the runs that wait for somebody else's regular run or crew; in Python, with a number of
    queries that does not grow."""
    empty = [run for run in found if run.shift_id and not run.has_driver]
    kept = kept_for(empty, at=at) if empty else {}
    others = {pk: standing for pk, standing in kept.items() if standing.person_id != person.pk}
    crews = set(person.crews.values_list("pk", flat=True)) if others else set()
    return [run for run in found if run.pk not in others or others[run.pk].pk in crews]


def day_asked(request: Request) -> date | None:
    """The date in the address, or None where there is none that a calendar has."""
    try:
        return parse_date(request.GET.get("from", ""))
    except ValueError:
        return None


def days_of(
    found: list[Run], person: Person, at: datetime, policy: Policy, programme: Programme
) -> list[dict[str, Any]]:
    """The days that have runs; on each, what the person may take comes first."""
    steps = lacking_steps(found)
    own = list(runs_ahead_of(person, at).with_people())

    def card_of(run: Run) -> dict[str, Any]:
        clash = next((other for other in own if seats.collide(run, other, policy, programme)), None)
        return parts.card_of(run, person) | mark_of(run, person, steps[run.pk], clash)

    days = []
    for day, group in groupby(found, key=lambda run: run.local_date):
        cards = sorted((card_of(run) for run in group), key=lambda card: not card["open"])
        count = ngettext("%(count)s run", "%(count)s runs", len(cards)) % {"count": len(cards)}
        days.append({"date": day, "runs": cards, "count": count})
    return days


def mark_of(run: Run, person: Person, lacking: list[Step], clash: Run | None) -> dict[str, Any]:
    """What the person may do on a run with room: `open` is a seat, `mark` says which, or why none."""
    taken = {booking.seat: booking.person for booking in run.seated}
    driver = taken.get(Booking.Seat.DRIVER)
    if parts.seat_on(run, person):
        return {"open": "", "mark": _("You are on this run")}
    if not person.drives or person.paused_on or person.asking_since:
        return {"open": "", "mark": ""}
    if clash:
        return {"open": "", "mark": _("You are on another run then: %(run)s") % {"run": clash.title}}
    if driver is None and not lacking:
        return {"open": Booking.Seat.DRIVER, "mark": _("You can drive this one")}
    if driver is None and parts.only_doors(lacking):
        return {"open": Booking.Seat.DRIVER, "mark": _("Read the door notes and drive")}
    if driver is not None:  # a lead driver with an empty seat beside them, else there were no room
        return {
            "open": Booking.Seat.SECOND,
            "mark": _("Ride along with %(name)s") % {"name": driver.first_name},
        }
    return {
        "open": "",
        "mark": _("Needs somebody who is ready to drive alone"),
        "missing": [parts.title_of(step) for step in lacking],
    }


# --- one run


def run_or_404(pk: int) -> Run:
    runs = Run.objects.with_closed().with_people().prefetch_related("stops__site__contacts")
    return get_object_or_404(runs, pk=pk)


def may_see(request: Request, run: Run, at: datetime) -> bool:
    """Runs open to volunteers, and not over, are for every one of them; others for whoever is or was on
    them, and for coordinators."""
    is_open = run.ends_at > at and run.starts_at <= Policy.current().opens_until(at)
    if (is_open and run.cancel_cause != Run.Cause.RULE) or keeps_desk(request):
        return True
    return run.bookings.of(who(request)).exists()


def seen_or_404(request: Request, pk: int) -> Run:
    found = run_or_404(pk)
    if not may_see(request, found, timezone.now()):
        raise Http404
    return found


@volunteer_only
@require_safe
def run(request: Request, pk: int) -> HttpResponse:
    return show(request, seen_or_404(request, pk))


def show(request: Request, run: Run, *, status: int = 200, **happened: Any) -> HttpResponse:
    """The run's page, with what could not be done where its button was."""
    at = timezone.now()
    context = page.facts(run, who(request), at, **happened)
    context["desk_url"] = reverse("desk_run", args=[run.pk]) if keeps_desk(request) else ""
    context["ill"] = ILL in request.GET and context["gave_back"] is not None
    context["call_as_well"] = (
        context["gave_back"] is not None
        and not (context["over"] or run.is_cancelled or run.has_driver)
        and is_short_notice(run, at)
    )
    context["way_back"] = drop_offs.way_back(request, run, at) if context["nobody_there"] else None
    return render(request, "volunteer/run.html", context, status=status)


@require_POST
@volunteer_only
def book(request: Request, pk: int) -> HttpResponse:
    found, person = run_or_404(pk), who(request)
    seat = request.POST.get("seat", "")
    seen = may_see(request, found, timezone.now())
    if seat not in Booking.Seat.values:
        if not seen:
            raise Http404
        return show(request, found, problem=_("Choose a seat: the driver's or the second one."), status=400)
    shown = {pk: revision for pk, revision in readings_in(request.POST).items() if pk in found.site_ids}
    if seen and shown:
        try:
            changed = record_readings(shown, person=person, by=request.user)
        except NotPossible as impossible:
            return show(request, found, problem=str(impossible), status=409)
        if changed:
            return show(request, found, changed=True, status=409)
    try:
        seats.seat(run=found, person=person, seat=seat, by=request.user)
    except AlreadyOn as refusal:
        mine = parts.seat_on(found, person)
        if mine is None or mine.seat != seat:  # else the button was tapped twice
            return show(request, run_or_404(pk), problem=f"{refusal.why} {refusal.next}", status=409)
    except Refusal as refusal:
        if not seen:
            messages.error(request, f"{refusal.why} {refusal.next}")
            return redirect("runs")
        if shown:
            messages.info(request, _("It is noted that you have read the door notes."))
        return show(request, run_or_404(pk), refused=(seat, refusal), status=409)
    else:
        messages.success(request, _("It is yours. Thank you!"))
    return redirect("run", pk=pk)


@require_http_methods(["GET", "HEAD", "POST"])
@volunteer_only
def give_back(request: Request, pk: int) -> HttpResponse:
    found, person, at = run_or_404(pk), who(request), timezone.now()
    mine = parts.seat_on(found, person)
    if mine is None:
        if found.bookings.of(person).exists():  # tapped twice, an old mail, or taken out since
            return redirect("run", pk=pk)
        raise Http404
    if found.ends_at <= at:  # a seat given back now could not be had again
        messages.info(request, _("This run is over. If you were not on it, tell the coordinator."))
        return redirect("run", pk=pk)
    if request.method == "POST":
        form = GiveBackForm(request.POST)
        seats.give_back(mine, by=request.user, note=form.words())
        messages.success(request, _("You are off this run. Thank you for saying so."))
        return redirect(reverse("run", args=[pk]) + (f"?{ILL}" if form.says_ill else ""))
    context = {
        "form": GiveBackForm(),
        "run": found,
        "when": parts.when(found.starts_at),
        "call_as_well": is_short_notice(found, at),
        "regular": mine.standing_id,
    }
    return render(request, "volunteer/give_back.html", context)


@require_POST
@volunteer_only
@resendable
def sign_off(request: Request, pk: int) -> Outcome:
    """The lead driver's record of a shadow ride, from the run's page or its sheet."""
    found, person, at = run_or_404(pk), who(request), timezone.now()
    ride = ride_of(found) if person.is_lead else None
    if ride is None or ride[0].person_id != person.pk:
        raise Http404
    if found.starts_at > at:
        why = _("That ride is still to come.")
        return Refused(why, lambda: show(request, found, problem=why, status=409))
    form = SignOffForm(request.POST, points=Policy.current().points())
    if not form.is_valid():
        return Refused(mistakes_in(form), lambda: show(request, found, form=form), status=400)
    try:
        sign_off_ride(run=found, lead=person, by=request.user, **form.cleaned_data)
    except NotPossible as impossible:
        why = str(impossible)
        return Refused(why, lambda: show(request, found, form=form, form_problem=why, status=409))
    said = _("Recorded. %(name)s reads your words here.") % {"name": ride[1].person.first_name}
    return Done(said, back_to(request, reverse("run", args=[pk])))


@require_POST
@volunteer_only
def reroute(request: Request, pk: int) -> HttpResponse:
    """The driver's one tap at a closed door: the food goes to the fallback, or back to where it was to go."""
    found, person, at = run_or_404(pk), who(request), timezone.now()
    if not page.drives(found, person):
        raise Http404
    back, site = drop_offs.way_back(request, found, at), drop_offs.fallback_of(found)
    goes_back = back is not None and request.POST.get("site") == str(back["site"].pk)
    chosen = back["site"] if back and goes_back else site
    if request.POST.get("site") == str(found.site_ids[-1]):  # tapped twice
        return redirect("run", pk=pk)
    if chosen is None or request.POST.get("site") != str(chosen.pk):
        problem = _("That drop-off was changed meanwhile. Look at the stops, and call the coordinator.")
        return show(request, found, problem=problem, status=409)
    shape = back["shape"] if back and goes_back else None
    try:
        after = days.reroute(found, chosen, by=request.user, person=person, shape=shape, at=at)
    except NotPossible as impossible:
        return show(request, found, problem=str(impossible), status=409)
    drop_offs.remember(request, found, after)
    messages.success(
        request, _("Noted: the food goes to %(site)s. The coordinator is told.") % {"site": chosen.name}
    )
    return redirect("run", pk=pk)
