"""Weekly runs at the desk: added, changed from a date, ended; what booked runs it touches is said before."""

from collections import Counter
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.db import connection, transaction
from django.db.models import F
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from shifts.calendar import feed as feeds
from shifts.models import Booking, CalendarEntry, Run, Shift, ShiftTerm, Standing
from shifts.pages.desk_look import look_at
from shifts.schedule.making import Plan, add_shift
from shifts.seats import standing as regular
from shifts.seats.booking import seat
from sites.models import Event
from tests.factories import DropOffFactory, SiteFactory, coordinator, make_run, ready_person
from tests.itip import by_dateutil
from tests.shifts.pages.at_the_desk import (
    DAY,
    EVERY_PAGE,
    NOW,
    TODAY,
    all_rows,
    confirm,
    desk_client,
    errors_of,
    looked_at,
    press_undo,
    queries_of,
    said,
    save,
    survives_nonsense,
    text_of,
)
from volunteers.models import Message, Person
from volunteers.people import add_away

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
    save(desk, page_of(monday), {**facts, "starts": "09:00", "from_day": "2026-07-01"})
    assert "changes 7/1/2026" in text_of(desk.get(reverse("desk_shifts")))
    save(desk, reverse("desk_shift_end", args=[monday.pk]), {"last_day": "2026-07-20"})
    assert "ends after 7/20/2026" in text_of(desk.get(reverse("desk_shifts")))


def test_ended_ones_stand_behind_a_link(desk, monday):
    save(desk, reverse("desk_shift_end", args=[monday.pk]), {"last_day": TODAY.isoformat()})
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


def test_a_change_shows_every_run_and_who_is_told_before_it_is_saved(desk, monday, facts):
    run = book(monday)
    seat_by_phone = ready_person(name="Bo Byrd", by_phone=True)
    seat(run=monday.runs.all()[1], person=seat_by_phone, seat="driver", by=None, on_behalf=True)
    before = all_rows()
    asked = desk.post(page_of(monday), {**facts, "starts": "09:30"})
    assert all_rows() == before
    assert "Nothing has been saved yet." in text_of(asked)
    look = looked_at(asked)
    assert (
        look["8 runs change"][0] == "Monday run, Mon, Jun 8, 8:00 a.m. | Ana Reyes | 9:30 a.m., was 8:00 a.m."
    )
    assert look["2 people are told"] == [
        "Ana Reyes | by mail | Changed: Monday run, Mon, Jun 8, 9:30 a.m."
        " | It starts on Mon, Jun 8 at 9:30 a.m.; it was Mon, Jun 8 at 8:00 a.m.",
        "Bo Byrd | by phone: it comes on your list | Changed: Monday run, Mon, Jun 15, 9:30 a.m."
        " | It starts on Mon, Jun 15 at 9:30 a.m.; it was Mon, Jun 15 at 8:00 a.m.",
    ]
    assert "and 4 more" in text_of(asked)
    done = confirm(desk, asked)
    assert "8 runs changed. Those booked on 2 runs are told." in said(done)
    run.refresh_from_db()
    assert run.starts_at == datetime(2026, 6, 8, 9, 30, tzinfo=NEW_YORK)
    assert Counter(Message.objects.filter(kind="changed").values_list("person__name", flat=True)) == {
        "Ana Reyes": 1,
        "Bo Byrd": 1,
    }


def test_nobody_booked_is_shown_all_the_same(desk, monday, facts):
    asked = desk.post(page_of(monday), {**facts, "starts": "09:30", "from_day": "2026-06-20"})
    assert set(looked_at(asked)) == {"6 runs change"}
    assert "6 runs changed" in said(confirm(desk, asked))
    starts = [run.starts_at.astimezone(NEW_YORK).time() for run in monday.runs.order_by("starts_at")]
    assert starts == [time(8)] * 2 + [time(9, 30)] * 6


def test_a_change_beyond_the_runs_that_are_made_is_saved_at_once(desk, monday, facts):
    answer = desk.post(page_of(monday), {**facts, "starts": "09:30", "from_day": "2026-12-01"})
    assert answer.status_code == 302
    assert monday.terms.count() == 2


