"""Sites at the desk: facts, door notes, contacts, closed dates, and when a site may end."""

from datetime import time, timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils.html import escape

from shifts.calendar import feed as feeds
from shifts.models import CalendarEntry
from shifts.schedule.making import Plan, add_shift
from shifts.seats import standing as regular
from shifts.seats.booking import seat
from sites.changes import close_site, set_contacts
from sites.models import Closure, Event, Site
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    lead_driver,
    make_run,
    put,
    ready_person,
)
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
from volunteers import clearance
from volunteers.doors import publish
from volunteers.models import Message, Person

pytestmark = pytest.mark.django_db
ROWS = {"form-TOTAL_FORMS": "4", "form-INITIAL_FORMS": "0"}
FACTS = {"name": "Mill Street Grocery", "gives": "on", "street": "4 Mill Street", "place": "40.01, -83.02"}


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return desk_client()


@pytest.fixture
def dock():
    return SiteFactory(name="Mill Street Grocery")


def at(name, site):
    return reverse(name, args=[site.pk])


# --- the list


def test_the_list_shows_what_where_door_notes_contact_and_closed_days(desk, dock):
    publish(dock, {"approach": "From the back."}, by=None)
    set_contacts(dock, [{"name": "Teo", "role": "receiving", "phone": "+16145550171"}], by=None)
    close_site(dock, first=TODAY + DAY, last=TODAY + 2 * DAY, by=None)
    DropOffFactory(name="Elm Kitchen", street="", town="")
    SiteFactory(name="Old Dock", ended_on=TODAY)
    page = text_of(desk.get(reverse("desk_sites")))
    for words in (
        "Mill Street Grocery",
        "pickup",
        "6/2/2026",
        "Teo",
        "(614) 555-0171",
        "6/3/2026 to 6/4/2026",
    ):
        assert words in page
    assert "none yet" in page
    assert "Old Dock" not in page
    assert "Old Dock" in text_of(desk.get(reverse("desk_sites"), {"show": "ended"}))


def test_an_empty_list_says_how_to_begin(desk):
    assert "Add the first site" in text_of(desk.get(reverse("desk_sites")))


def test_queries_of_the_list_do_not_grow_with_the_sites(desk):
    """Sites with the day of their door notes, contacts, closed days; today's programme."""
    for count in (10, 190):
        for _ in range(count):
            site = SiteFactory()
            set_contacts(site, [{"name": "Teo"}], by=None)
            close_site(site, first=TODAY, last=TODAY, by=None)
        number, queries = queries_of(desk, reverse("desk_sites"))
        assert number == EVERY_PAGE + 4, queries


# --- facts


def test_a_site_is_added_with_its_place_in_one_field(desk):
    answer = desk.post(reverse("desk_new_site"), FACTS)
    site = Site.objects.get()
    assert answer.headers["Location"] == at("desk_site", site)
    assert (site.name, site.gives, site.takes, site.place) == (
        "Mill Street Grocery",
        True,
        False,
        (40.01, -83.02),
    )
    assert Event.objects.about(site).get().verb == "added"


@pytest.mark.parametrize(
    ("typed", "place"),
    [
        ("40.01, -83.02", (40.01, -83.02)),
        ("40.01,-83.02", (40.01, -83.02)),
        (" (40.01 -83.02) ", (40.01, -83.02)),
        ("40.01°, -83.02°", (40.01, -83.02)),
        ("-90, 180", (-90.0, 180.0)),
        ("", None),
    ],
)
def test_places_as_they_are_pasted(desk, typed, place):
    desk.post(reverse("desk_new_site"), {**FACTS, "place": typed})
    assert Site.objects.get().place == place


@pytest.mark.parametrize(
    ("facts", "field", "words"),
    [
        ({"foods": "bread"}, "foods", "Only a drop-off has this."),
        ({"foods": "b" * 201}, "foods", "at most 200 characters"),
        ({"fallback": "99"}, "fallback", "Choose another site in use that takes food."),
        ({"fallback": "x", "takes": "on"}, "fallback", "Choose another site in use that takes food."),
        ({"name": " "}, "name", "Write the name."),
        ({"gives": ""}, "gives", "Tick pickup, drop-off, or both."),
        ({"place": "40.01"}, "place", "two numbers"),
        ({"place": "somewhere"}, "place", "two numbers"),
        ({"place": "91, 0"}, "place", "degrees north"),
        ({"place": "40, 181"}, "place", "degrees east"),
        ({"place": "nan, nan"}, "place", "two numbers"),
    ],
)
def test_a_fault_is_named_at_its_field_and_what_was_typed_stays(desk, facts, field, words):
    answer = desk.post(reverse("desk_new_site"), {**FACTS, **facts})
    assert words in errors_of(answer)[field]
    assert answer.context["form"]["street"].value() == "4 Mill Street"
    assert not Site.objects.exists()


