"""Weekly runs at the desk: added, changed from a date, ended; what booked runs it touches is said before."""

from datetime import date, datetime, time
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.urls import reverse

from shifts.models import Run, Shift, ShiftTerm
from shifts.schedule.making import Plan, add_shift
from shifts.seats.booking import seat
from sites.models import Event
from tests.factories import DropOffFactory, SiteFactory, coordinator, ready_person
from tests.shifts.pages.at_the_desk import (
    DAY,
    EVERY_PAGE,
    NOW,
    TODAY,
    desk_client,
    errors_of,
    queries_of,
    said,
    survives_nonsense,
    text_of,
)
from volunteers.models import Message

pytestmark = pytest.mark.django_db
NEW_YORK = ZoneInfo("America/New_York")


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return desk_client()


@pytest.fixture
def dock():
    return SiteFactory(name="Mill Street Grocery", latitude=40.0, longitude=-83.0)


@pytest.fixture
def pantry():
    return DropOffFactory(name="Elm Kitchen", latitude=40.0, longitude=-83.05)


@pytest.fixture
def facts(dock, pantry):
    """A Monday run at 8, as the form sends it."""
    return {
        "name": "Monday run",
        "stop_1": dock.pk,
        "stop_2": pantry.pk,
        "weekdays": ["0"],
        "every": "1",
        "starts": "08:00",
        "minutes": "60",
        "crates": "12",
        "second_seat": "on",
        "from_day": "2026-06-02",
    }


@pytest.fixture
def monday(dock, pantry):
    plan = Plan(
        rule="FREQ=WEEKLY;BYDAY=MO",
        starts=time(8),
        minutes=60,
        stops=((dock.pk, 0), (pantry.pk, 35)),
        crates=12,
    )
    return add_shift(name="Monday run", plan=plan, from_day=TODAY, by=None)


def page_of(shift):
    return reverse("desk_shift", args=[shift.pk])


def book(shift, number=0, name="Ana Reyes"):
    run = shift.runs.order_by("starts_at")[number]
    seat(run=run, person=ready_person(name=name), seat="driver", by=None, on_behalf=True)
    return run


# --- the list


def test_the_list_says_days_time_stops_and_next_run(desk, monday, facts):
    page = text_of(desk.get(reverse("desk_shifts")))
    for words in (
        "Monday run",
        "every Monday",
        "8:00 a.m., 60 min",
        "Mill Street Grocery to Elm Kitchen",
        "Mon, Jun 8",
    ):
        assert words in page
    desk.post(page_of(monday), {**facts, "starts": "09:00", "from_day": "2026-07-01"})
    assert "changes 7/1/2026" in text_of(desk.get(reverse("desk_shifts")))
    desk.post(reverse("desk_shift_end", args=[monday.pk]), {"last_day": "2026-07-20"})
    assert "ends after 7/20/2026" in text_of(desk.get(reverse("desk_shifts")))


def test_ended_ones_stand_behind_a_link(desk, monday):
    desk.post(reverse("desk_shift_end", args=[monday.pk]), {"last_day": TODAY.isoformat()})
    with time_machine.travel(NOW + 5 * DAY, tick=False):
        assert desk.get(reverse("desk_shifts")).context["rows"] == []
        assert "ended after 6/2/2026" in text_of(desk.get(reverse("desk_shifts"), {"show": "ended"}))


def test_the_list_of_nothing_begins_with_what_is_missing(desk):
    assert reverse("desk_new_site") in text_of(desk.get(reverse("desk_shifts")))
    SiteFactory(takes=True)
    assert reverse("desk_new_shift") in text_of(desk.get(reverse("desk_shifts")))


def test_queries_of_the_list_do_not_grow_with_the_weekly_runs(desk, dock, pantry):
    """Today's programme; weekly runs with their next run, terms, stops with sites; is there a pickup, and a
    drop-off."""
    stops = ((dock.pk, 0), (pantry.pk, 35))
    plan = Plan(rule="FREQ=WEEKLY;BYDAY=MO", starts=time(8), minutes=60, stops=stops)
    for count in (10, 190):
        for number in range(count):
            add_shift(name=f"Run {number}", plan=plan, from_day=TODAY + 50 * DAY, by=None)
        number, queries = queries_of(desk, reverse("desk_shifts"))
        assert number == EVERY_PAGE + 6, queries


# --- adding


def test_a_weekly_run_is_added_and_its_runs_are_made(desk, facts):
    answer = desk.post(reverse("desk_new_shift"), facts)
    shift = Shift.objects.get()
    assert answer.headers["Location"] == page_of(shift)
    assert "8 runs are made" in said(answer)
    run = shift.runs.first()
    assert run.starts_at == datetime(2026, 6, 8, 8, 0, tzinfo=NEW_YORK)
    assert (run.crates, run.second_seat) == (12, True)
    assert Event.objects.about(shift).get().verb == "added"