def test_other_days_show_what_appears_what_falls_away_and_what_is_kept(desk, monday, facts):
    run = book(monday)
    asked = desk.post(page_of(monday), {**facts, "weekdays": ["2"]})
    look = looked_at(asked)
    assert look["1 booked run is kept, though off the rule"] == [
        "Monday run, Mon, Jun 8, 8:00 a.m. | Ana Reyes"
    ]
    assert len(look["7 runs fall away"]) == 7
    assert look["8 runs appear"][0] == "Monday run, Wed, Jun 3, 8:00 a.m."
    assert "1 run off the rule kept" in said(confirm(desk, asked))
    run.refresh_from_db()
    assert run.off_rule
    assert run.bookings.live().exists()
    assert monday.runs.filter(off_rule=False, slot_date__week_day=2).count() == 0


def test_what_was_typed_can_be_gone_back_to(desk, monday, facts):
    post = {**facts, "weekdays": ["2", "4"], "starts": "09:30", "crates": "31"}
    asked = desk.post(page_of(monday), post)
    sent = {
        name: [v for n, v in asked.context["fields"] if n == name] for name, _v in asked.context["fields"]
    }
    assert sent == {
        name: [str(v) for v in (value if isinstance(value, list) else [value])]
        for name, value in post.items()
    }
    form = desk.post(page_of(monday), {**sent, "edit": "yes"}).context["form"]
    assert (form["weekdays"].value(), form["crates"].value()) == (["2", "4"], "31")
    assert monday.terms.count() == 1


def test_only_what_was_shown_is_saved(desk, monday, facts):
    """Somebody books between the look and the button: the look is shown again, with them."""
    asked = desk.post(page_of(monday), {**facts, "starts": "09:30"})
    book(monday)
    again = confirm(desk, asked)
    assert "Something has changed since you looked" in text_of(again)
    assert "1 person is told" in looked_at(again)
    assert monday.terms.get().starts == time(8)
    assert confirm(desk, again).status_code == 302
    assert monday.terms.get().starts == time(9, 30)
    assert desk.post(page_of(monday), {**facts, "starts": "10:00", "confirm": "yes"}).status_code == 200


def test_what_was_planned_for_later_is_named_when_it_falls_away(desk, monday, facts):
    save(desk, page_of(monday), {**facts, "starts": "09:00", "from_day": "2026-07-01"})
    save(desk, reverse("desk_shift_end", args=[monday.pk]), {"last_day": "2026-07-20"})
    page = text_of(desk.post(page_of(monday), {**facts, "starts": "10:00"}))
    assert "A change was planned from 7/1/2026. It falls away" in page
    assert "It was to end after 7/20/2026; now it goes on." in page
    page = text_of(desk.post(reverse("desk_shift_end", args=[monday.pk]), {"last_day": "2026-06-20"}))
    assert "A change was planned from 7/1/2026. It falls away" in page
    assert "now it goes on" not in page


def test_stops_that_stay_keep_their_agreed_times(desk, monday, facts):
    book(monday)
    asked = desk.post(page_of(monday), {**facts, "crates": "20"})
    assert set(looked_at(asked)) == {"8 runs change"}  # nobody has to be told of crates
    confirm(desk, asked)
    assert [stop.after_minutes for stop in Run.objects.first().stops.all()] == [0, 35]
    assert Run.objects.first().crates == 20


def test_one_that_is_to_begin_later_is_changed_from_then_and_begins_earlier_if_said(
    desk, facts, dock, pantry
):
    stops = ((dock.pk, 0), (pantry.pk, 35))
    plan = Plan("FREQ=WEEKLY;BYDAY=MO", time(8), 60, stops)
    shift = add_shift(name="Monday run", plan=plan, from_day=TODAY + 20 * DAY, by=None)
    form = desk.get(page_of(shift)).context["form"]
    assert form["from_day"].value() == TODAY + 20 * DAY
    page = text_of(desk.post(page_of(shift), facts))
    assert "It was to begin on 6/22/2026. This takes its place." in page
    assert "A change was planned" not in page


# --- regular drivers, and who may not fit


def drive(shift, name="Rita Regular", **more):
    wish = regular.Wish(shift=shift, person=ready_person(name=name, **more), from_day=TODAY)
    return regular.begin(wish, by=None)


