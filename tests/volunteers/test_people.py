"""People: added, changed, appointed, gone; and the sign-in that goes along."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from allauth.account.models import EmailAddress

from sites.models import Event
from tests.factories import PersonFactory, coordinator
from volunteers import people
from volunteers.models import Person, User
from volunteers.progress import NotPossible

AT = datetime(2027, 5, 4, 1, 0, tzinfo=UTC)  # still May 3 in New York
pytestmark = pytest.mark.django_db


def add(name="Ina Quell", **facts):
    return people.add_person(name=name, by=None, at=AT, **facts)


def change(person, **facts):
    return people.change_person(person, by=None, at=AT, **facts)


def addresses(user):
    return list(EmailAddress.objects.filter(user=user).values_list("email", "verified", "primary"))


class TestAdding:
    def test_with_an_address_they_can_sign_in_and_are_mailed(self):
        ina = add(email=" Ina@Example.org ")
        assert (ina.email, ina.user.email, ina.reach) == ("ina@example.org", "ina@example.org", "mail")
        assert addresses(ina.user) == [("ina@example.org", True, True)]
        assert not ina.user.has_usable_password()

    def test_without_one_they_are_called(self):
        ina = add(phone="+15555550123")
        assert (ina.user, ina.reach, ina.is_mailed) == (None, "call", False)

    def test_a_shared_address_is_one_sign_in_and_two_people(self):
        ina, ben = add(email="home@example.org"), add("Ben Quell", email="home@example.org")
        assert ina.user == ben.user
        assert list(Person.objects.of(ina.user)) == [ina, ben]

    def test_they_joined_today_in_the_programmes_zone(self):
        assert add().joined_on == date(2027, 5, 3)

    def test_who_added_them_and_when(self):
        cora = coordinator()
        ina = people.add_person(name="Ina", by=cora.user, at=AT)
        event = Event.objects.about(ina).get()
        assert (event.verb, event.by, event.at, event.person_id) == ("added", cora.user, AT, ina.pk)

    def test_each_has_a_private_link_of_their_own(self):
        assert add().feed_nonce != add().feed_nonce


class TestChanging:
    def test_what_changed_is_recorded_and_nothing_else(self):
        ina = add(phone="+15555550123")
        change(ina, phone="+15555550124", name="Ina Quell")
        event = Event.objects.about(ina).first()
        assert (event.before, event.after) == ({"phone": "(555) 555-0123"}, {"phone": "+15555550124"})

    def test_the_same_again_is_no_change(self):
        ina = add(phone="+15555550123")
        before = Event.objects.count()
        change(ina, phone="(555) 555-0123", name="Ina Quell")
        assert Event.objects.count() == before

    def test_a_new_address_takes_the_sign_in_along(self):
        """With what hangs on it: the desk, passkeys, open sessions."""
        cora = coordinator(email="old@example.org")
        user = cora.user
        cora = change(cora, email="New@example.org")
        assert (cora.email, cora.user) == ("new@example.org", user)
        user.refresh_from_db()
        assert (user.email, user.is_coordinator) == ("new@example.org", True)
        assert addresses(user) == [("new@example.org", True, True)]
        assert not User.objects.filter(email="old@example.org").exists()

    def test_a_shared_sign_in_stays_with_the_others(self):
        ina, ben = add(email="home@example.org"), add("Ben Quell", email="home@example.org")
        ina = change(ina, email="ina@example.org")
        ben.refresh_from_db()
        assert (ina.user.email, ben.user.email) == ("ina@example.org", "home@example.org")
        assert addresses(ben.user) == [("home@example.org", True, True)]

    def test_an_address_that_somebody_signs_in_with_is_shared_from_now_on(self):
        ben, ina = add("Ben Quell", email="home@example.org"), add(email="ina@example.org")
        ina = change(ina, email="home@example.org")
        assert ina.user == ben.user

    def test_there_and_back_again(self):
        ina = add(email="ina@example.org")
        user = ina.user
        ina = change(change(ina, email="typo@example.org"), email="ina@example.org")
        assert (ina.user, User.objects.count()) == (user, 1)

    def test_without_an_address_there_is_no_sign_in(self):
        ina = add(email="ina@example.org", reach="call")
        assert change(ina, email="").user is None

    def test_a_new_feed_link_revokes_the_old_one(self):
        ina = add()
        assert people.new_feed_link(ina, by=None).feed_nonce != ina.feed_nonce


class TestAppointing:
    def test_a_lead_driver_and_back(self):
        ina = people.appoint_lead(add(), by=None, since=date(2027, 5, 1))
        assert (ina.is_lead, ina.lead_since) == (True, date(2027, 5, 1))
        assert people.appoint_lead(ina, by=None, since=date(2027, 5, 3)).lead_since == date(2027, 5, 1)
        assert not people.end_lead(ina, by=None).is_lead

    def test_a_coordinator_who_is_new(self):
        cora = people.appoint_coordinator(email="Cora@example.org", name="Cora Desk", by=None)
        assert (cora.user.is_coordinator, cora.drives, cora.name) == (True, False, "Cora Desk")

    def test_a_coordinator_who_is_a_volunteer_stays_who_they_are(self):
        ina = add(email="ina@example.org")
        same = people.appoint_coordinator(email="ina@example.org", name="Somebody Else", by=None)
        assert (same, same.name, same.drives) == (ina, "Ina Quell", True)
        assert User.objects.get().is_coordinator

    def test_the_last_coordinator_keeps_the_desk(self):
        first, second = coordinator(), coordinator("Dan Desk", "dan@example.org")
        people.end_coordinator(second.user, by=None)
        with pytest.raises(NotPossible, match="last coordinator"):
            people.end_coordinator(first.user, by=None)
        assert list(User.objects.filter(is_coordinator=True)) == [first.user]

    def test_ending_somebody_who_has_no_desk_changes_nothing(self):
        coordinator()
        people.end_coordinator(add(email="ina@example.org").user, by=None)
        assert User.objects.filter(is_coordinator=True).count() == 1
        assert not Event.objects.filter(verb="coordinator ended").exists()


class TestLeaving:
    def test_gone_and_back(self):
        ina = people.leave(add(), by=None, on=date(2027, 5, 10))
        assert (ina.left_on, ina in Person.objects.active()) == (date(2027, 5, 10), False)
        ina = people.come_back(ina, by=None)
        assert (ina.left_on, ina in Person.objects.drivers()) == (None, True)

    def test_not_before_they_joined(self):
        ina = add(joined_on=date(2027, 6, 1))
        assert people.leave(ina, by=None, on=date(2027, 5, 10)).left_on == date(2027, 6, 1)


class TestCarsHoursAbsences:
    def test_cars_are_replaced_and_recorded_when_they_differ(self):
        ina = add()
        cars = [{"label": "Van", "crates": 30}, {"label": "", "crates": None}]
        people.set_cars(ina, cars, by=None)
        people.set_cars(ina, cars, by=None)
        assert list(ina.cars.values_list("label", "crates")) == [("Van", 30), ("", None)]
        (event,) = Event.objects.about(ina).filter(verb="cars changed")
        assert event.after == {"cars": ["Van: 30", "car: None"]}

    def test_hours_are_replaced_and_recorded_when_they_differ(self):
        ina = add()
        hours = [(0, time(8), time(12))]
        people.set_hours(ina, hours, by=None)
        people.set_hours(ina, hours, by=None)
        assert list(ina.hours.values_list("weekday", "begins", "ends")) == hours
        assert Event.objects.about(ina).filter(verb="hours changed").count() == 1
        people.set_hours(ina, [], by=None)
        assert not ina.hours.exists()

    @pytest.mark.parametrize(("day", "away"), [(-1, False), (0, True), (3, True), (4, False)])
    def test_away_from_the_first_day_to_the_last(self, day, away):
        ina, first = PersonFactory(), date(2027, 5, 10)
        people.add_away(ina, first=first, last=first + timedelta(days=3), by=None)
        assert (ina in Person.objects.away_on(first + timedelta(days=day))) == away

    def test_an_absence_ends_and_stays_in_the_log(self):
        ina = PersonFactory()
        absence = people.add_away(ina, first=date(2027, 5, 10), last=date(2027, 5, 12), by=None)
        people.end_away(absence, by=None)
        assert not ina.absences.exists()
        ended = Event.objects.about(ina).first()
        assert (ended.verb, ended.before) == ("not away", {"first": "2027-05-10", "last": "2027-05-12"})