@pytest.mark.parametrize(
    ("rule", "text"),
    [
        ({"weekdays": ["4", "1"], "every": "1"}, "FREQ=WEEKLY;BYDAY=TU,FR"),
        ({"weekdays": ["2"], "every": "3"}, "FREQ=WEEKLY;INTERVAL=3;BYDAY=WE"),
        ({"weekdays": ["1"], "nths": ["3", "1"]}, "FREQ=MONTHLY;BYDAY=1TU,3TU"),
        ({"weekdays": ["6"], "nths": ["-1"]}, "FREQ=MONTHLY;BYDAY=-1SU"),
    ],
)
def test_day_rules(desk, facts, rule, text):
    desk.post(reverse("desk_new_shift"), {**facts, **rule})
    assert ShiftTerm.objects.get().rule == text


def test_left_empty_the_minutes_are_reckoned(desk, facts, dock, pantry):
    """2.65 miles along the 40th parallel, by the length of a degree there, 53.06 statute miles (Bowditch,
    American Practical Navigator, table 7, from memory): 5 + 2.65 x 1.3 / 24 x 60 = 13.6, so 14 minutes,
    between 20 for loading and 20 for unloading."""
    desk.post(reverse("desk_new_shift"), {**facts, "minutes": ""})
    term = ShiftTerm.objects.get()
    assert term.minutes == 20 + 14 + 20
    assert [stop.after_minutes for stop in term.stops.all()] == [0, 34]


def test_further_stops_stand_in_their_order(desk, facts):
    third = SiteFactory(takes=True)
    desk.post(reverse("desk_new_shift"), {**facts, "stop_4": third.pk, "minutes": ""})
    assert [stop.site_id for stop in ShiftTerm.objects.get().stops.all()] == [
        facts["stop_1"],
        facts["stop_2"],
        third.pk,
    ]


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"name": ""}, "name", "Write a name."),
        ({"weekdays": []}, "weekdays", "at least one day"),
        ({"weekdays": ["0", "1"], "nths": ["1"]}, "weekdays", "one day of the week only"),
        ({"every": "2", "nths": ["1"]}, "every", "By the month"),
        ({"every": "9"}, "every", "9"),
        ({"starts": "25:00"}, "starts", "Write a time"),
        ({"starts": ""}, "starts", "Give the time"),
        ({"minutes": "4"}, "minutes", "5"),
        ({"minutes": "20"}, "minutes", "The last stop is reached 34 minutes after the start"),
        ({"minutes": "900"}, "minutes", "720"),
        ({"crates": ""}, "crates", "0 if nobody knows"),
        ({"stop_1": ""}, "stop_1", "Say where it is picked up."),
        ({"stop_2": "99999"}, "stop_2", "Choose one of the list"),
        ({"from_day": "6/1/2026"}, "from_day", "is over"),
        ({"from_day": "6/1/2036"}, "from_day", "too far ahead"),
    ],
)
def test_a_fault_is_named_at_its_field_and_what_was_typed_stays(desk, facts, change, field, words):
    answer = desk.post(reverse("desk_new_shift"), {**facts, **change})
    assert words in errors_of(answer)[field]
    assert answer.context["form"]["crates"].value() == change.get("crates", "12")
    assert not Shift.objects.exists()


def test_food_goes_from_a_pickup_to_a_drop_off(desk, facts, dock, pantry):
    answer = desk.post(reverse("desk_new_shift"), {**facts, "stop_1": pantry.pk, "stop_2": dock.pk})
    assert set(errors_of(answer)) == {"stop_1", "stop_2"}
    answer = desk.post(reverse("desk_new_shift"), {**facts, "stop_3": pantry.pk})
    assert "stop before it" in errors_of(answer)["stop_3"]
    assert not Shift.objects.exists()


# --- changing


def test_the_form_shows_what_is_and_sending_it_back_changes_nothing(desk, monday):
    form = desk.get(page_of(monday)).context["form"]
    sent = {name: form[name].value() for name in form.fields if form[name].value() is not None}
    answer = desk.post(page_of(monday), {**sent, "starts": "08:00", "second_seat": "on"})
    assert "Nothing was changed" in said(answer)
    assert monday.terms.count() == 1


def test_a_change_names_the_booked_runs_before_it_is_saved(desk, monday, facts):
    run = book(monday)
    Message.objects.all().delete()
    post = {**facts, "starts": "09:30"}
    asked = desk.post(page_of(monday), post)
    page = text_of(asked)
    assert "Nothing has been saved yet." in page
    assert "1 booked run changes" in page
    assert "Monday run, Mon, Jun 8, 8:00 a.m." in page
    assert "Ana Reyes" in page
    run.refresh_from_db()
    assert run.starts_at == datetime(2026, 6, 8, 8, 0, tzinfo=NEW_YORK)
    assert monday.terms.count() == 1
    assert not Message.objects.exists()
    hidden = {
        name: [v for n, v in asked.context["fields"] if n == name] for name, _v in asked.context["fields"]
    }
    done = desk.post(page_of(monday), {**hidden, "confirm": "yes"})
    assert "8 runs changed. Those booked on 1 run are told." in said(done)
    run.refresh_from_db()
    assert run.starts_at == datetime(2026, 6, 8, 9, 30, tzinfo=NEW_YORK)
    assert Message.objects.filter(kind="changed").count() == 1


