"""The digest: in the afternoon for the next day, in the morning only where something has changed."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shifts import worker
from shifts.cover.digest import digest_of, due, owe_digests
from shifts.models import Booking, CoverTurn, Policy
from shifts.schedule.clock import instant
from shifts.seats.booking import give_back
from sites.changes import close_site
from sites.models import Event, Programme
from tests.factories import PersonFactory, coordinator, lead_driver, make_run, put
from volunteers.models import Message

pytestmark = pytest.mark.django_db

# July 8, 2026 in New York, four hours behind UTC.
FOUR_PM = datetime(2026, 7, 8, 20, 0, tzinfo=UTC)
SIX_AM = datetime(2026, 7, 9, 10, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def cora():
    Programme.objects.update_or_create(pk=1, defaults={"time_zone": "America/New_York"})
    return coordinator()


@pytest.fixture
def ana():
    return lead_driver(name="Ana Reyes")


def tomorrow_at_8(**facts):
    return make_run(starts_at=datetime(2026, 7, 9, 12, 0, tzinfo=UTC), **facts)


def mails():
    return Message.objects.filter(kind="digest").order_by("pk")


def test_at_four_it_says_who_drives_tomorrow_and_what_is_empty(cora, ana):
    put(ana, tomorrow_at_8(title="Market"))
    make_run(starts_at=datetime(2026, 7, 9, 14, 0, tzinfo=UTC), title="Bakery")
    make_run(starts_at=datetime(2026, 7, 10, 14, 0, tzinfo=UTC), title="Not tomorrow")
    assert owe_digests(FOUR_PM - MINUTE) == 0
    assert owe_digests(FOUR_PM) == 1
    mail = mails().get()
    assert (mail.person, mail.subject) == (cora, "Tomorrow, Thu, Jul 9: 1 run needs a driver")
    assert "8:00 a.m., Market: Ana Reyes drives" in mail.text
    assert "10:00 a.m., Bakery: needs a driver" in mail.text
    runs, attention = mail.text.split("Needs attention:")
    assert "Not tomorrow" not in runs
    assert "Not tomorrow, Fri, Jul 10" in attention
    assert "Bakery" not in attention, "it is said once"


def test_it_is_said_once_however_often_the_worker_looks(cora):
    tomorrow_at_8()
    for minutes in range(0, 120, 7):
        owe_digests(FOUR_PM + minutes * MINUTE)
    assert mails().count() == 1


def test_a_worker_that_was_down_says_it_up_to_two_hours_later(cora):
    tomorrow_at_8()
    assert owe_digests(FOUR_PM + timedelta(hours=2) - MINUTE) == 1
    assert owe_digests(SIX_AM) == 0


def test_later_the_morning_says_it(cora):
    tomorrow_at_8()
    assert owe_digests(FOUR_PM + timedelta(hours=2)) == 0
    assert owe_digests(SIX_AM) == 1
    mail = mails().get()
    assert mail.subject == "Today, Thu, Jul 9: 1 run needs a driver"
    assert "changed" not in mail.text


def test_in_the_morning_nothing_is_said_where_nothing_has_changed(cora, ana):
    put(ana, tomorrow_at_8())
    owe_digests(FOUR_PM)
    assert owe_digests(SIX_AM) == 0
    assert owe_digests(SIX_AM + MINUTE) == 0
    assert mails().count() == 1


def test_in_the_morning_a_change_of_the_night_is_said_once(cora, ana):
    booking = put(ana, tomorrow_at_8(title="Market"))
    owe_digests(FOUR_PM)
    give_back(booking, by=None, at=FOUR_PM + timedelta(hours=5))
    assert owe_digests(SIX_AM - MINUTE) == 0
    assert owe_digests(SIX_AM) == 1
    assert owe_digests(SIX_AM + MINUTE) == 0
    mail = mails().last()
    assert mail.subject == "Today, Thu, Jul 9: 1 run needs a driver"
    assert "This has changed since yesterday's mail." in mail.text
    assert "Ana Reyes can't make it: Market" in mail.text


def test_a_change_of_another_day_waits_for_that_days_digest(cora, ana):
    put(ana, tomorrow_at_8())
    other = put(ana, make_run(starts_at=datetime(2026, 7, 11, 12, 0, tzinfo=UTC)))
    owe_digests(FOUR_PM)
    Booking.objects.filter(pk=other.pk).update(ended_at=FOUR_PM, end=Booking.End.TAKEN_OUT)
    assert owe_digests(SIX_AM) == 0


def test_with_nothing_to_say_there_is_no_mail(cora):
    assert owe_digests(FOUR_PM) == 0
    assert Event.objects.filter(verb="digest").get().after["mails"] == 0
    assert owe_digests(SIX_AM) == 0


def test_what_comes_up_after_a_silent_afternoon_is_no_change_of_a_mail(cora):
    owe_digests(FOUR_PM)
    tomorrow_at_8()
    assert owe_digests(SIX_AM) == 1
    assert "changed" not in mails().get().text


def test_a_closed_site_needs_no_driver_and_a_cancelled_run_is_not_listed(cora):
    run = tomorrow_at_8(title="Market")
    close_site(run.ordered_stops[0].site, first=date(2026, 7, 9), last=date(2026, 7, 9), by=None)
    tomorrow_at_8(title="Off", cancelled_at=FOUR_PM, cancel_cause="called off")
    digest = digest_of(date(2026, 7, 9), at=FOUR_PM)
    assert [(line.run.title, line.words) for line in digest.runs] == [("Market", "a site is closed that day")]
    assert digest.needs == 0


def test_mail_that_failed_and_who_is_told_by_phone_and_who_waits(cora):
    for number, state in enumerate([Message.State.FAILED, Message.State.TELL]):
        Message.objects.create(
            key=str(number), kind="x", address="a@example.org", subject="x", text="x", state=state,
            next_try_at=FOUR_PM, created_at=FOUR_PM,
        )  # fmt: skip
    PersonFactory(name="Ida Waits", joined_on=date(2026, 5, 1), asking_since=date(2026, 5, 1))
    owe_digests(FOUR_PM)
    text = mails().get().text
    assert "1 mail could not be sent" in text
    assert "1 to tell by phone" in text
    assert mails().get().subject == "Tomorrow, Thu, Jul 9: no runs"


def test_it_goes_to_whoever_covers_with_their_number_below(cora):
    ray = PersonFactory(name="Ray Cover", sign_in=True)
    CoverTurn.objects.create(person=ray, first=date(2026, 7, 8), last=date(2026, 7, 8), at=FOUR_PM)
    tomorrow_at_8()
    owe_digests(FOUR_PM)
    assert [mail.person for mail in mails()] == [ray]
    assert "coordinator Ray Cover" in mails().get().text


def test_a_coordinator_without_mail_has_it_on_the_list_to_tell(cora):
    cora.reach = "call"
    cora.save()
    tomorrow_at_8()
    owe_digests(FOUR_PM)
    assert mails().get().state == Message.State.TELL


@pytest.mark.parametrize(
    ("eve", "hours"),
    [(date(2026, 3, 7), 14), (date(2026, 3, 8), 14), (date(2026, 10, 31), 14), (date(2026, 11, 1), 14)],
)
def test_the_hours_of_a_clock_change_are_those_on_the_wall(cora, eve, hours):
    """The United States change their clocks on March 8 and November 1, 2026 (15 U.S.C. 260a)."""
    zone = Programme.current().zone
    make_run(starts_at=instant(eve + timedelta(days=1), time(9), zone))
    moment = instant(eve, time(16), zone)
    assert moment.astimezone(zone).hour == 16
    assert owe_digests(moment - MINUTE) == 0
    assert owe_digests(moment) == 1
    assert owe_digests(instant(eve + timedelta(days=1), time(6), zone)) == 0


def test_an_hour_shortly_before_midnight_goes_on_after_it(cora):
    Policy.current()
    Policy.objects.update(digest_at=time(23, 30))
    tomorrow_at_8()
    after_midnight = instant(date(2026, 7, 9), time(0, 15), Programme.current().zone)
    assert owe_digests(after_midnight) == 1
    assert mails().get().subject.startswith("Today, Thu, Jul 9")


def test_what_is_due_near_a_day():
    policy = Policy()
    day = date(2026, 7, 9)
    assert [(of, morning) for of, morning, _when in due(day, policy)] == [
        (day, False),
        (day + timedelta(days=1), False),
        (day, True),
    ]


def test_the_worker_says_it(cora):
    tomorrow_at_8()
    worker.tick(FOUR_PM)
    assert mails().count() == 1


def test_it_takes_as_many_questions_for_many_runs_as_for_one(cora, django_assert_max_num_queries):
    for number in range(2):
        put(lead_driver(), tomorrow_at_8(title=f"Run {number}"))
    with CaptureQueriesContext(connection) as few:
        digest_of(date(2026, 7, 9), at=FOUR_PM)
    for number in range(8):
        put(lead_driver(), tomorrow_at_8(title=f"More {number}"))
    with django_assert_max_num_queries(len(few)):
        assert len(digest_of(date(2026, 7, 9), at=FOUR_PM).runs) == 10
