"""What people are reminded of: when, who, once, and how rarely those who come every week."""

import re
from datetime import UTC, date, datetime, time, timedelta
from email import message_from_bytes, policy
from itertools import pairwise

import pytest
import time_machine
from django.core import mail as sent_mail
from django.utils.timezone import localtime

from shifts.cover.reminders import QUESTION, evenings, remind, send
from shifts.models import Booking, Policy, Run, Shift, Standing
from shifts.seats import presence
from shifts.seats.booking import give_back
from shifts.seats.changes import cancel_run, reshape_run, shape_of
from sites.changes import close_site
from sites.models import Programme
from tests.factories import PersonFactory, SiteFactory, lead_driver, make_run, put, ready_person
from volunteers import outbox
from volunteers.doors import publish, read
from volunteers.models import Away, Message, Person

START = datetime(2027, 5, 11, 12, tzinfo=UTC)  # a Tuesday, 8 a.m. in New York
DAY, HOUR, SECOND = timedelta(days=1), timedelta(hours=1), timedelta(seconds=1)
EVE = datetime(2027, 5, 10, 21, tzinfo=UTC)  # 5 p.m. on Monday
ASKED = START - 48 * HOUR
pytestmark = pytest.mark.django_db


@pytest.fixture
def run():
    return make_run(title="Plum run", starts_at=START)


@pytest.fixture
def ina():
    return ready_person(name="Ina Quell")


def booked(person, run, *, seat="driver", at=None, standing=None, confirmed=True):
    """Long before, and settled, so that no question is due unless a test wants it."""
    booking = put(person, run, seat)
    at = at or run.starts_at - 30 * DAY
    facts = {"booked_at": at, "standing": standing, "confirmed_at": at if confirmed else None}
    Booking.objects.filter(pk=booking.pk).update(**facts)
    return Booking.objects.select_related("run", "person").get(pk=booking.pk)


def weekly_of(person):
    shift, day = Shift.objects.create(name="Dairy run"), date(2027, 1, 5)
    return Standing.objects.create(shift=shift, person=person, anchor=day, from_day=day, made_at=START)


def mails(kind=None):
    found = Message.objects.order_by("pk")
    return list(found.filter(kind=kind) if kind else found)


class TestWhen:
    @pytest.mark.parametrize(
        ("at", "count"),
        [(EVE - SECOND, 0), (EVE, 1), (EVE + 10 * HOUR, 1), (START - SECOND, 1), (START, 0)],
    )
    def test_from_five_on_the_eve_until_it_begins(self, run, ina, at, count):
        booked(ina, run)
        assert (remind(at), len(mails())) == (count, count)

    def test_at_the_programmes_own_hour_and_zone(self, run, ina):
        booked(ina, run)
        Policy.objects.update_or_create(pk=1, defaults={"reminder_at": time(12)})
        Programme.objects.update(time_zone="America/Los_Angeles")
        noon = datetime(2027, 5, 10, 19, tzinfo=UTC)
        assert (remind(noon - SECOND), remind(noon)) == (0, 1)

    @pytest.mark.parametrize(
        ("starts", "eve"),
        [
            # Clocks go forward on Sunday, 14 March 2027, and back on Sunday, 7 November 2027 (tzdata): the
            # eve of a Sunday run is still in the old time, that of a Monday run in the new.
            (datetime(2027, 3, 14, 12, tzinfo=UTC), datetime(2027, 3, 13, 22, tzinfo=UTC)),
            (datetime(2027, 3, 15, 12, tzinfo=UTC), datetime(2027, 3, 14, 21, tzinfo=UTC)),
            (datetime(2027, 11, 7, 13, tzinfo=UTC), datetime(2027, 11, 6, 21, tzinfo=UTC)),
            (datetime(2027, 11, 8, 13, tzinfo=UTC), datetime(2027, 11, 7, 22, tzinfo=UTC)),
        ],
    )
    def test_around_clock_changes(self, ina, starts, eve):
        booked(ina, make_run(starts_at=starts))
        assert (remind(eve - SECOND), remind(eve)) == (0, 1)

    @pytest.mark.parametrize(("at", "count"), [(EVE - SECOND, 1), (EVE, 0), (EVE + HOUR, 0)])
    def test_a_seat_taken_after_five_had_its_own_mail(self, run, ina, at, count):
        booked(ina, run, at=at)
        assert remind(EVE + 2 * HOUR) == count


