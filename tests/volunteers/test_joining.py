"""Asking to join: what is written, what may become of a request, what is kept of it."""

from datetime import UTC, datetime, time, timedelta

import pytest
from allauth.account.models import EmailAddress
from django.contrib.sessions.models import Session

from shifts.models import Booking
from sites.models import Event
from tests.factories import PersonFactory, coordinator, make_run, picture, put
from volunteers import joining
from volunteers.models import Join, Message, PaperPhoto, Person, Step, User
from volunteers.outbox import Mail, owe
from volunteers.papers import send
from volunteers.people import change_person, come_back, leave, set_cars
from volunteers.progress import NotPossible, complete

pytestmark = pytest.mark.django_db

# 11:30 p.m. on June 1 in New York, the zone of the programme; a day later in UTC.
AT = datetime(2026, 6, 2, 3, 30, tzinfo=UTC)
LATER = AT + timedelta(days=3)
WAITING, ASKED_BACK, ACCEPTED, DECLINED = Join.State.values


def ask(**facts):
    return joining.ask(
        **{
            "email": "Ida@Example.org",
            "name": "Ida Newcomer",
            "phone": "+15555550134",
            "language": "es",
            "is_adult": True,
            "drives": True,
            "at": AT,
            **facts,
        }
    )


@pytest.fixture
def cora():
    return coordinator().user


def last_event():
    return Event.objects.order_by("-pk").first()


class TestAsking:
    def test_writes_everything_that_was_said(self):
        join = ask(
            hours=[(0, time(8), time(12))],
            car={"label": "Blue wagon", "crates": 14},
            note="I know Oak Street.",
        )
        ida = join.person
        assert (ida.name, ida.email, ida.language, str(ida.phone)) == (
            "Ida Newcomer", "ida@example.org", "es", "(555) 555-0134",
        )  # fmt: skip
        assert (ida.drives, ida.is_adult, ida.is_mailed) == (True, True, True)
        assert (ida.asking_since.isoformat(), ida.joined_on.isoformat()) == ("2026-06-01", "2026-06-01")
        assert [(row.weekday, row.begins, row.ends) for row in ida.hours.all()] == [(0, time(8), time(12))]
        assert [(car.label, car.crates) for car in ida.cars.all()] == [("Blue wagon", 14)]
        assert (join.state, join.note, join.asked_at, join.settled_at) == (
            WAITING, "I know Oak Street.", AT, None,
        )  # fmt: skip

    def test_the_sign_in_needs_no_second_code(self):
        user = ask().person.user
        assert (user.email, user.is_coordinator) == ("ida@example.org", False)
        assert EmailAddress.objects.get(user=user).verified

    def test_the_event_says_who_and_when_and_names_nobody(self):
        join = ask()
        event = Event.objects.get()
        assert (event.verb, event.by, event.at, event.person_id) == (
            "asked to join", join.person.user, AT, join.person_id,
        )  # fmt: skip
        assert event.after == {"drives": True, "is_adult": True}

    def test_nobody_counts_on_them_yet(self):
        ida = ask().person
        assert ida not in Person.objects.drivers()
        assert ida not in Person.objects.present()
        assert list(Person.objects.of(ida.user)) == [ida]  # but they may look at their own pages

    def test_under_18_nobody_drives_whatever_was_said(self):
        ida = ask(is_adult=False, drives=True, car={"label": "Mother's", "crates": None}).person
        assert (ida.is_adult, ida.drives, ida.cars.count()) == (False, False, 0)

    def test_rather_not_driving(self):
        assert ask(drives=False).person.drives is False

    @pytest.mark.parametrize("left", [False, True])
    def test_an_address_in_use_makes_no_second_person(self, left):
        ana = PersonFactory(email="ida@example.org", sign_in=True)
        if left:
            leave(ana, by=None)
        with pytest.raises(joining.KnownAlready) as known:
            ask()
        assert known.value.user == ana.user
        assert list(Person.objects.all()) == [ana]
        assert not Join.objects.exists()

    def test_a_coordinator_who_is_nobody_on_the_list(self):
        User.objects.create_user("ida@example.org", is_coordinator=True)
        with pytest.raises(joining.KnownAlready):
            ask()

    def test_a_sign_in_that_is_nobodys_is_taken_up(self):
        user = User.objects.create_user("ida@example.org")
        assert ask().person.user == user

    def test_asking_twice_is_asking_once(self):
        first = ask()
        with pytest.raises(joining.KnownAlready) as known:
            ask()
        assert known.value.user == first.person.user
        assert Join.objects.count() == 1


