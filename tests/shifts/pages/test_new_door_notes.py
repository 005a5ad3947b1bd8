"""New door notes: first on the run's page, read and booked in one step, and who has not opened them."""

import pytest
import time_machine
from django.urls import reverse
from django.utils.translation import get_language

from shifts.models import Booking, Run
from shifts.pages import desk_doors
from shifts.seats import booking as seats
from shifts.seats.changes import cancel_run
from sites.changes import close_site
from sites.models import Event, Programme, Site
from tests.factories import (
    LONG_AGO,
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    lead_driver,
    make_ready,
    make_run,
    put,
    ready_person,
)
from tests.shifts.pages.at_the_desk import DAY, NOW, TODAY, desk_client, errors_of, queries_of, said, text_of
from volunteers import clearance
from volunteers.doors import publish, read
from volunteers.models import Completion, Step

pytestmark = pytest.mark.django_db
DRIVER, SECOND = Booking.Seat.DRIVER, Booking.Seat.SECOND


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def dock():
    """Its door notes are in their first revision."""
    site = SiteFactory(name="Plum Dock")
    publish(site, {"entrance": "The blue door"}, by=None)
    return site


@pytest.fixture
def ana(client):
    """Ready in all but door notes, and signed in."""
    person = make_ready(PersonFactory(name="Ana Bell", phone="+15555550111", sign_in=True))
    Completion.objects.filter(person=person, step__kind=Step.Kind.DOORS).delete()
    client.force_login(person.user)
    return person


@pytest.fixture
def run(dock):
    return make_run(sites=[dock, DropOffFactory(name="Oak Pantry")], title="Plum run")


@pytest.fixture
def desk():
    return desk_client()


def at(run):
    return f"/runs/{run.pk}/"


def anew(site, text, **how):
    return publish(site, {"entrance": text}, by=None, **how)


def book(client, run, *readings, seat=DRIVER):
    return client.post(f"/runs/{run.pk}/book/", {"seat": seat, "read": list(readings)})


def readings(person):
    done = Completion.objects.filter(person=person, step__kind=Step.Kind.DOORS)
    return set(done.values_list("step__site__name", "revision"))


def words_of(answer):
    return text_of(answer).replace("&#x27;", "'")


# --- on the run's page