def test_who_is_told_of_a_new_address_is_shown_before_it_is_saved(desk, dock):
    ana = ready_person(name="Ana Reyes")
    for days in (3, 5):
        run = make_run(starts_at=NOW + days * DAY, sites=[dock, DropOffFactory()])
        seat(run=run, person=ana, seat="driver", by=None, on_behalf=True)
    Message.objects.all().delete()
    sequences = sum(entry.sequence for entry in CalendarEntry.objects.all())
    before = all_rows()
    asked = desk.post(at("desk_site", dock), {**FACTS, "street": "9 Mill Street"})
    assert all_rows() == before
    (row,) = looked_at(asked)["1 person is told"]
    assert row.startswith("Ana Reyes | by mail | Changed: Mill Street Grocery")
    assert "the address is now 9 Mill Street" in row
    confirm(desk, asked)
    dock.refresh_from_db()
    assert dock.street == "9 Mill Street"
    assert sum(entry.sequence for entry in CalendarEntry.objects.all()) == sequences + 2
    assert Message.objects.filter(person=ana).exclude(kind="calendar").count() == 1


def test_a_changed_site_is_changed_back(desk, dock):
    ana = ready_person()
    seat(run=make_run(sites=[dock, DropOffFactory()]), person=ana, seat="driver", by=None, on_behalf=True)
    was, before = Site.objects.filter(pk=dock.pk).values().get(), feed_of(ana)
    save(desk, at("desk_site", dock), {**FACTS, "name": "Mill Grocery", "takes": "on", "foods": "bread"})
    assert feed_of(ana) != before
    look = press_undo(desk, desk.get(at("desk_site", dock)))
    assert "1 person is told" in looked_at(look)
    confirm(desk, look)
    assert Site.objects.filter(pk=dock.pk).values().get() == was
    assert feed_of(ana) == before


def test_facts_that_concern_nobody_are_saved_at_once_and_no_change_says_so(desk, dock):
    assert "Saved." in said(desk.post(at("desk_site", dock), {**FACTS, "street": "9 Mill Street"}))
    assert "Nothing was changed" in said(
        desk.post(at("desk_site", dock), {**FACTS, "street": "9 Mill Street"})
    )
    typed = desk.post(at("desk_site", dock), {**FACTS, "street": "7 Mill", "edit": "yes"})
    assert typed.context["form"]["street"].value() == "7 Mill"
    dock.refresh_from_db()
    assert dock.street == "9 Mill Street"


def feed_of(person):
    """The feed without what names a version."""
    body = feeds.feed(person, at=NOW).body.decode().replace("\r\n ", "")
    skipped = ("UID:", "SEQUENCE:", "DTSTAMP:", "LAST-MODIFIED:")
    return [line for line in body.split("\r\n") if not line.startswith(skipped)]


# --- what a drop-off takes, and where its food goes when it is closed


@pytest.fixture
def kitchen():
    return DropOffFactory(name="Elm Kitchen")


@pytest.fixture
def pantry():
    return DropOffFactory(name="Oak Pantry", street="9 Oak Lane", foods="bread, no dairy")


DROP = {"name": "Elm Kitchen", "takes": "on"}


def test_a_drop_off_says_what_it_takes_and_where_food_goes_instead(desk, kitchen, pantry):
    desk.post(at("desk_site", kitchen), {**DROP, "foods": "hot meals", "fallback": pantry.pk})
    kitchen.refresh_from_db()
    assert (kitchen.foods, kitchen.fallback) == ("hot meals", pantry)
    event = Event.objects.about(kitchen).get()
    assert (event.before["foods"], event.after["foods"]) == ("", "hot meals")
    assert event.after["fallback"] == "Oak Pantry"
    page = text_of(desk.get(at("desk_site", kitchen)))
    assert "Takes hot meals" in page
    assert "When it is closed, the food goes to" in page
    assert "which takes bread, no dairy" in page
    assert "takes hot meals" in text_of(desk.get(reverse("desk_sites")))
    assert "Elm Kitchen (takes hot meals)" in text_of(desk.get(reverse("desk_new_run")))
    desk.post(at("desk_site", kitchen), DROP)
    kitchen.refresh_from_db()
    assert (kitchen.foods, kitchen.fallback) == ("", None)
    assert "is not decided" in text_of(desk.get(at("desk_site", kitchen)))


