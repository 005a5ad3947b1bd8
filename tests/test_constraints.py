"""Every named constraint of our models, with a row that it allows and one that it refuses.

Rows go past the forms and functions straight into the database: this is what holds when all else fails.
"""

from collections.abc import Callable
from datetime import UTC, date, datetime, time
from typing import Any, NamedTuple
from uuid import uuid4

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, models, transaction
from django.db.models import F

from shifts.models import (
    Ask,
    Booking,
    CalendarEntry,
    CoverTurn,
    HandOver,
    NoShow,
    Pairing,
    PlanWish,
    Policy,
    Reply,
    Run,
    Search,
    SentOnce,
    Shift,
    ShiftTerm,
    Skip,
    Standing,
    Stop,
    TermStop,
)
from sites.models import Closure, DoorNotes, Programme, Site
from tests.factories import PersonFactory, SiteFactory, make_run, put
from volunteers.models import (
    Availability,
    Away,
    BriefingText,
    Completion,
    HelpHours,
    Join,
    KitMove,
    Message,
    NotAt,
    PaperPhoto,
    Person,
    SignOff,
    Step,
    StepTerm,
    User,
)

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


def join(**facts):
    return add(Join, **{"person": PersonFactory(), "asked_at": AT} | facts)


def not_at(**facts):
    return add(NotAt, **{"person": PersonFactory(), "site": SiteFactory(), "at": AT} | facts)


def kit(**facts):
    return add(KitMove, **{"kind": "bought", "number": 1, "at": AT} | facts)


def photo(**facts):
    return add(PaperPhoto, **{"person": PersonFactory(), "step": step(), "image": b"", "at": AT} | facts)


def briefing_text(step, **facts):
    return add(BriefingText, **{"step": step, "revision": 2, "written_at": AT} | facts)


def help_hours(**facts):
    return add(HelpHours, **{"person": PersonFactory(), "day": DAY, "minutes": 30, "at": AT} | facts)


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


def pairing(**facts):
    made = {"run": make_run, "trainee": PersonFactory, "lead": PersonFactory}
    return add(
        Pairing, **{name: make() for name, make in made.items() if name not in facts}, proposed_at=AT, **facts
    )


def agreed_pairing(**facts):
    run, trainee = make_run(), PersonFactory()
    seat = put(trainee, run, Booking.Seat.SECOND)
    agreed = {"outcome": "agreed", "settled_at": AT, "lead_agreed_at": AT, "trainee_agreed_at": AT}
    return pairing(run=run, trainee=trainee, **{"booking": seat} | agreed | facts)


def search(**facts):
    run = facts.pop("run", None) or make_run()
    return add(Search, **{"run": run, "opened_at": AT} | facts)


def ask(**facts):
    made = {"search": search, "person": PersonFactory}
    rows = {name: make() for name, make in made.items() if name not in facts}
    return add(Ask, **rows, **{"wave": 1, "starts_at": AT, "ends_at": LATER, "asked_at": AT} | facts)


def wish(**facts):
    made = {"run": make_run, "person": PersonFactory}
    rows = {name: make() for name, make in made.items() if name not in facts}
    return add(PlanWish, **rows, **{"kind": "pin", "at": AT} | facts)


def no_show(booking, **facts):
    return add(NoShow, **{"booking": booking, "at": AT} | facts)


def cover_turn(**facts):
    return add(CoverTurn, **{"person": PersonFactory(), "first": DAY, "last": DAY, "at": AT} | facts)