class TestMoves:
    ACTS = {
        "accept": lambda join, by: joining.accept(join, by=by, at=LATER),
        "decline": lambda join, by: joining.decline(join, by=by, at=LATER),
        "ask back": lambda join, by: joining.ask_back(join, "Which days?", by=by, at=LATER),
        "answer": lambda join, by: joining.answer(join, "Mondays", by=join.person.user, at=LATER),
        "undo": lambda join, by: joining.undo(join, by=by, at=LATER),
    }

    @pytest.mark.parametrize("act", ACTS)
    @pytest.mark.parametrize(
        ("before", "may"),
        [
            (WAITING, {"accept": ACCEPTED, "decline": DECLINED, "ask back": ASKED_BACK}),
            (
                ASKED_BACK,
                {"accept": ACCEPTED, "decline": DECLINED, "ask back": ASKED_BACK, "answer": WAITING},
            ),
            (ACCEPTED, {"undo": WAITING}),
            (DECLINED, {"undo": WAITING}),
        ],
    )
    def test_what_may_be_done_in_which_state(self, cora, before, act, may):
        join = ask()
        for first in {ASKED_BACK: ["ask back"], ACCEPTED: ["accept"], DECLINED: ["decline"]}.get(before, []):
            join = self.ACTS[first](join, cora)
        count = Event.objects.count()
        if act in may:
            self.ACTS[act](join, cora)
            event = last_event()
            assert event.by == (join.person.user if act == "answer" else cora)
            assert (event.at, event.person_id) == (LATER, join.person_id)
        else:
            with pytest.raises(NotPossible, match="any more"):
                self.ACTS[act](join, cora)
            assert Event.objects.count() == count
        join.refresh_from_db()
        assert join.state == may.get(act, before)

    def test_accepted(self, cora):
        join = joining.accept(ask(), by=cora, at=LATER)
        ida = Person.objects.get(name="Ida Newcomer")
        assert (ida.asking_since, ida.left_on, ida.joined_on.isoformat()) == (None, None, "2026-06-04")
        assert ida in Person.objects.drivers()
        assert (join.settled_at, join.settled_by) == (LATER, cora)
        assert (last_event().verb, last_event().by) == ("taken in", cora)

    def test_declined_the_sign_in_acts_for_nobody(self, cora):
        join = joining.decline(ask(), by=cora, at=LATER)
        ida = Person.objects.get(name="Ida Newcomer")
        assert (ida.left_on.isoformat(), ida in Person.objects.active()) == ("2026-06-04", False)
        assert not Person.objects.of(ida.user).exists()
        assert (join.settled_at, join.settled_by) == (LATER, cora)
        assert (last_event().verb, last_event().by) == ("request declined", cora)

    def test_asked_back_and_answered(self, cora):
        join = joining.ask_back(ask(), " Which days? ", by=cora, at=LATER)
        assert (join.question, join.reply, last_event().verb, last_event().by) == (
            "Which days?", "", "asked something back", cora,
        )  # fmt: skip
        join = joining.answer(join, "Mondays", by=join.person.user, at=LATER)
        assert (join.state, join.reply) == (WAITING, "Mondays")
        assert (last_event().verb, last_event().by) == ("answered what was asked", join.person.user)
        assert joining.ask_back(join, "Mornings?", by=cora, at=LATER).reply == ""

    def test_an_empty_question_or_answer_is_refused(self, cora):
        join = ask()
        with pytest.raises(NotPossible, match="want to know"):
            joining.ask_back(join, "  ", by=cora)
        joining.ask_back(join, "Which days?", by=cora)
        with pytest.raises(NotPossible, match="your answer"):
            joining.answer(join, "\n", by=join.person.user)

    @pytest.mark.parametrize(("settle", "verb"), [("accept", "yes taken back"), ("decline", "no taken back")])
    @pytest.mark.parametrize("asked", [False, True])
    def test_undone_it_is_where_it_was(self, cora, settle, verb, asked):
        join = ask()
        if asked:
            join = joining.ask_back(join, "Which days?", by=cora)
        join = getattr(joining, settle)(join, by=cora, at=AT + timedelta(days=1))
        join = joining.undo(join, by=cora, at=LATER)
        ida = Person.objects.get(name="Ida Newcomer")
        assert join.state == (ASKED_BACK if asked else WAITING)
        assert (join.settled_at, join.settled_by) == (None, None)
        assert (ida.asking_since.isoformat(), ida.joined_on.isoformat()) == ("2026-06-01", "2026-06-01")
        assert ida.left_on is None
        assert (last_event().verb, last_event().by, last_event().at) == (verb, cora, LATER)

    def test_what_is_open_cannot_be_undone(self, cora):
        with pytest.raises(NotPossible, match="any more"):
            joining.undo(ask(), by=cora)

    def test_not_over_what_was_done_on_their_own_page_since(self, cora):
        join = joining.accept(ask(), by=cora)
        leave(join.person, by=cora)
        with pytest.raises(NotPossible, match="has left since"):
            joining.undo(join, by=cora)
        come_back(join.person, by=cora)
        join = joining.decline(joining.undo(join, by=cora), by=cora)
        come_back(join.person, by=cora)
        with pytest.raises(NotPossible, match="brought back"):
            joining.undo(join, by=cora)

    @pytest.mark.parametrize("act", ["accept", "decline", "ask back"])
    def test_not_of_somebody_who_has_left_meanwhile(self, cora, act):
        join = ask()
        leave(join.person, by=join.person.user)
        acts = {
            "accept": lambda: joining.accept(join, by=cora),
            "decline": lambda: joining.decline(join, by=cora),
            "ask back": lambda: joining.ask_back(join, "Which days?", by=cora),
        }
        with pytest.raises(NotPossible, match="has left"):
            acts[act]()
        assert Person.objects.get(pk=join.person_id).left_on
        come_back(join.person, by=cora)
        acts[act]()  # the request is open again

    def test_declined_no_photograph_stays(self, cora):
        join = ask()
        paper = Step.objects.get(code="license")
        send(person=join.person, step=paper, data=picture(), by=join.person.user, at=AT)
        joining.decline(join, by=cora, at=AT)
        assert not PaperPhoto.objects.exists()

    def test_open_requests_the_oldest_first_without_those_who_left(self, cora):
        second = ask(email="b@example.org")
        first = ask(email="a@example.org", at=AT - timedelta(days=1))
        gone = ask(email="c@example.org")
        leave(gone.person, by=cora)
        joining.accept(ask(email="d@example.org"), by=cora)
        assert list(Join.objects.open()) == [first, second]


