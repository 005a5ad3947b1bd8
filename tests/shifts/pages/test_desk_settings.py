"""Settings: the programme's facts and its time zone, the schedule's numbers, the test mail, coordinators."""

from datetime import date, datetime, time
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.urls import reverse
from django.utils.translation import override

from shifts.models import Policy
from shifts.pages import forms_settings
from shifts.schedule.making import Plan, add_shift
from shifts.seats.booking import seat
from shifts.seats.changes import reshape_run, shape_of
from shifts.seats.weekly import change_policy, change_programme
from sites.models import Event, Programme
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, coordinator, make_run, ready_person
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
from volunteers.models import Heartbeat, Message, Person, User
from volunteers.people import end_coordinator
from volunteers.progress import NotPossible

pytestmark = pytest.mark.django_db
PAGE = "/desk/settings/"
FACTS = {
    "what": "programme",
    "programme-name": "Fernhollow Food Run",
    "programme-town": "Fernhollow",
    "programme-time_zone": "America/New_York",
    "programme-contact_name": "Marisol",
    "programme-contact_phone": "614 555 0100",
    "programme-contact_email": "desk@example.org",
    "programme-lift_pounds": "40",
    "programme-road_factor": "1.3",
    "programme-fixed_minutes": "5",
    "programme-town_mph": "24",
}
NUMBERS = {
    "what": "policy",
    "policy-weeks_ahead": "10",
    "policy-weeks_shown": "6",
    "policy-soon_days": "7",
    "policy-urgent_hours": "48",
    "policy-now_hours": "12",
    "policy-between_minutes": "15",
    "policy-load_minutes": "20",
    "policy-short_notice_hours": "48",
    "policy-keep_days": "3",
    "policy-newcomer_percent": "25",
    "policy-hello_days": "2",
    "policy-ride_days": "7",
    "policy-stuck_days": "14",
    "policy-lead_after_runs": "10",
    "policy-lead_within_months": "6",
    "policy-refresher_months": "6",
    "policy-ride_again_months": "12",
    "policy-reminder_days": "21, 7, 1",
    "policy-checklist": "",
    "policy-asks_on": "on",
    "policy-ask_after_minutes": "15",
    "policy-ask_chance_percent": "80",
    "policy-ask_fewest": "3",
    "policy-ask_most": "8",
    "policy-requests_a_week": "2",
    "policy-urgent_requests_a_week": "1",
    "policy-quiet_from": "21:00",
    "policy-quiet_until": "08:00",
    "policy-early_from": "06:00",
    "policy-digest_at": "16:00",
    "policy-morning_at": "06:00",
    "policy-talk_days": "60",
}


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
def monday():
    stops = ((SiteFactory().pk, 0), (DropOffFactory().pk, 35))
    plan = Plan(rule="FREQ=WEEKLY;BYDAY=MO", starts=time(8), minutes=60, stops=stops)
    return add_shift(name="Monday run", plan=plan, from_day=TODAY, by=None)


def eight_o_clock(zone):
    return datetime(2026, 6, 8, 8, 0, tzinfo=ZoneInfo(zone))


# --- the programme


def test_the_programmes_facts_are_saved(desk, cora):
    assert desk.post(PAGE, FACTS).headers["Location"] == PAGE
    programme = Programme.current()
    assert (programme.name, programme.contact_phone.as_e164) == ("Fernhollow Food Run", "+16145550100")
    event = Event.objects.about(programme).get()
    assert (event.by, event.verb) == (cora.user, "changed")


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"programme-name": ""}, "name", "required"),
        ({"programme-time_zone": "Mars/Olympus"}, "time_zone", "Choose a time zone of the list."),
        ({"programme-contact_phone": "12"}, "contact_phone", "phone number"),
        ({"programme-contact_email": "desk at home"}, "contact_email", "not an e-mail address"),
        ({"programme-road_factor": "0.5"}, "road_factor", "1"),
        ({"programme-town_mph": "nan"}, "town_mph", "number"),
        ({"programme-fixed_minutes": "61"}, "fixed_minutes", "60"),
        ({"programme-lift_pounds": "0"}, "lift_pounds", "1"),
        ({"programme-lift_pounds": "101"}, "lift_pounds", "100"),
    ],
)
def test_a_fault_is_named_at_its_field_and_what_was_typed_stays(desk, change, field, words):
    answer = desk.post(PAGE, {**FACTS, **change})
    assert words in errors_of(answer)[field]
    assert answer.context["programme_form"]["town"].value() == "Fernhollow"
    assert "Error:" in text_of(answer)
    assert Programme.current().town == ""
    assert not answer.context["policy_form"].errors