def sent(user, **facts):
    return add(SentOnce, **{"user": user, "address": "/", "status": 200, "at": AT} | facts)


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
    Case(
        "person_under_18_never_drives",
        lambda: person(is_adult=False, drives=False),
        lambda: person(is_adult=False),
    ),
    Case(
        "person_under_18_never_drives",
        lambda: person(drives=False, lead_since=DAY),
        lambda: person(is_adult=False, drives=False, lead_since=DAY),
    ),
    Case(
        "person_consent_is_beside_a_guardian",
        lambda: person(guardian=PersonFactory(), consent_on=DAY),
        lambda: person(consent_on=DAY),
    ),
    Case(
        "person_guards_not_themselves",
        lambda: person(guardian=PersonFactory()),
        with_one(PersonFactory, lambda p: Person.objects.filter(pk=p.pk).update(guardian=F("pk"))),
    ),
    Case("join_settled_says_when", join, lambda: join(settled_at=AT)),
    Case(
        "join_settled_says_when",
        lambda: join(state="declined", settled_at=AT),
        lambda: join(state="accepted"),
    ),
    Case(
        "join_asked_back_says_what",
        lambda: join(state="asked back", question="Which days?"),
        lambda: join(state="asked back"),
    ),
    Case(
        "not_at_once_a_site",
        with_one(not_at, lambda n: (not_at(person=n.person), not_at(site=n.site))),
        with_one(not_at, lambda n: not_at(person=n.person, site=n.site)),
    ),
    Case(
        "not_at_once_a_site",
        with_one(lambda: not_at(ended_at=AT), lambda n: not_at(person=n.person, site=n.site)),
        with_one(not_at, lambda n: not_at(person=n.person, site=n.site, reason="Asked for.")),
    ),
    Case(
        "kit_move_names_who_has_it",
        lambda: kit(kind="handed", number=-1, person=PersonFactory()),
        lambda: kit(kind="handed", number=-1),
    ),
    Case("kit_move_names_who_has_it", kit, lambda: kit(person=PersonFactory())),
    Case(
        "kit_move_number_fits_its_kind",
        lambda: (kit(number=5), kit(kind="counted", number=-3)),
        lambda: kit(number=0),
    ),
    Case(
        "kit_move_number_fits_its_kind",
        lambda: kit(kind="returned", number=1, person=PersonFactory()),
        lambda: kit(kind="returned", number=2, person=PersonFactory()),
    ),
    Case(
        "paper_photo_one_at_a_time",
        with_one(photo, lambda p: (photo(person=p.person), photo(step=p.step))),
        with_one(photo, lambda p: photo(person=p.person, step=p.step)),
    ),
    Case(
        "briefing_text_revision_once",
        with_one(step, lambda s: (briefing_text(s), briefing_text(s, revision=3), briefing_text(step()))),
        with_one(step, lambda s: (briefing_text(s), briefing_text(s))),
    ),
    Case("help_hours_within_a_day", lambda: help_hours(minutes=1440), lambda: help_hours(minutes=1441)),
    Case("help_hours_within_a_day", lambda: help_hours(minutes=1), lambda: help_hours(minutes=0)),
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
        "sign_off_withdrawn_says_why",
        lambda: sign_off(withdrawn_at=AT, withdrawn_reason="By mistake."),
        lambda: sign_off(withdrawn_at=AT),
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
    Case(
        "booking_ride_is_in_the_second_seat",
        lambda: (booking(seat="second", ride="drives"), booking()),
        lambda: booking(ride="follows"),
    ),
    Case(
        "booking_also_names_and_counts",
        lambda: booking(also="Bo", also_count=1),
        lambda: booking(also="Bo"),
    ),
    Case("booking_also_names_and_counts", booking, lambda: booking(also_count=1)),
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
    Case(
        "pairing_one_open_a_run",
        with_one(lambda: agreed_pairing().run, lambda r: pairing(run=r)),
        with_one(lambda: pairing().run, lambda r: pairing(run=r)),
    ),
    Case(
        "pairing_one_open_a_trainee",
        with_one(lambda: agreed_pairing().trainee, lambda p: pairing(trainee=p)),
        with_one(lambda: pairing().trainee, lambda p: pairing(trainee=p)),
    ),
    Case(
        "pairing_of_two_people",
        pairing,
        with_one(PersonFactory, lambda p: pairing(lead=p, trainee=p)),
    ),
    Case(
        "pairing_settled_says_how",
        lambda: pairing(settled_at=AT, outcome="declined"),
        lambda: pairing(settled_at=AT),
    ),
    Case("pairing_settled_says_how", pairing, lambda: pairing(outcome="withdrawn")),
    Case("pairing_agreed_by_both", agreed_pairing, lambda: agreed_pairing(lead_agreed_at=None)),
    Case("pairing_agreed_by_both", agreed_pairing, lambda: agreed_pairing(booking=None)),
    Case(
        "pairing_agreed_by_both",
        lambda: agreed_pairing(outcome="withdrawn", booking=None),
        lambda: agreed_pairing(outcome="withdrawn"),
    ),
    Case(
        "sent_once_a_key",
        with_one(
            lambda: (user(), user(email="bo@example.org"), uuid4()),
            lambda it: (sent(it[0], key=it[2]), sent(it[0], key=uuid4()), sent(it[1], key=it[2])),
        ),
        with_one(lambda: (user(), uuid4()), lambda it: (sent(it[0], key=it[1]), sent(it[0], key=it[1]))),
    ),
    Case(
        "policy_groups_in_order",
        lambda: policy(ask_fewest=3, ask_most=3),
        lambda: policy(ask_fewest=4, ask_most=3),
    ),
    Case(
        "search_one_open_a_run",
        with_one(lambda: search(ended_at=AT, end="filled").run, lambda r: search(run=r)),
        with_one(lambda: search().run, lambda r: search(run=r)),
    ),
    Case("search_end_says_how", search, lambda: search(ended_at=AT)),
    Case("search_end_says_how", lambda: search(ended_at=AT, end="over"), lambda: search(end="over")),
    Case(
        "ask_one_open_a_person",
        with_one(lambda: ask(answer="no", answered_at=AT), lambda a: ask(search=a.search, person=a.person)),
        with_one(ask, lambda a: ask(search=a.search, person=a.person)),
    ),
    Case("ask_answered_says_when", ask, lambda: ask(answer="no")),
    Case("ask_answered_says_when", lambda: ask(answer="no", answered_at=AT), lambda: ask(answered_at=AT)),
    Case(
        "ask_yes_is_a_seat",
        lambda: ask(answer="yes", answered_at=AT, booking=booking()),
        lambda: ask(answer="yes", answered_at=AT),
    ),
    Case("ask_yes_is_a_seat", ask, lambda: ask(answer="no", answered_at=AT, booking=booking())),
    Case(
        "ask_back_up_was_late",
        lambda: ask(answer="late", answered_at=AT, is_back_up=True),
        lambda: ask(answer="no", answered_at=AT, is_back_up=True),
    ),
    Case(
        "plan_wish_once",
        with_one(wish, lambda w: (wish(run=w.run, kind="forbid"), wish(person=w.person))),
        with_one(wish, lambda w: wish(run=w.run, person=w.person, kind="forbid")),
    ),
    Case(
        "plan_wish_one_pin_a_run",
        with_one(lambda: wish(kind="forbid"), lambda w: (wish(run=w.run), wish(run=w.run, kind="forbid"))),
        with_one(wish, lambda w: wish(run=w.run)),
    ),
    Case(
        "no_show_once_a_booking",
        with_one(booking, lambda b: (no_show(b, withdrawn_at=AT), no_show(b))),
        with_one(booking, lambda b: (no_show(b), no_show(b))),
    ),
    Case("cover_turn_ends_after_it_begins", cover_turn, lambda: cover_turn(first=NEXT)),
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
