"""The weekly list of a site: what it says, what it must not say, and that it is mailed once a week."""

import re
from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shifts.seats import site_lists
from shifts.seats.changes import cancel_run
from shifts.seats.site_lists import mail_list, owe_site_lists, week_of, week_to_tell
from sites.changes import change_programme, change_site, close_site
from sites.models import Programme
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, make_run, put, ready_person
from volunteers.models import Message

pytestmark = pytest.mark.django_db
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
MONDAY = date(2026, 6, 8)
FRIDAY_AT_THREE = datetime(2026, 6, 5, 19, 0, tzinfo=UTC)  # 3 p.m. in New York


@pytest.fixture
def dock():
    return SiteFactory(name="Corner Grocery", list_email="dock@grocery.example.org")


def run_on(day, *sites, hour=12, **facts):
    """A run that starts at 8 a.m. in New York, unless another hour in UTC is said."""
    return make_run(starts_at=datetime(day.year, day.month, day.day, hour, tzinfo=UTC), sites=sites, **facts)


def rows(site, day=MONDAY):
    """Each visit as the page has it."""
    return [
        (
            one.date.strftime("%a"),
            f"{visit.at.astimezone(Programme.current().zone):%H:%M}",
            visit.who,
            visit.crates,
        )
        for one in week_of(site, day)
        for visit in one.visits
    ]


class TestWhatItSays:
    def test_monday_to_sunday_by_the_time_at_that_stop(self, dock):
        drop = DropOffFactory()
        run_on(MONDAY, dock, drop, crates=12)
        run_on(MONDAY, dock, drop, hour=11)
        run_on(MONDAY + 6 * DAY, dock, drop)
        run_on(MONDAY - DAY, dock, drop)
        run_on(MONDAY + 7 * DAY, dock, drop)
        nobody = "to be confirmed"
        assert rows(dock) == [
            ("Mon", "07:00", nobody, 0), ("Mon", "08:00", nobody, 12), ("Sun", "08:00", nobody, 0),
        ]  # fmt: skip
        assert [time for _day, time, _who, _crates in rows(drop)] == ["07:30", "08:30", "08:30"]

    @pytest.mark.parametrize("offset", range(7))
    def test_any_day_means_its_week(self, dock, offset):
        assert [one.date for one in week_of(dock, MONDAY + offset * DAY)] == [
            MONDAY + n * DAY for n in range(7)
        ]

    def test_first_names_of_driver_and_rider(self, dock):
        run = run_on(MONDAY, dock)
        put(PersonFactory(name="Ana Bell Reyes"), run)
        assert rows(dock)[0][2] == "Ana"
        put(PersonFactory(name="Ben Ott"), run, "second")
        assert rows(dock)[0][2] == "Ana, with Ben riding along"

    def test_without_a_driver_nobody_is_named(self, dock):
        put(PersonFactory(name="Ben Ott"), run_on(MONDAY, dock), "second")
        assert rows(dock)[0][2] == "to be confirmed"

    def test_a_run_whose_other_site_is_closed_is_not_promised(self, dock):
        drop = DropOffFactory()
        put(PersonFactory(name="Ana Bell"), run_on(MONDAY, dock, drop))
        close_site(drop, first=MONDAY, last=MONDAY, by=None)
        assert rows(dock)[0][2] == "to be confirmed"

    def test_closed_days_and_called_off_runs(self, dock):
        run_on(MONDAY, dock)
        cancel_run(run_on(MONDAY + DAY, dock), reason="Snow", by=None, at=FRIDAY_AT_THREE)
        run_on(MONDAY + 2 * DAY, dock)
        close_site(dock, first=MONDAY - DAY, last=MONDAY, reason="Inventory", by=None)
        close_site(dock, first=MONDAY + 3 * DAY, last=MONDAY + 3 * DAY, by=None)
        assert [(one.closed, len(one.visits)) for one in week_of(dock, MONDAY)] == [
            ("Inventory", 0), ("", 0), ("", 1), ("closed", 0), ("", 0), ("", 0), ("", 0),
        ]  # fmt: skip

    def test_other_sites_runs_are_not_in_it(self, dock):
        run_on(MONDAY, SiteFactory())
        assert rows(dock) == []

    def test_queries_do_not_grow(self, dock):
        def queries():
            with CaptureQueriesContext(connection) as found:
                week_of(dock, MONDAY)
            return len(found)

        put(PersonFactory(), run_on(MONDAY, dock, DropOffFactory()))
        few = queries()
        for n in range(6):
            put(PersonFactory(), run_on(MONDAY + n * DAY, dock, DropOffFactory(), hour=15))
        assert queries() == few == 4


