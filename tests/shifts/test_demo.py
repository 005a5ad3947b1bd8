"""The demo: the same for a seed, whole in every part, and not there where real people sign in."""

from datetime import UTC, datetime, timedelta

import pytest
from django.core.checks import run_checks
from django.db import transaction

from shifts.cover.leads import could_lead
from shifts.cover.orientation import Stage, on_the_way
from shifts.cover.pace import pace
from shifts.cover.regulars import absent_regulars
from shifts.cover.weaknesses import attention, weaknesses
from shifts.demo import cast
from shifts.demo.scenario import fill
from shifts.models import Booking, CalendarEntry, Policy, Run, Skip, Standing
from volunteers import outbox
from volunteers.clearance import cleared, missing
from volunteers.kits import holders, on_shelf
from volunteers.models import HelpHours, KitMove, Message, NotAt, Person, SignOff

AT = datetime(2026, 11, 25, 11, 40, tzinfo=UTC)  # 6:40 a.m. in New York
pytestmark = pytest.mark.django_db


def picture():
    """What the demo shows, without the random parts of private links and calendar entries."""
    return (
        list(Person.objects.values_list("name", "phone", "email", "joined_on")),
        list(Run.objects.values_list("title", "starts_at", "cancelled_at")),
        sorted(Booking.objects.values_list("run__starts_at", "person__name", "seat", "end")),
        sorted(Message.objects.values_list("subject", "address", "state")),
    )


def filled(seed=7):
    """What a fill gives; it leaves nothing behind."""
    with transaction.atomic():
        point = transaction.savepoint()
        fill(at=AT, seed=seed)
        result = picture()
        transaction.savepoint_rollback(point)
    return result


def test_the_same_seed_gives_the_same_demo_and_another_one_another():
    assert filled() == filled()
    assert filled(seed=8) != filled()


@pytest.fixture(scope="class")
def demo(django_db_setup, django_db_blocker):
    """The demo, filled once for the tests of a class; each of them works in a transaction inside."""
    with django_db_blocker.unblock(), transaction.atomic():
        fill(at=AT)
        yield
        transaction.set_rollback(True)


@pytest.mark.usefixtures("demo")
class TestWhatIsInIt:
    def test_who_is_ready(self):
        today = AT.date()
        ready = set(cleared(Person.objects.drivers(), on=today).values_list("name", flat=True))
        stages = {name: stage for name, _box, stage, _facts in cast.PEOPLE}
        settled = {name for name, stage in stages.items() if stage in ("lead", "ready", "lapsing")}
        assert ready == settled | {"Lotte Vandermeer"}
        assert len(Person.objects.all()) == len(cast.PEOPLE) + len(cast.JOINS) + 1
        tobias = Person.objects.get(name="Tobias Wren")
        assert [term.step.code for term in missing(tobias, on=today)] == ["ride"]

    def test_people_in_every_stage_of_orientation(self):
        found = {one.person.name: (one.stage, one.is_stuck) for one in on_the_way(at=AT)}
        assert found == {
            "Yara Midwinter": (Stage.ASKS, False),
            "Petra Longacre": (Stage.ASKED_BACK, False),
            "Milo Sandoval-Hart": (Stage.HELLO, True),
            "Ambrose Kettle": (Stage.BRIEFING, False),
            "Fenna Birdsong": (Stage.PAPER, True),
            "Halima Ferncliff": (Stage.PAPER, False),
            "Diego Marlowe-Tan": (Stage.DATE, False),
            "Lucian Foss": (Stage.FORM, True),
            "Ruth Penhallow": (Stage.KIT, False),
            "Tobias Wren": (Stage.RIDE, True),
            "Maeve Stoke": (Stage.LEAD_ANSWER, False),
            "Solveig Harrow": (Stage.RIDES, False),
            "Kwame Oldcastle": (Stage.UNSIGNED, False),
        }

    def test_somebody_has_come_all_the_way_lately(self):
        found = pace(at=AT)
        assert found.people == 1
        assert 0 < found.days < 34
        assert [signed.trainee.name for signed in SignOff.objects.filter(outcome="ready")] == [
            "Lotte Vandermeer"
        ]

    def test_somebody_could_be_a_lead_driver(self):
        assert [one.person.name for one in could_lead(at=AT)] == [cast.OFTEN]

    def test_a_break_a_guardian_a_site_that_is_not_for_somebody_and_hours_of_help(self):
        assert [person.name for person in Person.objects.exclude(paused_on=None)] == ["Hester Coldwell"]
        child = Person.objects.get(is_adult=False)
        assert (child.guardian.name, child.consent_on is None) == ("Ines Quillfeather", False)
        assert NotAt.objects.live().get().person.name == "Osric Bellweather"
        assert {row.person.name for row in HelpHours.objects.all()} == {"Odette Crane"}
        assert Person.objects.exclude(emergency_name="").count() == len(cast.EMERGENCY)

    def test_kits_are_counted_and_held(self):
        handed = KitMove.objects.filter(kind="handed").count()
        assert on_shelf() == cast.KITS_COUNTED - handed == 4
        assert len(holders()) == handed + 14

    def test_two_people_share_an_address_and_a_sign_in(self):
        barnaby, maeve = Person.objects.filter(email="barnaby@fernhollow.example").order_by("name")
        assert barnaby.user == maeve.user

    def test_some_runs_ahead_need_a_driver_and_the_weeks_behind_were_driven(self):
        soon = Run.objects.filter(starts_at__gt=AT, starts_at__lt=AT + timedelta(weeks=2))
        assert 2 <= soon.unfilled().count() < soon.count()
        behind = Run.objects.filter(ends_at__lt=AT)
        assert behind.count() > 25
        assert not behind.unfilled().exists()

    def test_the_lapsing_insurance_shows_on_the_desk(self):
        assert any("Barnaby Stoke is not ready" in weakness.why for weakness in attention(weaknesses(at=AT)))

    def test_the_trainee_finds_a_run_to_ride_along_on(self):
        led = (
            Run.objects.ahead(AT)
            .with_room()
            .filter(
                bookings__ended_at=None, bookings__seat="driver", bookings__person__lead_since__isnull=False
            )
        )
        assert led.exists()

    def test_whoever_looks_in_as_volunteer_has_a_next_run(self):
        assert Booking.objects.live().filter(person__name="Anselm Tolliver", run__starts_at__gt=AT).exists()

    def test_every_live_booking_has_its_calendar_entry(self):
        """Its own, or that of the regular run that it is a part of."""
        live = CalendarEntry.objects.live()
        alone = live.exclude(booking=None).values("booking")
        regular = live.exclude(standing=None).values("standing")
        rest = Booking.objects.live().exclude(pk__in=alone).exclude(standing__in=regular)
        assert not rest.exists()

    def test_regular_runs_of_every_kind(self):
        today = AT.date()
        standings = Standing.objects.going_on(today)
        assert {standing.pattern for standing in standings} == {"every", "other", "1st 3rd"}
        driven = Booking.objects.live().exclude(standing=None).filter(run__starts_at__gt=AT)
        drivers = {booking.person.name for booking in driven.select_related("person")}
        assert drivers == {name for _run, name, _pattern in cast.REGULARS} - {"Halima Ferncliff"}

    def test_runs_are_kept_for_somebody_whose_card_runs_out(self):
        runs = list(Run.objects.ahead(AT).unfilled().with_people())
        absent = absent_regulars(runs, at=AT, policy=Policy.current())
        kept = [one for one in absent.values() if one.standing.person.name == "Barnaby Stoke"]
        assert len(kept) > 3
        assert all(one.is_kept and one.steps == "Car insurance card" for one in kept)

    def test_a_crew_with_a_captain_has_named_somebody_once_and_a_range_is_skipped(self):
        crew = Standing.objects.exclude(crew="").get()
        runs = Run.objects.filter(shift=crew.shift).ahead(AT)
        first, second = runs[:2]
        assert first.bookings.live().get().person in crew.members.all()
        assert not second.bookings.live().exists()
        name, first_day, last_day, note = cast.AWAY
        skip = Skip.objects.standing().get(standing__person__name=name, reason=note)
        assert (skip.last - skip.first).days == last_day - first_day

    def test_nothing_of_the_weeks_behind_is_still_to_be_sent(self):
        old = Message.objects.unsent().filter(created_at__lt=AT - timedelta(days=2))
        assert not old.exists()


