"""My own page and my calendar page: what a volunteer changes there, what is refused, and who may what."""

import re
from datetime import time

import pytest
import time_machine
import zxingcpp
from django.test import Client

from shifts.calendar import feed as feeds
from shifts.models import CalendarEntry
from shifts.seats.booking import seat
from sites.models import Event
from tests.factories import PersonFactory, coordinator, make_run, put, ready_person
from tests.shifts.pages.at_the_desk import (
    DAY,
    NONSENSE,
    NOW,
    TODAY,
    errors_of,
    queries_of,
    said,
    survives_nonsense,
    text_of,
)
from volunteers.models import Away, Message, Person
from volunteers.people import add_away, set_cars, set_hours, sign_in_for

pytestmark = pytest.mark.django_db

GOOD = {
    "name": "Ana Bell",
    "phone": "(555) 555-0134",
    "language": "en",
    "reach": "mail",
    "runs_a_week": "3",
}


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ana(client):
    person = PersonFactory(name="Ana Bell", phone="+15555550111", email="ana@example.org", sign_in=True)
    client.force_login(person.user)
    return person


def rows(prefix, *rows):
    """A list of rows as the page posts it."""
    data = {f"{prefix}-TOTAL_FORMS": len(rows), f"{prefix}-INITIAL_FORMS": 0}
    for number, row in enumerate(rows):
        data |= {f"{prefix}-{number}-{name}": value for name, value in row.items()}
    return data


def read_code(svg, zoom=4):
    """What a reader makes of a QR code drawn as segno draws it: one path of strokes, a module high each."""
    size = int(re.search(r'viewBox="0 0 (\d+) \1"', svg)[1])
    strokes = re.findall(
        r"([Mmh])(-?[\d.]+)(?: (-?[\d.]+))?", re.search(r'stroke="#000" d="([^"]+)"', svg)[1]
    )
    rows = [bytearray(b"\xff" * size) for _ in range(size)]
    x = y = 0.0
    for command, across, down in strokes:
        if command == "h":
            rows[int(y)][int(x) : int(x) + int(across)] = bytes(int(across))
            x += int(across)
        else:
            x, y = (x if command == "m" else 0) + float(across), (y if command == "m" else 0) + float(down)
    pixels = b"".join(bytes(dot for dot in row for _ in range(zoom)) * zoom for row in rows)
    [found] = zxingcpp.read_barcodes(memoryview(pixels).cast("B", (size * zoom, size * zoom)))
    return found.text


