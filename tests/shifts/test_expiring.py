"""Reminders of what runs out: when, to whom, once, and what they say."""

from datetime import UTC, date, datetime, time, timedelta

import pytest

from shifts import worker
from shifts.models import Policy
from shifts.schedule.making import Plan, add_shift
from shifts.seats import standing
from shifts.seats.changes import cancel_run
from shifts.seats.expiring import not_readable, remind_ahead
from shifts.seats.standing import Wish
from sites.changes import change_programme
from sites.models import Event, Programme
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    make_ready,
    make_run,
    picture,
    put,
)
from volunteers import steps
from volunteers.doors import publish
from volunteers.models import Completion, Message, PaperPhoto, Step, StepTerm
from volunteers.papers import send
from volunteers.progress import complete, withdraw

DAY = timedelta(days=1)
NOON = datetime(2027, 5, 3, 16, 0, tzinfo=UTC)  # noon in New York on a Monday
TODAY = date(2027, 5, 3)
PAPERS = ("license", "insurance")
pytestmark = pytest.mark.django_db


@pytest.fixture
def ana():
    return make_ready(PersonFactory(name="Ana Bell", email="ana@example.org"), without=PAPERS)


def step(code):
    return Step.objects.get(code=code)


def paper(person, code, days, **how):
    """A paper whose last day is so many days after today."""
    return complete(
        person=person, step=step(code), on=date(2026, 1, 1), valid_until=TODAY + days * DAY, by=None,
        at=NOON - 400 * DAY, **how,
    )  # fmt: skip


@pytest.fixture
def card(ana):
    """Ana's insurance card runs out in 30 days; her license in years."""
    paper(ana, "license", 2000)
    return paper(ana, "insurance", 30)


def told(person):
    return list(Message.objects.filter(person=person, kind="runs out").order_by("pk"))


def on_day(days, hours=0):
    """So many days after today, at noon in New York unless later."""
    return NOON + days * DAY + timedelta(hours=hours)


class TestWhen:
    def test_on_the_three_days_and_on_no_other(self, ana, card):
        days = []
        for day in range(-5, 40):
            remind_ahead(on_day(day))
            if len(told(ana)) > len(days):
                days.append(30 - day)
        assert days == [21, 7, 1]

    def test_once_however_often_the_worker_ticks(self, ana, card):
        counts = [remind_ahead(on_day(9, hours)) for hours in (0, 0, 1, 2, 3, 20, 23)]
        assert counts == [1, 0, 0, 0, 0, 0, 0]
        assert len(told(ana)) == 1

    def test_after_days_without_a_worker_only_the_nearest(self, ana, card):
        remind_ahead(on_day(27))  # three days before: 21 and 7 are both past
        assert [event.after["days"] for event in Event.objects.filter(verb="reminded")] == [7]
        remind_ahead(on_day(28))
        assert len(told(ana)) == 1
        remind_ahead(on_day(29))
        assert len(told(ana)) == 2

    def test_on_its_last_day_but_not_after_it(self, ana, card):
        assert remind_ahead(on_day(31)) == 0
        assert remind_ahead(on_day(30)) == 1

    def test_days_are_those_of_the_programmes_zone(self, ana, card):
        """At 11 p.m. in Honolulu on the day before it is the day itself in UTC and in New York."""
        change_programme(time_zone="Pacific/Honolulu", by=None)
        policy_days("21")
        assert remind_ahead(datetime(2027, 5, 12, 5, 0, tzinfo=UTC)) == 0  # May 11, 7 p.m.
        assert remind_ahead(datetime(2027, 5, 13, 5, 0, tzinfo=UTC)) == 1  # May 12, 7 p.m.: 21 days left

    def test_by_day_only(self, ana, card):
        at = {hour: datetime(2027, 5, 12, 4, tzinfo=UTC) + timedelta(hours=hour) for hour in range(24)}
        assert [hour for hour in (0, 3, 7, 21, 23) if remind_ahead(at[hour])] == []
        assert remind_ahead(at[8]) == 1

    def test_by_the_programmes_own_quiet_hours(self, ana, card):
        Policy.current()
        Policy.objects.update(quiet_from=time(20), quiet_until=time(10))
        morning = datetime(2027, 5, 12, 13, 59, tzinfo=UTC)
        assert remind_ahead(morning) == 0
        assert remind_ahead(morning + timedelta(minutes=1)) == 1

    def test_at_eight_by_the_clock_on_both_sides_of_its_change(self, ana):
        """In New York the clock goes forward on March 14, 2027: 8 a.m. is 13:00 UTC before, 12:00 after."""
        paper(ana, "license", 2000)
        card = paper(ana, "insurance", 0)
        Completion.objects.filter(pk=card.pk).update(valid_until=date(2027, 3, 20))
        policy_days("7, 5")
        assert remind_ahead(datetime(2027, 3, 13, 12, 59, tzinfo=UTC)) == 0
        assert remind_ahead(datetime(2027, 3, 13, 13, 0, tzinfo=UTC)) == 1
        assert remind_ahead(datetime(2027, 3, 15, 11, 59, tzinfo=UTC)) == 0
        assert remind_ahead(datetime(2027, 3, 15, 12, 0, tzinfo=UTC)) == 1

    def test_on_days_of_ones_own(self, ana, card):
        policy_days("14")
        assert [day for day in range(40) if remind_ahead(on_day(day))] == [16]

    def test_never_where_no_day_is_named(self, ana, card):
        policy_days("")
        assert not any(remind_ahead(on_day(day)) for day in range(40))

    def test_by_the_worker(self, ana, card):
        worker.tick(on_day(9))
        assert len(told(ana)) == 1