class TestOnce:
    def test_however_often_the_worker_looks(self, run, ina):
        booked(ina, run)
        assert [remind(EVE + n * HOUR) for n in range(10)] == [1] + 9 * [0]

    def test_a_worker_that_was_down_for_a_day_catches_up(self, run, ina):
        booked(ina, run)
        booked(ready_person(), make_run(starts_at=START - DAY))  # begun meanwhile: of no use any more
        assert remind(START - HOUR) == 1
        assert mails()[0].person == ina

    def test_of_two_workers_one(self, run, ina):
        booked(ina, run)
        programme, numbers = Programme.current(), Policy.current()
        [evening] = evenings(EVE, programme, numbers)  # both have seen that it is due
        assert send(evening, EVE, programme, numbers)
        assert not send(evening, EVE, programme, numbers)
        assert len(mails()) == 1

    def test_two_runs_of_a_day_are_one_mail(self, run, ina):
        booked(ina, run)
        booked(ina, make_run(title="Late run", starts_at=START + 6 * HOUR))
        assert remind(EVE) == 1
        [message] = mails()
        assert "Plum run" in message.text
        assert "Late run" in message.text

    def test_a_run_that_moves_is_told_again_only_on_another_day(self, run, ina):
        booked(ina, run)
        remind(EVE)
        moved = shape_of(run)
        reshape_run(run, moved.__class__(**vars(moved) | {"ends_at": moved.ends_at + HOUR}), by=None, at=EVE)
        assert remind(EVE + HOUR) == 0
        moved = shape_of(Run.objects.get(pk=run.pk))
        later = {"starts_at": moved.starts_at + 2 * DAY, "ends_at": moved.ends_at + 2 * DAY}
        reshape_run(run, moved.__class__(**vars(moved) | later), by=None, at=EVE + HOUR)
        assert remind(EVE + 2 * HOUR) == 0
        assert remind(EVE + 2 * DAY) == 1

    def test_killed_between_claim_and_send_it_goes_out_once(self, run, ina):
        booked(ina, run)
        remind(EVE)
        claimed = outbox.claim(EVE)  # and then the worker is gone
        assert outbox.drain(EVE + SECOND) == 0
        remind(EVE + HOUR)
        assert outbox.drain(EVE + HOUR) == 1
        [mail] = sent_mail.outbox
        assert claimed.message_id.encode() in mail.as_bytes()

    def test_not_sent_once_the_run_has_begun(self, run, ina):
        booked(ina, run)
        remind(EVE)
        outbox.drain(START)
        assert not sent_mail.outbox
        [message] = mails()
        assert message.state == Message.State.FAILED
        assert "not sent in time" in message.error


class TestWho:
    def test_both_seats_each_in_their_words(self, run, ina):
        booked(lead_driver(name="Lee Lead"), run)
        booked(ina, run, seat="second")
        assert remind(EVE) == 2
        trainee, lead = sorted(mails(), key=lambda message: message.person.name)
        assert "You drive, and Ina rides along." in lead.text
        assert "You ride along with Lee." in trainee.text
        assert "Keep cold food cold" in lead.text
        assert "Keep cold food cold" not in trainee.text

    @pytest.mark.parametrize(
        "facts",
        [
            {"email": "", "reach": "call"},
            {"reach": "text"},
            {"wants_reminders": False},
            {"left_on": "2027-05-01"},
        ],
    )
    def test_nobody_who_is_not_mailed_or_does_not_want_it(self, run, facts):
        """And nobody is called about it, which would wear the coordinator out."""
        booked(ready_person(**facts), run)
        assert (remind(EVE), mails()) == (0, [])

    def test_nobody_whose_run_is_off_closed_or_given_back(self, run, ina):
        booked(ina, run)
        cancel_run(run, reason="Snow.", by=None, at=EVE - DAY)
        shut = make_run(starts_at=START)
        booked(ready_person(), shut)
        close_site(shut.ordered_stops[0].site, first=shut.local_date, last=shut.local_date, by=None)
        given = booked(ready_person(), make_run(starts_at=START))
        give_back(given, by=None, at=EVE - HOUR)
        assert remind(EVE) == 0