class TestKept:
    DAYS = timedelta(days=90)

    def declined(self, cora, **facts):
        return joining.decline(ask(**facts), by=cora, at=AT)

    def test_nothing_personal_stays_but_events(self, cora):
        join = self.declined(cora, hours=[(0, time(8), time(12))], car={"label": "Wagon", "crates": 3})
        ida, user = join.person, join.person.user
        owe(person=ida, mail=Mail("No", "No", "No"), kind="join declined", key="no")
        assert joining.prune(AT + self.DAYS) == 0
        assert joining.prune(AT + self.DAYS + timedelta(seconds=1)) == 1
        assert not Person.objects.filter(pk=ida.pk).exists()
        assert not Join.objects.exists()
        assert not Message.objects.filter(kind="join declined").exists()
        assert not EmailAddress.objects.filter(user=user).exists()
        user.refresh_from_db()
        assert (user.is_active, "ida" in user.email) == (False, False)
        assert set(Event.objects.filter(person_id=ida.pk).values_list("verb", flat=True)) == {
            "asked to join", "request declined", "request forgotten",
        }  # fmt: skip
        assert "Ida" not in str(list(Event.objects.filter(person_id=ida.pk).values_list("before", "after")))

    def test_what_they_changed_of_themselves_is_not_in_the_log_either(self, cora):
        join = ask()
        change_person(join.person, by=join.person.user, name="Ida Otherwise", phone="+15555550199")
        joining.decline(join, by=cora, at=AT)
        ben = PersonFactory(name="Ben Otherwise")
        change_person(ben, by=None, name="Ben Likewise")
        joining.prune(AT + timedelta(days=91))
        said = Event.objects.filter(person_id=join.person_id)
        assert "changed" in said.values_list("verb", flat=True)
        assert "Ida" not in str(list(said.values_list("before", "after")))
        assert "Ben Otherwise" in str(Event.objects.get(person_id=ben.pk).before)

    def test_whoever_left_before_there_was_an_answer_is_forgotten_too(self, cora):
        join = ask()
        leave(join.person, by=join.person.user, on=AT.date())
        assert joining.prune(AT + self.DAYS) == 0
        assert joining.prune(AT + self.DAYS + timedelta(days=2)) == 1
        assert not Person.objects.filter(pk=join.person_id).exists()

    def test_not_where_the_no_was_taken_back_at_that_moment(self, cora):
        old = self.declined(cora)
        joining.undo(old, by=cora, at=LATER)
        assert joining.forget(old, at=AT + timedelta(days=91)) is False
        assert Person.objects.filter(pk=old.person_id).exists()

    def test_the_address_may_ask_anew(self, cora):
        old = self.declined(cora).person
        joining.prune(AT + timedelta(days=91))
        again = ask(at=AT + timedelta(days=92)).person
        assert (again.pk != old.pk, again.user_id != old.user_id) == (True, True)

    def test_what_they_read_meanwhile_goes_with_them(self, cora):
        join = ask()
        complete(person=join.person, step=Step.objects.get(kind="briefing"), by=join.person.user)
        joining.decline(join, by=cora, at=AT)
        joining.prune(AT + timedelta(days=91))
        assert not Person.objects.filter(pk=join.person_id).exists()

    def test_who_has_other_records_stays_as_one_who_left(self, cora):
        join = self.declined(cora)
        put(join.person, make_run(), Booking.Seat.SECOND)
        joining.prune(AT + timedelta(days=91))
        assert Person.objects.get(pk=join.person_id).left_on
        assert not Join.objects.exists()

    def test_a_household_keeps_its_sign_in(self, cora):
        join = self.declined(cora)
        other = PersonFactory(email="ida@example.org", user=join.person.user)
        joining.prune(AT + timedelta(days=91))
        other.user.refresh_from_db()
        assert (other.user.email, other.user.is_active) == ("ida@example.org", True)

    def test_others_are_left_alone(self, cora):
        waiting = ask(email="a@example.org")
        taken_in = joining.accept(ask(email="b@example.org"), by=cora, at=AT)
        back = self.declined(cora, email="c@example.org")
        come_back(back.person, by=cora)
        set_cars(back.person, [{"label": "Van", "crates": None}], by=cora)
        assert joining.prune(AT + timedelta(days=400)) == 0
        assert {waiting.person, taken_in.person, back.person} <= set(Person.objects.all())

    def test_what_strangers_typed_and_left_goes_too(self):
        Session.objects.create(session_key="old", session_data="x", expire_date=AT - timedelta(hours=1))
        joining.prune(AT)
        assert not Session.objects.filter(session_key="old").exists()
