"""The sign-off of a shadow ride that took place: by its lead driver, once, from its start on."""

from datetime import UTC, datetime, timedelta

import pytest

from shifts.seats.booking import give_back
from shifts.seats.changes import cancel_run
from shifts.seats.rides import ride_of, sign_off_ride, sign_off_told
from tests.factories import PersonFactory, coordinator, lead_driver, make_ready, make_run, put, ready_person
from volunteers import clearance
from volunteers.models import SignOff
from volunteers.people import end_lead
from volunteers.progress import NotPossible, withdraw

START = datetime(2027, 5, 11, 12, tzinfo=UTC)
AFTER = START + timedelta(hours=2)
MINUTE = timedelta(minutes=1)
pytestmark = pytest.mark.django_db


@pytest.fixture
def lee():
    return lead_driver(name="Lee Drives")


@pytest.fixture
def tom():
    return make_ready(PersonFactory(name="Tom New"), without=("ride",))


@pytest.fixture
def ride(lee, tom):
    run = make_run(starts_at=START)
    put(lee, run)
    put(tom, run, "second")
    return run


def sign(run, lead, outcome="ready", at=AFTER, **how):
    return sign_off_ride(run=run, lead=lead, outcome=outcome, by=lead.user, at=at, **how)


def is_ready(person, run):
    return not clearance.missing(person, on=run.local_date, sites=run.site_ids)


def test_ready_means_ready_from_that_day(ride, lee, tom):
    assert not is_ready(tom, ride)
    signed = sign(ride, lee, remarks="Calm at the dock.", private_remarks="Shy.")
    assert (signed.trainee, signed.lead, signed.ridden_on) == (tom, lee, ride.local_date)
    assert (signed.remarks, signed.private_remarks, signed.at) == ("Calm at the dock.", "Shy.", AFTER)
    assert is_ready(tom, ride)
    assert ride.bookings.get(person=tom).sign_off == signed


def test_again_means_another_ride(ride, lee, tom):
    sign(ride, lee, outcome=SignOff.Outcome.AGAIN)
    assert not is_ready(tom, ride)


def test_from_the_start_on(ride, lee):
    with pytest.raises(NotPossible, match="still to come"):
        sign(ride, lee, at=START - MINUTE)
    assert sign(ride, lee, at=START)


@pytest.mark.parametrize("outcome", ["ready", "again"])
def test_once(ride, lee, outcome):
    sign(ride, lee, outcome=outcome)
    with pytest.raises(NotPossible, match="already"):
        sign(ride, lee)
    assert SignOff.objects.count() == 1


def test_once_more_after_it_was_taken_back(ride, lee, tom):
    """Pressed by mistake: the coordinator takes it back, and the lead says what was meant."""
    first = sign(ride, lee)
    withdraw(first.completion, reason="Pressed by mistake.", by=None, at=AFTER)
    assert not is_ready(tom, ride)
    second = sign(ride, lee, outcome=SignOff.Outcome.AGAIN)
    assert ride.bookings.get(person=tom).sign_off == second
    assert SignOff.objects.count() == 2, "the first stays readable"


def test_only_by_the_lead_driver_of_that_run(ride):
    with pytest.raises(NotPossible, match="no shadow ride with this lead driver"):
        sign(ride, lead_driver())


def test_not_by_whoever_is_lead_no_more(ride, lee):
    end_lead(lee, by=None)
    assert ride_of(ride) is None
    with pytest.raises(NotPossible):
        sign(ride, lee)


@pytest.mark.parametrize("who", ["lead", "trainee"])
def test_not_when_one_of_them_gave_back(ride, lee, tom, who):
    give_back(ride.bookings.get(person=lee if who == "lead" else tom), by=None, at=START - MINUTE)
    with pytest.raises(NotPossible, match="no shadow ride"):
        sign(ride, lee)


def test_not_when_it_was_cancelled(ride, lee):
    cancel_run(ride, reason="Snow.", by=None, at=START - MINUTE)
    with pytest.raises(NotPossible, match="no shadow ride"):
        sign(ride, lee)


def test_a_run_without_a_lead_driver_is_no_ride(tom):
    run = make_run(starts_at=START)
    put(ready_person(), run)
    put(tom, run, "second")
    assert ride_of(run) is None


class TestAsTold:
    def told(self, trainee, lead, run, by):
        return sign_off_told(
            trainee=trainee, lead=lead, ridden_on=run.local_date, told="Lee rang.", by=by, at=AFTER
        )

    def test_it_is_the_sign_off_of_that_days_ride(self, ride, lee, tom):
        cora = coordinator()
        signed = self.told(tom, lee, ride, cora.user)
        assert ride.bookings.get(person=tom).sign_off == signed
        assert (signed.completion.how, signed.completion.reason) == ("told", "Lee rang.")
        assert signed.completion.recorded_by == cora.user
        assert is_ready(tom, ride)

    def test_a_ride_in_no_run_can_be_told_too(self, lee, tom):
        run = make_run(starts_at=START)
        assert self.told(tom, lee, run, None).completion.valid_from == run.local_date

    def test_another_leads_ride_of_that_day_is_left_alone(self, ride, lee, tom):
        self.told(tom, lead_driver(), ride, None)
        assert ride.bookings.get(person=tom).sign_off is None
