"""Asking around at the desk: each tap, what it says, and the alert of a run given back at the last moment."""

import pytest
import time_machine

from shifts.models import Ask, Booking, Policy, Search
from shifts.seats import alerts, requests
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run
from sites.changes import close_site
from sites.models import Event
from tests.factories import DropOffFactory, SiteFactory, coordinator, make_run, put, ready_person
from tests.shifts.pages.at_the_desk import (
    DAY,
    NONSENSE,
    NOW,
    desk_client,
    press_undo,
    queries_of,
    said,
    text_of,
)
from volunteers.models import Message, Person

pytestmark = pytest.mark.django_db
HOUR = DAY / 24


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def cora():
    return coordinator()


@pytest.fixture
def desk(cora):
    return desk_client(cora)


@pytest.fixture
def sites(db):
    return [SiteFactory(), DropOffFactory()]


@pytest.fixture
def run(sites):
    return make_run(title="Market run", sites=sites, starts_at=NOW + 10 * DAY)


@pytest.fixture
def people(sites):
    return [
        ready_person(name=f"{name} Example") for name in ("Ana", "Ben", "Cem", "Dot", "Eva", "Flo", "Gus")
    ]


def page(desk, run):
    return text_of(desk.get(f"/desk/runs/{run.pk}/"))


def tap(desk, run, what, **more):
    return desk.post(f"/desk/runs/{run.pk}/search/", {"what": what, **more}, follow=True)


def test_one_tap_asks_around_and_says_whom(desk, run, people, cora):
    assert "Nobody has been asked by mail." in page(desk, run)
    answer = tap(desk, run, "start")
    text = text_of(answer)
    asked = Ask.objects.select_related("person")
    assert asked.count() == Message.objects.filter(kind="request").count() == 5
    for ask in asked:
        assert ask.person.first_name in said(answer)
        assert f"{ask.person.name}</a>: no answer yet" in text
    assert "The next group is asked on Wed, Jun 3 at 10:00 a.m." in text
    assert "Group 1" in text
    assert Search.objects.get().opened_by == cora.user


def test_hurry_and_stop(desk, run, people):
    tap(desk, run, "start")
    text = text_of(tap(desk, run, "hurry"))
    assert "Group 2" in text
    assert Ask.objects.count() == 7
    answer = tap(desk, run, "hurry")
    assert "Everybody who may be asked by mail has been." in said(answer)
    answer = tap(desk, run, "stop")
    assert "Nobody more is asked" in said(answer)
    assert "Stopped: nobody more is asked." in text_of(answer)
    assert "Ask around again" in text_of(answer)
    assert "the search has ended" in said(tap(desk, run, "stop"))


def test_hurried_for_a_run_that_is_closed_it_says_why_nobody_is_asked(desk, run, people, sites):
    tap(desk, run, "start")
    close_site(sites[0], first=run.local_date, last=run.local_date, by=None)
    answer = tap(desk, run, "hurry")
    assert "Nobody can be asked about a run that has started, is cancelled, or is closed." in said(answer)


def test_what_each_said_stands_beside_the_name(desk, run, people):
    tap(desk, run, "start")
    first, second, third, *_rest = Ask.objects.order_by("pk")
    requests.answer(first, "no", by=None)
    requests.answer(second, "less", by=None)
    requests.answer(third, "yes", by=None)
    text = page(desk, run)
    for ask, words in ((first, "no"), (second, "no, and asked less from now on")):
        assert f"{ask.person.name}</a>: {words}" in text
    assert f"{third.person.name}</a>: <strong>yes</strong>" in text
    assert "Filled: nobody more is asked." in text
    assert "Ask around" not in text
    history = text.partition("What was done")[2]
    for words in (
        "began to ask around for a driver",
        f"asked {first.person.name} by mail",
        f"{second.person.name} said: no, and ask me less",
        "somebody drives, so nobody more is asked",
    ):
        assert words in history


def test_by_hand(desk, run, people):
    Person.objects.filter(pk=people[1].pk).update(email="", reach="call")
    text = page(desk, run)
    assert "Only by phone: Ben Example." in text
    answer = tap(desk, run, "hand", person=[people[0].pk, people[1].pk])
    assert "Asked by mail: Ana." in said(answer)
    assert "Ben Example has no mail or wants none" in said(answer)
    assert "No further group is asked by itself." in text_of(answer)
    assert "Ana Example is asked already" in said(tap(desk, run, "hand", person=[people[0].pk]))


@pytest.mark.parametrize("junk", [junk for junk in NONSENSE if junk != "7"])  # which may be a key
def test_nonsense_asks_nobody(desk, run, people, junk):
    tap(desk, run, "hand", person=[junk])
    assert "Nothing was done" in said(tap(desk, run, junk or "x"))
    assert not Ask.objects.exists()