def test_zones_of_the_united_states_come_first(desk):
    first, rest = desk.get(PAGE).context["programme_form"].fields["time_zone"].choices
    assert first[0] == "United States"
    assert ("America/Chicago", "Central (Chicago)") in first[1]
    assert ("Europe/Madrid", "Europe/Madrid") in rest[1]


def test_another_time_zone_times_the_runs_ahead_anew(desk, monday):
    ana = ready_person()
    run = monday.runs.order_by("starts_at")[0]
    assert run.starts_at == eight_o_clock("America/New_York")
    seat(run=run, person=ana, seat="driver", by=None, on_behalf=True)
    answer = desk.post(PAGE, {**FACTS, "programme-time_zone": "America/Denver"})
    run.refresh_from_db()
    assert run.starts_at == eight_o_clock("America/Denver")
    assert run.local_date == date(2026, 6, 8)
    assert "8 runs ahead are timed anew, and those booked on 1 of them are told" in said(answer)
    assert Message.objects.filter(person=ana, kind="changed").count() == 1
    assert monday.runs.count() == 8


def test_in_another_time_zone_other_runs_keep_their_moment(cora, monday):
    """10 p.m. in New York is the next day in Madrid. Edited by hand and one-off: the instant stays."""
    late = datetime(2026, 6, 10, 22, 0, tzinfo=ZoneInfo("America/New_York"))
    one_off = make_run(starts_at=late)
    edited = monday.runs.order_by("starts_at")[1]
    shape = shape_of(edited)
    moved = type(shape)(late, late + DAY / 24, shape.stops, shape.crates, shape.second_seat)
    reshape_run(edited, moved, by=None, hand_edited=True)
    past = make_run(starts_at=NOW - 2 * DAY)
    change_programme(by=cora.user, time_zone="Europe/Madrid")
    for run in (one_off, edited):
        run.refresh_from_db()
        assert (run.starts_at, run.local_date) == (late, date(2026, 6, 11))
    before = past.local_date
    past.refresh_from_db()
    assert past.local_date == before


def test_the_same_time_zone_moves_nothing(cora, monday):
    outcome = change_programme(by=cora.user, name="Another name")
    assert outcome.changed == []
    assert monday.runs.first().starts_at == eight_o_clock("America/New_York")


# --- the numbers


def test_the_schedules_numbers_are_saved(desk):
    desk.post(PAGE, NUMBERS)
    policy = Policy.current()
    assert (policy.weeks_ahead, policy.weeks_shown) == (10, 6)
    assert (policy.keep_days, policy.newcomer_percent) == (3, 25)
    assert Event.objects.about(policy).get().after == {
        "weeks_ahead": 10, "weeks_shown": 6, "keep_days": 3, "newcomer_percent": 25,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"policy-weeks_ahead": "0"}, "weeks_ahead", "1"),
        ({"policy-weeks_shown": "11"}, "__all__", "further ahead than runs are made"),
        ({"policy-now_hours": "49"}, "__all__", "fewer hours"),
        ({"policy-ask_fewest": "9"}, "__all__", "more than its most"),
        ({"policy-ask_most": "51"}, "ask_most", "50"),
        ({"policy-ask_chance_percent": "100"}, "ask_chance_percent", "99"),
        ({"policy-quiet_until": "late"}, "quiet_until", "Write the time"),
        ({"policy-load_minutes": "9999"}, "load_minutes", "240"),
        ({"policy-keep_days": "61"}, "keep_days", "60"),
        ({"policy-newcomer_percent": "101"}, "newcomer_percent", "100"),
        ({"policy-soon_days": "-1"}, "soon_days", "0"),
        ({"policy-soon_days": "soon"}, "soon_days", "whole number"),
        ({"policy-stuck_days": "181"}, "stuck_days", "180"),
        ({"policy-lead_after_runs": "0"}, "lead_after_runs", "1"),
        ({"policy-refresher_months": "0"}, "refresher_months", "1"),
        ({"policy-ride_again_months": "5"}, "ride_again_months", "more months"),
        ({"policy-reminder_days": "a week"}, "reminder_days", "whole numbers with commas"),
        ({"policy-reminder_days": "7.5"}, "reminder_days", "whole numbers with commas"),
        ({"policy-reminder_days": "-7"}, "reminder_days", "whole numbers with commas"),
        ({"policy-reminder_days": "7 1"}, "reminder_days", "whole numbers with commas"),
        ({"policy-reminder_days": "٣"}, "reminder_days", "whole numbers with commas"),
        ({"policy-reminder_days": "0"}, "reminder_days", "1 to 365"),
        ({"policy-reminder_days": "366, 7"}, "reminder_days", "1 to 365"),
        ({"policy-reminder_days": ",".join(map(str, range(100, 115)))}, "reminder_days", "too many"),
        ({"policy-checklist": "\n".join("abcdefghijklmnopqrstu")}, "checklist", "At most 20 lines"),
        ({"policy-checklist": "x" * 121}, "checklist", "under 120"),
    ],
)
def test_numbers_that_cannot_be(desk, change, field, words):
    answer = desk.post(PAGE, {**NUMBERS, **change})
    assert words in errors_of(answer)[field]
    assert answer.context["policy_form"]["between_minutes"].value() == "15"
    assert Policy.current().weeks_ahead == 8