class TestFirstOnTheRun:
    def test_what_changed_since_i_read_it_comes_before_seats_and_stops(self, client, ana, dock, run):
        read(dock, person=ana, revision=1, by=None)
        put(ana, run)
        assert "New door notes" not in words_of(client.get(at(run)))
        anew(dock, "The green door")
        page = words_of(client.get(at(run)))
        assert page.index("New door notes") < page.index("The green door") < page.index("Driver's seat")
        assert "changed since you last read it" in page
        assert page.count("I have read them") == 1
        assert not client.get(at(run)).context["stops"][0]["door_open"]  # it stands above

    def test_one_button_reads_those_of_every_site_and_returns_to_the_run(self, client, ana, dock, run):
        pantry = Site.objects.get(name="Oak Pantry")
        anew(pantry, "Ring")
        for site in (dock, pantry):
            read(site, person=ana, revision=1, by=None)
            anew(site, "Around the corner")
        put(ana, run)
        new = client.get(at(run)).context["new_doors"]
        assert [door["name"] for door in new] == ["Plum Dock", "Oak Pantry"]
        form = {"read": [door["reading"] for door in new], "next": at(run)}
        answer = client.post(f"/orientation/doors/{new[0]['site']}/", form)
        assert (answer.status_code, answer["Location"]) == (302, at(run))
        assert readings(ana) == {(site, n) for site in ("Plum Dock", "Oak Pantry") for n in (1, 2)}
        assert client.get(at(run)).context["new_doors"] == []

    def test_who_sits_there_and_never_read_them_sees_them_first_too(self, client, ana, run):
        put(lead_driver(), run)
        assert client.get(at(run)).context["new_doors"] == []
        put(ana, run, SECOND)
        page = client.get(at(run))
        assert [door["name"] for door in page.context["new_doors"]] == ["Plum Dock"]
        assert "not read yet" in words_of(page)

    def test_a_driver_held_up_by_them_is_led_to_them_on_the_page(self, client, ana, dock, run):
        put(ana, run)
        (task,) = client.get(at(run)).context["missing"]
        assert (task["name"], task["url"]) == ("Door notes: Plum Dock", "#new-door-notes")
        read(dock, person=ana, revision=1, by=None)
        assert client.get(at(run)).context["missing"] == []

    def test_not_where_the_run_is_off_or_over(self, client, ana, dock, run):
        put(ana, run)
        read(dock, person=ana, revision=1, by=None)
        anew(dock, "The green door")
        Run.objects.filter(pk=run.pk).update(starts_at=NOW - DAY, ends_at=NOW - DAY / 2)
        assert client.get(at(run)).context["new_doors"] == []
        Run.objects.filter(pk=run.pk).update(starts_at=NOW + DAY, ends_at=NOW + 2 * DAY)
        assert client.get(at(run)).context["new_doors"]
        cancel_run(run, reason="Snow", by=None)
        assert client.get(at(run)).context["new_doors"] == []

    def test_home_says_so_and_links(self, client, ana, dock, run):
        read(dock, person=ana, revision=1, by=None)
        put(ana, run)
        assert "New door notes" not in words_of(client.get("/"))
        anew(dock, "The green door")
        page = client.get("/")
        assert page.context["next_run"]["new_doors"] == ["Plum Dock"]
        assert f'href="{at(run)}#new-door-notes"' in words_of(page)

    def test_a_drop_off_says_what_it_takes_and_a_pickup_does_not(self, client, ana):
        both = SiteFactory(name="Both", takes=True, foods="apples")
        run = make_run(sites=[both, DropOffFactory(foods="bread, no dairy")])
        first, last = client.get(at(run)).context["stops"]
        assert (first["hint"], last["hint"]) == ("", "Takes: bread, no dairy")
        assert "Takes: bread, no dairy" in words_of(client.get(at(run)))


# --- read and book on one page


