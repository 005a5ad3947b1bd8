"""The run sheet: what stands on it, for whom, and the lead driver's word on it; taking that word back."""

from datetime import timedelta

import pytest
import time_machine
from django.urls import reverse

from shifts.models import Booking, Policy
from shifts.seats.booking import give_back
from shifts.seats.changes import cancel_run
from shifts.seats.rides import sign_off_ride
from sites.changes import close_site, set_contacts
from sites.models import Programme
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
from tests.shifts.pages.at_the_desk import (
    DAY,
    NOW,
    all_rows,
    desk_client,
    errors_of,
    queries_of,
    said,
    survives_nonsense,
    text_of,
)
from volunteers.doors import publish, read
from volunteers.models import Message, SignOff
from volunteers.people import leave, sign_in_for

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)
SECOND = Booking.Seat.SECOND


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def lee(client):
    person = lead_driver(name="Lee Lead", phone="+15555550122", sign_in=True)
    client.force_login(person.user)
    return person


@pytest.fixture
def tom():
    return make_ready(PersonFactory(name="Tom Wren", phone="+15555550144", sign_in=True), without=("ride",))


@pytest.fixture
def run(lee, tom):
    """Tomorrow's, between two doors with notes; the lead driver is signed in."""
    dock, pantry = SiteFactory(name="Plum Dock", street="1 Plum Street"), DropOffFactory(name="Pear Pantry")
    set_contacts(dock, [{"name": "Teo", "role": "receiving", "phone": "+15555550171"}], by=None)
    publish(dock, {"entrance": "The blue door"}, by=None)
    run = make_run(
        title="Plum run", starts_at=NOW + DAY, sites=[dock, pantry], crates=12, note="Bring straps"
    )
    put(lee, run)
    put(tom, run, SECOND)
    return run


def at(run):
    return f"/runs/{run.pk}/sheet/"


def sheet(client, run):
    answer = client.get(at(run))
    assert answer.status_code == 200
    return text_of(answer).replace("&#x27;", "'")


class TestWhatStandsOnIt:
    def test_the_way_and_whom_to_ask_for(self, client, run):
        text = sheet(client, run)
        for words in (
            "Plum run",
            "Bring straps",
            "about 12 crates expected",
            "The blue door",
            "Teo, receiving",
        ):
            assert words in text
        assert 'href="tel:+15555550171"' in text
        assert 'href="geo:40' in text
        assert text.index("Plum Dock") < text.index("Pear Pantry")

    def test_door_notes_stand_before_address_and_contacts(self, client, run):
        stops = sheet(client, run)
        stops = stops[stops.index('class="route"') :]
        assert stops.index("The blue door") < stops.index("1 Plum Street") < stops.index("Teo, receiving")

    def test_who_sits_beside_me_by_first_name_and_phone(self, client, run, tom):
        text = sheet(client, run)
        assert 'href="tel:+15555550144"' in text
        assert "Tom rides along in your car." in text
        assert "Wren" not in text
        client.force_login(tom.user)
        text = sheet(client, run)
        assert 'href="tel:+15555550122"' in text
        assert "You ride along in Lee's car." in text

    def test_others_in_the_car_are_named(self, client, run, tom):
        run.bookings.filter(person=tom).update(also="Nia", also_count=1)
        assert "With Tom: Nia" in sheet(client, run)

    def test_the_programme_s_own_number(self, client, run):
        Programme.objects.update_or_create(
            pk=1, defaults={"contact_name": "Cora", "contact_phone": "+15555550100"}
        )
        text = sheet(client, run)
        calls = text[text.index("Whom to call") : text.index('class="route"')]
        assert "Cora" in calls
        assert 'href="tel:+15555550100"' in calls

    def test_cautions_where_the_act_happens_with_their_sources(self, client, run):
        """FDA Food Code 2022 3-501.16 and 2-201.11; 42 U.S.C. 14503; lifting is common practice."""
        text = sheet(client, run)
        pickup = text[text.index("Plum Dock") : text.index("Pear Pantry")]
        for words in ("Lift with your legs", "common practice", "Keep it cold", "3-501.16", "41 °F or below"):
            assert words in pickup
        assert "Drive first, phone later" in pickup
        assert "42 U.S.C. 14503" in pickup
        assert "2-201.11" in text
        assert text.count("Lift with your legs</h4>") == 1

    def test_a_site_without_notes_says_what_to_do(self, client, run):
        assert "No door notes yet. Call ahead" in sheet(client, run)

    def test_where_the_food_goes_if_nobody_is_there_for_the_driver(self, client, run, tom):
        other = DropOffFactory(name="Quince Kitchen", street="9 Quince Lane")
        set_contacts(other, [{"name": "Ugo", "role": "", "phone": "+15555550177"}], by=None)
        pantry = run.ordered_stops[-1].site
        pantry.fallback = other
        pantry.save()
        text = sheet(client, run)
        assert "Take the food to Quince Kitchen" in text
        assert "tel:+15555550177" in text
        client.force_login(tom.user)
        assert "Quince Kitchen" not in sheet(client, run)

    def test_closed_that_day_is_said(self, client, run):
        close_site(run.ordered_stops[0].site, first=run.local_date, last=run.local_date, by=None)
        assert "Closed that day: Plum Dock" in sheet(client, run)

    def test_it_lists_with_a_number_of_queries_that_does_not_grow(self, client, run, lee):
        few, _ = queries_of(client, at(run))
        sites = [SiteFactory(), SiteFactory(), SiteFactory(), DropOffFactory()]
        for site in sites:
            set_contacts(site, [{"name": "Teo", "role": "", "phone": "+15555550171"}] * 1, by=None)
            publish(site, {"entrance": "The blue door"}, by=None)
        long = make_run(starts_at=NOW + 2 * DAY, sites=sites)
        put(lee, long)
        put(make_ready(PersonFactory(), without=("ride",)), long, SECOND)
        more, queries = queries_of(client, at(long))
        assert more <= few, queries


