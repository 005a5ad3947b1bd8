"""The desk: what it shows, in which order, and how many queries it takes."""

import random
from datetime import UTC, date, datetime, time, timedelta

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from django.contrib.messages import get_messages
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from shifts.cover.candidates import may_drive, ranked, three_names
from shifts.models import Booking, Policy, Run, Shift, Stop
from shifts.seats.changes import cancel_run
from sites.models import Closure, Programme
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_ready,
    make_run,
    put,
    ready_person,
)
from volunteers import outbox
from volunteers.models import Availability, Away, Car, Heartbeat, Message, Person

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 2, 14, 0, tzinfo=UTC)  # a Tuesday, 10:00 a.m. in New York
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


def with_second_factor(person):
    Authenticator.objects.create(user=person.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    return person


def signed_in(person):
    client = Client()
    client.force_login(person.user)
    return client


@pytest.fixture
def cora():
    return with_second_factor(coordinator())


@pytest.fixture
def desk(cora):
    return signed_in(cora)


@pytest.fixture
def sites():
    return [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen")]


def text_of(answer):
    return " ".join(answer.content.decode().split())


def said(answer):
    return [str(message) for message in get_messages(answer.wsgi_request)]


def to_tell(person, subject="You drive: Morning run", key="k1"):
    return outbox.owe(
        person=person,
        mail=outbox.Mail(subject, "The words.", "<p>The words.</p>"),
        kind="booked",
        key=key,
        at=NOW,
    )


def failed_mail(person=None, kind="booked", raw=b"bytes", key="f1"):
    return Message.objects.create(
        key=key, person=person, kind=kind, address="gone@example.org", subject="You drive: Morning run",
        text="The words." if kind != "sign-in" else "", raw=raw, state=Message.State.FAILED, next_try_at=NOW,
        created_at=NOW, done_at=NOW, error="The mail server refused the address: 550 no such user",
    )  # fmt: skip


# --- who may see it

PAGES = ["desk", "desk_week", "desk_orientation", "desk_new_run"]
ACTS = [
    "desk_told", "desk_not_told", "desk_try_again", "desk_seat", "desk_unseat", "desk_cancel",
    "desk_restore", "desk_second_car", "desk_note", "desk_sign_off",
]  # fmt: skip


@pytest.mark.parametrize("name", PAGES)
def test_pages_are_for_coordinators(name, desk):
    address = reverse(name)
    assert Client().get(address).headers["Location"].startswith(reverse("account_login"))
    assert signed_in(PersonFactory(sign_in=True)).get(address).status_code == 403
    assert signed_in(PersonFactory(sign_in=True, lead_since=date(2020, 1, 1))).get(address).status_code == 403
    assert desk.get(address).status_code == 200


@pytest.mark.parametrize("name", ACTS)
def test_acts_are_for_coordinators_and_by_post(name, desk):
    address = reverse(name, args=[99])
    assert Client().post(address).headers["Location"].startswith(reverse("account_login"))
    assert signed_in(PersonFactory(sign_in=True)).post(address).status_code == 403
    assert desk.get(address).status_code == 405
    assert desk.post(address).status_code == 404


@pytest.mark.parametrize("name", ["desk", "desk_week", "desk_orientation"])
def test_pages_change_nothing_when_posted_to(name, desk):
    assert desk.post(reverse(name)).status_code == 405


def test_without_a_second_factor_the_desk_says_why_and_leads_to_one():
    cora = coordinator()
    client = signed_in(cora)
    assert client.get(reverse("desk")).headers["Location"] == reverse("second_factor")
    page = text_of(client.get(reverse("second_factor")))
    assert reverse("mfa_add_webauthn") in page
    assert reverse("mfa_activate_totp") in page
    with_second_factor(cora)
    assert client.get(reverse("second_factor")).headers["Location"] == reverse("desk")
    assert client.get(reverse("desk")).status_code == 200


def test_the_second_factor_page_is_for_coordinators():
    assert signed_in(PersonFactory(sign_in=True)).get(reverse("second_factor")).status_code == 403
    assert Client().get(reverse("second_factor")).status_code == 302


# --- the beginning


def test_a_new_programme_is_led_to_its_first_three_things(desk, sites):
    Person.objects.exclude(user__is_coordinator=True).delete()
    for site in sites:
        site.delete()
    answer = desk.get(reverse("desk"))
    assert [step["url"] for step in answer.context["beginnings"]] == [
        reverse("desk_import"), reverse("desk_new_site"), reverse("desk_new_shift"),
    ]  # fmt: skip
    assert "How to begin" in text_of(answer)
    assert "No runs in these two weeks" in text_of(answer)


def test_the_beginning_shows_what_is_done_and_then_goes_away(desk, sites):
    PersonFactory()
    assert [step["state"] for step in desk.get(reverse("desk")).context["beginnings"]] == [
        "done", "done", "missing",
    ]  # fmt: skip
    Shift.objects.create(name="Morning")
    assert "How to begin" not in text_of(desk.get(reverse("desk")))


# --- what needs a driver


def test_gaps_by_urgency_without_closed_cancelled_later_or_filled_ones(desk, sites):
    def at(moment, title, **facts):
        return make_run(starts_at=NOW + moment, sites=sites, title=title, **facts)

    at(6 * DAY, "in six days")
    at(-HOUR / 2, "under way")
    at(2 * HOUR, "in two hours")
    at(30 * HOUR, "tomorrow")
    at(9 * DAY, "next week")
    at(-5 * HOUR, "over")
    put(ready_person(), at(3 * HOUR, "filled"))
    cancel_run(at(4 * HOUR, "off"), reason="Storm", by=None)
    closed = at(3 * DAY, "closed")
    Closure.objects.create(site=sites[1], first=closed.local_date, last=closed.local_date)
    answer = desk.get(reverse("desk"))
    assert [(gap["card"]["title"], gap["card"]["urgency"]) for gap in answer.context["gaps"]] == [
        ("under way", "now"), ("in two hours", "now"), ("tomorrow", "urgent"), ("in six days", "soon"),
    ]  # fmt: skip
    assert "4 runs need a driver" in text_of(answer)
    shown = [card["title"] for day in answer.context["days"] for card in day["runs"]]
    assert {"next week", "filled", "off", "closed"} <= set(shown)


def test_a_gap_shows_both_seats_three_people_and_their_links(desk, sites):
    run = make_run(starts_at=NOW + DAY, sites=sites, crates=12)
    people = [ready_person(name=name) for name in ("Abe Ash", "Bea Birch", "Col Cedar", "Dee Dogwood")]
    answer = desk.get(reverse("desk"))
    page = text_of(answer)
    assert [call["name"] for call in answer.context["gaps"][0]["calls"]] == [
        "Abe Ash",
        "Bea Birch",
        "Col Cedar",
    ]
    assert f'href="tel:{people[0].phone.as_e164}"' in page
    assert page.count(f'action="{reverse("desk_called", args=[run.pk])}"') == 3
    assert "needs a driver" in page
    assert "room for one" in page
    assert "about 12 crates" in page
    assert f'href="{reverse("desk_run", args=[run.pk])}#call-list"' in page


def test_nobody_to_call_is_said(desk, sites):
    make_run(starts_at=NOW + DAY, sites=sites)
    PersonFactory()
    assert "Nobody is ready and free then." in text_of(desk.get(reverse("desk")))


def test_every_seat_filled_is_said(desk, sites):
    put(ready_person(), make_run(starts_at=NOW + DAY, sites=sites))
    Shift.objects.create(name="Morning")
    page = text_of(desk.get(reverse("desk")))
    assert "No run needs a driver now" in page
    assert "Every run until then has a driver." in page


def test_hundreds_of_gaps_stay_readable(desk, sites, monkeypatch):
    monkeypatch.setattr("shifts.pages.desk.NAMED", 2)
    for n in range(5):
        make_run(starts_at=NOW + DAY + n * HOUR, sites=sites)
    answer = desk.get(reverse("desk"))
    assert len(answer.context["gaps"]) == 2
    assert "3 more until then" in text_of(answer)
    assert "5 runs need a driver" in text_of(answer)


# --- three names are the first three of the call list


def busy_programme(chance):
    """People of every kind, and runs by day, by night and past midnight, to different sites."""
    places = [SiteFactory() for _ in range(3)] + [DropOffFactory() for _ in range(2)]
    runs = [
        make_run(
            starts_at=NOW + chance.randrange(1, 7 * 24) * HOUR,
            minutes=chance.choice([45, 60, 300]),
            sites=[chance.choice(places[:3]), chance.choice(places[3:])],
            crates=chance.choice([0, 8, 20]),
        )
        for _ in range(24)
    ]
    for n in range(40):
        person = PersonFactory(drives=n % 13 != 0, left_on=date(2026, 6, 1) if n % 17 == 0 else None)
        if chance.random() < 0.8:
            until = NOW.date() + timedelta(days=chance.choice([2, 4, 400]))
            make_ready(person, until=until, without=chance.choice([(), (), (), ("kit",)]))
        for crates in chance.choice([[], [None], [5], [25], [5, None]]):
            Car.objects.create(person=person, crates=crates)
        for weekday in chance.sample(range(7), chance.choice([0, 0, 4])):
            Availability.objects.create(
                person=person, weekday=weekday, begins=time(6), ends=time(chance.choice([12, 23]))
            )
        if chance.random() < 0.2:
            Away.objects.create(
                person=person, first=NOW.date(), last=NOW.date() + chance.randrange(1, 6) * DAY
            )
        if chance.random() < 0.4:
            put(
                person,
                make_run(
                    starts_at=chance.choice(runs).starts_at + chance.choice([-1, 0, 2]) * HOUR,
                    sites=places[1:4:2],
                ),
            )
    return runs


@pytest.mark.parametrize("seed", range(4))
def test_three_names_are_the_first_three_who_may_drive(seed):
    runs = list(
        Run.objects.filter(pk__in=[run.pk for run in busy_programme(random.Random(seed))]).with_people()
    )
    names = three_names(runs, at=NOW)
    found = set()
    for run in runs:
        three = [one.person for one in names[run.pk]]
        everybody = [one.person for one in ranked(run, at=NOW).may]
        assert {person.pk for person in everybody} == set(may_drive(run).values_list("pk", flat=True))
        assert three == everybody[:3]
        found |= {person.pk for person in three}
    assert len(found) > 3


def test_three_names_take_as_many_queries_for_many_runs_as_for_one(sites):
    runs = [make_run(starts_at=NOW + (1 + n) * HOUR, sites=sites) for n in range(30)]
    for n in range(12):
        put(ready_person(), make_run(starts_at=NOW + (n + 1) * HOUR, sites=sites), "second")
    Policy.current(), Programme.current()
    # of everybody: programme, names, runs, cars, requests, answers, hours, absences; of these runs: "not this
    # week", answers, who gave up; policy, programme, bookings near, stops of their runs; the gate; the people
    for some in (runs[:1], runs):
        fetched = list(Run.objects.filter(pk__in=[run.pk for run in some]).with_people())
        with CaptureQueriesContext(connection) as queries:
            three_names(fetched, at=NOW)
        assert len(queries) == 17


# --- one tap


def test_seating_takes_one_tap_from_the_desk_and_can_be_undone(desk, cora, sites):
    run = make_run(starts_at=NOW + DAY, sites=sites)
    abe = ready_person(name="Abe Ash")
    answer = desk.post(
        reverse("desk_seat", args=[run.pk]),
        {"person": abe.pk, "seat": "driver", "next": reverse("desk")},
        follow=True,
    )
    booking = run.bookings.live().get()
    assert (booking.person, booking.seat, booking.booked_by) == (abe, "driver", cora.user)
    assert answer.request["PATH_INFO"] == reverse("desk")
    page = text_of(answer)
    assert (
        "Abe Ash drives Morning run, Wed, Jun 3, 10:00 a.m. A mail with the invitation goes to them." in page
    )
    undo = answer.context["undo"]
    assert f'action="{undo["url"]}"' in page
    after = desk.post(undo["url"], undo["fields"], follow=True)
    assert not run.bookings.live().exists()
    assert "Abe Ash is out of Morning run" in text_of(after)
    assert after.request["PATH_INFO"] == reverse("desk")
    assert "Undo: take Abe out" not in text_of(desk.get(reverse("desk")))


def test_whoever_gets_no_mail_is_on_the_list_to_tell(desk, sites):
    run = make_run(starts_at=NOW + DAY, sites=sites)
    abe = ready_person(name="Abe Ash", by_phone=True)
    answer = desk.post(
        reverse("desk_seat", args=[run.pk]), {"person": abe.pk, "next": reverse("desk")}, follow=True
    )
    assert "it is on the list to tell by phone" in text_of(answer)
    assert [row["name"] for row in answer.context["to_tell"]] == ["Abe Ash"]


def refused(desk, run, person, seat_name="driver"):
    answer = desk.post(
        reverse("desk_seat", args=[run.pk]),
        {"person": person.pk, "seat": seat_name, "next": reverse("desk")},
        follow=True,
    )
    assert (
        not Booking.objects.live()
        .filter(run=run, person=person, seat=seat_name, booked_by__isnull=False)
        .exists()
    )
    assert answer.request["PATH_INFO"] == reverse("desk")
    return text_of(answer)


def test_a_refusal_is_shown_where_it_happened_in_words(desk, sites):
    run = make_run(starts_at=NOW + DAY, sites=sites)
    page = refused(desk, run, make_ready(PersonFactory(name="Abe Ash"), without=("kit",)))
    assert "Abe Ash was not seated on Morning run, Wed, Jun 3, 10:00 a.m." in page
    assert "Still missing: Starter kit." in page
    bea = ready_person(name="Bea Birch")
    put(bea, make_run(starts_at=NOW + DAY + HOUR, sites=sites, title="Bread run"))
    assert "Elsewhere at that time: Bread run" in refused(desk, run, bea)
    put(ready_person(), run)
    assert "Just taken" in refused(desk, run, ready_person(name="Col Cedar"))
    assert "is cancelled" in refused(desk, cancel_run(run, reason="Storm", by=None), ready_person())
    assert "A shadow ride needs a lead driver" in refused(
        desk, make_run(starts_at=NOW + DAY, sites=sites), PersonFactory(), "second"
    )
    assert "has left the programme" in refused(
        desk, make_run(starts_at=NOW + DAY, sites=sites), PersonFactory(left_on=date(2026, 6, 1))
    )


# --- attention


def test_what_needs_attention_says_why_and_what_to_do(desk, sites):
    run = make_run(starts_at=NOW + DAY, sites=sites, crates=20)
    dee = ready_person(name="Dee Dogwood")
    Car.objects.create(person=dee, crates=8)
    put(dee, run)
    answer = desk.get(reverse("desk"))
    page = text_of(answer)
    assert "1 needs attention" in page
    assert "Dee Dogwood&#x27;s car takes 8 crates; 20 are expected." in page
    assert "add a second car" in page
    assert answer.context["weak"][0]["url"] == reverse("desk_run", args=[run.pk])


# --- telling by phone


def test_tell_by_phone_shows_number_and_words_and_is_ticked_and_undone(desk, cora):
    abe = PersonFactory(name="Abe Ash", by_phone=True)
    message = to_tell(abe)
    page = text_of(desk.get(reverse("desk")))
    assert "1 to tell by phone" in page
    assert f'href="tel:{abe.phone.as_e164}"' in page
    assert "The words." in page
    answer = desk.post(reverse("desk_told", args=[message.pk]), follow=True)
    message.refresh_from_db()
    assert (message.state, message.told_by) == (Message.State.TOLD, cora.user)
    assert "Tell by phone" not in text_of(answer)
    undo = answer.context["undo"]
    again = desk.post(undo["url"], undo["fields"], follow=True)
    message.refresh_from_db()
    assert message.state == Message.State.TELL
    assert "Tell by phone" in text_of(again)


def test_ticking_twice_says_so(desk):
    message = to_tell(PersonFactory(by_phone=True))
    desk.post(reverse("desk_told", args=[message.pk]))
    assert "told already" in text_of(desk.post(reverse("desk_told", args=[message.pk]), follow=True))
    desk.post(reverse("desk_not_told", args=[message.pk]))
    assert "was not marked as told" in text_of(
        desk.post(reverse("desk_not_told", args=[message.pk]), follow=True)
    )


def test_mail_that_failed_shows_its_reason_and_is_tried_again(desk):
    message = failed_mail(PersonFactory(name="Abe Ash"))
    page = text_of(desk.get(reverse("desk")))
    assert "Mail that could not be sent" in page
    assert "550 no such user" in page
    answer = desk.post(reverse("desk_try_again", args=[message.pk]), follow=True)
    message.refresh_from_db()
    assert (message.state, message.attempts) == (Message.State.OWED, 0)
    assert "is tried again now" in text_of(answer)
    assert "nothing to send again" in text_of(
        desk.post(reverse("desk_try_again", args=[message.pk]), follow=True)
    )


def test_failed_mail_told_by_phone_is_failed_again_when_undone(desk):
    message = failed_mail(PersonFactory())
    answer = desk.post(reverse("desk_told", args=[message.pk]), follow=True)
    message.refresh_from_db()
    assert message.state == Message.State.TOLD
    desk.post(answer.context["undo"]["url"])
    message.refresh_from_db()
    assert message.state == Message.State.FAILED


def test_a_sign_in_code_that_failed_is_only_seen(desk):
    message = failed_mail(kind="sign-in", raw=b"")
    page = text_of(desk.get(reverse("desk")))
    assert "gone@example.org" in page
    assert reverse("desk_try_again", args=[message.pk]) not in page
    assert ">Seen<" in page


def test_a_long_list_says_how_long(desk, monkeypatch):
    monkeypatch.setattr("shifts.pages.desk.LISTED", 2)
    for n in range(3):
        to_tell(PersonFactory(by_phone=True), key=f"k{n}")
        failed_mail(key=f"f{n}")
    page = text_of(desk.get(reverse("desk")))
    assert "The oldest 2 of 3" in page
    assert "The newest 2 of 3" in page


def test_a_late_worker_is_said(desk):
    assert "has never been at work" in text_of(desk.get(reverse("desk")))
    Heartbeat.objects.create(name="worker", at=NOW - 20 * timedelta(minutes=1))
    assert "was last seen 20 minutes ago" in text_of(desk.get(reverse("desk")))
    Heartbeat.objects.update(at=NOW)
    assert "Mail is late" not in text_of(desk.get(reverse("desk")))


def test_mail_that_waits_long_is_said_with_the_servers_words(desk):
    Heartbeat.objects.create(name="worker", at=NOW)
    message = to_tell(PersonFactory())
    assert "Mail is late" not in text_of(desk.get(reverse("desk")))
    Message.objects.filter(pk=message.pk).update(
        created_at=NOW - HOUR, error="The mail server could not be reached: refused"
    )
    page = text_of(desk.get(reverse("desk")))
    assert "1 mail waits to be sent (the oldest since Tue, Jun 2, 9:00 a.m.)." in page
    assert "could not be reached" in page


# --- the days ahead


def test_days_ahead_move_by_the_week(desk, sites):
    for days in (1, 10, 20):
        make_run(starts_at=NOW + days * DAY, sites=sites, title=f"in {days} days")

    def shown(query=""):
        answer = desk.get(reverse("desk") + query)
        return [card["title"] for day in answer.context["days"] for card in day["runs"]]

    assert shown() == ["in 1 days", "in 10 days"]
    page = desk.get(reverse("desk"))
    assert "?from=2026-06-09" in text_of(page)
    assert "?from=2026-05-26" in text_of(page)
    assert shown("?from=2026-06-09") == ["in 10 days", "in 20 days"]


@pytest.mark.parametrize("asked", ["", "x", "2026-02-30", "9999-12-31", "0001-01-01", "2026-06-02T10:00"])
def test_a_date_that_is_none_is_today(asked, desk):
    assert desk.get(reverse("desk"), {"from": asked}).context["first"] == date(2026, 6, 2)
    assert desk.get(reverse("desk_week"), {"from": asked}).context["first"] == date(2026, 6, 1)


def test_a_run_that_was_called_off_is_shown_and_one_the_rule_dropped_is_not(desk, sites):
    cancel_run(make_run(starts_at=NOW + DAY, sites=sites, title="called off"), reason="Storm", by=None)
    make_run(starts_at=NOW + DAY, sites=sites, title="dropped", cancelled_at=NOW, cancel_cause=Run.Cause.RULE)
    for name in ("desk", "desk_week"):
        days = desk.get(reverse(name)).context["days"]
        cards = [card for day in days for card in day["runs"]]
        assert [card["title"] for card in cards] == ["called off"]
        assert [seat["word"] for seat in cards[0]["seats"]] == ["cancelled", "cancelled"]


def test_seats_of_every_kind(desk, sites):
    lead = lead_driver(name="Lea Linden")
    run = make_run(starts_at=NOW + DAY, sites=sites)
    put(lead, run)
    put(PersonFactory(name="Tom Trainee"), run, "second")
    make_run(starts_at=NOW + 2 * DAY, sites=sites, second_seat=False)
    days = desk.get(reverse("desk")).context["days"]
    driver, second = days[0]["runs"][0]["seats"]
    assert (driver["state"], driver["word"], driver["note"]) == ("taken", "Lea Linden", "lead driver")
    assert (second["state"], second["word"]) == ("taken", "Tom Trainee")
    driver, second = days[1]["runs"][0]["seats"]
    assert (driver["state"], second["state"]) == ("empty", "none")


# --- the week


def test_the_week_is_monday_to_sunday_with_closed_dates(desk, sites):
    for days in (-1, 0, 5, 6):
        make_run(starts_at=NOW + days * DAY, sites=sites, title=f"day {days}")
    Closure.objects.create(site=sites[0], first=date(2026, 6, 4), last=date(2026, 6, 20))
    Closure.objects.create(site=sites[1], first=date(2026, 6, 6), last=date(2026, 6, 6), lifted_at=NOW)
    answer = desk.get(reverse("desk_week"))
    days = answer.context["days"]
    assert [day["date"] for day in days] == [date(2026, 6, n) for n in range(1, 8)]
    assert [[card["title"] for card in day["runs"]] for day in days] == [
        ["day -1"], ["day 0"], [], [], [], [], ["day 5"],
    ]  # fmt: skip
    assert [day["note"] for day in days] == ["", "", ""] + ["closed: Mill Street Grocery"] * 4
    assert "?from=2026-06-08" in text_of(answer)
    assert "?from=2026-05-25" in text_of(answer)
    assert not answer.context["dense"]


def test_the_week_has_short_names_for_the_wall(desk, sites):
    run = make_run(starts_at=NOW + DAY, sites=sites)
    put(ready_person(name="Delphine Marchbank-Oyelaran"), run)
    put(ready_person(name="Cher"), run, "second")
    page = text_of(desk.get(reverse("desk_week")))
    assert "Delphine M." in page
    assert "Marchbank" not in page
    assert "Cher<" in page


def test_a_full_week_is_drawn_densely(desk, sites):
    for n in range(5):
        make_run(starts_at=NOW + n * HOUR, sites=sites)
    assert desk.get(reverse("desk_week")).context["dense"]


# --- how many queries


def many_runs(count, sites):
    """Runs one after the other, three of four with a driver, some with a trainee beside; 1,000 of them take
    seven weeks."""
    people, trainee = [lead_driver(), ready_person(), ready_person()], PersonFactory()
    zone = Programme.current().zone
    every = min(5 * HOUR, 49 * DAY / count)
    runs = Run.objects.bulk_create(
        Run(
            title=f"Run {n}",
            starts_at=NOW + HOUR + n * every,
            ends_at=NOW + 2 * HOUR + n * every,
            local_date=(NOW + HOUR + n * every).astimezone(zone).date(),
        )
        for n in range(count)
    )
    Stop.objects.bulk_create(
        Stop(run=run, position=n, site=site, after_minutes=n * 20)
        for run in runs
        for n, site in enumerate(sites)
    )
    Booking.objects.bulk_create(
        Booking(run=run, person=person, seat=seat, booked_at=NOW)
        for n, run in enumerate(runs)
        for person, seat in ((people[n % 3], "driver"), (trainee, "second"))
        if n % 4 and (seat == "driver" or n % 9 == 0)
    )


# Programme, who covers, session, user, people of the sign-in, second factor: every page of the desk.
EVERY_PAGE = 6


@pytest.mark.parametrize(
    ("name", "own"),
    [
        # policy; runs ahead, stops, people; policy, programme, uncleared bookings, cars, who did not come,
        # programme, bookings of the same people, stops, which take place; for the beginning people, sites,
        # weekly runs; three names (17, as above); messages to tell, how many; failed, how many; worker,
        # when it was last seen, mail that waits; holidays with runs; answers of calendars to look at, runs
        # declined in one; runs of the days, stops, people; who asks to join; newcomers (14, as in
        # test_orientation_desk); programme, policy, who did not come; how many coordinators; what was given
        # back shortly before; searches that go on
        ("desk", 66),
        # runs, stops, people; policy; what needs attention (9, as above); closures
        ("desk_week", 13),
    ],
)
def test_queries_do_not_grow_with_the_runs(name, own, desk, sites):
    numbers = []
    PersonFactory()
    for count in (10, 1_000):
        Booking.objects.all().delete()
        Run.objects.all().delete()
        many_runs(count, sites)
        desk.get(reverse(name))
        with CaptureQueriesContext(connection) as queries:
            desk.get(reverse(name))
        numbers.append(len(queries))
    assert numbers == [EVERY_PAGE + own] * 2, "\n".join(query["sql"][:200] for query in queries)
