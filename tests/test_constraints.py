"""Every named constraint of our models, with a row that it allows and one that it refuses.

Rows go past the forms and functions straight into the database: this is what holds when all else fails.
"""

from collections.abc import Callable
from datetime import UTC, date, datetime, time
from typing import Any, NamedTuple

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, models, transaction

from shifts.models import (
    Booking,
    CalendarEntry,
    HandOver,
    Policy,
    Reply,
    Run,
    Shift,
    ShiftTerm,
    Skip,
    Standing,
    Stop,
    TermStop,
)
from sites.models import Closure, DoorNotes, Programme, Site
from tests.factories import PersonFactory, SiteFactory, make_run, put
from volunteers.models import Availability, Away, Completion, Message, Person, SignOff, Step, StepTerm, User

AT = datetime(2027, 5, 3, 12, tzinfo=UTC)
LATER = datetime(2027, 5, 3, 13, tzinfo=UTC)
DAY, NEXT = date(2027, 5, 3), date(2027, 5, 4)
pytestmark = pytest.mark.django_db


def add(model: type[models.Model], **facts: Any) -> models.Model:
    """A row as it stands, by an INSERT: nothing of the model's own saving has a say."""
    (row,) = model._base_manager.bulk_create([model(**facts)])
    return row


# --- Rows that are right; a case changes one thing ------------------------------
def programme(**facts):
    return add(Programme, **facts)


def policy(**facts):
    return add(Policy, **facts)


def site(**facts):
    return add(Site, **{"name": "Market", "gives": True} | facts)


def closure(**facts):
    return add(Closure, **{"site": SiteFactory(), "first": DAY, "last": DAY} | facts)


def door_notes(site, **facts):
    return add(DoorNotes, **{"site": site, "revision": 1, "written_at": AT} | facts)


def user(**facts):
    return add(User, **{"email": "ina@example.org"} | facts)


def person(**facts):
    return add(Person, **{"name": "Ina Quell", "reach": "call", "joined_on": DAY} | facts)


def away(**facts):
    return add(Away, **{"person": PersonFactory(), "first": DAY, "last": DAY} | facts)


def hours(**facts):
    return add(
        Availability, **{"person": PersonFactory(), "weekday": 0, "begins": time(8), "ends": time(9)} | facts
    )


def step(**facts):
    return add(Step, **{"kind": "form", "title": "Form"} | facts)


def step_term(step=None, **facts):
    return add(StepTerm, **{"step": step or globals()["step"](), "applies_from": DAY} | facts)


def completion(**facts):
    return add(
        Completion,
        **{"step": step(), "person": PersonFactory(), "valid_from": DAY, "recorded_at": AT} | facts,
    )


def sign_off(**facts):
    return add(
        SignOff,
        **{
            "trainee": PersonFactory(),
            "lead": PersonFactory(),
            "ridden_on": DAY,
            "outcome": "again",
            "at": AT,
        }
        | facts,
    )


def message(**facts):
    return add(
        Message,
        **{"key": "one", "kind": "booked", "subject": "Hello", "text": "", "address": "ina@example.org"}
        | {"next_try_at": AT, "created_at": AT}
        | facts,
    )


def shift_term(shift=None, **facts):
    shift = shift or Shift.objects.create(name="Market run")
    rule = {"rule": "FREQ=WEEKLY;BYDAY=TU", "starts": time(8), "minutes": 60}
    return add(ShiftTerm, **{"shift": shift, "applies_from": DAY, "anchor": DAY} | rule | facts)


def run(**facts):
    return add(Run, **{"title": "Run", "local_date": DAY, "starts_at": AT, "ends_at": LATER} | facts)


def booking(**facts):
    return add(
        Booking, **{"run": make_run(), "person": PersonFactory(), "seat": "driver", "booked_at": AT} | facts
    )


def entry(booking, **facts):
    made = {"uid": "one@example.org", "made_at": AT, "changed_at": AT}
    return add(CalendarEntry, **made | {"booking": booking, "person": booking.person} | facts)


def standing(**facts):
    shift = facts.pop("shift", None) or Shift.objects.create(name="Market run")
    made = {"anchor": DAY, "from_day": DAY, "made_at": AT}
    return add(
        Standing, **{"shift": shift, "person": facts.pop("person", None) or PersonFactory()} | made | facts
    )


def standing_entry(row, **facts):
    made = {"uid": "one@example.org", "made_at": AT, "changed_at": AT}
    return add(CalendarEntry, **made | {"standing": row, "person": row.person} | facts)


def skip(**facts):
    return add(Skip, **{"standing": standing(), "first": DAY, "last": DAY, "at": AT} | facts)