def test_in_quiet_hours_it_says_until_when_and_to_call(desk, run, people):
    with time_machine.travel(NOW.replace(hour=10, minute=40), tick=False):  # 6:40 a.m.
        desk = desk_client(coordinator(name="Early Bird", email="early@example.org"))
        assert "Quiet hours until 8:00 a.m." in page(desk, run)
        answer = tap(desk, run, "start")
    assert "These are quiet hours: the first are asked today at 8:00 a.m. Call whom you can." in said(answer)
    assert not Ask.objects.exists()


def test_a_run_that_has_a_driver_or_is_over_asks_nobody(desk, run, people):
    put(people[0], run)
    assert "Asking around" not in page(desk, run)
    assert "has a driver" in said(tap(desk, run, "start"))
    over = make_run(starts_at=NOW - DAY)
    assert "Asking around" not in page(desk, over)
    assert "has started" in said(tap(desk, over, "start"))
    assert not Search.objects.exists()


def test_the_desk_says_what_has_come_of_it(desk, run, people):
    soon = make_run(title="Soon run", starts_at=NOW + 4 * DAY)
    tap(desk, soon, "start")
    requests.answer(Ask.objects.filter(search__run=soon).first(), "no", by=None)
    text = text_of(desk.get("/desk/"))
    assert "5 asked by mail, 1 said no. The next few are asked today at 10:00 p.m." not in text
    assert "5 asked by mail, 1 said no. The next few are asked on Wed, Jun 3 at 8:00 a.m." in text


def test_calls_stand_among_the_groups(desk, run, people, cora):
    requests.called(run, people[0], "silent", by=cora.user)
    text = page(desk, run)
    assert "By phone" in text
    assert "Ana Example</a>: no answer" in text


def test_queries_of_the_page_do_not_grow_with_the_people_asked(desk, run, people):
    Policy.current()
    tap(desk, run, "start")
    before, _sql = queries_of(desk, f"/desk/runs/{run.pk}/")
    for number in range(12):
        person = ready_person(name=f"More {number}")
        requests.ask_person(Search.objects.get(), person, wave=2, by=None, at=NOW, mailed=True)
    after, more = queries_of(desk, f"/desk/runs/{run.pk}/")
    assert after <= before + 2, more  # events by people, who are looked up once


# --- the alert


@pytest.fixture
def late(sites, people):
    run = make_run(title="Dawn run", sites=sites, starts_at=NOW + 3 * HOUR)
    put(people[0], run)
    return give_back(Booking.objects.get(run=run), by=people[0].user, note="No car that day.")


def alert_on(desk):
    text = text_of(desk.get("/desk/"))
    return text if "Given back at the last moment" in text else ""


def test_it_stands_on_the_desk_until_it_is_seen(desk, late, cora):
    text = alert_on(desk)
    for words in ("Dawn run", "Ana Example cannot make it: No car that day.", "Nobody drives it yet."):
        assert words in text
    answer = desk.post(f"/desk/alerts/{late.pk}/seen/", follow=True)
    assert "Seen: Ana Example cannot make it, Dawn run" in said(answer)
    late.refresh_from_db()
    assert (late.seen_at, late.seen_by) == (NOW, cora.user)
    assert not alert_on(desk)
    event = Event.objects.get(verb="alert seen")
    assert (event.by, event.person_id) == (cora.user, late.person_id)


def test_seen_by_mistake_is_undone(desk, late):
    answer = desk.post(f"/desk/alerts/{late.pk}/seen/", follow=True)
    press_undo(desk, answer)
    late.refresh_from_db()
    assert late.seen_at is None
    assert alert_on(desk)
    assert Event.objects.filter(verb="alert not seen").count() == 1


def test_seen_twice_is_seen_once(desk, late):
    for _ in range(2):
        desk.post(f"/desk/alerts/{late.pk}/seen/")
    assert Event.objects.filter(verb="alert seen").count() == 1


def test_it_says_who_drives_now(desk, late, people):
    seat(run=late.run, person=people[3], seat="driver", by=None)
    assert "Dot Example drives now." in alert_on(desk)


def test_only_shortly_before_and_only_a_driver(sites, people):
    near, far = (make_run(sites=sites, starts_at=NOW + hours * HOUR) for hours in (23, 25))
    shown = [give_back(put(people[0], near), by=None)]
    give_back(put(people[0], far), by=None)
    give_back(put(people[1], near, "second"), by=None)
    give_back(put(people[2], near), by=None, end="taken out")
    assert list(alerts.alerts(NOW)) == shown
    assert not alerts.alerts(near.ends_at)
    cancel_run(near, reason="Snow.", by=None)
    assert not alerts.alerts(NOW)


def test_of_a_run_that_is_closed_nobody_need_be_told(sites, people):
    run = make_run(sites=sites, starts_at=NOW + 3 * HOUR)
    give_back(put(people[0], run), by=None)
    assert alerts.alerts(NOW)
    close_site(sites[0], first=run.local_date, last=run.local_date, by=None)
    assert not alerts.alerts(NOW)


def test_another_booking_is_no_alert(desk, run, people):
    booking = put(people[0], run)
    assert desk.post(f"/desk/alerts/{booking.pk}/seen/").status_code == 404