class TestFacts:
    def test_saved_and_kept_in_the_log(self, client, ana):
        answer = client.post("/me/", GOOD)
        assert (answer.status_code, answer["Location"], said(answer)) == (302, "/me/", "Saved.")
        ana.refresh_from_db()
        assert (str(ana.phone), ana.runs_a_week) == ("(555) 555-0134", 3)
        event = Event.objects.first()
        assert (event.verb, event.person_id, event.by) == ("changed", ana.pk, ana.user)

    def test_the_page_shows_what_is_known(self, client, ana):
        page = text_of(client.get("/me/"))
        assert 'value="Ana Bell"' in page
        assert 'value="(555) 555-0111"' in page
        assert "ana@example.org" in page
        assert "/account/2fa/" in page
        assert "/account/sessions/" in page

    def test_the_address_is_changed_by_the_coordinator_alone(self, client, ana):
        assert "only the coordinator changes it" in text_of(client.get("/me/"))
        client.post("/me/", GOOD | {"email": "thief@example.org", "notes": "x", "lead_since": "2026-01-01"})
        ana.refresh_from_db()
        assert (ana.email, ana.notes, ana.lead_since) == ("ana@example.org", "", None)

    def test_the_calendar_follows_how_one_is_reached(self, client, ana):
        """Told by text from now on: the invitation ends at the address, the booking goes on in the feed."""
        run = make_run()
        put(ready_person(lead_since=TODAY), run)
        seat(run=run, person=ana, seat="second", by=None)
        client.post("/me/", GOOD | {"reach": "text"})
        assert Message.objects.filter(person=ana, kind="calendar").count() == 1
        old, new = CalendarEntry.objects.filter(person=ana).order_by("pk")
        assert old.cancelled_at
        assert (new.cancelled_at, new.address) == (None, "")
        assert old.uid != new.uid

    def test_the_answer_is_in_the_language_chosen(self, client, ana):
        client.post("/me/", GOOD | {"language": "es"})
        assert client.get("/me/").content.decode().count('<html lang="es"') == 1

    @pytest.mark.parametrize(
        ("wrong", "field", "words"),
        [
            ({"name": " "}, "name", "This field is required."),
            ({"name": "x" * 81}, "name", "at most 80 characters"),
            ({"phone": "12"}, "phone", "Write the number with its area code"),
            ({"phone": "(614) 555-0134 x5"}, "phone", "An extension cannot be kept"),
            ({"phone": "", "reach": "call"}, "phone", "We need a number"),
            ({"language": "xx"}, "language", "Select a valid choice"),
            ({"reach": "pigeon"}, "reach", "Select a valid choice"),
            ({"runs_a_week": "-1"}, "runs_a_week", "greater than or equal to 0"),
            ({"runs_a_week": "22"}, "runs_a_week", "less than or equal to 21"),
            ({"runs_a_week": ""}, "runs_a_week", "This field is required."),
        ],
    )
    def test_refused_with_what_was_typed(self, client, ana, wrong, field, words):
        answer = client.post("/me/", GOOD | {"name": "Ana B. Bell"} | wrong)
        assert answer.status_code == 200
        assert words in errors_of(answer, "me_form")[field]
        assert "Please look at this again" in text_of(answer)
        typed = (GOOD | {"name": "Ana B. Bell"} | wrong)["name"]
        assert answer.context["me_form"]["name"].value() == typed
        ana.refresh_from_db()
        assert (ana.name, str(ana.phone)) == ("Ana Bell", "(555) 555-0111")

    def test_a_refused_name_does_not_show_as_mine(self, client, ana):
        page = client.post("/me/", GOOD | {"name": "Somebody Else", "reach": "x"})
        assert "<h1>Ana Bell</h1>" in text_of(page)

    def test_by_mail_needs_an_address(self, client):
        person = PersonFactory(by_phone=True)
        person.user = sign_in_for("shared@example.org")
        person.save()
        client.force_login(person.user)
        answer = client.post("/me/", GOOD)
        assert errors_of(answer, "me_form") == {
            "reach": "No e-mail address is noted. Choose text message or phone call."
        }

    def test_a_name_of_several_lines_is_one_line(self, client, ana):
        client.post("/me/", GOOD | {"name": "Ana\r\nBcc: thief@example.org"})
        ana.refresh_from_db()
        assert ana.name == "Ana Bcc: thief@example.org"

    def test_nothing_typed_breaks_it(self, client, ana):
        survives_nonsense(client, "/me/", list(GOOD), GOOD)