def policy_days(text):
    Policy.current()
    Policy.objects.update(reminder_days=text)


class TestOfWhat:
    def test_not_of_what_a_newer_one_covers(self, ana, card):
        paper(ana, "insurance", 400)
        assert not any(remind_ahead(on_day(day)) for day in range(40))

    def test_of_the_newer_one_in_its_turn(self, ana, card):
        remind_ahead(on_day(9))
        paper(ana, "insurance", 50)
        assert [day for day in range(10, 60) if remind_ahead(on_day(day))] == [29, 43, 49]

    def test_of_the_older_one_again_where_the_newer_was_a_mistake(self, ana, card):
        withdraw(paper(ana, "insurance", 400), reason="Wrong year.", by=None)
        assert remind_ahead(on_day(9)) == 1

    def test_of_a_briefing(self, ana, card):
        Completion.objects.filter(person=ana, step=step("briefing")).update(valid_until=TODAY + 10 * DAY)
        remind_ahead(NOON)
        assert "Driver briefing" in told(ana)[0].subject

    def test_several_on_one_day_are_one_mail(self, ana, card):
        Completion.objects.filter(person=ana, step=step("license")).update(valid_until=TODAY + 25 * DAY)
        remind_ahead(on_day(9))
        [mail] = told(ana)
        assert mail.subject == "Running out: Driver's license, Car insurance card"
        assert mail.text.count("it counts until") == 2
        assert Event.objects.filter(verb="reminded").count() == 2
        assert remind_ahead(on_day(10)) == 0

    def test_recorded_twice_it_is_named_once(self, ana, card):
        paper(ana, "insurance", 30)
        remind_ahead(on_day(9))
        assert told(ana)[0].text.count("Car insurance card:") == 1
        assert remind_ahead(on_day(9)) == 0

    def test_who_was_reminded_of_what_and_when_is_in_the_log(self, ana, card):
        remind_ahead(on_day(9))
        event = Event.objects.about(card).get(verb="reminded")
        assert (event.by, event.at, event.person_id) == (None, on_day(9), ana.pk)
        assert event.after == {"step": "Car insurance card", "until": "2027-06-02", "days": 21, "anew": False}