def test_a_regular_driver_goes_on_with_the_new_hour_and_is_told_once(desk, monday, facts):
    rita = drive(monday).person
    Message.objects.all().delete()
    asked = desk.post(page_of(monday), {**facts, "starts": "09:30", "from_day": "2026-06-15"})
    look = looked_at(asked)
    assert look["Regular runs that go on with it"] == ["Rita Regular | every Monday at 9:30 a.m., every run"]
    assert look["1 person is told"] == [
        "Rita Regular | by mail | Your runs: Monday run has changed | From Mon, Jun 15 on your regular run "
        "Monday run goes every Monday at 9:30 a.m.: Mill Street Grocery, Elm Kitchen."
    ]
    confirm(desk, asked)
    assert rita.messages.exclude(kind="calendar").count() == 1
    assert rita.bookings.live().count() == 8


def test_a_pattern_that_has_no_meaning_any_more_is_said(desk, monday, facts):
    person = ready_person(name="Otto Other")
    regular.begin(regular.Wish(monday, person, TODAY, pattern=Standing.Pattern.OTHER), by=None)
    asked = desk.post(page_of(monday), {**facts, "every": "2"})
    (row,) = looked_at(asked)["Regular runs that go on with it"]
    assert row.endswith("every run; it was every other week")


def test_regular_bookings_that_end_are_named(desk, monday, facts):
    drive(monday)
    asked = desk.post(reverse("desk_shift_end", args=[monday.pk]), {"last_day": "2026-06-15"})
    look = looked_at(asked)
    assert look["Regular runs that end"] == ["Rita Regular"]
    assert look["6 bookings end"][0] == "Rita Regular | Monday run, Mon, Jun 22, 8:00 a.m., and 5 runs more"
    assert "1 person is told" in look


def test_who_may_not_fit_is_shown_before_and_listed_after(desk, monday, facts):
    run = book(monday)
    ana = run.bookings.get().person
    add_away(ana, first=run.local_date, last=run.local_date, by=None)
    run.bookings.update(confirmed_at=NOW)
    bo = ready_person(name="Bo Byrd", phone="+15555550142")
    seat(run=monday.runs.all()[1], person=bo, seat="driver", by=None, on_behalf=True)
    near = make_run(starts_at=datetime(2026, 6, 15, 9, 0, tzinfo=NEW_YORK))
    Run.objects.filter(pk=near.pk).update(
        starts_at=datetime(2026, 6, 15, 12, 0, tzinfo=NEW_YORK),
        ends_at=datetime(2026, 6, 15, 13, 0, tzinfo=NEW_YORK),
    )
    seat(run=near, person=bo, seat="driver", by=None, on_behalf=True)
    assert [row["hint"] for row in desk.get(page_of(monday)).context["doubts"].rows] == [
        "said to be away that day"
    ]
    asked = desk.post(page_of(monday), {**facts, "starts": "11:30"})
    assert looked_at(asked)["It may not fit any more"] == [
        "Ana Reyes | said to be away that day",
        "Bo Byrd | has another run too close to it",
    ]
    confirm(desk, asked)
    page = text_of(desk.get(page_of(monday)))
    assert "They keep the seat until you decide." in page
    assert "tel:+15555550142" in page
    assert reverse("desk_run", args=[run.pk]) in page
    assert bo.bookings.live().count() == 2


def test_queries_of_the_page_do_not_grow_with_runs_and_people(desk, monday):
    counts = []
    for number in (0, 1, 2, 3, 4, 5):
        book(monday, number=number, name=f"Person {number}")
        if number in (0, 5):
            counts.append(queries_of(desk, page_of(monday)))
    assert counts[0][0] == counts[1][0], counts


def test_queries_of_a_look_do_not_grow_beyond_those_of_the_change(monday):
    """The look itself asks the same number of times, whatever the change touches."""

    def reads(number):
        for n in range(number):
            book(monday, number=n, name=f"Person {number}{n}")

        def move():
            Run.objects.filter(shift=monday).update(
                starts_at=F("starts_at") + timedelta(hours=1), ends_at=F("ends_at") + timedelta(hours=1)
            )
            for person in Person.objects.all():
                Message.objects.create(
                    key=f"{person.pk}",
                    person=person,
                    kind="changed",
                    subject="Changed",
                    state="tell",
                    created_at=NOW,
                    next_try_at=NOW,
                )

        with transaction.atomic(), CaptureQueriesContext(connection) as asked:
            look, _result = look_at(move, runs=monday.runs.all, at=NOW)
            transaction.set_rollback(True)
        assert len(look.groups[0].rows) == 8
        return len(asked) - Person.objects.count()

    first = reads(1)
    CalendarEntry.objects.all().delete()
    Booking.objects.all().delete()
    assert reads(8) == first