class TestRegular:
    """At most one mail in seven days to whoever comes every week, with nothing new."""

    @pytest.fixture
    def weeks(self, ina):
        """Tuesdays and Thursdays, seven weeks."""
        standing = weekly_of(ina)
        days = [START + (7 * week + extra) * DAY for week in range(7) for extra in (0, 2)]
        site, drop = SiteFactory(), SiteFactory(gives=False, takes=True)
        runs = [make_run(title="Dairy run", starts_at=day, sites=[site, drop]) for day in days]
        return [booked(ina, run, standing=standing) for run in runs]

    def live(self, days, *, since=START - 2 * DAY):
        """The worker looks every evening at six; on which days it said something."""
        return [day for day in range(days) if remind(since + day * DAY + 10 * HOUR)]

    def test_one_mail_a_week_that_names_every_run(self, weeks):
        told = self.live(49)
        assert told == [1, 8, 15, 22, 29, 36, 43]  # each Monday evening
        assert {message.kind for message in mails()} == {"week"}
        text = "".join(message.text for message in mails())
        for booking in weeks:
            assert date_in(booking.run) in text

    def test_never_two_within_seven_days_when_dates_are_left_out(self, weeks):
        for booking in (weeks[0], weeks[4], weeks[5], weeks[8]):
            give_back(booking, by=None, at=START - 9 * DAY)
        Message.objects.all().delete()
        told = self.live(49)
        assert all(later - earlier >= 7 for earlier, later in pairwise(told))
        text = "".join(message.text for message in mails())
        for booking in Booking.objects.live().select_related("run"):
            assert date_in(booking.run) in text

    def test_new_door_notes_are_worth_a_mail_of_their_own_once(self, weeks, ina):
        remind(EVE)
        site = weeks[0].run.ordered_stops[0].site
        publish(site, {"entrance": "The green door"}, by=None, at=EVE + DAY)
        assert remind(EVE + 2 * DAY - SECOND) == 0
        assert remind(EVE + 2 * DAY) == 1  # on the eve of Thursday
        assert site.name in mails()[-1].text
        assert "New door notes" in mails()[-1].text
        assert remind(EVE + 7 * DAY) == 1  # the mail of the next week has them too
        assert remind(EVE + 9 * DAY) == 0  # and then it is old news, read or not

    def test_door_notes_that_were_read_are_no_news(self, weeks, ina):
        remind(EVE)
        site = weeks[0].run.ordered_stops[0].site
        notes = publish(site, {"entrance": "The green door"}, by=None, at=EVE + DAY)
        with time_machine.travel(EVE + DAY + HOUR):
            read(site, person=ina, revision=notes.revision, by=None)
        assert remind(EVE + 2 * DAY) == 0

    def test_a_run_that_is_not_as_usual_has_its_own_mail(self, weeks):
        remind(EVE)
        Run.objects.filter(pk=weeks[1].run_id).update(hand_edited=True)
        assert remind(EVE + 2 * DAY) == 1
        assert mails()[-1].kind == "reminder"

    def test_a_single_run_beside_it_has_its_own_mail(self, weeks, ina):
        remind(EVE)
        booked(ina, make_run(title="Plum run", starts_at=START + 3 * DAY))
        assert remind(EVE + 3 * DAY) == 1
        assert "Plum run" in mails()[-1].text

    def test_with_a_single_run_on_the_same_evening_it_is_one_mail(self, weeks, ina):
        booked(ina, make_run(title="Plum run", starts_at=START + 6 * HOUR))
        assert remind(EVE) == 1
        [message] = mails()
        assert message.kind == "week"
        assert message.subject.startswith("Your 3 runs, first Dairy run")