def test_a_new_drop_off_has_them_too(desk, pantry):
    desk.post(reverse("desk_new_site"), {**DROP, "foods": "hot meals", "fallback": pantry.pk})
    site = Site.objects.get(name="Elm Kitchen")
    assert (site.foods, site.fallback) == ("hot meals", pantry)


def test_food_goes_to_another_site_that_takes_it(desk, kitchen, pantry, dock):
    """Not to the site itself, a pickup, or one used no longer, unless it was chosen before that."""
    ended = DropOffFactory(ended_on=TODAY)
    for wrong in (kitchen, dock, ended):
        answer = desk.post(at("desk_site", kitchen), {**DROP, "foods": "bread", "fallback": wrong.pk})
        assert "Choose another site in use" in errors_of(answer)["fallback"]
        assert answer.context["form"]["foods"].value() == "bread"
    kitchen.refresh_from_db()
    assert (kitchen.fallback, kitchen.foods) == (None, "")
    Site.objects.filter(pk=kitchen.pk).update(fallback=ended)
    assert "used no longer: choose another" in text_of(desk.get(at("desk_site", kitchen)))
    assert desk.post(at("desk_site", kitchen), {**DROP, "fallback": ended.pk}).status_code == 302


def test_a_pickup_has_no_fallback_and_a_fallback_goes_on_taking(desk, kitchen, pantry):
    answer = desk.post(at("desk_site", kitchen), {"name": "Elm", "gives": "on", "fallback": pantry.pk})
    assert "Only a drop-off has this." in errors_of(answer)["fallback"]
    Site.objects.filter(pk=kitchen.pk).update(fallback=pantry)
    answer = desk.post(at("desk_site", pantry), {"name": "Oak Pantry", "gives": "on"})
    assert "the food of these sites goes here: Elm Kitchen" in errors_of(answer)["takes"]
    pantry.refresh_from_db()
    assert (pantry.takes, pantry.gives) == (True, False)


def test_the_run_of_a_closed_drop_off_says_where_the_food_goes(desk, dock, kitchen, pantry):
    set_contacts(pantry, [{"name": "Teo", "role": "", "phone": "+16145550171"}], by=None)
    Site.objects.filter(pk=kitchen.pk).update(fallback=pantry)
    run = make_run(sites=[dock, kitchen])
    here = reverse("desk_run", args=[run.pk])
    assert "Oak Pantry" not in text_of(desk.get(here))
    close_site(kitchen, first=run.local_date, last=run.local_date, by=None)
    page = text_of(desk.get(here))
    for words in ("Instead of Elm Kitchen", "9 Oak Lane", "It takes bread, no dairy", "tel:+16145550171"):
        assert words in page
    assert "closed that day as well" not in page
    close_site(pantry, first=run.local_date, last=run.local_date, by=None)
    assert "closed that day as well" in text_of(desk.get(here))
    Site.objects.filter(pk=pantry.pk).update(ended_on=TODAY)
    assert "used no longer" in text_of(desk.get(here))
    Site.objects.filter(pk=kitchen.pk).update(fallback=None)
    assert "Where the food goes when Elm Kitchen is closed is not decided" in text_of(desk.get(here))


# --- door notes


def test_the_first_door_notes_spare_those_who_know_the_door(desk, dock):
    ana, bo = ready_person(), SiteFactory()
    page = text_of(desk.get(at("desk_door_notes", dock)))
    assert "1 person is ready to drive today" in page
    desk.post(at("desk_door_notes", dock), {"approach": "From the back.", "drivers_know_it": "on"})
    assert dock.door_notes().approach == "From the back."
    assert not clearance.missing(ana, on=TODAY, sites=[dock.pk])
    desk.post(at("desk_door_notes", bo), {"approach": "From the side."})
    assert clearance.missing(ana, on=TODAY, sites=[bo.pk])