class TestDoorNotes:
    def test_new_ones_come_first_and_opening_the_sheet_reads_nothing(self, client, run, lee):
        before = lee.completions.count()
        text = sheet(client, run)
        assert text.index("New door notes") < text.index('class="route"')
        assert lee.completions.count() == before

    def test_read_ones_do_not(self, client, run, lee):
        dock = run.ordered_stops[0].site
        lee.completions.filter(step__site=dock).delete()
        read(dock, person=lee, revision=1, by=lee.user)
        assert "New door notes" not in sheet(client, run)
        publish(dock, {"entrance": "The red door"}, by=None)
        text = sheet(client, run)
        assert "changed since you last read it" in text
        assert text.count("The red door") == 2, "above, and in its stop"

    def test_whoever_reads_them_there_comes_back(self, client, run, lee):
        dock = run.ordered_stops[0].site
        lee.completions.filter(step__site=dock).delete()
        door = client.get(at(run)).context["new_doors"][0]
        answer = client.post(f"/orientation/doors/{dock.pk}/", {"read": door["reading"], "next": at(run)})
        assert answer["Location"] == at(run)
        assert "New door notes" not in sheet(client, run)


class TestForWhom:
    def test_it_is_kept_for_its_sign_in_alone(self, client, run, lee):
        answer = client.get(at(run))
        assert answer["X-Keep"] == str(lee.user.pk)
        for other in ("/", f"/runs/{run.pk}/", "/offline/token/"):
            assert "X-Keep" not in client.get(other)

    def test_the_copy_says_when_it_was_saved(self, client, run):
        """Hidden until the copy is shown; 10:00 a.m. is the programme's clock."""
        text = text_of(client.get(at(run)))
        notice = text[text.index('id="copy" hidden') :]
        words = "Opened without signal. Saved at Tue, Jun 2, 10:00 a.m., not live."
        assert notice.startswith(f'id="copy" hidden>{words}</p>')

    def test_not_for_others(self, client, run):
        client.force_login(ready_person(sign_in=True).user)
        assert client.get(at(run)).status_code == 404

    def test_not_for_whoever_gave_it_back(self, client, run, tom):
        give_back(run.bookings.get(person=tom), by=None, at=NOW)
        client.force_login(tom.user)
        answer = client.get(at(run))
        assert (answer.status_code, answer["Location"]) == (302, f"/runs/{run.pk}/")
        assert "X-Keep" not in answer

    def test_cancelled_it_is_the_run_s_page(self, client, run):
        cancel_run(run, reason="Snow", by=None)
        assert client.get(at(run))["Location"] == f"/runs/{run.pk}/"

    def test_until_four_weeks_after(self, client, lee):
        late = make_run(starts_at=NOW - 28 * DAY)
        gone = make_run(starts_at=NOW - 28 * DAY - 2 * HOUR)
        for run in (late, gone):
            put(lee, run)
        assert client.get(at(late)).status_code == 200
        assert client.get(at(gone)).status_code == 302

    def test_a_coordinator_sees_everybody_on_it(self, client, run):
        client.force_login(coordinator().user)
        text = sheet(client, run)
        for words in ("Lee", "Tom", "tel:+15555550122", "tel:+15555550144", f'href="/desk/runs/{run.pk}/"'):
            assert words in text
        assert "How did" not in text

    def test_one_who_is_nobody_s_sign_in_does_too(self, client, run):
        user = sign_in_for("desk@example.org")
        user.is_coordinator = True
        user.save()
        client.force_login(user)
        assert "The blue door" in sheet(client, run)

    def test_it_is_linked_from_home_the_run_and_the_desk(self, client, run):
        link = f'href="{at(run)}"'
        assert f"{link} data-keep" in text_of(client.get("/"))
        assert f"{link} data-keep" in text_of(client.get(f"/runs/{run.pk}/"))
        assert link in text_of(desk_client().get(f"/desk/runs/{run.pk}/"))

    def test_a_run_that_is_not_mine_has_no_link(self, client, run):
        client.force_login(ready_person(sign_in=True).user)
        assert at(run) not in text_of(client.get(f"/runs/{run.pk}/"))