class TestReadAndBook:
    def test_one_page_shows_them_in_full_and_one_post_reads_and_books(self, client, ana, dock, run):
        page = client.get(at(run))
        (offer,) = page.context["offers"]
        assert page.context["refusals"] == []
        text = words_of(page)
        assert "I have read these door notes: take the driver's seat" in text
        assert "The blue door" in text
        assert "Not ready" not in text
        answer = book(client, run, *(door["reading"] for door in offer["doors"]))
        assert (answer.status_code, answer["Location"]) == (302, at(run))
        assert readings(ana) == {("Plum Dock", 1)}
        booking = run.bookings.live().get()
        assert (booking.person, booking.seat, booking.booked_by) == (ana, DRIVER, ana.user)
        assert Completion.objects.get(person=ana, step__site=dock).recorded_by == ana.user

    def test_the_button_alone_books_nobody(self, client, ana, run):
        answer = book(client, run)
        assert answer.status_code == 409
        assert answer.context["offers"][0]["doors"]
        assert not Booking.objects.exists()
        assert readings(ana) == set()

    def test_newer_notes_are_shown_again_and_nothing_is_booked(self, client, ana, dock, run):
        anew(dock, "The green door")
        answer = book(client, run, f"{dock.pk}:1")
        assert answer.status_code == 409
        text = words_of(answer)
        assert "have changed since you opened the page" in text
        assert "The green door" in text
        assert not Booking.objects.exists()
        assert readings(ana) == set()
        (offer,) = answer.context["offers"]
        assert book(client, run, offer["doors"][0]["reading"]).status_code == 302
        assert readings(ana) == {("Plum Dock", 2)}

    def test_a_reading_that_still_counts_does_not_book_past_newer_notes(self, client, ana, dock, run):
        """The gate would let them in with what they read before; what they were shown was not the newest."""
        read(dock, person=ana, revision=1, by=None)
        anew(dock, "The green door")
        anew(dock, "The red door")
        answer = book(client, run, f"{dock.pk}:2")
        assert answer.status_code == 409
        assert "The red door" in words_of(answer)
        assert not Booking.objects.exists()

    def test_just_taken_the_reading_counts_and_the_refusal_is_shown(self, client, ana, dock, run):
        put(ready_person(), run)
        answer = book(client, run, f"{dock.pk}:1")
        assert answer.status_code == 409
        text = words_of(answer)
        assert "Just taken: somebody else has this seat now." in text
        assert "It is noted that you have read the door notes." in text
        assert readings(ana) == {("Plum Dock", 1)}
        assert run.bookings.live().get().person != ana

    def test_where_more_is_missing_the_page_refuses_as_before(self, client, dock, run):
        person = make_ready(PersonFactory(sign_in=True), until=TODAY + DAY)
        Completion.objects.filter(person=person, step__kind=Step.Kind.DOORS).delete()
        client.force_login(person.user)
        page = client.get(at(run))
        assert page.context["offers"] == []
        (driver, _second) = page.context["refusals"]
        assert [task["name"] for task in driver["missing"]][-1] == "Door notes: Plum Dock"
        answer = book(client, run, f"{dock.pk}:1")
        assert answer.status_code == 409
        assert not Booking.objects.exists()
        assert readings(person) == {("Plum Dock", 1)}

    def test_only_readings_of_this_run_s_sites_are_kept(self, client, ana, dock, run):
        other = SiteFactory(name="Elsewhere")
        anew(other, "Any")
        assert book(client, run, f"{dock.pk}:1", f"{other.pk}:1").status_code == 302
        assert readings(ana) == {("Plum Dock", 1)}

    def test_a_second_tap_changes_nothing(self, client, ana, dock, run):
        for _tap in range(2):
            assert book(client, run, f"{dock.pk}:1").status_code == 302
        assert Booking.objects.count() == 1
        assert Completion.objects.filter(person=ana, step__site=dock).count() == 1

    def test_beside_a_lead_driver_the_second_seat_is_offered_as_before(self, client, ana, run):
        put(lead_driver(), run)
        (offer,) = client.get(at(run)).context["offers"]
        assert (offer["seat"], offer["doors"]) == (SECOND, [])

    def test_notes_that_must_be_read_again_are_offered_together_with_those_that_changed(
        self, client, ana, dock, run
    ):
        pantry = Site.objects.get(name="Oak Pantry")
        anew(pantry, "Ring")
        for site in (dock, pantry):
            read(site, person=ana, revision=1, by=None)
        anew(pantry, "Knock")
        anew(dock, "The green door", must_read_again=True)
        (offer,) = client.get(at(run)).context["offers"]
        assert [door["name"] for door in offer["doors"]] == ["Plum Dock", "Oak Pantry"]
        assert client.get(at(run)).context["new_doors"] == []  # once is enough
        book(client, run, *(door["reading"] for door in offer["doors"]))
        assert ("Oak Pantry", 2) in readings(ana)
        assert run.bookings.live().exists()

    def test_the_list_counts_it_as_one_to_take(self, client, ana, run):
        make_run(title="No notes", starts_at=run.starts_at)
        page = client.get("/runs/")
        (day,) = page.context["days"]
        cards = {card["title"]: (card["open"], card["mark"]) for card in day["runs"]}
        assert cards["Plum run"] == (DRIVER, "Read the door notes and drive")
        assert cards["No notes"] == (DRIVER, "You can drive this one")

    def test_the_gate_has_the_last_word(self, client, ana, dock, run, monkeypatch):
        """A new revision written between the reading and the seat is asked for by the gate itself."""
        take = seats.seat

        def later(**facts):
            anew(dock, "The green door", must_read_again=True)
            return take(**facts)

        monkeypatch.setattr(seats, "seat", later)
        answer = book(client, run, f"{dock.pk}:1")
        assert answer.status_code == 409
        assert "The green door" in words_of(answer)
        assert not Booking.objects.exists()