def test_read_again_only_where_ticked_and_only_from_the_day(desk, dock):
    publish(dock, {"approach": "From the back."}, by=None)
    ana = ready_person(name="Ana Reyes")
    ana.completions.filter(step__site=dock).update(revision=1)
    put(ana, make_run(starts_at=NOW + 9 * DAY, sites=[dock, DropOffFactory()]))
    assert "1 person is ready to drive here today" in text_of(desk.get(at("desk_door_notes", dock)))
    quiet = desk.post(at("desk_door_notes", dock), {"approach": "From the side."})
    assert "Ana Reyes" not in said(quiet)
    assert not clearance.missing(ana, on=TODAY + 30 * DAY, sites=[dock.pk])
    typed = {"approach": "From the roof.", "must_read_again": "on", "from_day": "6/7/2026"}
    loud = desk.post(at("desk_door_notes", dock), {**typed, "confirm": "yes"})
    assert "Booked there and still to read them: Ana Reyes" in said(loud)
    assert not clearance.missing(ana, on=TODAY + 4 * DAY, sites=[dock.pk])
    assert clearance.missing(ana, on=TODAY + 5 * DAY, sites=[dock.pk])
    assert dock.door_notes().revision == 3


def test_what_did_not_change_is_no_new_revision(desk, dock):
    publish(dock, {"approach": "First line.\nSecond line."}, by=None)
    desk.post(at("desk_door_notes", dock), {"approach": "First line.\r\nSecond line."})
    assert dock.notes.count() == 1


def test_door_notes_say_something_and_not_from_the_past(desk, dock):
    assert "at least one" in errors_of(desk.post(at("desk_door_notes", dock), {}))["approach"]
    late = desk.post(at("desk_door_notes", dock), {"approach": "x", "from_day": "6/1/2026"})
    assert "is over" in errors_of(late)["from_day"]
    assert late.context["form"]["approach"].value() == "x"
    assert dock.door_notes() is None


# --- contacts and closed dates


def test_contacts_in_rows(desk, dock):
    desk.post(
        at("desk_contacts", dock),
        {
            **ROWS,
            "form-0-name": "Teo",
            "form-0-phone": "614 555 0171",
            "form-2-name": "Ilse",
            "form-2-role": "baker",
        },
    )
    assert [(c.name, c.role, str(c.phone)) for c in dock.contacts.all()] == [
        ("Teo", "", "(614) 555-0171"),
        ("Ilse", "baker", ""),
    ]
    answer = desk.post(at("desk_contacts", dock), {**ROWS, "form-0-phone": "614 555 0171"})
    assert "Write the name" in answer.context["formset"].errors[0]["name"][0]
    assert dock.contacts.count() == 2
    desk.post(at("desk_contacts", dock), {**ROWS, "form-0-name": "Ilse"})
    assert [contact.name for contact in dock.contacts.all()] == ["Ilse"]


def test_closed_dates_show_runs_and_words_before_they_are_saved(desk, dock):
    drop = DropOffFactory()
    booked = make_run(title="Bread run", starts_at=NOW + 2 * DAY, sites=[dock, drop])
    make_run(title="Apple run", starts_at=NOW + 3 * DAY, sites=[dock, drop])
    make_run(title="Later run", starts_at=NOW + 9 * DAY, sites=[dock, drop])
    make_run(title="Elsewhere", starts_at=NOW + 2 * DAY)
    for person, which in (
        (lead_driver(name="Lea Lead"), "driver"),
        (PersonFactory(name="Bo", by_phone=True), "second"),
    ):
        seat(run=booked, person=person, seat=which, by=None, on_behalf=True)
    Message.objects.all().delete()
    before = all_rows()
    days = {"first": "6/3/2026", "last": "2026-06-06", "reason": "Floor repair"}
    asked = desk.post(at("desk_close", dock), days)
    assert all_rows() == before
    closed = " | closed: Mill Street Grocery"
    told = (
        "Closed: Mill Street Grocery"
        " | Please do not go: Bread run on Thu, Jun 4. Mill Street Grocery is closed: Floor repair."
    )
    assert looked_at(asked) == {
        "2 runs do not take place": [
            f"Bread run, Thu, Jun 4, 10:00 a.m. | Lea Lead, Bo{closed}",
            f"Apple run, Fri, Jun 5, 10:00 a.m.{closed}",
        ],
        "2 people are told": [
            f"Lea Lead | by mail | {told}",
            f"Bo | by phone: it comes on your list | {told}",
        ],
    }
    assert reverse("desk_days") not in text_of(asked)  # the pickup closes: no other drop-off helps
    typed = desk.post(at("desk_close", dock), {**days, "edit": "yes"})
    assert typed.context["form"]["reason"].value() == "Floor repair"
    assert not Closure.objects.exists()
    answer = confirm(desk, asked)
    assert "2 runs stop there on those days; those booked on 1 of them are told" in said(answer)
    assert Message.objects.exclude(kind="calendar").count() == 2
    page = desk.get(at("desk_site", dock))
    (row,) = page.context["closures"]
    assert [run["who"] for run in row["booked"]] == ["Lea Lead, Bo"]
    assert reverse("desk_run", args=[booked.pk]) in text_of(page)
    assert "Apple run" in text_of(page)
    assert "Later run" not in text_of(page)
    assert "Elsewhere" not in text_of(page)