def test_a_fault_in_a_group_that_is_shut_opens_it(desk):
    answer = desk.post(PAGE, {**NUMBERS, "policy-reminder_days": "soon"})
    opened = {group["title"]: group["is_open"] for group in answer.context["policy_form"].groups}
    assert [title for title, is_open in opened.items() if is_open] == ["Papers, and what a lead driver ticks"]
    shown = [name for _title, names in forms_settings.PolicyForm.GROUPS for name in names]
    assert sorted(shown) == sorted(answer.context["policy_form"].fields), "each number once on the page"


def test_reminders_are_kept_with_the_most_first(desk):
    assert Policy.current().reminders() == [21, 7, 1]
    desk.post(PAGE, {**NUMBERS, "policy-reminder_days": " 1,30 , 7,7 "})
    policy = Policy.current()
    assert (policy.reminder_days, policy.reminders()) == ("30, 7, 1", [30, 7, 1])
    desk.post(PAGE, {**NUMBERS, "policy-reminder_days": ""})
    assert Policy.current().reminders() == []


def test_the_points_of_a_sign_off_are_shipped_until_the_programme_writes_its_own(desk):
    shipped = Policy.current().points()
    assert "Straps crates so that nothing slides" in shipped
    with override("es"):
        assert len(Policy.current().points()) == len(shipped)
    desk.post(PAGE, {**NUMBERS, "policy-checklist": "Locks the  car\r\n\r\n  Knows the alley \n"})
    assert Policy.current().points() == ["Locks the car", "Knows the alley"]
    desk.post(PAGE, {**NUMBERS, "policy-checklist": " \n "})
    assert Policy.current().points() == shipped


def test_orientation_numbers_are_saved(desk, cora):
    desk.post(PAGE, {**NUMBERS, "policy-hello_days": "3", "policy-photos_on": "on"})
    policy = Policy.current()
    assert (policy.hello_days, policy.photos_on) == (3, True)
    event = Event.objects.about(policy).first()
    assert (event.by, event.after["hello_days"], event.after["photos_on"]) == (cora.user, 3, True)
    desk.post(PAGE, NUMBERS)
    assert Policy.current().photos_on is False


def test_the_hours_of_the_coordinators_mails_are_saved(desk):
    hours = {"policy-digest_at": "17:30", "policy-morning_at": "5:45 AM", "policy-talk_days": "90"}
    desk.post(PAGE, {**NUMBERS, **hours})
    policy = Policy.current()
    assert (policy.digest_at, policy.morning_at, policy.talk_days) == (time(17, 30), time(5, 45), 90)


def test_an_hour_that_no_clock_shows_is_refused_with_how_to_write_it(desk):
    answer = desk.post(PAGE, {**NUMBERS, "policy-digest_at": "25:00"})
    assert "Write the time like" in errors_of(answer)["digest_at"]
    assert answer.context["policy_form"]["digest_at"].value() == "25:00"
    assert Policy.current().digest_at == time(16)


def test_a_single_coordinator_is_warned_with_the_way_to_a_second(desk):
    words = "You are the only one."
    assert words in text_of(desk.get(PAGE))
    coordinator(name="Dora Desk", email="dora@example.org")
    assert words not in text_of(desk.get(PAGE))


def test_what_people_should_be_able_to_lift_is_saved(desk):
    desk.post(PAGE, {**FACTS, "programme-lift_pounds": "30"})
    assert Programme.current().lift_pounds == 30


def test_numbers_that_stay_are_not_recorded(cora):
    change_policy(by=cora.user, weeks_ahead=8)
    assert not Event.objects.exists()


# --- mail