@pytest.mark.usefixtures("demo")
@pytest.mark.urls("tests.demo_urls")
class TestLookingIn:
    @pytest.fixture(autouse=True)
    def _is_a_demo(self, settings):
        settings.DEMO = True

    @pytest.mark.parametrize(
        ("who", "lands"), [("coordinator", "/desk/"), ("lead", "/"), ("trainee", "/"), ("newcomer", "/")]
    )
    def test_as_somebody(self, client, who, lands):
        response = client.post(f"/demo/as/{who}/")
        assert response["Location"] == lands
        assert client.get(lands).status_code == 200

    def test_nobody_else_and_only_by_a_press_of_a_button(self, client):
        assert client.post("/demo/as/somebody/").status_code == 404
        assert client.get("/demo/as/coordinator/").status_code == 405

    def test_an_invitation_is_shown_in_words_and_as_calendar_lines(self, client):
        message = Message.objects.filter(kind="booked").exclude(raw=b"").latest("pk")
        page = client.get(f"/demo/mail/{message.pk}/").content.decode()
        assert "BEGIN:VEVENT" in page
        assert "METHOD:REQUEST" in page
        assert "Invitation" in page
        assert message.subject in client.get("/demo/").content.decode()

    def test_a_code_for_somebody_who_is_nobody_yet_is_shown_too(self, client):
        message = outbox.write(
            address="ida@example.org", mail=outbox.Mail("Code", "123456", "123456"), kind="sign-in"
        )
        assert "ida@example.org" in client.get("/demo/").content.decode()
        assert "123456" in client.get(f"/demo/mail/{message.pk}/").content.decode()

    def test_a_message_for_the_phone_is_shown_too(self, client):
        message = Message.objects.filter(raw=b"").first()
        assert client.get(f"/demo/mail/{message.pk}/").status_code == 200


@pytest.mark.usefixtures("demo")
class TestWhereItMustNotBe:
    @pytest.mark.parametrize("address", ["/demo/", "/demo/mail/1/"])
    def test_it_does_not_exist(self, client, address):
        assert client.get(address).status_code == 404
        assert client.post("/demo/as/coordinator/").status_code == 404

    @pytest.mark.urls("tests.demo_urls")
    def test_even_if_its_addresses_were_there_nobody_is_let_in(self, client):
        assert client.post("/demo/as/coordinator/").status_code == 404

    def test_a_check_refuses_it_at_an_https_address(self, settings):
        settings.DEMO, settings.PRODUCTION = True, True
        assert "shifts.E001" in {found.id for found in run_checks()}
        settings.DEMO = False
        assert "shifts.E001" not in {found.id for found in run_checks()}

    def test_the_deploy_check_warns_of_it_everywhere(self, settings):
        settings.DEMO = True
        assert "shifts.W001" in {found.id for found in run_checks(include_deployment_checks=True)}
