"""One run is changed at the desk: who is told what is said before, and the opposite change undoes it."""

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.urls import reverse

from shifts.calendar import feed as feeds
from shifts.models import CalendarEntry, Run
from shifts.schedule.making import Plan, add_shift
from shifts.seats import standing as regular
from shifts.seats.booking import seat
from shifts.seats.changes import cancel_run
from sites.changes import close_site
from tests.factories import DropOffFactory, SiteFactory, coordinator, make_run, ready_person
from tests.itip import PhoneCalendar, by_dateutil
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
from volunteers.models import Message
from volunteers.people import add_away

pytestmark = pytest.mark.django_db
NEW_YORK = ZoneInfo("America/New_York")
FIELDS = ("day", "starts", "minutes", "crates", "stop_1", "stop_2", "stop_3", "agreed", "confirm")


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return desk_client()


@pytest.fixture
def run():
    """On Friday, June 5, at 8."""
    sites = [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen")]
    return make_run(starts_at=datetime(2026, 6, 5, 8, tzinfo=NEW_YORK), sites=sites, crates=12)


def address(run):
    return reverse("desk_change_run", args=[run.pk])


def facts(run, **other):
    """The form as it comes, with some of it changed."""
    stops = {f"stop_{number}": site for number, site in enumerate(run.site_ids, start=1)}
    return {"day": "2026-06-05", "starts": "08:00", "minutes": "60", "crates": "12", **stops, **other}


def drives(run, **who):
    return seat(run=run, person=ready_person(**who), seat="driver", by=None, on_behalf=True).person


def feed_of(person):
    """The feed without what names a version."""
    body = feeds.feed(person, at=NOW).body.decode().replace("\r\n ", "")
    skipped = ("SEQUENCE:", "DTSTAMP:", "LAST-MODIFIED:")
    return [line for line in body.split("\r\n") if not line.startswith(skipped)]


def test_who_is_told_is_shown_before_anything_is_saved(desk, run):
    drives(run, name="Ana Reyes")
    seat(run=run, person=ready_person(name="Bo Byrd", by_phone=True), seat="second", by=None, on_behalf=True)
    before = all_rows()
    asked = desk.post(address(run), facts(run, starts="09:30", minutes="90"))
    assert all_rows() == before
    look = looked_at(asked)
    assert look["1 run changes"] == [
        "Morning run, Fri, Jun 5, 8:00 a.m. | Ana Reyes, Bo Byrd | 9:30 a.m., was 8:00 a.m."
        " | 90 minutes, was 60"
    ]
    assert [row.split(" | ")[:2] for row in look["2 people are told"]] == [
        ["Ana Reyes", "by mail"],
        ["Bo Byrd", "by phone: it comes on your list"],
    ]
    done = confirm(desk, asked)
    assert "Ana Reyes and Bo Byrd will be told." in said(done)
    run.refresh_from_db()
    assert run.starts_at == datetime(2026, 6, 5, 9, 30, tzinfo=NEW_YORK)
    assert (run.ends_at - run.starts_at, run.hand_edited) == (timedelta(minutes=90), True)
    assert Message.objects.filter(kind="changed").count() == 2


def test_crates_alone_are_nobodys_news(desk, run):
    ana = drives(run)
    Message.objects.all().delete()
    asked = desk.post(address(run), facts(run, crates="20"))
    assert looked_at(asked)["1 run changes"][0].endswith("about 20 crates, was 12")
    assert "told" not in said(confirm(desk, asked))
    assert not Message.objects.filter(person=ana).exists()
    run.refresh_from_db()
    assert run.crates == 20


def test_what_changes_nothing_says_so(desk, run):
    before = all_rows()
    answer = desk.post(address(run), facts(run))
    assert "Nothing was changed" in said(answer)
    assert all_rows() == before


def test_up_to_four_stops_in_their_order(desk, run):
    oak, pine = DropOffFactory(), DropOffFactory()
    save(desk, address(run), facts(run, stop_3=oak.pk, stop_4=pine.pk, minutes=""))
    run = Run.objects.get()
    assert run.site_ids[2:] == [oak.pk, pine.pk]
    assert len(run.site_ids) == 4
    assert run.arrives_at(run.ordered_stops[-1]) < run.ends_at


def test_the_opposite_change_brings_run_and_calendars_back(desk, run):
    ana = drives(run, email="ana@example.org")
    before, phone = feed_of(ana), PhoneCalendar("ana@example.org")
    was = (run.starts_at, run.ends_at, run.crates, run.site_ids)
    oak = DropOffFactory(name="Oak Pantry")
    for change in (
        {"starts": "09:30", "day": "2026-06-06"},
        {"stop_2": oak.pk, "minutes": "80", "crates": "3"},
    ):
        save(desk, address(run), facts(run, **change))
        assert feed_of(ana) != before
        page = desk.get(reverse("desk_run", args=[run.pk]))
        assert "Change it back" in text_of(page)
        look = press_undo(desk, page)
        assert "1 person is told" in looked_at(look)
        confirm(desk, look)
        assert feed_of(ana) == before
        run = Run.objects.get()
        assert (run.starts_at, run.ends_at, run.crates, run.site_ids) == was
    phone.read_all()
    assert phone.starts(NOW, NOW + 30 * DAY, by_dateutil) == [was[0]]
    assert CalendarEntry.objects.get().sequence == 4


def test_who_may_not_fit_keeps_the_seat_and_is_named(desk, run):
    ana = drives(run, name="Ana Reyes", phone="+15555550142")
    add_away(ana, first=TODAY + 4 * DAY, last=TODAY + 4 * DAY, by=None)
    asked = desk.post(address(run), facts(run, day="2026-06-06"))
    assert looked_at(asked)["It may not fit any more"] == ["Ana Reyes | said to be away that day"]
    assert "tel:+15555550142" in text_of(asked)
    assert "Ana Reyes may not fit any more: said to be away that day." in said(confirm(desk, asked))
    assert run.bookings.live().get().person == ana


def test_a_run_of_a_regular_run_moves_alone(desk, run, shift_of):
    rita = ready_person(name="Rita Regular")
    shift = shift_of(run)
    regular.begin(regular.Wish(shift, rita, TODAY), by=None)
    Message.objects.all().delete()
    first = shift.runs.first()
    day = first.local_date.isoformat()
    asked = desk.post(address(first), facts(first, day=day, starts="10:00"))
    assert looked_at(asked)["1 person is told"][0].startswith("Rita Regular | by mail")
    confirm(desk, asked)
    assert rita.messages.exclude(kind="calendar").count() == 1
    starts = [run.starts_at.astimezone(NEW_YORK).hour for run in shift.runs.all()]
    assert starts == [10] + [8] * 7


@pytest.fixture
def shift_of():
    def make(run):
        stops = tuple((site, number * 30) for number, site in enumerate(run.site_ids))
        plan = Plan(rule="FREQ=WEEKLY;BYDAY=MO", starts=time(8), minutes=60, stops=stops, crates=12)
        return add_shift(name="Monday run", plan=plan, from_day=TODAY, by=None)

    return make


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"day": ""}, "day", "Give the date."),
        ({"day": "2026-06-01"}, "day", "is over"),
        ({"day": "2036-06-01"}, "day", "too far ahead"),
        ({"starts": ""}, "starts", "Give the time"),
        ({"starts": "25:00"}, "starts", "Write a time"),
        ({"day": "2026-06-02", "starts": "09:00"}, "starts", "That is over: it is 10:00 a.m. now."),
        # Daylight time ends on Nov 1, 2026 and begins on Mar 14, 2027, each at 2 a.m. (15 USC 260a).
        ({"day": "2026-11-01", "starts": "01:30"}, "starts", "comes twice"),
        ({"day": "2027-03-14", "starts": "02:30"}, "starts", "does not exist"),
        ({"minutes": "4"}, "minutes", "5"),
        ({"minutes": "20"}, "minutes", "The last stop is reached"),
        ({"crates": ""}, "crates", "0 if nobody knows"),
        ({"stop_1": ""}, "stop_1", "Say where it is picked up."),
        ({"stop_2": ""}, "stop_2", "Say where it goes."),
    ],
)
def test_a_fault_is_named_at_its_field_and_what_was_typed_stays(desk, run, change, field, words):
    before = all_rows()
    answer = desk.post(address(run), {**facts(run, crates="31"), **change})
    assert words in errors_of(answer)[field]
    assert answer.context["form"]["crates"].value() == change.get("crates", "31")
    assert all_rows() == before


