"""Several runs changed as one: a look that writes nothing, all or nothing, one notice each, and undone."""

from datetime import UTC, datetime, time, timedelta

import pytest
import time_machine
from icalendar import Calendar

from shifts.models import Booking, CalendarEntry, Run, Skip
from shifts.schedule.making import Plan, add_shift
from shifts.seats import days
from shifts.seats.booking import seat
from shifts.seats.changes import cancel_run
from shifts.seats.standing import Wish, begin
from sites.models import Closure, Event
from tests.factories import (
    DropOffFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_run,
    ready_person,
)
from tests.itip import PhoneCalendar, by_dateutil, calendar_object
from volunteers.doors import publish
from volunteers.models import Message
from volunteers.people import add_away
from volunteers.progress import NotPossible

NOW = datetime(2026, 11, 20, 15, 0, tzinfo=UTC)  # a Friday, 10:00 a.m. in New York
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
THANKSGIVING = datetime(2026, 11, 26, 14, 0, tzinfo=UTC)  # Thursday, 9:00 a.m. in New York

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def sites():
    return [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen")]


@pytest.fixture
def oak():
    return DropOffFactory(name="Oak Pantry", foods="bread, produce")


@pytest.fixture
def run(sites):
    return make_run(starts_at=THANKSGIVING, sites=sites, title="Thursday run")


@pytest.fixture
def later(sites):
    return make_run(starts_at=THANKSGIVING + DAY, sites=sites, title="Friday run")


@pytest.fixture
def ana():
    return ready_person(name="Ana Ashgrove", email="ana@example.org")


def booked(person, *runs, kind="driver"):
    for run in runs:
        seat(run=run, person=person, seat=kind, by=None, on_behalf=True)
    Message.objects.all().delete()


def fresh(run):
    return Run.objects.with_people().get(pk=run.pk)


def call_off(run, reason="Snow"):
    return days.CallOff(run.pk, days.fingerprint(run), reason)


def move(run, by):
    return days.Reshape(run.pk, days.fingerprint(run), days.moved(run, run.starts_at + by))


def elsewhere(run, site):
    return days.Reshape(run.pk, days.fingerprint(run), days.taken_to(run, site))


def put_on(run):
    return days.PutOn(run.pk, days.fingerprint(run))


def refused(*changes, at=None):
    with pytest.raises(days.NotSaved) as caught:
        days.make(changes, by=None, at=at)
    return {pk: (problem.about, problem.why) for pk, problem in caught.value.problems.items()}


def state_of(run):
    run = fresh(run)
    return (
        days.shape_of(run), run.cancelled_at, run.hand_edited,
        sorted((booking.person_id, booking.seat) for booking in run.seated),
        {stop.site_id: stop.confirmed_at for stop in run.ordered_stops},
    )  # fmt: skip


# --- a look


def everything(*runs):
    entries = list(CalendarEntry.objects.order_by("pk").values())
    return [state_of(run) for run in runs], Event.objects.count(), entries, Message.objects.count()


def test_a_look_says_everything_and_writes_nothing(run, later, ana):
    booked(ana, run, later)
    before = everything(run, later)
    outcome = days.look([call_off(run), move(later, HOUR)], message="Happy Thanksgiving")
    ((person, lines),) = outcome.told
    assert person == ana
    assert lines == [
        "Cancelled, please do not go: Thursday run, Thu, Nov 26 at 9:00 a.m. Snow",
        "Friday run: It starts on Fri, Nov 27 at 10:00 a.m.; it was Fri, Nov 27 at 9:00 a.m.",
        "Happy Thanksgiving",
    ]
    assert everything(run, later) == before


# --- one message a person, one object an entry


def test_somebody_on_three_runs_is_told_once_and_each_entry_has_its_object(run, later, sites, ana):
    third = make_run(starts_at=THANKSGIVING + 2 * DAY, sites=sites, title="Saturday run")
    booked(ana, run, later, third)
    phone = PhoneCalendar(ana.email)
    days.make([call_off(run), move(later, HOUR), call_off(third)], by=None, message="Roads are closed.")
    told = [message for message in Message.objects.all() if message.kind != "calendar"]
    assert len(told) == 1
    assert "Roads are closed." in told[0].text
    for title in ("Thursday run", "Friday run", "Saturday run"):
        assert title in told[0].text
    assert Message.objects.filter(kind="calendar").count() == 2  # the object of the third is in the notice
    objects = [Calendar.from_ical(calendar_object(message)) for message in Message.objects.order_by("pk")]
    methods = {str(one.walk("VEVENT")[0]["summary"]): str(one["method"]) for one in objects}
    assert sorted(methods.values()) == ["CANCEL", "CANCEL", "REQUEST"]
    phone.read_all()
    shown = phone.starts(NOW, NOW + 30 * DAY, by_dateutil)
    assert shown == [THANKSGIVING + DAY + HOUR]


def test_one_run_is_told_in_the_usual_words(run, ana):
    booked(ana, run)
    days.make([call_off(run)], by=None)
    assert [message.kind for message in Message.objects.all()] == ["ended"]


def test_the_message_to_all_is_not_said_twice(run, ana):
    booked(ana, run)
    days.make([call_off(run, reason="")], by=None, message="Snow everywhere")
    assert Message.objects.get().text.count("Snow everywhere") == 1
    assert fresh(run).cancel_reason == "Snow everywhere"


def test_whoever_has_no_mail_is_to_be_told_by_phone(run, later):
    abe = ready_person(name="Abe Ash", by_phone=True)
    booked(abe, run, later)
    days.make([call_off(run), call_off(later)], by=None)
    assert [(message.person, message.state) for message in Message.objects.all()] == [(abe, "tell")]


def test_words_are_in_the_persons_language(run, later):
    eva = ready_person(name="Eva Roble", language="es")
    booked(eva, run, later)
    outcome = days.look([move(run, HOUR), move(later, HOUR)])
    assert not any("It starts on" in line for line in outcome.told[0][1])


# --- all or nothing


def test_one_that_cannot_be_keeps_all_from_being_saved(run, later, ana):
    booked(ana, run, later)
    before = state_of(run), state_of(later)
    assert refused(call_off(run), move(later, -30 * DAY)) == {
        later.pk: ("when", "That time is over. Choose a later one.")
    }
    assert (state_of(run), state_of(later)) == before
    assert not Message.objects.exists()


@pytest.mark.parametrize("minutes", [-30, 0, 30])
def test_nobody_is_moved_onto_another_run_of_theirs(run, later, ana, minutes):
    booked(ana, run, later)
    ((about, why),) = refused(move(run, DAY + timedelta(minutes=minutes))).values()
    assert about == "when"
    assert "Ana Ashgrove is on Friday run then" in why


def test_it_is_no_clash_when_the_other_run_is_called_off_or_moved_at_once(run, later, ana):
    booked(ana, run, later)
    days.make([move(run, DAY), call_off(later)], by=None)
    assert fresh(run).starts_at == THANKSGIVING + DAY


def test_both_runs_moved_onto_each_other_are_refused(run, later, ana):
    booked(ana, run, later)
    assert set(refused(move(run, 3 * DAY), move(later, 2 * DAY))) == {run.pk, later.pk}


def test_a_drop_off_that_takes_nothing_is_refused(run, sites, oak):
    store = SiteFactory(name="Birch Market")
    assert refused(elsewhere(run, store)) == {
        run.pk: ("where", "No food is taken at Birch Market. Choose another drop-off.")
    }
    oak.ended_on = NOW.date()
    oak.save()
    assert refused(elsewhere(run, oak))[run.pk][0] == "where"
    both = SiteFactory(name="Corner Hall", takes=True)
    run.stops.filter(position=1).update(site=both)
    assert "where it is picked up" in refused(elsewhere(fresh(run), both))[run.pk][1]


def test_a_closed_drop_off_is_refused_and_said_why(run, oak):
    Closure.objects.create(site=oak, first=run.local_date, last=run.local_date, reason="stock taking")
    assert refused(elsewhere(run, oak)) == {
        run.pk: (
            "where", "Oak Pantry is closed on Thu, Nov 26 (stock taking). Choose another drop-off."
        )
    }  # fmt: skip
    Closure.objects.update(lifted_at=NOW)
    days.make([elsewhere(run, oak)], by=None)
    assert fresh(run).site_ids[-1] == oak.pk


def test_no_run_is_moved_to_a_day_on_which_one_of_its_sites_is_closed(run, sites):
    friday = run.local_date + DAY
    Closure.objects.create(site=sites[0], first=friday, last=friday)
    assert refused(move(run, DAY))[run.pk] == (
        "when", "Mill Street Grocery is closed on Fri, Nov 27. Choose another day."
    )  # fmt: skip


def test_what_is_over_stays_as_it_was(run):
    assert "over" in refused(call_off(run), at=run.ends_at)[run.pk][1]


def test_a_run_dropped_by_its_rule_is_not_put_on_again(run):
    Run.objects.filter(pk=run.pk).update(cancelled_at=NOW, cancel_cause=Run.Cause.RULE)
    assert "no longer has this date" in refused(put_on(fresh(run)))[run.pk][1]


# --- who could not drive it any more


def test_whoever_does_not_know_the_other_drop_off_keeps_the_seat_and_is_named(run, oak, ana):
    booked(ana, run)
    publish(oak, {"entrance": "The green gate"}, by=None)
    outcome = days.make([elsewhere(run, oak)], by=None)
    ((booking, why),) = outcome.doubtful
    assert (booking.person, why) == (ana, "not ready to drive alone there on that date")
    assert fresh(run).bookings.live().get().person == ana


def test_somebody_away_or_too_close_is_named(run, later, ana, sites):
    booked(ana, run)
    add_away(ana, first=run.local_date + DAY, last=run.local_date + DAY, by=None)
    assert [why for _booking, why in days.look([move(run, DAY)]).doubtful] == ["said to be away that day"]
    booked(ana, later)
    soon = days.look([move(run, DAY - timedelta(minutes=65))])
    assert [why for _booking, why in soon.doubtful] == ["has another run too close to it"]


def test_during_the_run_no_gate_is_asked(run, oak, ana):
    booked(ana, run)
    publish(oak, {"entrance": "The green gate"}, by=None)
    outcome = days.look([elsewhere(run, oak)], at=run.starts_at + timedelta(minutes=10))
    assert outcome.doubtful == []


# --- changed meanwhile


@pytest.mark.parametrize("what", ["time", "stops", "cancelled"])
def test_a_run_that_changed_since_the_look_is_not_touched(run, oak, ana, what):
    booked(ana, run)
    mine = move(run, HOUR)
    if what == "time":
        days.make([move(run, 2 * HOUR)], by=None)
    elif what == "stops":
        days.make([elsewhere(run, oak)], by=None)
    else:
        cancel_run(run, reason="Snow", by=None)
    before = state_of(run)
    assert refused(mine) == {run.pk: ("run", days.CHANGED_MEANWHILE)}
    assert state_of(run) == before


def test_the_same_page_confirmed_twice_counts_once(run, ana):
    booked(ana, run)
    change = call_off(run)
    days.make([change], by=None)
    assert refused(change) == {run.pk: ("run", days.CHANGED_MEANWHILE)}
    assert Message.objects.count() == 1


def test_a_run_that_is_gone_is_told(run):
    change = call_off(run)
    run.stops.all().delete()
    run.delete()
    assert refused(change)[change.run][0] == "run"


# --- undo


def test_a_whole_day_cancelled_and_undone_is_as_it_was_for_calendars_too(run, sites, ana):
    second = make_run(starts_at=THANKSGIVING + 5 * HOUR, sites=sites, title="Afternoon run")
    abe = lead_driver(name="Abe Ash", email="abe@example.org")
    booked(ana, run, second)
    phone = PhoneCalendar(ana.email)
    before = state_of(run), state_of(second)
    done = days.make([call_off(run), call_off(second)], by=None)
    assert not Booking.objects.live().exists()
    back = days.make(done.opposite, by=None, message="It is on after all.")
    assert back.left_out == []
    assert (state_of(run), state_of(second)) == before
    phone.read_all()
    assert phone.starts(NOW, NOW + 30 * DAY, by_dateutil) == [THANKSGIVING, THANKSGIVING + 5 * HOUR]
    assert Message.objects.exclude(kind="calendar").filter(person=ana).count() == 2  # off, and on again
    assert not Message.objects.filter(person=abe).exists()


def test_a_move_undone_follows_its_weekly_run_again_and_what_the_sites_said_is_back(run, later, oak, ana):
    booked(ana, run)
    days.make([], by=None, ticks={run.pk: {run.ordered_stops[0].site_id: True}})
    before = state_of(fresh(run)), state_of(later)
    done = days.make([move(fresh(run), 2 * DAY), elsewhere(later, oak)], by=None)
    assert fresh(run).hand_edited
    assert {stop.confirmed_at for stop in fresh(run).ordered_stops} == {None}  # another day, another question
    days.make([days.from_plain(days.plain(change)) for change in done.opposite], by=None)
    assert (state_of(run), state_of(later)) == before


def test_undoing_does_not_touch_a_run_that_changed_since(run, later, ana):
    booked(ana, run, later)
    done = days.make([call_off(run), call_off(later)], by=None)
    days.make([put_on(fresh(later))], by=None)
    assert set(refused(*done.opposite)) == {later.pk}
    assert fresh(run).is_cancelled


def test_undoing_a_move_from_a_closed_day_goes_back_to_it(run, sites):
    Closure.objects.create(site=sites[1], first=run.local_date, last=run.local_date)
    done = days.make([move(run, DAY)], by=None)
    days.make(done.opposite, by=None)
    assert fresh(run).starts_at == THANKSGIVING


def test_whoever_took_another_run_meanwhile_is_left_out_and_named(run, sites, ana):
    booked(ana, run)
    done = days.make([call_off(run)], by=None)
    other = make_run(starts_at=THANKSGIVING, sites=[SiteFactory(), DropOffFactory()], title="Other run")
    booked(ana, other)
    ((left, person, refusal),) = days.make(done.opposite, by=None).left_out
    assert (left, person, refusal.code) == (run, ana, "elsewhere")
    assert not fresh(run).seated


# --- regular runs


def test_one_date_of_a_regular_run_cancelled_and_undone(sites, ana):
    shift = add_shift(
        name="Thursday bread", from_day=NOW.date(), by=None,
        plan=Plan(
            rule="FREQ=WEEKLY;BYDAY=TH", starts=time(9), minutes=60,
            stops=((sites[0].pk, 0), (sites[1].pk, 30)),
        ),
    )  # fmt: skip
    begin(Wish(shift, ana, NOW.date()), by=None, on_behalf=True)
    phone = PhoneCalendar(ana.email)
    run = shift.runs.with_people().get(local_date="2026-11-26")
    next_one = shift.runs.with_people().get(local_date="2026-12-03")

    def shown():
        phone.read_all()
        return phone.starts(NOW, NOW + 21 * DAY, by_dateutil)

    weekly = [THANKSGIVING, THANKSGIVING + 7 * DAY, THANKSGIVING + 14 * DAY]
    assert shown() == weekly
    count = Message.objects.count()
    done = days.make([call_off(run), move(next_one, -DAY)], by=None)
    assert Message.objects.count() == count + 1  # one entry, one notice
    assert shown() == [THANKSGIVING + 6 * DAY, THANKSGIVING + 14 * DAY]
    assert not Skip.objects.exists()  # the programme called it off, not she
    days.make(done.opposite, by=None)
    assert shown() == weekly
    assert run.bookings.live().get().standing is not None
    assert len(phone.objects) == 1


# --- what the sites said


def test_ticks_are_noted_taken_back_and_kept_by_another_drop_off(run, sites, oak):
    store, agency = (site.pk for site in sites)
    days.make([], by=None, ticks={run.pk: {store: True, agency: True}})
    assert [stop.confirmed_at for stop in fresh(run).ordered_stops] == [NOW, NOW]
    days.make([elsewhere(fresh(run), oak)], by=None, ticks={run.pk: {agency: False}})
    assert [stop.confirmed_at for stop in fresh(run).ordered_stops] == [NOW, None]
    days.make([], by=None, ticks={run.pk: {store: False, 999: True}})
    assert [stop.confirmed_at for stop in fresh(run).ordered_stops] == [None, None]
    verbs = list(Event.objects.about(run).exclude(verb="changed").values_list("verb", "after"))
    assert verbs == [
        ("noted as not confirmed", {"note": "Mill Street Grocery"}),
        ("noted as confirmed", {"note": "Elm Kitchen"}),
        ("noted as confirmed", {"note": "Mill Street Grocery"}),
    ]


def test_a_tick_set_again_says_nothing_new(run, sites):
    for _twice in range(2):
        days.make([], by=None, ticks={run.pk: {sites[0].pk: True}})
    assert Event.objects.about(run).count() == 1


# --- the drive to another drop-off


def test_the_drive_to_another_drop_off_is_counted_anew(run, sites):
    far = DropOffFactory(name="Far Hall", latitude=40.2, longitude=sites[0].longitude)
    near = DropOffFactory(name="Near Hall", latitude=40.0, longitude=sites[0].longitude)
    further, nearer = days.taken_to(run, far), days.taken_to(run, near)
    assert further.stops[-1][1] > 30 >= nearer.stops[-1][1]
    assert further.ends_at - run.ends_at == timedelta(minutes=further.stops[-1][1] - 30)
    assert further.starts_at == run.starts_at
    on = days.taken_on(run, far)  # from the old door, not from the store
    assert on.stops[-1][1] > 30


def test_a_shorter_drive_never_ends_a_run_before_it_begins(run, sites):
    run.ends_at = run.starts_at + timedelta(minutes=1)
    near = DropOffFactory(latitude=sites[0].latitude, longitude=sites[0].longitude)
    sites[1].latitude, sites[1].longitude = 40.9, -83.9
    sites[1].save()
    shape = days.taken_to(fresh(run), near)
    assert shape.ends_at > shape.starts_at
    assert shape.stops[-1][1] >= 0


# --- another drop-off while the run is on


@pytest.fixture
def cora():
    return coordinator()


def test_a_driver_takes_the_food_elsewhere(run, oak, ana, cora):
    booked(ana, run)
    publish(oak, {"entrance": "The green gate"}, by=None)
    at = run.starts_at + timedelta(minutes=40)
    days.reroute(run, oak, by=None, person=ana, at=at)
    after = fresh(run)
    assert after.site_ids[-1] == oak.pk
    assert after.hand_edited
    assert {message.person for message in Message.objects.all()} == {ana, cora}
    mail = Message.objects.get(person=cora)
    assert "Ana Ashgrove takes the food to Oak Pantry instead of Elm Kitchen." in mail.text
    assert f"/desk/runs/{run.pk}/" in mail.text
    entry = CalendarEntry.objects.get(booking__run=run)
    assert entry.sequence == 1
    event = Calendar.from_ical(calendar_object(Message.objects.get(person=ana))).walk("VEVENT")[0]
    assert "Oak Pantry" in event.to_ical().decode()


def test_the_coordinator_who_does_it_is_not_told(run, oak, ana, cora):
    other = coordinator(name="Dora Desk", email="dora@example.org")
    booked(ana, run)
    days.reroute(run, oak, by=cora.user, at=run.starts_at)
    assert {message.person for message in Message.objects.all()} == {ana, other}


@pytest.mark.parametrize("minutes", [-61, 60])
def test_before_and_after_the_run_it_is_another_matter(run, oak, ana, minutes):
    booked(ana, run)
    with pytest.raises(NotPossible, match="not on now"):
        days.reroute(run, oak, by=None, at=run.starts_at + timedelta(minutes=minutes))
    assert not Message.objects.exists()


def test_no_food_goes_where_none_is_taken(run, ana):
    with pytest.raises(NotPossible, match="No food is taken"):
        days.reroute(run, SiteFactory(), by=None, at=run.starts_at)


def test_tapped_twice_it_is_told_once(run, oak, ana, cora):
    booked(ana, run)
    for _twice in range(2):
        days.reroute(run, oak, by=None, person=ana, at=run.starts_at)
    assert Message.objects.count() == 2


def test_going_back_gives_the_run_its_shape_again(run, sites, oak, ana):
    booked(ana, run)
    shape = days.shape_of(run)
    days.reroute(run, oak, by=None, at=run.starts_at)
    days.reroute(run, sites[1], by=None, shape=shape, at=run.starts_at + HOUR / 2)
    assert days.shape_of(fresh(run)) == shape