class TestCar:
    def save(self, client, *cars):
        return client.post("/me/car/", rows("cars", *cars))

    def cars(self, person):
        return [(car.label, car.crates) for car in person.cars.all()]

    def test_saved(self, client, ana):
        answer = self.save(client, {"label": "Blue wagon", "crates": "18"}, {"label": "", "crates": ""})
        assert (answer.status_code, answer["Location"]) == (302, "/me/")
        assert self.cars(ana) == [("Blue wagon", 18)]

    def test_uncounted_is_not_none(self, client, ana):
        self.save(client, {"label": "Blue wagon", "crates": ""}, {"label": "", "crates": "0"})
        assert self.cars(ana) == [("Blue wagon", None), ("", 0)]

    def test_a_row_left_empty_is_taken_off(self, client, ana):
        set_cars(ana, [{"label": "Old", "crates": 5}, {"label": "New", "crates": 6}], by=None)
        page = text_of(client.get("/me/"))
        assert 'value="Old"' in page
        data = rows("cars", {"label": "", "crates": ""}, {"label": "New", "crates": "6"})
        client.post("/me/car/", data | {"cars-INITIAL_FORMS": 2})
        assert self.cars(ana) == [("New", 6)]

    def test_refused_with_what_was_typed(self, client, ana):
        set_cars(ana, [{"label": "Old", "crates": 5}], by=None)
        answer = self.save(client, {"label": "Van", "crates": "501"})
        assert answer.status_code == 200
        page = text_of(answer)
        assert "less than or equal to 500" in page
        assert 'value="Van"' in page
        assert self.cars(ana) == [("Old", 5)]

    def test_a_fleet_is_refused(self, client, ana):
        answer = self.save(client, *[{"label": f"Car {n}", "crates": "1"} for n in range(6)])
        assert answer.status_code == 200
        assert "Please submit at most 5 forms." in text_of(answer)
        assert not self.cars(ana)

    def test_nothing_typed_breaks_it(self, client, ana):
        names = ["cars-TOTAL_FORMS", "cars-INITIAL_FORMS", "cars-0-label", "cars-0-crates"]
        survives_nonsense(client, "/me/car/", names, rows("cars", {"label": "Van", "crates": "5"}))


class TestHours:
    def save(self, client, *hours):
        return client.post("/me/hours/", rows("hours", *hours))

    def hours(self, person):
        return [(hour.weekday, hour.begins, hour.ends) for hour in person.hours.all()]

    def test_saved(self, client, ana):
        answer = self.save(
            client,
            {"weekday": "0", "begins": "08:00", "ends": "12:30"},
            {"weekday": "", "begins": "", "ends": ""},
            {"weekday": "0", "begins": "17:00", "ends": ""},
            {"weekday": "6", "begins": "", "ends": ""},
        )
        assert (answer.status_code, answer["Location"]) == (302, "/me/")
        assert self.hours(ana) == [
            (0, time(8), time(12, 30)),
            (0, time(17), time(23, 59)),
            (6, time(0), time(23, 59)),
        ]

    def test_a_whole_day_is_shown_without_times(self, client, ana):
        set_hours(ana, [(6, time(0), time(23, 59)), (0, time(8), time(12))], by=None)
        shown = [form.initial for form in client.get("/me/").context["hours"].forms]
        assert shown[:2] == [{"weekday": 0, "begins": time(8), "ends": time(12)}, {"weekday": 6}]

    def test_no_rows_is_any_hour(self, client, ana):
        set_hours(ana, [(0, time(8), time(12))], by=None)
        self.save(client, {"weekday": "", "begins": "", "ends": ""})
        assert not self.hours(ana)

    @pytest.mark.parametrize(
        ("row", "words"),
        [
            ({"weekday": "0", "begins": "12:00", "ends": "08:00"}, "The end must be later than the start."),
            ({"weekday": "0", "begins": "12:00", "ends": "12:00"}, "The end must be later than the start."),
            ({"weekday": "", "begins": "12:00", "ends": "13:00"}, "Choose the day for these hours."),
            ({"weekday": "7", "begins": "12:00", "ends": "13:00"}, "Select a valid choice"),
            ({"weekday": "0", "begins": "noonish", "ends": "13:00"}, "Enter a valid time."),
        ],
    )
    def test_refused_with_what_was_typed(self, client, ana, row, words):
        set_hours(ana, [(3, time(8), time(12))], by=None)
        answer = self.save(client, {"weekday": "1", "begins": "09:15", "ends": "10:00"}, row)
        assert answer.status_code == 200
        page = text_of(answer)
        assert words in page
        assert 'value="09:15"' in page
        assert f'value="{row["begins"]}"' in page
        assert self.hours(ana) == [(3, time(8), time(12))]

    def test_nothing_typed_breaks_it(self, client, ana):
        row = {"weekday": "0", "begins": "08:00", "ends": "12:00"}
        names = ["hours-TOTAL_FORMS", "hours-0-weekday", "hours-0-begins", "hours-0-ends"]
        survives_nonsense(client, "/me/hours/", names, rows("hours", row))