def test_a_closed_site_is_refused_and_another_drop_off_taken(desk, run):
    elm, oak = run.ordered_stops[1].site, DropOffFactory()
    close_site(elm, first=run.local_date, last=run.local_date, reason="holiday", by=None)
    answer = desk.post(address(run), facts(run, crates="3"))
    assert "Elm Kitchen is closed on Fri, Jun 5 (holiday)" in errors_of(answer)["stop_2"]
    look = desk.post(address(run), facts(run, stop_2=oak.pk))
    assert list(looked_at(look)) == ["1 run takes place again"]
    assert confirm(desk, look).status_code == 302


def test_what_was_typed_can_be_gone_back_to(desk, run):
    asked = desk.post(address(run), facts(run, starts="9:30 pm", crates="31"))
    form = desk.post(address(run), {**dict(asked.context["fields"]), "edit": "yes"}).context["form"]
    assert (form["starts"].value(), form["crates"].value()) == ("9:30 pm", "31")


def test_one_that_has_begun_keeps_its_start_and_may_go_elsewhere(desk, run):
    oak = DropOffFactory()
    with time_machine.travel(run.starts_at + timedelta(minutes=10), tick=False):
        desk = desk_client(coordinator(email="second@example.org"))
        save(desk, address(run), facts(run, stop_2=oak.pk))
    assert Run.objects.get().site_ids[1] == oak.pk


def test_one_that_is_cancelled_or_over_is_not_changed(desk, run):
    cancel_run(run, reason="Floor repair", by=None)
    over = make_run(starts_at=NOW - DAY)
    before = all_rows()
    for one in (run, over):
        for answer in (desk.get(address(one)), desk.post(address(one), facts(one, starts="09:30"))):
            assert "cancelled or over" in said(answer)
    assert all_rows() == before


def test_queries_do_not_grow_with_runs_sites_and_people(desk, run):
    """The run, stops with sites, people; sites for each of four stops."""
    first, queries = queries_of(desk, address(run))
    for _ in range(20):
        drives(make_run())
    assert queries_of(desk, address(run))[0] == first == EVERY_PAGE + 7, queries


def test_every_field_survives_nonsense(desk, run):
    survives_nonsense(desk, address(run), FIELDS, facts(run))
    assert desk.get(address(run)).status_code == 200