def test_a_test_mail_goes_to_the_one_who_asks(desk, cora):
    answer = desk.post(reverse("desk_test_mail"))
    assert "on its way to cora@example.org" in said(answer)
    message = Message.objects.get()
    assert (message.address, message.kind, message.state) == ("cora@example.org", "test", "owed")
    assert "so mail works" in message.text
    assert "waiting to be sent" in text_of(desk.get(PAGE))


@pytest.mark.parametrize(
    ("state", "words"), [("sent", "sent"), ("failed", "could not be sent"), ("sending", "being sent")]
)
def test_the_page_says_what_became_of_the_last_test(desk, state, words):
    desk.post(reverse("desk_test_mail"))
    reason = "The mail server refused the address: 550 no such user"
    Message.objects.update(
        state=state, done_at=NOW, lease_until=NOW, error=reason if state == "failed" else ""
    )
    page = text_of(desk.get(PAGE))
    assert words in page
    assert (reason in page) is (state == "failed")


def test_the_page_says_when_no_mail_can_arrive(desk, settings):
    settings.EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
    page = text_of(desk.get(PAGE))
    assert "written into files" in page
    assert "worker, which sends mail, is not running" in page
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    Heartbeat.objects.create(name="worker", at=NOW)
    page = text_of(desk.get(PAGE))
    assert "written into files" not in page
    assert "is not running" not in page


# --- coordinators


def test_coordinators_are_added_by_address(desk):
    post = {"what": "coordinator", "coordinator-email": "Ray@Example.org", "coordinator-name": "Ray Desk"}
    desk.post(PAGE, post)
    ray = User.objects.get(email="ray@example.org")
    assert ray.is_coordinator
    assert ray.people.get().name == "Ray Desk"
    assert "Ray Desk, ray@example.org" in text_of(desk.get(PAGE))
    answer = desk.post(PAGE, {**post, "coordinator-email": "ray"})
    assert "not an e-mail address" in errors_of(answer)["email"]
    assert answer.context["coordinator_form"]["name"].value() == "Ray Desk"


def test_a_volunteer_who_becomes_coordinator_stays_the_same_person(desk):
    ana = PersonFactory(name="Ana Reyes", email="ana@example.org", sign_in=True)
    desk.post(
        PAGE, {"what": "coordinator", "coordinator-email": "ana@example.org", "coordinator-name": "Ana"}
    )
    assert User.objects.get(email="ana@example.org").is_coordinator
    assert Person.objects.get(email="ana@example.org") == ana


def test_the_desk_is_taken_away_but_never_from_oneself(desk, cora):
    ray = coordinator(name="Ray Desk", email="ray@example.org")
    assert "Ask another coordinator" in said(desk.post(PAGE, {"what": "remove", "user": cora.user_id}))
    desk.post(PAGE, {"what": "remove", "user": ray.user_id})
    ray.user.refresh_from_db()
    assert not ray.user.is_coordinator
    assert Person.objects.filter(pk=ray.pk).exists()
    assert Event.objects.filter(person_id=ray.pk, verb="coordinator ended", by=cora.user).exists()
    assert "no coordinator" in said(desk.post(PAGE, {"what": "remove", "user": ray.user_id}))
    cora.user.refresh_from_db()
    assert cora.user.is_coordinator


def test_the_last_coordinator_stays(cora):
    with pytest.raises(NotPossible, match="last coordinator"):
        end_coordinator(cora.user, by=None)
    cora.user.refresh_from_db()
    assert cora.user.is_coordinator


def test_queries_do_not_grow_with_the_coordinators(desk):
    """Programme, policy; coordinators, their people; the last test; the worker."""
    for count in (1, 20):
        for number in range(count):
            coordinator(email=f"c{count}-{number}@example.org")
        number, queries = queries_of(desk, PAGE)
        assert number == EVERY_PAGE + 6, queries


# --- nonsense


def test_every_form_survives_nonsense(desk, monkeypatch):
    # Hundreds of zones take long to draw, and any list refuses nonsense alike.
    monkeypatch.setattr(forms_settings, "zones", lambda: forms_settings.US_ZONES)
    survives_nonsense(desk, PAGE, [name for name in FACTS if name != "what"], FACTS)
    survives_nonsense(desk, PAGE, [name for name in NUMBERS if name != "what"], NUMBERS)
    survives_nonsense(
        desk,
        PAGE,
        ("coordinator-email", "coordinator-name"),
        {"what": "coordinator", "coordinator-email": "x@example.org", "coordinator-name": "Xena"},
    )
    survives_nonsense(desk, PAGE, ("user",), {"what": "remove"})
    survives_nonsense(desk, PAGE, ("what",))
    assert desk.get(PAGE).status_code == 200