def test_queries_do_not_grow_with_the_sites_to_read(client, ana):
    two = make_run(sites=[SiteFactory(), DropOffFactory()])
    five = make_run(sites=[*SiteFactory.create_batch(4), DropOffFactory()], starts_at=NOW + 9 * DAY)
    for stop in [*two.ordered_stops, *five.ordered_stops]:
        anew(stop.site, "A door")
    few, _sql = queries_of(client, at(two))
    many, sql = queries_of(client, at(five))
    assert len(client.get(at(five)).context["offers"][0]["doors"]) == 5
    assert many == few, sql
    put(ana, two)
    put(ana, five)
    few, _sql = queries_of(client, at(two))
    many, sql = queries_of(client, at(five))
    assert len(client.get(at(five)).context["new_doors"]) == 5
    assert many == few, sql


# --- who has not opened them


def site_page(site):
    return reverse("desk_site", args=[site.pk])


def known(desk, site, person, revision):
    return desk.post(reverse("desk_doors_known", args=[site.pk]), {"person": person.pk, "revision": revision})


class TestWhoHasNotOpenedThem:
    def test_drivers_and_riders_with_runs_ahead_next_first(self, desk, ana, dock, run):
        cy, deb, eve, fay = (ready_person(name=name) for name in ("Cy Cole", "Deb Dow", "Eve Ely", "Fay Fox"))
        for person in (cy, deb, eve, fay):
            Completion.objects.filter(person=person, step__site=dock).update(revision=1)
        anew(dock, "The green door")
        sooner = make_run(sites=[dock, DropOffFactory()], starts_at=NOW + DAY)
        past = make_run(sites=[dock, DropOffFactory()], starts_at=NOW - DAY)
        shut = make_run(sites=[dock, DropOffFactory()], starts_at=NOW + 20 * DAY)
        elsewhere = make_run(starts_at=NOW + DAY)
        off = make_run(
            sites=[dock, DropOffFactory()],
            starts_at=NOW + 21 * DAY,
            cancelled_at=NOW,
            cancel_cause=Run.Cause.CALLED_OFF,
        )
        put(fay, off)
        put(ana, run)
        put(deb, run, SECOND)
        put(cy, sooner)
        put(ana, sooner, SECOND)
        put(eve, past)
        put(fay, shut)
        put(fay, elsewhere)
        close_site(dock, first=shut.local_date, last=shut.local_date, by=None)
        rows = desk.get(site_page(dock)).context["not_read"]
        assert [(row["name"], row["reasons"]) for row in rows] == [
            ("Cy Cole", ["drives Morning run, Wed, Jun 3, 10:00 a.m."]),
            ("Ana Bell", ["rides along on Morning run, Wed, Jun 3, 10:00 a.m.", "and 1 more run there"]),
            ("Deb Dow", ["rides along on Plum run, Fri, Jun 5, 10:00 a.m."]),
        ]

    def test_whoever_has_read_the_newest_is_not_listed_whatever_the_gate_asks(self, desk, ana, dock, run):
        put(ana, run)
        read(dock, person=ana, revision=1, by=None)
        assert "not yet read the newest" not in text_of(desk.get(site_page(dock)))
        anew(dock, "The green door")
        assert not clearance.missing(ana, on=run.local_date, sites=run.site_ids)
        assert "Booked here and not yet read the newest door notes" in text_of(desk.get(site_page(dock)))
        read(dock, person=ana, revision=2, by=None)
        assert "not yet read the newest" not in text_of(desk.get(site_page(dock)))

    def test_call_and_text_with_the_link(self, desk, ana, dock, run, settings):
        settings.BASE_URL = "https://rescue.example.org"
        Programme.objects.update_or_create(pk=1, defaults={"contact_name": "Cora"})
        put(ana, run)
        page = desk.get(site_page(dock))
        (row,) = page.context["not_read"]
        assert row["text"] == (
            "Hi Ana, the door notes of Plum Dock changed, please open them: "
            f"https://rescue.example.org{at(run)} Cora"
        )
        assert 'href="tel:+15555550111"' in text_of(page)
        assert 'href="sms:+15555550111?&amp;body=Hi%20Ana' in text_of(page)

    def test_the_text_is_in_their_language(self, desk, ana, dock, run, monkeypatch):
        monkeypatch.setattr(desk_doors, "_", lambda words: f"({get_language()}) {words}")
        ana.language = "es"
        ana.save()
        put(ana, run)
        (row,) = desk.get(site_page(dock)).context["not_read"]
        assert row["text"].startswith("(es) Hi Ana, the door notes of Plum Dock changed")
        assert row["warn"] == "speaks Spanish"

    def test_told_by_phone_is_recorded_for_them_with_the_reason_and_can_be_undone(self, desk, ana, dock, run):
        put(ana, run)
        assert clearance.missing(ana, on=run.local_date, sites=run.site_ids)
        answer = known(desk, dock, ana, 1)
        assert answer["Location"].startswith(site_page(dock))
        done = Completion.objects.get(person=ana, step__site=dock)
        assert (done.revision, done.reason) == (1, "Told by phone: they know it.")
        assert done.recorded_by.is_coordinator
        assert Event.objects.filter(verb="step done", person_id=ana.pk).exists()
        assert not clearance.missing(ana, on=run.local_date, sites=run.site_ids)
        page = desk.get(site_page(dock))
        assert page.context["not_read"] == []
        undo = page.context["undo"]
        desk.post(undo["url"], undo["fields"])
        assert len(desk.get(site_page(dock)).context["not_read"]) == 1

    def test_a_newer_revision_was_not_told(self, desk, ana, dock, run):
        put(ana, run)
        anew(dock, "The green door")
        for stale in (1, 3, "", "x"):
            assert "changed again meanwhile" in said(known(desk, dock, ana, stale))
        assert readings(ana) == set()
        assert "Noted" in said(known(desk, dock, ana, 2))
        assert "has read them already" in said(known(desk, dock, ana, 2))
        assert readings(ana) == {("Plum Dock", 2)}

    def test_a_site_without_notes_has_nothing_to_know(self, desk, ana):
        bare = SiteFactory()
        put(ana, make_run(sites=[bare, DropOffFactory()]))
        assert desk.get(site_page(bare)).context["not_read"] == []
        assert known(desk, bare, ana, 1).status_code == 302
        assert readings(ana) == set()

    def test_the_desk_s_run_says_it_beside_the_name(self, desk, ana, dock, run):
        put(ana, run)
        put(ready_person(name="Ben Bow"), run, SECOND)  # has read every revision there is
        here = reverse("desk_run", args=[run.pk])
        seated = {row["name"]: row["unread"] for row in desk.get(here).context["seated"]}
        assert seated == {"Ana Bell": ["Plum Dock"], "Ben Bow": []}
        assert text_of(desk.get(here)).count("has not read the new door notes") == 1
        read(dock, person=ana, revision=1, by=None)
        assert "has not read the new door notes" not in text_of(desk.get(here))

    def test_not_of_a_run_that_is_over(self, desk, ana, dock):
        run = make_run(sites=[dock, DropOffFactory()], starts_at=NOW - DAY)
        put(ana, run)
        assert "has not read" not in text_of(desk.get(reverse("desk_run", args=[run.pk])))

    def test_queries_do_not_grow_with_people_and_runs(self, desk, dock):
        drop = DropOffFactory()

        def more(count):
            for n in range(count):
                run = make_run(sites=[dock, drop], starts_at=NOW + (n + 2) * DAY)
                put(PersonFactory(), run)
                put(PersonFactory(), run, SECOND)
            return run

        run = more(1)
        few, _sql = queries_of(desk, site_page(dock))
        here = reverse("desk_run", args=[run.pk])
        one, _sql = queries_of(desk, here)
        more(20)
        many, sql = queries_of(desk, site_page(dock))
        assert len(desk.get(site_page(dock)).context["not_read"]) == 42
        assert many == few, sql
        assert queries_of(desk, here)[0] == one