class TestAway:
    def add(self, client, first, last=""):
        return client.post("/me/away/", {"first": first, "last": last})

    def test_added_and_ended(self, client, ana):
        answer = self.add(client, "2026-07-01", "2026-07-09")
        assert (answer.status_code, answer["Location"]) == (302, "/me/")
        (away,) = ana.absences.all()
        assert (str(away.first), str(away.last)) == ("2026-07-01", "2026-07-09")
        assert "Wed, Jul 1 to Thu, Jul 9" in text_of(client.get("/me/"))
        assert client.post(f"/me/away/{away.pk}/end/").status_code == 302
        assert not ana.absences.exists()

    def test_one_day(self, client, ana):
        self.add(client, "6/30/2026")
        (away,) = ana.absences.all()
        assert away.first == away.last

    def test_twice_is_once(self, client, ana):
        self.add(client, "2026-07-01", "2026-07-09")
        self.add(client, "2026-07-01", "2026-07-09")
        assert ana.absences.count() == 1

    def test_runs_one_has_then_are_named(self, client, ana):
        put(ana, make_run(title="Bread run", starts_at=NOW + 3 * DAY))
        put(ana, make_run(title="Later run", starts_at=NOW + 9 * DAY))
        answer = self.add(client, "2026-06-03", "2026-06-06")
        assert "You still have a run then: Bread run." in said(answer)
        assert "Later run" not in said(answer)

    @pytest.mark.parametrize(
        ("first", "last", "field", "words"),
        [
            ("", "", "first", "Give the first day."),
            ("2026-02-30", "", "first", "Enter a valid date."),
            ("2026-07-02", "2026-07-01", "last", "The last day is before the first."),
            ("2026-05-30", "", "first", "These days are over."),
            ("2026-05-20", "2026-06-01", "last", "These days are over."),
            ("2029-01-01", "", "first", "more than two years ahead"),
            ("9999-12-31", "9999-12-31", "first", "more than two years ahead"),
            ("2026-07-01", "2027-08-01", "last", "more than a year"),
        ],
    )
    def test_refused_with_what_was_typed(self, client, ana, first, last, field, words):
        answer = self.add(client, first, last)
        assert answer.status_code == 200
        assert words in errors_of(answer, "away_form")[field]
        assert answer.context["away_form"]["first"].value() == first
        assert not Away.objects.exists()

    def test_days_that_began_already_may_be_added(self, client, ana):
        self.add(client, "2026-05-30", "2026-06-02")
        assert ana.absences.count() == 1

    def test_another_s_days_are_not_mine_to_end(self, client, ana):
        theirs = add_away(PersonFactory(), first=TODAY, last=TODAY, by=None)
        assert client.post(f"/me/away/{theirs.pk}/end/").status_code == 404
        assert client.post("/me/away/999999/end/").status_code == 404
        assert Away.objects.count() == 1

    def test_nothing_typed_breaks_it(self, client, ana):
        survives_nonsense(client, "/me/away/", ["first", "last"], {"first": "2026-07-01", "last": ""})