class TestTheMail:
    def words(self, message):
        mail = message_from_bytes(bytes(message.raw))
        parts = [part.get_payload(decode=True).decode() for part in mail.walk() if not part.is_multipart()]
        return mail, *parts

    def test_both_halves_say_who_comes_when(self, dock):
        run = run_on(MONDAY, dock, crates=12, title="Bread & greens")
        put(ready_person(name="Ana Bell"), run)
        run_on(MONDAY + DAY, dock, crates=1)
        close_site(dock, first=MONDAY + 2 * DAY, last=MONDAY + 2 * DAY, reason="Inventory", by=None)
        mail, text, html = self.words(mail_list(dock, MONDAY, at=FRIDAY_AT_THREE))
        assert mail["To"] == "Corner Grocery <dock@grocery.example.org>"
        assert mail["Subject"] == "Who comes to Corner Grocery: Mon, Jun 8 to Sun, Jun 14"
        assert "Mon, Jun 8\n  8:00 a.m.  Bread & greens: Ana, about 12 crates\n" in text
        assert "  8:00 a.m.  Morning run: to be confirmed, about 1 crate\n" in text
        assert "Wed, Jun 10: closed, Inventory\n" in text
        assert "<li>8:00 a.m. Bread &amp; greens: Ana, about 12 crates</li>" in html
        assert "<strong>Wed, Jun 10</strong>: closed, Inventory" in html

    def test_it_gives_nobody_away(self, dock):
        """Nor a calendar entry's UID, by which a reply could be forged."""
        run = run_on(MONDAY, dock)
        for name, seat in (("Ana Bellweather", "driver"), ("Ben Ottersby", "second")):
            put(
                PersonFactory(name=name, phone="+15555550142", email=f"{name[:3]}@home.example.org"),
                run,
                seat,
            )
        message = mail_list(dock, MONDAY, at=FRIDAY_AT_THREE)
        mail, *parts = self.words(message)
        assert [part.get_content_type() for part in mail.walk()] == [
            "multipart/alternative", "text/plain", "text/html",
        ]  # fmt: skip
        for said in (*parts, message.text, mail["Subject"]):
            assert not re.search(r"Bellweather|Ottersby|0142|home\.example|calendar|UID", said)

    def test_a_week_without_runs_says_so(self, dock):
        _mail, text, html = self.words(mail_list(dock, MONDAY, at=FRIDAY_AT_THREE))
        assert "No run comes in this week." in text
        assert "No run comes in this week." in html
        assert "Mon, Jun 8\n" not in text

    def test_it_is_of_no_use_after_that_week(self, dock):
        message = mail_list(dock, MONDAY + 3 * DAY, at=FRIDAY_AT_THREE)
        assert message.expires_at == datetime(2026, 6, 15, 4, 0, tzinfo=UTC)  # midnight in New York


class TestOnceAWeek:
    def sent(self):
        return list(Message.objects.order_by("pk").values_list("key", flat=True))

    @pytest.mark.parametrize(
        ("after", "due"),
        [
            (-timedelta(seconds=1), False),
            (timedelta(0), True),
            (24 * HOUR, True),  # Saturday: the worker was down
            (56 * HOUR + 59 * timedelta(minutes=1), True),  # Sunday, 11:59 p.m.
            (57 * HOUR, False),  # Monday, midnight: that week has begun
            (-3 * DAY, False),
        ],
    )
    def test_from_friday_at_three_to_sunday_night(self, dock, after, due):
        assert owe_site_lists(FRIDAY_AT_THREE + after) == due
        assert self.sent() == ([f"site-list:{dock.pk}:2026-06-08"] if due else [])

    def test_exactly_once(self, dock):
        for minutes in (0, 1, 600, 3000):
            owe_site_lists(FRIDAY_AT_THREE + timedelta(minutes=minutes))
        owe_site_lists(FRIDAY_AT_THREE + 7 * DAY)
        assert self.sent() == [f"site-list:{dock.pk}:2026-06-08", f"site-list:{dock.pk}:2026-06-15"]

    def test_once_it_is_owed_a_look_is_three_reads(self, dock, django_assert_num_queries):
        """The worker looks every minute."""
        owe_site_lists(FRIDAY_AT_THREE)
        with django_assert_num_queries(3):
            owe_site_lists(FRIDAY_AT_THREE + timedelta(minutes=1))

    def test_two_workers_at_once(self, dock, monkeypatch):
        """The other one's comes in between our look and our write."""
        ours = site_lists.owe_once

        def beaten(site, monday, *, key, at):
            mail_list(site, monday, key=key, at=at)
            return ours(site, monday, key=key, at=at)

        monkeypatch.setattr(site_lists, "owe_once", beaten)
        assert owe_site_lists(FRIDAY_AT_THREE) == 0
        assert len(self.sent()) == 1

    def test_only_to_sites_in_use_that_want_one(self, dock):
        SiteFactory()
        SiteFactory(list_email="gone@example.org", ended_on=MONDAY)
        other = DropOffFactory(list_email="kitchen@example.org")
        assert owe_site_lists(FRIDAY_AT_THREE) == 2
        assert {key.split(":")[1] for key in self.sent()} == {str(dock.pk), str(other.pk)}

    def test_an_address_entered_on_saturday_gets_the_list_at_once(self, dock):
        change_site(dock, by=None, list_email="")
        assert owe_site_lists(FRIDAY_AT_THREE) == 0
        change_site(dock, by=None, list_email="new@example.org")
        assert owe_site_lists(FRIDAY_AT_THREE + DAY) == 1
        assert Message.objects.get().address == "new@example.org"

    def test_sent_by_hand_before_it_still_comes_on_friday(self, dock):
        mail_list(dock, MONDAY, at=FRIDAY_AT_THREE - HOUR)
        assert owe_site_lists(FRIDAY_AT_THREE) == 1

    def test_three_by_the_programme_s_clock(self, dock):
        """Also in the week in which the clocks change, on Sunday, November 1, 2026."""
        change_programme(by=None, time_zone="America/Los_Angeles")
        zone = Programme.current().zone
        assert week_to_tell(datetime(2026, 10, 30, 21, 59, tzinfo=UTC), zone) is None
        assert week_to_tell(datetime(2026, 10, 30, 22, 0, tzinfo=UTC), zone) == date(2026, 11, 2)
        assert week_to_tell(datetime(2026, 11, 2, 7, 59, tzinfo=UTC), zone) == date(2026, 11, 2)
        assert week_to_tell(datetime(2026, 11, 2, 8, 0, tzinfo=UTC), zone) is None