# --- and back


def feed_of(person):
    """The person's feed without what names a version: UID, SEQUENCE, and the moments of it."""
    body = feeds.feed(person, at=NOW).body.decode().replace("\r\n ", "")
    skipped = ("UID:", "SEQUENCE:", "DTSTAMP:", "LAST-MODIFIED:", "CREATED:")
    return sorted(line for line in body.split("\r\n") if not line.startswith(skipped))


@pytest.mark.parametrize(
    "change",
    [
        {"starts": "09:30"},
        {"minutes": "90", "crates": "3"},
        {"weekdays": ["0", "2"]},
        {"name": "Bread run"},
        {"stop_2": "other"},
    ],
)
def test_the_opposite_change_brings_runs_and_calendars_back(desk, monday, facts, change):
    ana = book(monday).bookings.get().person
    if "stop_2" in change:
        change = {"stop_2": DropOffFactory(name="Oak Pantry").pk}
    before = feed_of(ana)
    runs = [
        (run.slot_date, run.starts_at, run.ends_at, run.crates, run.site_ids) for run in monday.runs.all()
    ]
    save(desk, page_of(monday), {**facts, **change})
    if set(change) & {"starts", "minutes", "name", "stop_2"}:
        assert feed_of(ana) != before
    page = desk.get(page_of(monday))
    assert "Change it back from 6/2/2026" in text_of(page)
    asked = press_undo(desk, page)
    assert "Nothing has been saved yet." in text_of(asked)
    confirm(desk, asked)
    assert feed_of(ana) == before
    assert [
        (run.slot_date, run.starts_at, run.ends_at, run.crates, run.site_ids)
        for run in monday.runs.on_the_books()
    ] == runs
    ana_told = ana.messages.exclude(kind="calendar").exclude(kind="booked")
    assert ana_told.count() == (2 if set(change) & {"starts", "minutes", "stop_2"} else 0)


@pytest.mark.parametrize("change", [{"starts": "09:30"}, {"weekdays": ["2"]}, {"every": "2"}])
def test_the_opposite_change_brings_a_regular_drivers_calendar_back(desk, monday, facts, change):
    rita = drive(monday).person
    before = instants_of(rita)
    assert before
    save(desk, page_of(monday), {**facts, **change, "from_day": "2026-06-15"})
    assert instants_of(rita) != before
    confirm(desk, press_undo(desk, desk.get(page_of(monday))))
    assert instants_of(rita) == before
    assert [run.slot_date for run in monday.runs.on_the_books()] == [
        run.slot_date
        for run in monday.runs.on_the_books().filter(bookings__person=rita, bookings__ended_at=None)
    ]


def instants_of(person):
    """Every occurrence that the person's feed holds until the end of the year."""
    body = feeds.feed(person, at=NOW).body.decode()
    return sorted(start for starts in by_dateutil(body, NOW, NOW + 200 * DAY).values() for start in starts)


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
    before = all_rows()
    asked = desk.post(address, {"last_day": "2026-06-15"})
    assert all_rows() == before
    look = looked_at(asked)
    assert "1 booked run is kept, though off the rule" in look
    assert len(look["5 runs fall away"]) == 5
    assert asked.context["fields"] == [("last_day", "2026-06-15")]
    assert "ends after 6/15/2026" in said(confirm(desk, asked))
    assert sorted(run.local_date for run in monday.runs.all()) == [
        date(2026, 6, 8),
        date(2026, 6, 15),
        date(2026, 7, 13),
    ]
    assert "is over" in errors_of(desk.post(address, {"last_day": "6/1/2026"}))["last_day"]
    assert "Nothing was changed" in said(desk.post(address, {"last_day": "2026-06-20"}))
    typed = desk.post(address, {"last_day": "6/10/2026", "edit": "yes"})
    assert typed.context["form"]["last_day"].value() == "6/10/2026"