class TestHousehold:
    @pytest.fixture
    def ben(self, ana):
        return PersonFactory(name="Ben Bell", email=ana.email, user=ana.user)

    @pytest.mark.parametrize("page", ["/", "/me/"])
    def test_says_for_whom_and_switches(self, client, ana, ben, page):
        assert "Switch to Ben" in text_of(client.get(page))
        answer = client.post("/me/act-for/", {"person": ben.pk, "next": page})
        assert (answer.status_code, answer["Location"]) == (302, page)
        assert said(answer) == "You are here for Ben Bell now."
        assert "Switch to Ana" in text_of(client.get(page))
        client.post("/me/car/", rows("cars", {"label": "Ben's", "crates": "3"}))
        assert ben.cars.count() == 1
        assert not ana.cars.exists()

    def test_alone_nothing_is_said(self, client, ana):
        assert "Switch to" not in text_of(client.get("/"))

    @pytest.mark.parametrize("who", [*NONSENSE, "another"])
    def test_for_nobody_else(self, client, ana, ben, who):
        other = PersonFactory(sign_in=True)
        wanted = other.pk if who == "another" else who
        assert client.post("/me/act-for/", {"person": wanted}).status_code == 404
        assert "<h1>Ana Bell</h1>" in text_of(client.get("/me/"))

    def test_not_for_one_who_left(self, client, ana, ben):
        client.post("/me/act-for/", {"person": ben.pk})
        ben.left_on = TODAY
        ben.save()
        assert "<h1>Ana Bell</h1>" in text_of(client.get("/me/"))

    def test_it_stays_on_this_site(self, client, ana, ben):
        answer = client.post("/me/act-for/", {"person": ben.pk, "next": "//elsewhere.example/"})
        assert answer["Location"] == "/"


class TestCalendarPage:
    def test_the_link_works_as_shown(self, client, ana, settings):
        page = client.get("/calendar/")
        link = page.context["link"]
        assert link in page.content.decode()
        assert page.context["subscribe"] == "webcal://" + link.removeprefix("http://")
        assert page.context["subscribe"] in page.content.decode()
        assert len(link) < 256  # longer ones are reported to fail silently in a common calendar
        assert Client().get(link.removeprefix(settings.BASE_URL)).content.startswith(b"BEGIN:VCALENDAR")
        assert "no-store" in page["Cache-Control"]

    def test_a_new_link_ends_the_old_one(self, client, ana):
        old = feeds.path(ana)
        answer = client.post("/calendar/new-link/")
        assert (answer.status_code, answer["Location"]) == (302, "/calendar/")
        ana.refresh_from_db()
        assert client.get(old).status_code == 404
        assert client.get(feeds.path(ana)).status_code == 200
        assert feeds.path(ana) in text_of(client.get("/calendar/"))

    def test_another_s_link_stays(self, client, ana):
        other = PersonFactory()
        client.post("/calendar/new-link/", {"person": other.pk})
        assert client.get(feeds.path(other)).status_code == 200

    def test_a_new_link_is_asked_about_first(self, client, ana):
        asked = text_of(client.get("/calendar/new-link/"))
        assert "The old link stops working at once" in asked
        assert client.get(feeds.path(ana)).status_code == 200

    def test_the_code_is_the_link(self, client, ana):
        """Read back by another library, from the drawing on the page."""
        page = client.get("/calendar/")
        assert read_code(page.context["code"]) == page.context["subscribe"]
        assert page.context["code"] in page.content.decode()
        assert 'role="img" aria-label="QR code of my private calendar link' in text_of(page)
        assert "style" not in page.context["code"]  # the content-security policy would refuse it

    def test_when_it_was_last_fetched(self, client, ana):
        assert "<dd>never yet</dd>" in text_of(client.get("/calendar/"))
        Client().get(feeds.path(ana))
        assert "<dd>today, 10:00 a.m.</dd>" in text_of(client.get("/calendar/"))
        with time_machine.travel(NOW + DAY, tick=False):
            assert "<dd>Tue, Jun 2, 10:00 a.m.</dd>" in text_of(client.get("/calendar/"))
        client.post("/calendar/new-link/")
        assert "<dd>never yet</dd>" in text_of(client.get("/calendar/"))

    @pytest.mark.parametrize(
        ("chosen", "words"),
        [
            ("mail", "Take the link out of your calendar"),
            ("link", "No more invitations"),
            ("both", "each run shows twice"),
        ],
    )
    def test_a_choice_is_saved(self, client, ana, chosen, words):
        Person.objects.update(calendar="both" if chosen == "link" else "link")
        answer = client.post("/calendar/", {"calendar": chosen})
        assert (answer.status_code, answer["Location"]) == (302, "/calendar/")
        assert words in said(answer)
        ana.refresh_from_db()
        assert ana.calendar == chosen
        event = Event.objects.first()
        assert (event.verb, event.by, event.after) == ("changed", ana.user, {"calendar": chosen})
        checked = f'name="calendar" value="{chosen}" required id="id_calendar_'
        assert checked in text_of(client.get("/calendar/"))
        [box] = [w for w in client.get("/calendar/").context["form"]["calendar"] if w.data["selected"]]
        assert box.data["value"] == chosen

    @pytest.mark.parametrize("chosen", ["", "pigeon", "MAIL"])
    def test_no_choice_is_refused(self, client, ana, chosen):
        answer = client.post("/calendar/", {"calendar": chosen})
        assert answer.status_code == 200
        assert errors_of(answer) == {"calendar": "Choose one of the three."}
        ana.refresh_from_db()
        assert ana.calendar == "mail"

    def test_invitations_end_with_the_choice_of_the_link(self, client, ana):
        run = make_run()
        put(ready_person(lead_since=TODAY), run)
        seat(run=run, person=ana, seat="second", by=None)
        invited = CalendarEntry.objects.get(person=ana)
        client.post("/calendar/", {"calendar": "link"})
        invited.refresh_from_db()
        assert invited.cancelled_at
        [entry] = CalendarEntry.objects.live().filter(person=ana)
        assert entry.address == ""
        assert b"Morning run" in Client().get(feeds.path(ana)).content

    def test_what_the_choice_means_for_the_link(self, client, ana):
        assert "choose it above first; otherwise each run shows twice" in text_of(client.get("/calendar/"))
        Person.objects.update(calendar="link")
        assert "choose it above first" not in text_of(client.get("/calendar/"))

    def test_without_mail_there_is_nothing_to_choose(self, client, ana):
        ana.reach = "text"
        ana.save()
        page = text_of(client.get("/calendar/"))
        assert "You are not reached by e-mail" in page
        assert 'name="calendar"' not in page
        assert feeds.path(ana) in page

    def test_nothing_typed_breaks_it(self, client, ana):
        survives_nonsense(client, "/calendar/", ["calendar"])