def test_lifting_tells_them_again_and_brings_calendars_back(desk, dock):
    ana, run = ready_person(name="Ana Reyes"), make_run(sites=[dock, DropOffFactory()])
    seat(run=run, person=ana, seat="driver", by=None, on_behalf=True)
    before, days = feed_of(ana), {"first": "6/3/2026", "last": "6/9/2026", "reason": "Flood"}
    save(desk, at("desk_close", dock), days)
    assert feed_of(ana) != before
    rows = all_rows()
    look = press_undo(desk, desk.get(at("desk_site", dock)))
    assert all_rows() == rows
    assert "1 run takes place again" in looked_at(look)
    assert "It takes place after all" in looked_at(look)["1 person is told"][0]
    Message.objects.all().delete()
    assert "is open again from 6/3/2026 to 6/9/2026" in said(confirm(desk, look))
    assert Closure.objects.get().lifted_at
    assert feed_of(ana) == before
    assert Message.objects.exclude(kind="calendar").count() == 1
    again = press_undo(desk, desk.get(at("desk_site", dock)))
    assert "1 run does not take place" in looked_at(again)
    assert dict(again.context["fields"]) == {"first": "2026-06-03", "last": "2026-06-09", "reason": "Flood"}
    confirm(desk, again)
    assert Closure.objects.standing().get().reason == "Flood"
    assert feed_of(ana) != before


def test_the_calendar_of_a_regular_driver_follows_closed_dates_and_comes_back(desk, dock):
    rita, drop = ready_person(name="Rita Regular"), DropOffFactory()
    plan = Plan(rule="FREQ=WEEKLY;BYDAY=MO", starts=time(8), minutes=60, stops=((dock.pk, 0), (drop.pk, 30)))
    shift = add_shift(name="Monday run", plan=plan, from_day=TODAY, by=None)
    regular.begin(regular.Wish(shift, rita, TODAY), by=None)
    before = feed_of(rita)
    far = desk.post(at("desk_close", dock), {"first": "2027-01-04"})  # beyond the runs that are made
    assert looked_at(far) == {"1 calendar follows without a word": ["Rita Regular | by mail"]}
    for first in ("6/8/2026", "2027-01-04"):
        save(desk, at("desk_close", dock), {"first": first})
        assert feed_of(rita) != before
        confirm(desk, press_undo(desk, desk.get(at("desk_site", dock))))
        assert feed_of(rita) == before


def test_when_only_the_drop_off_closes_other_drop_offs_are_a_link_away(desk, dock, kitchen):
    make_run(starts_at=NOW + 2 * DAY, sites=[dock, kitchen])
    days = {"first": "6/3/2026", "last": "6/6/2026"}
    asked = desk.post(at("desk_close", kitchen), days)
    link = reverse("desk_days") + "?from=2026-06-03&to=2026-06-06"
    assert asked.context["elsewhere"] == link
    assert escape(link) in text_of(asked)


def test_what_is_closed_or_open_already_says_so(desk, dock):
    desk.post(at("desk_close", dock), {"first": "6/3/2026", "last": "6/6/2026"})
    before = all_rows()
    assert "Nothing was changed" in said(desk.post(at("desk_close", dock), {"first": "6/4/2026"}))
    assert all_rows() == before
    closure = Closure.objects.get()
    desk.post(at("desk_lift", closure))
    before = all_rows()
    assert "Nothing was changed" in said(desk.post(at("desk_lift", closure)))
    assert all_rows() == before