class TestWhom:
    @pytest.mark.parametrize(
        "facts",
        [
            {"drives": False},
            {"paused_on": TODAY},
            {"asking_since": TODAY},
            {"left_on": TODAY},
        ],
        ids=lambda facts: next(iter(facts)),
    )
    def test_only_those_who_drive_and_are_here(self, ana, card, facts):
        type(ana).objects.filter(pk=ana.pk).update(**facts)
        assert remind_ahead(on_day(9)) == 0
        type(ana).objects.filter(pk=ana.pk).update(
            drives=True, paused_on=None, asking_since=None, left_on=None
        )
        assert remind_ahead(on_day(10)) == 1

    def test_without_mail_they_are_told_by_phone(self):
        joe = make_ready(PersonFactory(name="Joe Oak", by_phone=True), without=PAPERS)
        paper(joe, "insurance", 5)
        remind_ahead(NOON)
        [words] = Message.objects.to_tell()
        assert (words.person, words.subject) == (joe, "Runs out Sat, May 8: Car insurance card")

    def test_in_their_language_and_their_programmes_clock(self, card, ana):
        type(ana).objects.filter(pk=ana.pk).update(language="es")
        remind_ahead(on_day(9))
        assert "2 de junio" in told(ana)[0].subject + told(ana)[0].text

    def test_each_their_own(self, ana, card):
        other = make_ready(PersonFactory(), without=PAPERS)
        paper(other, "license", 30)
        assert remind_ahead(on_day(9)) == 2
        assert told(other)[0].subject == "Runs out Wed, Jun 2: Driver's license"

    def test_few_queries_where_nothing_is_due(self, django_assert_num_queries):
        for _ in range(3):
            paper(make_ready(PersonFactory(), without=PAPERS), "insurance", 10)
        Programme.current(), Policy.current()
        remind_ahead(NOON)
        with django_assert_num_queries(5):  # programme, policy, what runs out, what is asked, what was sent
            remind_ahead(NOON)