def test_an_end_is_undone(desk, monday):
    ana = book(monday, number=5).bookings.get().person
    before, dates = feed_of(ana), [run.local_date for run in monday.runs.all()]
    save(desk, reverse("desk_shift_end", args=[monday.pk]), {"last_day": "2026-06-15"})
    page = desk.get(page_of(monday))
    assert "Undo: it goes on from 6/16/2026" in text_of(page)
    look = press_undo(desk, page)
    assert len(looked_at(look)["5 runs appear"]) == 5
    confirm(desk, look)
    assert [run.local_date for run in monday.runs.on_the_books()] == dates
    assert feed_of(ana) == before
    assert not monday.runs.filter(off_rule=True).exists()


@pytest.mark.parametrize("last_day", ["2026-06-15", "2026-06-02"])
def test_an_end_undone_brings_regular_drivers_and_their_calendars_back(desk, monday, last_day):
    other = ready_person(name="Otto Other")
    regular.begin(regular.Wish(monday, other, TODAY, pattern=Standing.Pattern.OTHER), by=None)
    rita = ready_person(name="Rita Regular")
    regular.begin(regular.Wish(monday, rita, TODAY + 7 * DAY, pattern=Standing.Pattern.OTHER), by=None)
    before = [instants_of(person) for person in (other, rita)]
    assert all(before)
    save(desk, reverse("desk_shift_end", args=[monday.pk]), {"last_day": last_day})
    assert [instants_of(person) for person in (other, rita)] != before
    page = desk.get(page_of(monday))
    Message.objects.all().delete()
    look = press_undo(desk, page)
    assert looked_at(look)["Regular runs that go on with it"] == [
        "Otto Other | every Monday at 8:00 a.m., every other week",
        "Rita Regular | every Monday at 8:00 a.m., every other week",
    ]
    assert "2 people are told" in looked_at(look)
    confirm(desk, look)
    assert [instants_of(person) for person in (other, rita)] == before
    assert Message.objects.exclude(kind="calendar").count() == 2


def test_who_has_left_meanwhile_does_not_go_on(desk, monday):
    rita = drive(monday).person
    save(desk, reverse("desk_shift_end", args=[monday.pk]), {"last_day": "2026-06-15"})
    page = desk.get(page_of(monday))
    Person.objects.filter(pk=rita.pk).update(left_on=TODAY)
    look = press_undo(desk, page)
    assert "Regular runs that go on with it" not in looked_at(look)
    confirm(desk, look)
    assert not monday.standings.filter(until_day=None).exists()


def test_an_ended_one_starts_again(desk, monday, facts):
    save(desk, reverse("desk_shift_end", args=[monday.pk]), {"last_day": TODAY.isoformat()})
    assert monday.runs.count() == 0
    with time_machine.travel(NOW + DAY, tick=False):
        assert "Start it again" in text_of(desk.get(page_of(monday)))
        save(desk, page_of(monday), {**facts, "from_day": "2026-06-10"})
    assert monday.runs.order_by("starts_at").first().local_date == date(2026, 6, 15)


def test_one_that_ended_before_it_began_has_a_page(desk, dock, pantry):
    stops = ((dock.pk, 0), (pantry.pk, 35))
    plan = Plan(rule="FREQ=WEEKLY;BYDAY=MO", starts=time(8), minutes=60, stops=stops)
    shift = add_shift(name="Never", plan=plan, from_day=TODAY + 20 * DAY, by=None)
    save(desk, reverse("desk_shift_end", args=[shift.pk]), {"last_day": TODAY.isoformat()})
    assert "ended before it began" in text_of(desk.get(page_of(shift)))
    assert "Never" in text_of(desk.get(reverse("desk_shifts"), {"show": "ended"}))


# --- nonsense


def test_every_form_survives_nonsense(desk, monday):
    fields = (
        *("name", "stop_1", "stop_2", "stop_3", "weekdays", "every", "nths", "starts", "minutes", "crates"),
        *("second_seat", "from_day", "confirm", "agreed", "resume", "edit"),
    )
    survives_nonsense(desk, reverse("desk_new_shift"), fields)
    survives_nonsense(desk, page_of(monday), fields)
    survives_nonsense(desk, reverse("desk_shift_end", args=[monday.pk]), ("last_day", "confirm"))
    for shift in Shift.objects.all():
        assert desk.get(page_of(shift)).status_code == 200


def test_nonsense_in_one_field_of_a_good_form(desk, facts, monday):
    survives_nonsense(desk, page_of(monday), ("starts", "minutes", "crates", "from_day", "every"), facts)
    assert desk.get(page_of(monday)).status_code == 200