def test_queries_of_a_look_at_closed_dates_do_not_grow_with_its_runs(desk, dock):
    """Nobody is booked, so that closing itself asks the same number of times."""

    def asked(runs):
        for n in range(runs):
            make_run(starts_at=NOW + 2 * DAY + n * timedelta(hours=1), sites=[dock, DropOffFactory()])
        with CaptureQueriesContext(connection) as queries:
            answer = desk.post(at("desk_close", dock), {"first": "6/3/2026", "last": "6/6/2026"})
        assert looked_at(answer)
        return len(queries)

    assert asked(1) == asked(20)


def test_one_closed_day_needs_one_date(desk, dock):
    desk.post(at("desk_close", dock), {"first": "2026-07-04"})
    closure = Closure.objects.get()
    assert closure.first == closure.last


@pytest.mark.parametrize(
    ("days", "field", "words"),
    [
        ({}, "first", "Give the date."),
        ({"first": "6/9/2026", "last": "6/8/2026"}, "last", "before the first"),
        ({"first": "5/1/2026", "last": "5/8/2026"}, "last", "is over"),
        ({"first": "5/1/2026"}, "first", "is over"),
        ({"first": "6/31/2026"}, "first", "has no day 31"),
        ({"first": "6/1/2036"}, "first", "too far ahead"),
    ],
)
def test_closed_dates_that_cannot_be(desk, dock, days, field, words):
    answer = desk.post(at("desk_close", dock), {"reason": "Holiday", **days})
    assert words in errors_of(answer)[field]
    assert answer.context["form"]["reason"].value() == "Holiday"
    assert not Closure.objects.exists()


# --- the end of a site


def test_a_site_ends_only_when_nothing_stops_there(desk, dock):
    drop = DropOffFactory()
    plan = Plan(rule="FREQ=WEEKLY;BYDAY=MO", starts=time(8), minutes=60, stops=((dock.pk, 0), (drop.pk, 30)))
    shift = add_shift(name="Monday run", plan=plan, from_day=TODAY, by=None)
    assert "Monday run" in said(desk.post(at("desk_site", dock), {"use": "end"}))
    assert Site.objects.in_use().filter(pk=dock.pk).exists()
    save(desk, reverse("desk_shift_end", args=[shift.pk]), {"last_day": TODAY.isoformat()})
    assert "Monday run" in said(desk.post(at("desk_site", dock), {"use": "end"}))  # it still may run today
    with time_machine.travel(NOW + DAY, tick=False):
        run = make_run(sites=[dock, drop])
        assert "A run ahead" in said(desk.post(at("desk_site", dock), {"use": "end"}))
        run.delete()
        desk.post(at("desk_site", dock), {"use": "end"})
    dock.refresh_from_db()
    assert dock.ended_on == TODAY + DAY
    desk.post(at("desk_site", dock), {"use": "again"})
    dock.refresh_from_db()
    assert dock.ended_on is None


# --- nonsense


def test_every_form_survives_nonsense(desk, dock):
    facts = ("name", "gives", "takes", "street", "town", "place", "foods", "fallback")
    texts = ("approach", "spoiled", "must_read_again", "drivers_know_it", "from_day", "confirm", "edit")
    survives_nonsense(desk, reverse("desk_new_site"), facts)
    survives_nonsense(desk, at("desk_site", dock), facts)
    survives_nonsense(desk, at("desk_site", dock), ("use",))
    survives_nonsense(desk, at("desk_door_notes", dock), texts)
    survives_nonsense(desk, at("desk_contacts", dock), ("form-0-name", "form-0-role", "form-0-phone"), ROWS)
    survives_nonsense(desk, at("desk_doors_known", dock), ("revision",), {"person": Person.objects.get().pk})
    survives_nonsense(desk, at("desk_contacts", dock), ("form-TOTAL_FORMS", "form-INITIAL_FORMS"))
    survives_nonsense(desk, at("desk_close", dock), ("first", "last", "reason"))
    assert Person.objects.count() == 1
    for site in Site.objects.all():
        assert desk.get(at("desk_site", site)).status_code == 200
    assert desk.get(reverse("desk_sites")).status_code == 200