class TestTheLeadsWord:
    def test_the_form_is_there_before_the_start_for_a_phone_without_signal_later(self, client, run):
        text = sheet(client, run)
        assert "How did Tom do?" in text
        assert "Without signal it is kept on this phone and sent later." in text
        assert "data-offline=" in text
        assert "How did Tom do?" not in text_of(client.get(f"/runs/{run.pk}/"))

    def test_but_nothing_is_recorded_before_it(self, client, run):
        answer = client.post(f"/runs/{run.pk}/sign-off/", {"outcome": "ready"})
        assert answer.status_code == 409
        assert not SignOff.objects.exists()

    def test_the_trainee_has_no_form(self, client, run, tom):
        client.force_login(tom.user)
        assert "How did" not in sheet(client, run)

    def test_the_points_are_the_programme_s_own(self, client, run):
        text = sheet(client, run)
        assert "Straps crates so that nothing slides" in text
        policy = Policy.current()
        policy.checklist = "Greets the dock\n\n Weighs the crates "
        policy.save()
        assert client.get(at(run)).context["form"]["checklist"].field.choices == [
            ("Greets the dock", "Greets the dock"),
            ("Weighs the crates", "Weighs the crates"),
        ]

    def test_from_the_sheet_back_to_the_sheet(self, client, run):
        with time_machine.travel(NOW + DAY + HOUR, tick=False):
            answer = client.post(
                f"/runs/{run.pk}/sign-off/",
                {
                    "outcome": "ready",
                    "next": at(run),
                    "checklist": ["Knows the doors, and whom to ask for"],
                    "remarks": "Calm at the dock",
                    "private_remarks": "Parks far",
                },
            )
            assert answer["Location"] == at(run)
            text = sheet(client, run)
        signed = SignOff.objects.get()
        assert signed.checklist == ["Knows the doors, and whom to ask for"]
        assert "Calm at the dock" in text
        assert "Knows the doors" in text
        assert "Parks far" not in text
        assert "How did Tom do?" not in text

    def test_nonsense_in_any_field(self, client, run):
        with time_machine.travel(NOW + DAY + HOUR, tick=False):
            for piece in ("x\0y", "z" * 6_000, "💥"):
                fields = {"outcome": "ready", "checklist": [piece], "remarks": piece[:100]}
                answer = client.post(f"/runs/{run.pk}/sign-off/", fields)
                assert answer.status_code in (200, 302)
        assert SignOff.objects.get().checklist == ["💥"]

    def test_too_many_points_are_refused(self, client, run):
        with time_machine.travel(NOW + DAY + HOUR, tick=False):
            points = [f"Point {n}" for n in range(51)]
            client.post(f"/runs/{run.pk}/sign-off/", {"outcome": "ready", "checklist": points})
        assert not SignOff.objects.exists()

    def test_home_asks_again_after_it_was_taken_back(self, client, lee, tom):
        ride = make_run(starts_at=NOW - DAY)
        put(lee, ride)
        put(tom, ride, SECOND)
        asked = f'href="/runs/{ride.pk}/#word"'
        assert asked in text_of(client.get("/"))
        signed = sign_off_ride(run=ride, lead=lee, outcome="again", by=lee.user)
        assert asked not in text_of(client.get("/"))
        desk_client().post(
            reverse("desk_sign_off_back", args=[signed.pk]), {"reason": "By mistake", "seen": ""}
        )
        assert asked in text_of(client.get("/"))