class TestQuestion:
    def test_two_days_before_and_again_on_the_eve_while_nothing_was_said(self, run, ina):
        booking = booked(ina, run, confirmed=False)
        assert (remind(ASKED - SECOND), remind(ASKED), remind(ASKED + HOUR)) == (0, 1, 0)
        [question] = mails(QUESTION)
        assert question.subject == "Will you be there? Plum run, Tue, May 11, 8:00 a.m."
        assert "/confirm/" in question.text
        assert remind(EVE) == 1
        [reminder] = mails("reminder")
        assert reminder.subject == question.subject
        assert "Please say whether you will be there" in reminder.text
        assert booking.confirmed_at is None

    def test_once_said_the_reminder_only_reminds(self, run, ina):
        booking = booked(ina, run, confirmed=False)
        remind(ASKED)
        presence.confirm(booking, how=presence.LINK, by=None, at=ASKED + HOUR)
        assert remind(EVE) == 1
        [reminder] = mails("reminder")
        assert reminder.subject == "Reminder: Plum run, Tue, May 11, 8:00 a.m."
        assert "Please say" not in reminder.text
        assert "Something came up?" in reminder.text

    def test_a_regular_driver_is_not_asked(self, run, ina):
        standing = weekly_of(ina)
        for week in range(1, 4):
            booked(ina, make_run(starts_at=START - 7 * week * DAY), standing=standing)
        booked(ina, run, standing=standing, confirmed=False)
        assert remind(ASKED + HOUR) == 0

    def test_but_is_after_an_absence(self, run, ina):
        standing = weekly_of(ina)
        for week in range(4, 8):
            booked(ina, make_run(starts_at=START - 7 * week * DAY), standing=standing)
        Away.objects.create(person=ina, first=run.local_date - 20 * DAY, last=run.local_date - 3 * DAY)
        booked(ina, run, standing=standing, confirmed=False)
        assert remind(ASKED + HOUR) == 1

    def test_a_worker_that_was_down_asks_with_the_reminder_alone(self, run, ina):
        booked(ina, run, confirmed=False)
        assert remind(EVE + HOUR) == 1
        assert [message.kind for message in mails()] == ["reminder"]

    def test_not_in_quiet_hours(self, ina):
        run = make_run(starts_at=START - 2 * HOUR)  # 6 a.m.
        booked(ina, run, confirmed=False)
        assert remind(START - 50 * HOUR) == 0
        assert (remind(ASKED - SECOND), remind(ASKED)) == (0, 1)  # from 8 a.m.

    def test_who_has_no_mail_is_on_the_list_to_call_until_they_have_said_it(self, run):
        bo = ready_person(name="Bo Fern", by_phone=True)
        booking = booked(bo, run, confirmed=False)
        assert remind(ASKED) == 1
        [line] = Message.objects.to_tell()
        assert (line.person, line.subject) == (bo, "Will you be there? Plum run, Tue, May 11, 8:00 a.m.")
        assert remind(EVE) == 0  # one call is enough
        presence.confirm(booking, how=presence.PHONE, by=None, at=EVE)
        assert not Message.objects.to_tell()

    @pytest.mark.parametrize("why", ["given back", "begun", "in the calendar", "off"])
    def test_the_line_goes_when_there_is_nothing_to_ask(self, run, why):
        booking = booked(ready_person(by_phone=True), run, confirmed=False)
        remind(ASKED)
        if why == "given back":
            give_back(booking, by=None, at=ASKED + HOUR)
        elif why == "in the calendar":
            Booking.objects.update(confirmed_at=ASKED + HOUR)
        elif why == "off":
            cancel_run(run, reason="Snow.", by=None, at=ASKED + HOUR)
        remind(START if why == "begun" else ASKED + 2 * HOUR)
        assert not Message.objects.to_tell().filter(kind=QUESTION)

    def test_who_wants_no_reminders_is_not_asked_either(self, run):
        booked(ready_person(wants_reminders=False), run, confirmed=False)
        assert (remind(ASKED), remind(EVE)) == (0, 0)

    def test_on_another_day_they_are_asked_anew(self, run, ina):
        booking = booked(ina, run, confirmed=False)
        remind(ASKED)
        presence.confirm(booking, how=presence.LINK, by=None, at=ASKED + HOUR)
        old = shape_of(run)
        later = {"starts_at": old.starts_at + 7 * DAY, "ends_at": old.ends_at + 7 * DAY}
        reshape_run(run, old.__class__(**vars(old) | later), by=None, at=EVE)
        booking.refresh_from_db()
        assert booking.confirmed_at is None
        assert remind(ASKED + 7 * DAY) == 1


