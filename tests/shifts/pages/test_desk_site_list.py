"""The page with the weekly list of a site."""

import re

import pytest
import time_machine

from tests.factories import DropOffFactory, PersonFactory, SiteFactory, make_run, put
from tests.shifts.pages.at_the_desk import (
    DAY,
    EVERY_PAGE,
    NOW,
    desk_client,
    errors_of,
    queries_of,
    said,
    survives_nonsense,
    text_of,
)
from volunteers.models import Message

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk(db):
    return desk_client()


@pytest.fixture
def dock():
    return SiteFactory(name="Corner Grocery")


def address(site, day=""):
    return f"/desk/sites/{site.pk}/list/" + (f"?from={day}" if day else "")


class TestThePage:
    def test_names_days_times_and_first_names_only(self, desk, dock):
        run = make_run(starts_at=NOW + DAY, sites=[dock, DropOffFactory()], crates=12)
        put(PersonFactory(name="Ana Bellweather", phone="+15555550142", email="ana@home.example.org"), run)
        page = text_of(desk.get(address(dock)))
        assert "Mon, Jun 1 to Sun, Jun 7" in page
        assert (
            '<th scope="row">Wed, Jun 3</th> <td data-label="Time">10:00 a.m.</td>'
            ' <td data-label="Run">Morning run</td> <td data-label="Driver">Ana</td>'
            ' <td data-label="Crates" class="number">about 12</td>'
        ) in page
        assert page.count("No run") == 6
        assert not re.search(r"Bellweather|0142|home\.example", page)

    def test_another_week(self, desk, dock):
        make_run(starts_at=NOW + 8 * DAY, sites=[dock])
        assert "Morning run" not in text_of(desk.get(address(dock)))
        page = text_of(desk.get(address(dock, "2026-06-11")))
        assert "Mon, Jun 8 to Sun, Jun 14" in page
        assert "Morning run" in page
        assert "?from=2026-06-01" in page
        assert "?from=2026-06-15" in page

    @pytest.mark.parametrize("day", ["garbage", "2026-02-30", "0000-00-00", "9999-12-31"])
    def test_a_day_that_is_none_is_today(self, desk, dock, day):
        assert "Mon, Jun 1 to Sun, Jun 7" in text_of(desk.get(address(dock, day)))

    def test_it_is_linked_from_the_site(self, desk, dock):
        assert f'href="{address(dock)}"' in text_of(desk.get(f"/desk/sites/{dock.pk}/"))

    def test_queries(self, desk, dock):
        for n in range(5):
            put(PersonFactory(), make_run(starts_at=NOW + n * DAY, sites=[dock, DropOffFactory()]))
        count, sql = queries_of(desk, address(dock))
        assert count == EVERY_PAGE + 5, sql


class TestTheAddress:
    def test_saved(self, desk, dock):
        answer = desk.post(address(dock, "2026-06-11"), {"list_email": "dock@grocery.example.org"})
        assert answer["Location"] == address(dock, "2026-06-11")
        assert "The list goes to dock@grocery.example.org every Friday" in said(answer)
        dock.refresh_from_db()
        assert dock.list_email == "dock@grocery.example.org"
        assert "Nothing is mailed" in said(desk.post(address(dock), {"list_email": ""}))
        dock.refresh_from_db()
        assert dock.list_email == ""

    def test_refused_with_what_was_typed(self, desk, dock):
        answer = desk.post(address(dock, "2026-06-11"), {"list_email": "dock at grocery"})
        assert answer.status_code == 200
        assert errors_of(answer) == {"list_email": "Enter a valid email address."}
        page = text_of(answer)
        assert 'value="dock at grocery"' in page
        assert "Mon, Jun 8 to Sun, Jun 14" in page

    def test_nothing_typed_breaks_it(self, desk, dock):
        survives_nonsense(desk, address(dock), ["list_email"])


class TestSendItNow:
    def send(self, desk, site, day="2026-06-11"):
        return desk.post(f"/desk/sites/{site.pk}/list/send/?from={day}")

    def test_the_week_shown_is_mailed(self, desk):
        dock = SiteFactory(list_email="dock@grocery.example.org")
        assert "/list/send/" in text_of(desk.get(address(dock)))
        answer = self.send(desk, dock)
        assert answer["Location"] == address(dock, "2026-06-11")
        assert "The list goes to dock@grocery.example.org in a moment" in said(answer)
        message = Message.objects.get()
        assert (message.address, message.state) == ("dock@grocery.example.org", "owed")
        assert "Mon, Jun 8 to Sun, Jun 14" in message.subject

    def test_not_without_an_address(self, desk, dock):
        assert "/list/send/" not in text_of(desk.get(address(dock)))
        assert "there is no address yet" in said(self.send(desk, dock))
        assert not Message.objects.exists()

    def test_not_for_a_week_that_is_over(self, desk):
        dock = SiteFactory(list_email="dock@grocery.example.org")
        assert "that week is over" in said(self.send(desk, dock, "2026-05-31"))
        assert not Message.objects.exists()
        self.send(desk, dock, "2026-06-01")
        assert Message.objects.count() == 1
