"""A span of days at the desk: chosen, looked at, confirmed, undone; and a drop-off changed during a run."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from shifts.models import Run
from shifts.schedule.making import Plan, add_shift
from shifts.seats import days
from shifts.seats.changes import cancel_run
from shifts.seats.standing import Wish, begin
from sites.changes import set_contacts
from sites.models import Closure, Programme
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    make_run,
    put,
    ready_person,
)
from tests.shifts.pages.test_desk import said, signed_in, text_of, with_second_factor
from volunteers.doors import publish
from volunteers.models import Message

NOW = datetime(2026, 11, 20, 15, 0, tzinfo=UTC)  # a Friday, 10:00 a.m. in New York
THANKSGIVING = datetime(2026, 11, 26, 14, 0, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
PAGE = "/desk/days/?from=2026-11-26&to=2026-11-27"

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return signed_in(with_second_factor(coordinator()))


@pytest.fixture
def oak():
    return DropOffFactory(name="Oak Pantry", foods="bread, produce")


@pytest.fixture
def sites(oak):
    return [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen", fallback=oak)]


@pytest.fixture
def run(sites):
    return make_run(starts_at=THANKSGIVING, sites=sites, title="Thursday run")


@pytest.fixture
def later(sites):
    return make_run(starts_at=THANKSGIVING + DAY, sites=sites, title="Friday run")


@pytest.fixture
def ana():
    return ready_person(name="Ana Ashgrove", phone="+15555550123")


def fresh(run):
    return Run.objects.with_people().get(pk=run.pk)


def as_shown(desk, page=PAGE):
    """What a browser sends from the page as it is, nothing chosen."""
    answer = desk.get(page)
    fields = {"message": ""}
    for day in answer.context["days"]:
        fields[f"{day['date']}-reason"] = ""
        for row in day["rows"]:
            form = row["form"]
            if form is None:
                continue
            key = row["run"].pk
            fields |= {f"{key}-seen": row["seen"], f"{key}-was": row["was"]}
            for name in ("act", "reason", "day", "time", "site"):
                value = form[name].value()
                fields[f"{key}-{name}"] = "" if value is None else str(value)
            fields[f"{key}-said"] = [str(site) for site in form["said"].value()]
    return fields


def chosen(fields, run, act, **more):
    return fields | {f"{run.pk}-act": act, **{f"{run.pk}-{name}": value for name, value in more.items()}}


def confirm(desk, fields, page=PAGE):
    looked_at = desk.post(page, fields)
    assert "Nothing has been saved yet." in text_of(looked_at)
    return desk.post(page, dict_of(looked_at.context["fields"]) | {"confirm": "yes"}, follow=True)


def dict_of(pairs):
    found = {}
    for name, value in pairs:
        found.setdefault(name, []).append(value)
    return found


# --- the page


def test_every_run_by_day_with_nothing_chosen(desk, run, later):
    answer = desk.get(PAGE)
    assert [day["date"] for day in answer.context["days"]] == [date(2026, 11, 26), date(2026, 11, 27)]
    assert all(row["form"]["act"].value() == "keep" for day in answer.context["days"] for row in day["rows"])
    text = text_of(answer)
    for words in (
        "Cancel",
        "Move",
        "Other drop-off",
        "Store confirmed: Mill Street Grocery",
        "Agency confirmed",
    ):
        assert words in text


def test_the_span_is_a_week_unless_said_and_a_month_at_most(desk, run):
    assert (desk.get("/desk/days/").context["first"], desk.get("/desk/days/").context["last"]) == (
        date(2026, 11, 20), date(2026, 11, 26),
    )  # fmt: skip
    long = desk.get("/desk/days/?from=2026-11-01&to=2027-11-01")
    assert long.context["last"] == date(2026, 12, 1)
    assert "at most 31 days" in text_of(long)
    for odd in ("from=2026-02-30", "from=x&to=y", "from=0001-01-01", "from=2026-11-26&to=2026-01-01"):
        assert desk.get("/desk/days/?" + odd).status_code == 200


def test_days_without_runs_say_so(desk):
    assert "No runs on these days" in text_of(desk.get(PAGE))


def test_the_fallback_comes_first_with_what_it_takes(desk, run, oak, sites):
    DropOffFactory(name="Aspen House")
    form = desk.get(PAGE).context["days"][0]["rows"][0]["form"]
    assert [label for _value, label in form.fields["site"].choices] == [
        "Choose a drop-off", "Oak Pantry, fallback, takes bread, produce", "Aspen House",
    ]  # fmt: skip
    assert form["site"].value() == ""
    Closure.objects.create(site=sites[1], first=run.local_date, last=run.local_date)
    answer = desk.get(PAGE)
    form = answer.context["days"][0]["rows"][0]["form"]
    assert (form["act"].value(), form["site"].value()) == ("keep", oak.pk)
    assert "closed that day" in text_of(answer)


def test_a_run_that_is_over_offers_nothing(desk, sites):
    make_run(starts_at=NOW - 2 * HOUR, sites=sites)
    text = text_of(desk.get("/desk/days/"))
    assert "Over: it stays as it was." in text
    assert 'value="cancel"' not in text


def test_a_run_that_has_begun_cannot_move(desk, sites):
    run = make_run(starts_at=NOW - HOUR / 2, sites=sites)
    form = desk.get("/desk/days/").context["days"][0]["rows"][0]["form"]
    assert [act for act, _words in form.fields["act"].choices] == ["keep", "cancel", "elsewhere"]
    assert run.pk == form.run.pk


def test_the_number_of_queries_does_not_grow(desk, sites):
    def queries():
        with CaptureQueriesContext(
            connection,
        ) as caught:
            assert desk.get("/desk/days/?from=2026-11-26&to=2026-12-26").status_code == 200
        return len(caught)

    def more(number):
        for n in range(number):
            run = make_run(
                starts_at=THANKSGIVING + n * DAY, sites=[SiteFactory(), DropOffFactory(fallback=sites[1])]
            )
            put(PersonFactory(), run)

    more(2)
    queries()  # the first makes the row of the schedule's numbers
    few = queries()
    more(20)
    assert queries() == few


# --- a look, then the change


def test_a_look_names_what_changes_whom_and_in_which_words(desk, run, later, ana, sites):
    put(ana, run)
    set_contacts(sites[0], [{"name": "Noor", "role": "", "phone": "+15555550142"}], by=None)
    fields = chosen(as_shown(desk), run, "cancel", reason="The store is closed")
    fields = chosen(fields, later, "move", day="2026-11-28", time="10:30")
    text = text_of(desk.post(PAGE, fields))
    assert "Thursday run, Thu, Nov 26, 9:00 a.m.</a></p> <p>is cancelled: The store is closed</p>" in text
    assert "moves to Sat, Nov 28, 10:30 a.m." in text
    assert "Ana Ashgrove drives" in text
    assert "Cancelled, please do not go: Thursday run, Thu, Nov 26 at 9:00 a.m. The store is closed" in text
    assert "nobody is on it" in text
    assert 'href="tel:+15555550142"' in text
    assert not fresh(run).is_cancelled
    assert not Message.objects.exists()


def test_confirmed_it_is_done_and_undone_as_one_change(desk, run, later, ana):
    put(ana, run)
    put(ana, later)
    before = [days.shape_of(fresh(one)) for one in (run, later)]
    fields = chosen(as_shown(desk), run, "cancel") | {"message": "Happy Thanksgiving"}
    answer = confirm(desk, chosen(fields, later, "move", day="2026-11-28", time="10:30"))
    assert said(answer)[0] == "2 runs changed, 1 person told."
    assert fresh(run).cancel_reason == "Happy Thanksgiving"
    assert fresh(later).local_date == date(2026, 11, 28)
    assert fresh(later).hand_edited
    assert Message.objects.exclude(kind="calendar").count() == 1
    text = text_of(answer)
    assert "Undo: all as it was before" in text
    assert "Friday run, Fri, Nov 27, 9:00 a.m. moves to Sat, Nov 28, 10:30 a.m." in text
    undone = desk.post(reverse("desk_days_undo"), follow=True)
    assert "2 runs changed, 1 person told." in said(undone)[0]
    assert not fresh(run).is_cancelled
    assert not fresh(later).hand_edited
    assert [days.shape_of(fresh(one)) for one in (run, later)] == before
    assert [booking.person for booking in fresh(run).seated] == [ana]


def test_nothing_is_undone_that_changed_since(desk, run, ana):
    confirm(desk, chosen(as_shown(desk), run, "cancel", reason="Snow"))
    days.make([days.PutOn(run.pk, days.fingerprint(fresh(run)))], by=None)
    undone = desk.post(reverse("desk_days_undo"), follow=True)
    assert said(undone)[0].startswith("Not undone. Thursday run, Thu, Nov 26, 9:00 a.m. This run was changed")
    assert not fresh(run).is_cancelled
    assert said(desk.post(reverse("desk_days_undo"), follow=True)) == ["There is nothing to undo any more."]


def test_the_undo_is_shown_for_an_hour(desk, run):
    confirm(desk, chosen(as_shown(desk), run, "cancel", reason="Snow"))
    assert "Undo: all as it was before" in text_of(desk.get(PAGE))
    with time_machine.travel(NOW + 2 * HOUR, tick=False):
        assert "Undo: all as it was before" not in text_of(desk.get(PAGE))


def test_a_cancelled_run_is_put_on_again(desk, run, ana):
    put(ana, run)
    cancel_run(run, reason="Snow", by=None)
    fields = as_shown(desk)
    assert "Stays cancelled" in text_of(desk.get(PAGE))
    confirm(desk, chosen(fields, run, "on"))
    assert not fresh(run).is_cancelled
    assert [booking.person for booking in fresh(run).seated] == [ana]


def test_whoever_could_not_drive_there_is_listed_and_keeps_the_seat(desk, run, oak, ana):
    put(ana, run)
    publish(oak, {"entrance": "The green gate"}, by=None)
    fields = chosen(as_shown(desk), run, "elsewhere", site=oak.pk)
    text = text_of(desk.post(PAGE, fields))
    assert "May not be able to drive it then" in text
    assert "not ready to drive alone there on that date" in text
    assert 'href="tel:+15555550123"' in text
    answer = confirm(desk, fields)
    assert any("Keeps the seat" in words for words in said(answer))
    assert [booking.person for booking in fresh(run).seated] == [ana]
    assert fresh(run).site_ids[-1] == oak.pk


def test_nothing_chosen_changes_nothing(desk, run):
    answer = desk.post(PAGE, as_shown(desk), follow=True)
    assert said(answer) == ["Nothing was changed: every run is kept as it is."]


def test_a_move_to_where_it_is_changes_nothing(desk, run):
    answer = desk.post(PAGE, chosen(as_shown(desk), run, "move"), follow=True)
    assert said(answer) == ["Nothing was changed: every run is kept as it is."]
    assert not fresh(run).hand_edited


def test_ticks_are_saved_at_once_when_nothing_else_changes(desk, run, sites):
    answer = desk.post(PAGE, chosen(as_shown(desk), run, "keep", said=[sites[0].pk]), follow=True)
    assert said(answer) == ["1 tick saved."]
    assert [bool(stop.confirmed_at) for stop in fresh(run).ordered_stops] == [True, False]
    answer = desk.post(PAGE, chosen(as_shown(desk), run, "keep", said=[]), follow=True)
    assert [bool(stop.confirmed_at) for stop in fresh(run).ordered_stops] == [False, False]


def test_ticks_are_saved_with_a_change(desk, run, later, sites):
    fields = chosen(as_shown(desk), run, "cancel", reason="Snow")
    answer = confirm(desk, chosen(fields, later, "keep", said=[site.pk for site in sites]))
    assert said(answer)[0] == "1 run changed, 0 people told. 2 ticks saved."
    assert all(stop.confirmed_at for stop in fresh(later).ordered_stops)


def test_an_older_page_does_not_take_back_a_tick_of_somebody_else(desk, run, sites):
    fields = as_shown(desk)
    days.make([], by=None, ticks={run.pk: {sites[0].pk: True}})
    desk.post(PAGE, chosen(fields, run, "keep", said=[sites[1].pk]))
    assert all(stop.confirmed_at for stop in fresh(run).ordered_stops)


# --- what cannot be is told in place, with what was typed


@pytest.mark.parametrize(
    ("act", "typed", "field", "why"),
    [
        ("cancel", {}, "reason", "Say why"),
        ("move", {"day": "2026-11-19"}, "day", "is over"),
        ("move", {"day": "2026-11-20", "time": "09:00"}, "time", "That time is over."),
        ("move", {"day": ""}, "day", "Give the new day."),
        ("move", {"time": ""}, "time", "Give the new time."),
        ("move", {"time": "soon"}, "time", "Write the time like"),
        ("move", {"day": "2027-03-14", "time": "02:30"}, "time", "does not exist"),
        ("move", {"day": "2027-11-07", "time": "01:30"}, "time", "comes twice"),
        ("move", {"day": "2036-11-26"}, "day", "too far ahead"),
        ("elsewhere", {}, "site", "Choose where it goes."),
        ("elsewhere", {"site": "999999"}, "site", "Choose a drop-off of the list."),
        ("fly", {}, "act", "Choose one of these."),
    ],
)
def test_a_row_that_cannot_be_is_told_in_place(desk, run, later, act, typed, field, why):
    fields = chosen(as_shown(desk), run, act, **typed)
    fields = chosen(fields, later, "cancel", reason="Snow on Friday")
    answer = desk.post(PAGE, fields)
    form = answer.context["days"][0]["rows"][0]["form"]
    assert why in str(form.errors[field])
    text = text_of(answer)
    assert "<title>Error:" in text
    assert 'value="Snow on Friday"' in text
    assert not fresh(later).is_cancelled


def test_somebody_on_two_runs_at_once_is_told_at_the_row(desk, run, later, ana):
    put(ana, run)
    put(ana, later)
    answer = desk.post(PAGE, chosen(as_shown(desk), run, "move", day="2026-11-27", time="09:30"))
    assert "Ana Ashgrove is on Friday run then" in str(
        answer.context["days"][0]["rows"][0]["form"].errors["time"]
    )


def test_fields_of_other_choices_are_not_judged(desk, run):
    fields = chosen(as_shown(desk), run, "keep", day="never", time="soon", site="999999")
    assert said(desk.post(PAGE, fields, follow=True)) == ["Nothing was changed: every run is kept as it is."]


def test_keys_that_nobody_has_are_told_and_harm_nothing(desk, run):
    fields = as_shown(desk) | {
        "99999999-act": "cancel",
        "999999999999999999999-act": "cancel",
        "x-act": "move",
    }
    text = text_of(desk.post(PAGE, fields))
    assert "is no longer there" in text


# --- a whole day


def test_a_whole_day_is_set_to_be_cancelled_and_the_rest_stays_as_typed(desk, run, later, sites):
    second = make_run(starts_at=THANKSGIVING + 5 * HOUR, sites=sites, title="Afternoon run")
    fields = chosen(as_shown(desk), later, "move", day="2026-11-29", time="half past")
    answer = desk.post(PAGE, fields | {"cancel_day": "2026-11-26", "2026-11-26-reason": "Thanksgiving"})
    thursday, friday = answer.context["days"]
    assert [(row["form"]["act"].value(), row["form"]["reason"].value()) for row in thursday["rows"]] == [
        ("cancel", "Thanksgiving"), ("cancel", "Thanksgiving"),
    ]  # fmt: skip
    assert [friday["rows"][0]["form"][name].value() for name in ("act", "day", "time")] == [
        "move", "2026-11-29", "half past",
    ]  # fmt: skip
    assert not Run.objects.exclude(cancelled_at=None).exists()
    confirm(
        desk,
        chosen(as_shown(desk), run, "cancel") | chosen({}, second, "cancel") | {"message": "Thanksgiving"},
    )
    assert Run.objects.exclude(cancelled_at=None).count() == 2


def test_a_whole_day_needs_a_reason(desk, run):
    answer = desk.post(PAGE, as_shown(desk) | {"cancel_day": "2026-11-26"})
    assert "Say why" in text_of(answer)
    assert answer.context["days"][0]["rows"][0]["form"]["act"].value() == "keep"
    assert desk.post(PAGE, as_shown(desk) | {"cancel_day": "yesterday"}).status_code == 200


def test_back_from_the_look_everything_is_as_typed(desk, run, later):
    fields = chosen(as_shown(desk), run, "cancel", reason="Snow") | {"message": "Stay safe"}
    fields = chosen(fields, later, "move", day="2026-11-28", time="10:30")
    looked_at = desk.post(PAGE, fields)
    answer = desk.post(PAGE, dict_of(looked_at.context["fields"]) | {"edit": "yes"})
    thursday, friday = (day["rows"][0]["form"] for day in answer.context["days"])
    assert (thursday["act"].value(), thursday["reason"].value()) == ("cancel", "Snow")
    assert (friday["act"].value(), friday["time"].value()) == ("move", "10:30")
    assert 'value="Stay safe"' in text_of(answer)


# --- two coordinators


def test_the_second_to_confirm_is_shown_the_run_again(desk, run, later, ana):
    put(ana, run)
    fields = chosen(chosen(as_shown(desk), run, "move", time="10:00"), later, "cancel", reason="Snow")
    desk.post(PAGE, fields)  # looked at
    days.make([days.CallOff(run.pk, days.fingerprint(fresh(run)), "Ice")], by=None)
    count = Message.objects.count()
    answer = desk.post(PAGE, fields | {"confirm": "yes"})
    row = answer.context["days"][0]["rows"][0]
    assert days.CHANGED_MEANWHILE in str(row["form"].errors["act"])
    assert "Cancelled: Ice" in text_of(answer)
    assert row["seen"] == days.fingerprint(fresh(run))
    assert not fresh(later).is_cancelled
    assert Message.objects.count() == count


def test_a_run_moved_out_of_the_span_is_shown_again(desk, run):
    fields = chosen(as_shown(desk), run, "cancel", reason="Snow")
    shape = days.moved(fresh(run), THANKSGIVING + 20 * DAY)
    days.make([days.Reshape(run.pk, days.fingerprint(fresh(run)), shape)], by=None)
    answer = desk.post(PAGE, fields | {"confirm": "yes"})
    assert days.CHANGED_MEANWHILE in text_of(answer)
    assert not fresh(run).is_cancelled


# --- holidays


def test_a_holiday_ahead_is_suggested_until_the_sites_were_asked(desk, run, sites):
    for page in ("/desk/", "/desk/days/"):
        text = text_of(desk.get(page))
        assert "Thanksgiving Day, Thu, Nov 26</a>: ask whether the stores are open." in text
        assert "/desk/days/?from=2026-11-26&amp;to=2026-11-26" in text
    assert not fresh(run).is_cancelled
    days.make([], by=None, ticks={run.pk: {site.pk: True for site in sites}})
    assert "Thanksgiving Day, Thu" not in text_of(desk.get("/desk/"))


def test_a_holiday_without_runs_or_with_all_cancelled_is_not_suggested(desk, run):
    assert "Thanksgiving Day, Thu" in text_of(desk.get("/desk/"))
    assert "Christmas" not in text_of(desk.get("/desk/"))
    cancel_run(run, reason="Closed", by=None)
    assert "Thanksgiving Day, Thu" not in text_of(desk.get("/desk/"))


def test_a_holiday_more_than_six_weeks_ahead_is_not_suggested(desk, run):
    with time_machine.travel(THANKSGIVING - 43 * DAY, tick=False):
        assert "Thanksgiving Day, Thu" not in text_of(desk.get("/desk/"))
    with time_machine.travel(THANKSGIVING - 41 * DAY, tick=False):
        assert "Thanksgiving Day, Thu" in text_of(desk.get("/desk/"))


# --- links


def test_the_page_is_linked_where_days_are_looked_at(desk, run, sites):
    Closure.objects.create(site=sites[1], first=run.local_date, last=run.local_date + DAY)
    there = "/desk/days/?from="
    assert there + "2026-11-20&amp;to=2026-12-03" in text_of(desk.get("/desk/"))
    assert there + "2026-11-16&amp;to=2026-11-22" in text_of(desk.get("/desk/week/"))
    assert there + "2026-11-26&amp;to=2026-11-27" in text_of(
        desk.get(reverse("desk_site", args=[sites[1].pk]))
    )
    link = f"{there}2026-11-26&amp;to=2026-11-26#run-{run.pk}"
    assert link in text_of(desk.get(reverse("desk_run", args=[run.pk])))


# --- another drop-off while the run is on


def reroute(desk, run, site):
    return desk.post(reverse("desk_reroute", args=[run.pk]), {"site": site.pk}, follow=True)


def test_during_the_run_the_desk_takes_it_elsewhere_and_back(desk, run, oak, sites, ana):
    put(ana, run)
    publish(oak, {"entrance": "The green gate"}, by=None)
    set_contacts(oak, [{"name": "Noor", "role": "", "phone": "+15555550142"}], by=None)
    before = days.shape_of(fresh(run))
    with time_machine.travel(THANKSGIVING + HOUR / 2, tick=False):
        text = text_of(desk.get(reverse("desk_run", args=[run.pk])))
        assert "Agency closed or full? Take it to" in text
        assert "fallback" in text
        assert "bread, produce" in text
        assert 'href="tel:+15555550142"' in text
        answer = reroute(desk, run, oak)
        assert said(answer)[0].startswith("The food goes to Oak Pantry instead of Elm Kitchen.")
        assert fresh(run).site_ids[-1] == oak.pk
        assert "Undo: to Elm Kitchen after all" in text_of(answer)
        reroute(desk, run, sites[1])
    assert days.shape_of(fresh(run)) == before
    assert [booking.person for booking in fresh(run).seated] == [ana]


def test_before_the_run_it_leads_to_the_days(desk, run, oak):
    assert "Agency closed or full?" not in text_of(desk.get(reverse("desk_run", args=[run.pk])))
    answer = reroute(desk, run, oak)
    assert answer.redirect_chain == [(f"/desk/days/?from=2026-11-26&to=2026-11-26#run-{run.pk}", 302)]
    assert fresh(run).site_ids[-1] != oak.pk


def test_after_the_run_or_cancelled_nothing_is_changed(desk, run, oak):
    with time_machine.travel(THANKSGIVING + 2 * HOUR, tick=False):
        assert "cancelled or over" in said(reroute(desk, run, oak))[0]
    cancel_run(run, reason="Snow", by=None)
    assert "cancelled or over" in said(reroute(desk, run, oak))[0]


def test_a_store_takes_no_food(desk, run, sites):
    with time_machine.travel(THANKSGIVING, tick=False):
        assert said(reroute(desk, run, SiteFactory(name="Birch Market")))[0].startswith(
            "No food is taken at Birch"
        )
        assert desk.post(reverse("desk_reroute", args=[run.pk]), {"site": "x"}).status_code == 404


# --- the driver at a closed door


@pytest.fixture
def on_run(run):
    person = ready_person(name="Ana Ashgrove", sign_in=True)
    put(person, run)
    Programme.objects.update_or_create(
        pk=1, defaults={"contact_name": "Cora Desk", "contact_phone": "+15555550100"}
    )
    return signed_in(person)


def at_the_door():
    return time_machine.travel(THANKSGIVING + HOUR / 2, tick=False)


def test_the_drivers_page_says_where_else_while_the_run_is_on(on_run, run, oak):
    set_contacts(oak, [{"name": "Noor", "role": "", "phone": "+15555550142"}], by=None)
    assert "Nobody there" not in text_of(on_run.get(reverse("run", args=[run.pk])))
    with time_machine.travel(THANKSGIVING - HOUR + timedelta(minutes=1), tick=False):
        assert "Nobody there at Elm Kitchen?" in text_of(on_run.get(reverse("run", args=[run.pk])))
    with at_the_door():
        text = text_of(on_run.get(reverse("run", args=[run.pk])))
    assert "Take the food to Oak Pantry and call the coordinator." in text
    assert 'href="geo:' in text
    assert 'href="tel:+15555550142"' in text
    assert 'href="tel:+15555550100"' in text
    assert text.index("Nobody there at Elm Kitchen?") < text.index("3-501.16")
    with time_machine.travel(THANKSGIVING + HOUR, tick=False):
        assert "Nobody there" not in text_of(on_run.get(reverse("run", args=[run.pk])))


def test_one_tap_takes_it_there_and_one_takes_that_back(on_run, run, oak, sites):
    cora = coordinator()
    before = days.shape_of(fresh(run))
    page = reverse("reroute", args=[run.pk])
    with at_the_door():
        answer = on_run.post(page, {"site": oak.pk}, follow=True)
        assert said(answer) == ["Noted: the food goes to Oak Pantry. The coordinator is told."]
        assert fresh(run).site_ids[-1] == oak.pk
        assert "Ana Ashgrove takes the food to Oak Pantry" in Message.objects.get(person=cora).text
        on_run.post(page, {"site": oak.pk})  # tapped twice
        assert Message.objects.filter(person=cora).count() == 1
        assert "Undo: I am going to Elm Kitchen after all" in text_of(answer)
        on_run.post(page, {"site": sites[1].pk})
    assert days.shape_of(fresh(run)) == before


def test_only_the_driver_and_only_to_the_fallback(run, on_run, oak):
    elsewhere, page = DropOffFactory(), reverse("reroute", args=[run.pk])
    rider = ready_person(sign_in=True)
    put(rider, run, "second")
    with at_the_door():
        assert "Nobody there" not in text_of(signed_in(rider).get(reverse("run", args=[run.pk])))
        assert signed_in(rider).post(page, {"site": oak.pk}).status_code == 404
        assert signed_in(ready_person(sign_in=True)).post(page, {"site": oak.pk}).status_code == 404
        for odd in (elsewhere.pk, "x", ""):
            assert on_run.post(page, {"site": odd}).status_code == 409
    assert on_run.post(page, {"site": oak.pk}).status_code == 409  # days before
    assert fresh(run).site_ids[-1] != oak.pk


def test_a_fallback_that_is_closed_is_not_named(on_run, run, oak):
    Closure.objects.create(site=oak, first=run.local_date, last=run.local_date)
    with at_the_door():
        text = text_of(on_run.get(reverse("run", args=[run.pk])))
        assert "Call the coordinator, who says where the food goes." in text
        assert "I am taking it there" not in text
        assert on_run.post(reverse("reroute", args=[run.pk]), {"site": oak.pk}).status_code == 409


def test_a_run_that_is_kept_says_for_whom(desk, sites):
    stops = ((sites[0].pk, 0), (sites[1].pk, 30))
    plan = Plan(rule="FREQ=WEEKLY;BYDAY=TH", starts=time(8), minutes=60, stops=stops)
    weekly = add_shift(name="Thursdays", plan=plan, from_day=date(2026, 11, 26), by=None)
    halima = PersonFactory(name="Halima Fir")
    begin(Wish(weekly, halima, date(2026, 11, 26)), by=None, on_behalf=True)
    assert "Halima F." in text_of(desk.get(PAGE))