class TestWords:
    def links_in(self, message):
        return re.findall(r"https?://\S+/(confirm|sheet|stop)/[\w-]+/", message.text)

    def test_it_brings_the_sheet_a_way_to_say_no_and_a_way_to_turn_it_off(self, run, ina):
        booked(ina, run)
        publish(run.ordered_stops[0].site, {"entrance": "The blue door"}, by=None)
        remind(EVE)
        [message] = mails()
        assert self.links_in(message) == ["sheet", "confirm", "stop"]
        assert "New door notes, please read them first: " + run.ordered_stops[0].site.name in message.text
        assert "The blue door" in message.text  # a mail opens where there is no signal
        mail = message_from_bytes(bytes(message.raw), policy=policy.default)
        html = mail.get_body(("html",)).get_content()
        assert all(f"/{name}/" in html for name in ("sheet", "confirm", "stop"))

    def test_in_the_persons_language(self, run):
        booked(ready_person(language="es"), run, confirmed=False)
        remind(EVE)
        [message] = mails()
        assert "mar" in message.subject  # martes
        assert "Tue" not in message.subject + message.text

    def test_nothing_of_other_people_but_their_first_names(self, run, ina):
        lee = lead_driver(name="Lee Lead", phone="+15555550133")
        booked(lee, run)
        booked(ina, run, seat="second")
        remind(EVE)
        text = Message.objects.get(person=ina).text
        assert "Lee Lead" not in text
        assert "555-0133" not in text


def test_queries_do_not_grow(django_assert_num_queries, django_assert_max_num_queries):
    """A look that finds nothing new, while reminders of the evening are out and questions wait."""

    def some(count):
        for _n in range(count):
            person = PersonFactory()
            booked(person, make_run(starts_at=START), confirmed=False)
            booked(PersonFactory(by_phone=True), make_run(starts_at=START), confirmed=False)
            regular = PersonFactory()
            standing = weekly_of(regular)
            for days in (-28, -21, -14, -2, 0):
                booked(regular, make_run(starts_at=START + days * DAY), standing=standing)

    Programme.current(), Policy.current()
    some(2)
    remind(EVE - 2 * DAY)
    remind(EVE)
    with django_assert_max_num_queries(20) as few:
        assert remind(EVE + HOUR) == 0
    some(4)
    remind(EVE - 2 * DAY)
    remind(EVE)
    with django_assert_num_queries(len(few)):
        assert remind(EVE + HOUR) == 0


def date_in(run):
    local = localtime(run.starts_at)
    return f"{local:%a}, {local:%b} {local.day}"


def test_a_person_who_leaves_between_look_and_mail(run, ina):
    """Asked of the rows under the person's lock."""
    booking = booked(ina, run)
    programme, numbers = Programme.current(), Policy.current()
    [evening] = evenings(EVE, programme, numbers)
    give_back(booking, by=None, at=EVE)
    Message.objects.all().delete()
    assert not send(evening, EVE, programme, numbers)
    Person.objects.filter(pk=ina.pk).update(wants_reminders=False)
    assert mails() == []