def hand_over(booking, **facts):
    return add(HandOver, **{"booking": booking, "to": PersonFactory(), "asked_at": AT} | facts)


def reply(**facts):
    return add(Reply, **{"digest": "0", "outcome": "nothing", "received_at": AT} | facts)


# --- The cases ------------------------------------------------------------------
class Case(NamedTuple):
    """What is allowed and what is refused, under the name that the refusal carries."""

    name: str
    allowed: Callable[[], Any]
    refused: Callable[[], Any]


def twice(make, first=None, *, then):
    """Makes one row, then another that differs from it by `then`."""

    def both():
        make(**(first or {}))
        make(**(first or {}) | then)

    return both


def with_one(make_one, use):
    """Makes something outside the case, then hands it to the case."""
    return lambda: use(make_one())


def entries_of(first, second):
    def both():
        seat = put(PersonFactory(), make_run())
        entry(seat, **first)
        entry(seat, uid="two@example.org", **second)

    return both


CASES = [
    # sites
    Case("one_programme", lambda: programme(id=1), lambda: programme(id=2)),
    Case(
        "programme_drives_forward",
        lambda: programme(road_factor=1, town_mph=1),
        lambda: programme(road_factor=0.9),
    ),
    Case("programme_drives_forward", lambda: programme(town_mph=0.5), lambda: programme(town_mph=0)),
    Case("site_gives_or_takes", lambda: site(gives=False, takes=True), lambda: site(gives=False)),
    Case(
        "site_place_is_whole_and_on_earth",
        lambda: (site(), site(latitude=-90, longitude=180)),
        lambda: site(latitude=40),
    ),
    Case("site_place_is_whole_and_on_earth", site, lambda: site(longitude=-83)),
    Case("site_place_is_whole_and_on_earth", site, lambda: site(latitude=90.1, longitude=0)),
    Case("site_place_is_whole_and_on_earth", site, lambda: site(latitude=0, longitude=-180.1)),
    Case("closure_ends_after_it_begins", closure, lambda: closure(first=NEXT)),
    Case(
        "door_notes_revision_once",
        with_one(
            SiteFactory, lambda s: (door_notes(s), door_notes(s, revision=2), door_notes(SiteFactory()))
        ),
        with_one(SiteFactory, lambda s: (door_notes(s), door_notes(s))),
    ),
    # volunteers
    Case("user_email_lower_case", user, lambda: user(email="Ina@example.org")),
    Case("person_home_is_whole_and_on_earth", person, lambda: person(home_latitude=40)),
    Case(
        "person_home_is_whole_and_on_earth",
        lambda: person(home_latitude=40, home_longitude=-83),
        lambda: person(home_latitude=-91, home_longitude=-83),
    ),
    Case(
        "person_reached_by_mail_has_an_address",
        lambda: person(reach="mail", email="ina@example.org"),
        lambda: person(reach="mail"),
    ),
    Case(
        "person_leaves_after_joining",
        lambda: person(left_on=DAY),
        lambda: person(joined_on=NEXT, left_on=DAY),
    ),
    Case("away_ends_after_it_begins", away, lambda: away(first=NEXT)),
    Case("hours_end_after_they_begin", hours, lambda: hours(ends=time(8))),
    Case("hours_on_a_weekday", lambda: hours(weekday=6), lambda: hours(weekday=7)),
    Case(
        "step_doors_once_a_site",
        lambda: [step(kind="doors", site=SiteFactory()) for _ in range(2)],
        with_one(SiteFactory, lambda s: twice(step, {"kind": "doors", "site": s}, then={})()),
    ),
    Case(
        "step_doors_once_a_site",
        with_one(SiteFactory, lambda s: twice(step, {"kind": "doors", "site": s}, then={"kind": "form"})()),
        with_one(SiteFactory, lambda s: twice(step, {"kind": "doors", "site": s}, then={"title": "More"})()),
    ),
    Case("step_doors_belong_to_a_site", lambda: step(kind="kit"), lambda: step(kind="doors")),
    Case("step_code_once", twice(step, then={}), twice(step, {"code": "vest"}, then={})),
    Case(
        "step_term_ends_after_it_begins",
        lambda: step_term(applies_until=NEXT),
        lambda: step_term(applies_until=DAY),
    ),
    Case(
        "step_term_one_open",
        with_one(step, lambda s: (step_term(s, applies_until=NEXT), step_term(s, applies_from=NEXT))),
        with_one(step, lambda s: (step_term(s), step_term(s, applies_from=NEXT))),
    ),
    Case(
        "step_term_one_a_day",
        with_one(step, lambda s: (step_term(s, applies_until=NEXT), step_term(s, applies_from=NEXT))),
        with_one(step, lambda s: (step_term(s, applies_until=NEXT), step_term(s))),
    ),
    Case("step_term_asks_something", lambda: step_term(times=1), lambda: step_term(times=0)),
    Case(
        "completion_ends_after_it_begins",
        lambda: completion(valid_until=DAY),
        lambda: completion(valid_from=NEXT, valid_until=DAY),
    ),
    Case(
        "completion_told_or_waived_says_why",
        lambda: completion(how="told", reason="She rang."),
        lambda: completion(how="told"),
    ),
    Case("completion_told_or_waived_says_why", completion, lambda: completion(how="waived")),
    Case(
        "completion_withdrawn_says_why",
        lambda: completion(withdrawn_at=AT, withdrawn_reason="By mistake."),
        lambda: completion(withdrawn_at=AT),
    ),
    Case(
        "sign_off_not_by_oneself",
        sign_off,
        with_one(PersonFactory, lambda p: sign_off(trainee=p, lead=p)),
    ),
    Case("sign_off_ready_completes", sign_off, lambda: sign_off(outcome="ready")),
    Case(
        "sign_off_ready_completes",
        lambda: sign_off(outcome="ready", completion=completion()),
        lambda: sign_off(outcome="again", completion=completion()),
    ),
    Case(
        "message_sending_has_a_lease",
        lambda: message(state="sending", lease_until=AT),
        lambda: message(state="sending"),
    ),
    Case(
        "message_mailed_has_an_address",
        lambda: (message(state="tell", address=""), message(key="two", state="told", address="")),
        lambda: message(address=""),
    ),
    # shifts
    Case("one_policy", lambda: policy(id=1), lambda: policy(id=2)),
    Case("policy_shows_what_is_made", lambda: policy(weeks_shown=8), lambda: policy(weeks_shown=9)),
    Case("policy_levels_in_order", lambda: policy(now_hours=48), lambda: policy(now_hours=49)),
    Case(
        "shift_term_ends_after_it_begins",
        lambda: shift_term(applies_until=NEXT),
        lambda: shift_term(applies_until=DAY),
    ),
    Case(
        "shift_term_one_open",
        with_one(
            lambda: Shift.objects.create(name="Run"),
            lambda s: (shift_term(s, applies_until=NEXT), shift_term(s, applies_from=NEXT)),
        ),
        with_one(
            lambda: Shift.objects.create(name="Run"),
            lambda s: (shift_term(s), shift_term(s, applies_from=NEXT)),
        ),
    ),
    Case(
        "shift_term_one_a_day",
        lambda: (shift_term(), shift_term()),
        with_one(
            lambda: Shift.objects.create(name="Run"),
            lambda s: (shift_term(s, applies_until=NEXT), shift_term(s)),
        ),
    ),
    Case("shift_term_takes_time", lambda: shift_term(minutes=1), lambda: shift_term(minutes=0)),
    Case(
        "term_stop_position_once",
        with_one(
            shift_term, lambda t: [add(TermStop, term=t, position=n, site=SiteFactory()) for n in (1, 2)]
        ),
        with_one(shift_term, lambda t: [add(TermStop, term=t, position=1, site=SiteFactory()) for _ in "ab"]),
    ),
    Case(
        "run_once_a_slot",
        lambda: (run(), run(), run(shift=Shift.objects.create(name="Run"), slot_date=DAY)),
        with_one(
            lambda: Shift.objects.create(name="Run"),
            lambda s: (run(shift=s, slot_date=DAY), run(shift=s, slot_date=DAY)),
        ),
    ),
    Case("run_slot_belongs_to_a_shift", run, lambda: run(slot_date=DAY)),
    Case("run_slot_belongs_to_a_shift", run, lambda: run(shift=Shift.objects.create(name="Run"))),
    Case("run_ends_after_it_starts", run, lambda: run(ends_at=AT)),
    Case(
        "run_cancelled_says_why",
        lambda: run(cancelled_at=AT, cancel_cause="rule"),
        lambda: run(cancelled_at=AT),
    ),
    Case("run_cancelled_says_why", run, lambda: run(cancel_cause="rule")),
    Case(
        "stop_position_once",
        with_one(run, lambda r: [add(Stop, run=r, position=n, site=SiteFactory()) for n in (1, 2)]),
        with_one(run, lambda r: [add(Stop, run=r, position=1, site=SiteFactory()) for _ in "ab"]),
    ),
    Case(
        "booking_one_a_seat",
        with_one(make_run, lambda r: (booking(run=r, ended_at=AT, end="given back"), booking(run=r))),
        with_one(make_run, lambda r: (booking(run=r), booking(run=r))),
    ),
    Case(
        "booking_one_seat_a_person",
        with_one(PersonFactory, lambda p: (booking(person=p), booking(person=p))),
        with_one(
            lambda: (make_run(), PersonFactory()),
            lambda both: [booking(run=both[0], person=both[1], seat=seat) for seat in ("driver", "second")],
        ),
    ),
    Case("booking_in_one_of_two_seats", lambda: booking(seat="second"), lambda: booking(seat="third")),
    Case("booking_end_says_how", lambda: booking(ended_at=AT, end="cancelled"), lambda: booking(ended_at=AT)),
    Case("booking_end_says_how", booking, lambda: booking(end="cancelled")),
    Case("entry_one_live_a_booking", entries_of({"cancelled_at": AT}, {}), entries_of({}, {})),
    Case(
        "entry_changes_after_it_is_made",
        with_one(lambda: put(PersonFactory(), make_run()), lambda b: entry(b, changed_at=LATER)),
        with_one(lambda: put(PersonFactory(), make_run()), lambda b: entry(b, made_at=LATER)),
    ),
    Case(
        "entry_of_a_booking_or_a_standing",
        with_one(standing, standing_entry),
        with_one(standing, lambda s: standing_entry(s, standing=None)),
    ),
    Case(
        "entry_of_a_booking_or_a_standing",
        with_one(lambda: put(PersonFactory(), make_run()), entry),
        with_one(lambda: put(PersonFactory(), make_run()), lambda b: entry(b, standing=standing())),
    ),
    Case(
        "entry_one_live_a_standing",
        with_one(standing, lambda s: (standing_entry(s, cancelled_at=AT), standing_entry(s, uid="two"))),
        with_one(standing, lambda s: (standing_entry(s), standing_entry(s, uid="two"))),
    ),
    Case(
        "standing_ends_after_it_begins",
        lambda: standing(until_day=DAY),
        lambda: standing(from_day=NEXT, until_day=DAY),
    ),
    Case(
        "standing_one_open_a_person",
        with_one(standing, lambda s: standing(shift=s.shift, person=s.person, until_day=NEXT)),
        with_one(standing, lambda s: standing(shift=s.shift, person=s.person)),
    ),
    Case("skip_ends_after_it_begins", lambda: skip(last=NEXT), lambda: skip(first=NEXT)),
    Case(
        "hand_over_one_open_a_booking",
        with_one(
            lambda: put(PersonFactory(), make_run()),
            lambda b: (hand_over(b, answer="declined", answered_at=AT), hand_over(b)),
        ),
        with_one(lambda: put(PersonFactory(), make_run()), lambda b: (hand_over(b), hand_over(b))),
    ),
    Case(
        "hand_over_answered_says_when",
        with_one(lambda: put(PersonFactory(), make_run()), hand_over),
        with_one(lambda: put(PersonFactory(), make_run()), lambda b: hand_over(b, answer="accepted")),
    ),
    Case(
        "hand_over_answered_says_when",
        with_one(
            lambda: put(PersonFactory(), make_run()),
            lambda b: hand_over(b, answer="accepted", answered_at=AT),
        ),
        with_one(lambda: put(PersonFactory(), make_run()), lambda b: hand_over(b, answered_at=AT)),
    ),
    Case("reply_kept_says_why", lambda: reply(outcome="kept", reason="Odd."), lambda: reply(outcome="kept")),
]


def constraints():
    """Every constraint of our models by name: (model, constraint)."""
    return {
        constraint.name: (model, constraint)
        for app in ("sites", "volunteers", "shifts")
        for model in apps.get_app_config(app).get_models()
        for constraint in model._meta.constraints
    }


each_case = pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)


@each_case
def test_allowed(case):
    case.allowed()


@each_case
def test_refused(case):
    with pytest.raises(IntegrityError) as refusal, transaction.atomic():
        case.refused()
    assert is_named(case.name, str(refusal.value))


def is_named(name, refusal):
    """PostgreSQL names the constraint, and SQLite does for a check; for uniqueness it names the columns."""
    if connection.vendor == "postgresql" or refusal.startswith("CHECK"):
        return name in refusal
    model, constraint = constraints()[name]
    columns = [f"{model._meta.db_table}.{model._meta.get_field(field).column}" for field in constraint.fields]
    return refusal == f"UNIQUE constraint failed: {', '.join(columns)}"


def test_every_constraint_has_a_case():
    assert set(constraints()) == {case.name for case in CASES}