# --- a look before they are saved


class TestLookBefore:
    @pytest.fixture
    def booked(self, ana, dock, run):
        read(dock, person=ana, revision=1, by=None)
        put(ana, run)
        put(ana, make_run(sites=[dock, DropOffFactory()], starts_at=NOW + 9 * DAY))
        return ana

    def at(self, site):
        return reverse("desk_door_notes", args=[site.pk])

    TYPED = {"entrance": "The green door\r\nand up the stairs", "must_read_again": "on"}

    def test_it_shows_who_would_not_be_ready_and_saves_nothing(self, desk, booked, dock, run):
        answer = desk.post(self.at(dock), self.TYPED)
        assert answer.status_code == 200
        (row,) = answer.context["held_up"]
        assert (row["name"], row["runs"]) == (
            "Ana Bell",
            "Plum run, Fri, Jun 5, 10:00 a.m., and 1 more run there",
        )
        assert "Nothing has been saved yet." in text_of(answer)
        assert dock.notes.count() == 1
        assert not clearance.missing(booked, on=run.local_date, sites=run.site_ids)

    def test_what_was_typed_is_saved_as_it_was_when_confirmed(self, desk, booked, dock, run):
        look = desk.post(self.at(dock), self.TYPED)
        typed = dict(look.context["fields"])
        assert typed == self.TYPED
        answer = desk.post(self.at(dock), {**typed, "confirm": "yes"})
        assert answer.status_code == 302
        assert dock.door_notes().entrance == "The green door\nand up the stairs"
        assert clearance.missing(booked, on=run.local_date, sites=run.site_ids)
        assert Booking.objects.live().filter(person=booked).count() == 2

    def test_or_the_text_is_changed_once_more(self, desk, booked, dock):
        answer = desk.post(self.at(dock), {**self.TYPED, "edit": "yes"})
        form = answer.context["form"]
        assert (form["entrance"].value(), form["must_read_again"].value()) == (self.TYPED["entrance"], True)
        assert dock.notes.count() == 1

    def test_a_fault_is_named_first(self, desk, booked, dock):
        answer = desk.post(self.at(dock), {**self.TYPED, "from_day": "6/1/2026", "confirm": "yes"})
        assert "is over" in errors_of(answer)["from_day"]
        assert dock.notes.count() == 1

    @pytest.mark.parametrize(
        "typed",
        [
            {"entrance": "The green door"},  # need not be read again
            {"entrance": "The blue door", "must_read_again": "on"},  # the text they have read
            {**TYPED, "from_day": "2026-08-01"},  # after their last run
        ],
    )
    def test_where_nobody_is_held_up_it_is_saved_at_once(self, desk, booked, dock, typed):
        assert desk.post(self.at(dock), typed).status_code == 302
        assert dock.door_notes().entrance == typed["entrance"].replace("\r\n", "\n")

    def test_only_those_whom_it_holds_up_are_named(self, desk, booked, dock):
        """Somebody booked whose papers lapsed is no news here."""
        lapsed = make_ready(PersonFactory(name="Lee Lapsed"), until=LONG_AGO)
        put(lapsed, make_run(sites=[dock, DropOffFactory()]))
        answer = desk.post(self.at(dock), self.TYPED)
        assert [row["name"] for row in answer.context["held_up"]] == ["Ana Bell"]

    def test_the_first_notes_of_a_door_are_looked_at_too(self, desk, ana):
        bare = SiteFactory()
        put(ana, make_run(sites=[bare, DropOffFactory()]))
        answer = desk.post(self.at(bare), {"entrance": "Blue"})
        assert [row["name"] for row in answer.context["held_up"]] == ["Ana Bell"]
        assert bare.door_notes() is None
        assert desk.post(self.at(bare), {"entrance": "Blue", "drivers_know_it": "on"}).status_code == 302