class TestWhatItSays:
    def words(self, person, at=None):
        remind_ahead(at or on_day(9))
        mail = told(person)[-1]
        return mail.subject, " ".join(mail.text.split()), bytes(mail.raw).decode()

    def test_the_paper_and_its_date(self, ana, card):
        subject, text, _raw = self.words(ana)
        assert subject == "Runs out Wed, Jun 2: Car insurance card"
        assert "Car insurance card: it counts until Wed, Jun 2." in text
        assert "Nobody drives a run after the date." in text

    def test_shown_or_texted_where_photographs_are_not_taken(self, ana, card):
        _subject, text, _raw = self.words(ana)
        assert "Show it to the coordinator, or text them a picture" in text
        assert "/orientation/papers/" not in text
        assert "/orientation/ " in text

    def test_the_page_to_send_one_where_they_are(self, ana, card):
        Policy.current()
        Policy.objects.update(photos_on=True)
        _subject, text, raw = self.words(ana)
        assert f"/orientation/papers/{card.step_id}/" in text
        assert "Send a photo of the new one" in text
        assert raw.count("text/html") == 1

    def test_a_briefing_is_read_again(self, ana, card):
        Completion.objects.filter(person=ana, step=step("briefing")).update(valid_until=TODAY + 10 * DAY)
        Policy.objects.update(photos_on=True)
        _subject, text, _raw = self.words(ana, NOON)
        assert "Read it on the orientation page" in text
        assert "/orientation/papers/" not in text

    def test_date_to_follow_is_asked_for(self, ana):
        paper(ana, "license", 2000)
        complete(person=ana, step=step("insurance"), how="seen", on=TODAY, by=None, at=NOON)
        subject, text, _raw = self.words(ana)
        assert subject == "We still need the date on it: Car insurance card, by Wed, Jun 2"
        assert "its date was to follow" in text

    def test_the_runs_that_come_after_it(self, ana, card):
        for days, title in [(29, "Before"), (30, "Last day"), (31, "First after"), (40, "Later")]:
            put(ana, make_run(title=title, starts_at=on_day(days)))
        off = make_run(title="Called off", starts_at=on_day(41))
        put(ana, off)
        cancel_run(off, reason="Snow.", by=None)
        put(ana, make_run(title="Beside", starts_at=on_day(42)), seat="second")
        put(PersonFactory(), make_run(title="Of others", starts_at=on_day(43)))
        _subject, text, _raw = self.words(ana)
        assert "* First after, Thu, Jun 3, 12:00 p.m. * Later, Sat, Jun 12, 12:00 p.m." in text
        for title in ("Before", "Last day", "Called off", "Beside", "Of others"):
            assert title not in text

    def test_no_heading_without_runs(self, ana, card):
        assert "Your runs after that" not in self.words(ana)[1]

    def test_five_runs_and_how_many_more(self, ana, card):
        for days in range(31, 39):
            put(ana, make_run(starts_at=on_day(days)))
        text = self.words(ana)[1]
        assert text.count("* Morning run") == 5
        assert "and 3 more" in text

    def test_the_runs_that_are_kept_for_them(self, ana, card):
        stops = ((SiteFactory().pk, 0), (DropOffFactory().pk, 30))
        weekly = Plan(rule="FREQ=WEEKLY;BYDAY=TU", starts=time(8), minutes=60, stops=stops)
        shift = add_shift(name="Tuesdays", plan=weekly, from_day=TODAY, by=None, at=NOON)
        standing.begin(Wish(shift=shift, person=ana, from_day=TODAY), by=None, at=NOON)
        text = self.words(ana)[1]
        assert "* Tuesdays, Tue, Jun 8, 8:00 a.m." in text
        assert "Jun 1," not in text

    def test_of_a_sites_own_paper_only_the_runs_there(self, ana, card):
        site = SiteFactory()
        badge = Step.objects.create(kind="paper", site=site, title="Badge")
        StepTerm.objects.create(step=badge, applies_from=date(2020, 1, 1))
        complete(person=ana, step=badge, on=TODAY, valid_until=TODAY + 20 * DAY, by=None, at=NOON)
        put(ana, make_run(title="There", starts_at=on_day(25), sites=[site, DropOffFactory()]))
        put(ana, make_run(title="Elsewhere", starts_at=on_day(25)))
        text = self.words(ana, NOON)[1]
        assert "* There" in text
        assert "* Elsewhere" not in text


class TestNotReadable:
    @pytest.fixture
    def photo(self, ana):
        return send(person=ana, step=step("insurance"), data=picture(), by=None, at=NOON)

    def test_it_is_deleted_and_another_is_asked_for(self, ana, photo):
        cora = coordinator()
        assert not_readable(photo, by=cora.user, at=NOON)
        assert not PaperPhoto.objects.exists()
        mail = Message.objects.get(person=ana)
        assert mail.subject == "Another photo, please: Car insurance card"
        assert "thank you for the photo" in mail.text
        assert b"JFIF" not in bytes(mail.raw)
        event = Event.objects.get(verb="photo deleted")
        assert (event.by, event.at) == (cora.user, NOON)

    def test_once(self, ana, photo):
        not_readable(photo, by=None, at=NOON)
        assert not not_readable(photo, by=None, at=NOON)
        assert Message.objects.filter(person=ana).count() == 1