class TestTakenBackAtTheDesk:
    @pytest.fixture
    def desk(self):
        return desk_client()

    @pytest.fixture
    def signed(self, lee, tom):
        ride = make_run(title="Ridden run", starts_at=NOW - DAY)
        put(lee, ride)
        put(tom, ride, SECOND)
        return sign_off_ride(run=ride, lead=lee, outcome="ready", by=lee.user)

    def back(self, signed):
        return reverse("desk_sign_off_back", args=[signed.pk])

    def test_the_page_names_what_depends_on_it_and_changes_nothing(self, desk, signed, tom):
        put(tom, make_run(title="Friday run", starts_at=NOW + 3 * DAY))
        put(tom, make_run(title="Old run", starts_at=NOW - 3 * DAY))
        before = all_rows()
        text = text_of(desk.get(self.back(signed)))
        assert "Tom will not be ready for these any more" in text
        assert "Friday run" in text
        assert "Old run" not in text
        assert all_rows() == before

    def test_taken_back_they_are_named_and_flagged(self, desk, signed, tom):
        booking = put(tom, make_run(title="Friday run", starts_at=NOW + 3 * DAY))
        answer = desk.post(self.back(signed), {"reason": "By mistake", "seen": str(booking.pk)})
        assert answer["Location"] == reverse("desk_person", args=[tom.pk])
        assert "is no longer ready for them: Friday run" in said(answer)
        assert "A mail tells them." in said(answer)
        page = text_of(desk.get(answer["Location"]))
        assert "Booked, but not ready on the date" in page
        assert "Taken back: By mistake" in page
        assert "ride on 6/1/2026 with Lee Lead taken back: By mistake" in page
        assert Message.objects.filter(person=tom, kind="sign-off back").count() == 1

    def test_of_somebody_who_left_no_mail_is_promised(self, desk, signed, tom):
        leave(tom, by=None)
        answer = desk.post(self.back(signed), {"reason": "By mistake", "seen": ""})
        assert said(answer).endswith("is taken back.")

    def test_more_depends_on_it_than_was_shown(self, desk, signed, tom):
        """Booked between the look and the button: it is looked at again first."""
        booking = put(tom, make_run(title="Friday run", starts_at=NOW + 3 * DAY))
        answer = desk.post(self.back(signed), {"reason": "By mistake", "seen": ""})
        assert "Nothing is taken back yet" in text_of(answer)
        assert answer.context["form"]["reason"].value() == "By mistake"
        signed.refresh_from_db()
        assert not signed.is_taken_back
        assert answer.context["seen"] == str(booking.pk)

    def test_a_reason_is_asked_for(self, desk, signed):
        answer = desk.post(self.back(signed), {"reason": "", "seen": ""})
        assert errors_of(answer)["reason"]
        signed.refresh_from_db()
        assert not signed.is_taken_back

    def test_twice_says_so(self, desk, signed):
        desk.post(self.back(signed), {"reason": "By mistake", "seen": ""})
        assert "counts no longer" in said(desk.get(self.back(signed)))

    def test_nonsense_is_survived(self, desk, signed):
        survives_nonsense(desk, self.back(signed), ["reason", "seen"])

    def test_the_step_s_own_way_back_leads_here(self, desk, signed):
        answer = desk.get(reverse("desk_step_back", args=[signed.completion_id]))
        assert answer["Location"] == self.back(signed)

    def test_the_run_s_page_leads_here_and_offers_the_form_again_afterwards(self, desk, signed):
        run = signed.ride.run
        page = reverse("desk_run", args=[run.pk])
        assert self.back(signed) in text_of(desk.get(page))
        desk.post(self.back(signed), {"reason": "By mistake", "seen": ""})
        text = text_of(desk.get(page))
        assert self.back(signed) not in text
        assert "was taken back: By mistake" in text
        told = {"outcome": "again", "told_reason": "Lee called."}
        desk.post(reverse("desk_sign_off", args=[run.pk]), told)
        assert run.bookings.get(seat=SECOND).sign_off.told == "Lee called."
        assert "As told: Lee called." in text_of(desk.get(page))

    def test_a_person_s_page_lists_rides_with_queries_that_do_not_grow(self, desk, signed, lee, tom):
        page = reverse("desk_person", args=[tom.pk])
        few, _ = queries_of(desk, page)
        for day in range(2, 6):
            ride = make_run(starts_at=NOW - day * DAY)
            put(lee, ride)
            put(tom, ride, SECOND)
            sign_off_ride(run=ride, lead=lee, outcome="again", by=lee.user)
        more, queries = queries_of(desk, page)
        assert more <= few, queries