class TestWhoMay:
    PAGES = ("/me/", "/calendar/")
    POSTS = ("/me/car/", "/me/hours/", "/me/away/", "/me/act-for/")

    def test_a_visitor_signs_in_first(self, client):
        for page in self.PAGES:
            assert client.get(page)["Location"] == f"/account/login/?next={page}"
        for page in (*self.POSTS, *self.PAGES, "/calendar/new-link/"):
            assert client.post(page)["Location"].startswith("/account/login/")

    def test_a_sign_in_that_is_nobody_s(self, client):
        client.force_login(sign_in_for("lost@example.org"))
        for page in self.PAGES:
            assert client.get(page).status_code == 403

    def test_a_coordinator_who_drives_nothing_has_a_page_too(self, client):
        client.force_login(coordinator().user)
        assert client.get("/me/").status_code == 200

    def test_changes_are_not_made_by_get(self, client, ana):
        for page in self.POSTS:
            assert client.get(page).status_code == 405


def test_queries_of_my_page(client, ana):
    """Programme, who covers, session, user, people of the sign-in; the person afresh, cars, hours, absences
    from today on by the programme's clock, the household, and hours of help."""
    count, sql = queries_of(client, "/me/")
    for n in range(1, 8):
        add_away(ana, first=TODAY + n * DAY, last=TODAY + n * DAY, by=None)
    set_hours(ana, [(n, time(8), time(9)) for n in range(7)], by=None)
    assert queries_of(client, "/me/")[0] == count == 12, sql