class TestAskedAnew:
    """What a change of the steps will ask of those who drive now: told on the same days, not at once."""

    @pytest.fixture
    def ready(self):
        return make_ready(PersonFactory(name="Ana Bell", email="ana@example.org"))

    @pytest.fixture
    def first_aid(self, ready):
        """A new step from 30 days ahead, announced long ago."""
        return steps.add_step(
            kind="form", title="Cold box rules", from_day=TODAY + 30 * DAY, by=None, at=NOON - 20 * DAY
        )

    def again(self, days, at=NOON - 20 * DAY):
        steps.ask(step("briefing"), again=True, from_day=TODAY + days * DAY, by=None, at=at)

    def test_on_the_same_days_as_papers(self, ready, first_aid):
        days = []
        for day in range(-5, 40):
            remind_ahead(on_day(day))
            if len(told(ready)) > len(days):
                days.append(29 - day)  # to the last day without it
        assert days == [21, 7, 1]

    def test_a_briefing_to_be_read_again(self, ready):
        self.again(8)
        assert remind_ahead(NOON) == 1
        [mail] = told(ready)
        assert mail.subject == "Needed from Tue, May 11: Driver briefing"
        assert "Driver briefing: from Tue, May 11 on you need it before you drive." in mail.text
        assert "/orientation/" in mail.text
        assert "Nobody drives a run without it." in mail.text

    def test_not_whoever_has_it_already(self, ready, first_aid):
        complete(person=ready, step=first_aid, by=None, on=TODAY, at=NOON)
        assert remind_ahead(on_day(9)) == 0

    def test_not_those_who_are_on_the_way_and_see_it_among_their_steps(self, ready, first_aid):
        ready.completions.filter(step=step("license")).delete()
        assert remind_ahead(on_day(9)) == 0

    def test_second_thoughts_reach_nobody(self, ready):
        self.again(0, at=NOON)
        assert remind_ahead(NOON + timedelta(minutes=59)) == 0
        steps.take_back(step("briefing"), from_day=TODAY, by=None, at=NOON + timedelta(minutes=59))
        assert remind_ahead(NOON + timedelta(hours=3)) == 0

    def test_asked_from_this_very_day_they_are_told_an_hour_later_and_once(self, ready):
        self.again(0, at=NOON)
        assert remind_ahead(NOON + timedelta(hours=1, minutes=1)) == 1
        assert remind_ahead(NOON + timedelta(hours=2)) == 0
        assert told(ready)[0].subject == "Needed from Mon, May 3: Driver briefing"

    def test_asked_in_the_evening_they_are_told_the_next_morning(self, ready):
        self.again(0, at=NOON + timedelta(hours=9))
        assert remind_ahead(NOON + timedelta(hours=11)) == 0  # 11 p.m.
        assert remind_ahead(NOON + timedelta(hours=20)) == 1  # 8 a.m.

    def test_with_a_paper_in_one_mail(self, ana, card):
        self.again(10)
        remind_ahead(on_day(9))
        [mail] = told(ana)
        assert mail.subject == "Needed before you drive: Driver briefing, Car insurance card"
        assert Event.objects.filter(verb="reminded", person_id=ana.pk).count() == 2

    def test_of_a_site_only_those_who_are_to_drive_there(self, ready):
        here, there = SiteFactory(), SiteFactory()
        other = make_ready(PersonFactory())
        put(other, make_run(starts_at=NOON + 20 * DAY, sites=[here, DropOffFactory()]))
        put(ready, make_run(starts_at=NOON + 20 * DAY, sites=[there, DropOffFactory()]))
        steps.add_step(
            kind="form", title="Gate code form", site=here, from_day=TODAY + 5 * DAY, by=None, at=NOON - DAY
        )
        assert remind_ahead(NOON) == 1
        assert [message.person for message in Message.objects.filter(kind="runs out")] == [other]
        assert "Your runs after that:" in told(other)[0].text

    def test_new_door_notes_have_their_own_news(self, ready):
        site = SiteFactory()
        put(ready, make_run(starts_at=NOON + 20 * DAY, sites=[site, DropOffFactory()]))
        publish(site, {"entrance": "Ring twice."}, by=None, at=NOON - DAY)
        assert remind_ahead(NOON) == 0

    def test_the_log_says_what_it_was(self, ready, first_aid):
        remind_ahead(on_day(9))
        event = Event.objects.get(verb="reminded")
        assert event.after == {"step": "Cold box rules", "until": "2027-06-01", "days": 21, "anew": True}