def test_without_anybody_booked_it_is_saved_at_once(desk, monday, facts):
    answer = desk.post(page_of(monday), {**facts, "starts": "09:30", "from_day": "2026-06-20"})
    assert answer.status_code == 302
    assert "6 runs changed" in said(answer)
    starts = [run.starts_at.astimezone(NEW_YORK).time() for run in monday.runs.order_by("starts_at")]
    assert starts == [time(8)] * 2 + [time(9, 30)] * 6


def test_a_booked_run_off_the_new_rule_is_named_and_kept(desk, monday, facts):
    run = book(monday)
    post = {**facts, "weekdays": ["2"]}
    assert "1 booked run falls off the rule" in text_of(desk.post(page_of(monday), post))
    answer = desk.post(page_of(monday), {**post, "confirm": "yes"})
    assert "1 run off the rule kept" in said(answer)
    run.refresh_from_db()
    assert run.off_rule
    assert run.bookings.live().exists()
    assert monday.runs.filter(off_rule=False, slot_date__week_day=2).count() == 0


def test_stops_that_stay_keep_their_agreed_times(desk, monday, facts):
    book(monday)
    answer = desk.post(page_of(monday), {**facts, "crates": "20"})
    assert answer.status_code == 302  # nobody has to be told of crates
    assert [stop.after_minutes for stop in Run.objects.first().stops.all()] == [0, 35]
    assert Run.objects.first().crates == 20


def test_eight_stays_eight_over_the_clock_change(desk, facts):
    """The United States end daylight time on the first Sunday of November (15 USC 260a): Nov 1 in 2026."""
    with time_machine.travel(datetime(2026, 10, 20, 14, 0, tzinfo=NEW_YORK), tick=False):
        desk = desk_client(coordinator(email="second@example.org"))
        desk.post(reverse("desk_new_shift"), {**facts, "from_day": "2026-10-20"})
    starts = {run.local_date: run.starts_at for run in Run.objects.all()}
    assert starts[date(2026, 10, 26)].hour == 12  # UTC
    assert starts[date(2026, 11, 2)].hour == 13
    assert "8:00 a.m. stays 8:00 a.m." in text_of(desk.get(reverse("desk_new_shift")))


# --- ending


def test_ending_names_and_keeps_the_booked_runs(desk, monday):
    book(monday, number=5)
    address = reverse("desk_shift_end", args=[monday.pk])
    asked = desk.post(address, {"last_day": "2026-06-15"})
    assert "1 booked run falls off the rule" in text_of(asked)
    assert "5 runs without anybody fall away" in text_of(asked)
    assert monday.runs.count() == 8
    desk.post(address, {"last_day": "2026-06-15", "confirm": "yes"})
    assert sorted(run.local_date for run in monday.runs.all()) == [
        date(2026, 6, 8),
        date(2026, 6, 15),
        date(2026, 7, 13),
    ]
    assert "is over" in errors_of(desk.post(address, {"last_day": "6/1/2026"}))["last_day"]


def test_an_ended_one_starts_again(desk, monday, facts):
    desk.post(reverse("desk_shift_end", args=[monday.pk]), {"last_day": TODAY.isoformat()})
    assert monday.runs.count() == 0
    with time_machine.travel(NOW + DAY, tick=False):
        assert "Start it again" in text_of(desk.get(page_of(monday)))
        desk.post(page_of(monday), {**facts, "from_day": "2026-06-10"})
    assert monday.runs.order_by("starts_at").first().local_date == date(2026, 6, 15)


def test_one_that_ended_before_it_began_has_a_page(desk, dock, pantry):
    stops = ((dock.pk, 0), (pantry.pk, 35))
    plan = Plan(rule="FREQ=WEEKLY;BYDAY=MO", starts=time(8), minutes=60, stops=stops)
    shift = add_shift(name="Never", plan=plan, from_day=TODAY + 20 * DAY, by=None)
    desk.post(reverse("desk_shift_end", args=[shift.pk]), {"last_day": TODAY.isoformat()})
    assert "ended before it began" in text_of(desk.get(page_of(shift)))
    assert "Never" in text_of(desk.get(reverse("desk_shifts"), {"show": "ended"}))


# --- nonsense


def test_every_form_survives_nonsense(desk, monday):
    fields = (
        *("name", "stop_1", "stop_2", "stop_3", "weekdays", "every", "nths", "starts", "minutes", "crates"),
        *("second_seat", "from_day", "confirm"),
    )
    survives_nonsense(desk, reverse("desk_new_shift"), fields)
    survives_nonsense(desk, page_of(monday), fields)
    survives_nonsense(desk, reverse("desk_shift_end", args=[monday.pk]), ("last_day", "confirm"))
    for shift in Shift.objects.all():
        assert desk.get(page_of(shift)).status_code == 200


def test_nonsense_in_one_field_of_a_good_form(desk, facts, monday):
    survives_nonsense(desk, page_of(monday), ("starts", "minutes", "crates", "from_day", "every"), facts)
    assert desk.get(page_of(monday)).status_code == 200
