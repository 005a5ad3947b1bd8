"""Who is told when somebody asks to join, and when a coordinator answers."""

import email
from datetime import timedelta

import pytest

from shifts import worker
from shifts.seats import joins
from shifts.seats.booking import seat
from sites.models import Programme
from tests.factories import PersonFactory, coordinator, make_ready, make_run
from volunteers import joining, outbox
from volunteers.models import Join, Message, Person
from volunteers.people import leave
from volunteers.progress import NotPossible

pytestmark = pytest.mark.django_db

FACTS = {
    "email": "ida@example.org", "name": "Ida Newcomer", "phone": "+15555550134", "language": "en",
    "is_adult": True, "drives": True,
}  # fmt: skip


@pytest.fixture
def cora():
    return coordinator()


def mails_to(person):
    return list(Message.objects.filter(person=person).order_by("pk"))


class TestCoordinators:
    def test_each_is_told_once(self, cora):
        second = coordinator(name="Bea Desk", email="bea@example.org")
        gone = coordinator(name="Old Desk", email="old@example.org")
        leave(gone, by=None)
        join = joins.ask(**FACTS, note="I know Oak Street.")
        for person in (cora, second):
            [mail] = mails_to(person)
            assert mail.subject == "Ida Newcomer asks to join"
            assert "Wants to drive." in mail.text
            assert "I know Oak Street." in mail.text
            assert f"/desk/joins/{join.pk}/" in mail.text
        assert mails_to(gone) == []

    def test_a_request_that_fails_tells_nobody(self, cora):
        PersonFactory(email="ida@example.org", sign_in=True)
        with pytest.raises(joining.KnownAlready):
            joins.ask(**FACTS)
        assert not Message.objects.exists()

    @pytest.mark.parametrize(
        ("facts", "words"),
        [({"drives": False}, "Would rather not drive."), ({"is_adult": False}, "Under 18")],
    )
    def test_how_they_would_help(self, cora, facts, words):
        joins.ask(**FACTS | facts)
        assert words in mails_to(cora)[0].text

    def test_and_of_the_answer(self, cora):
        join = joins.ask_back(joins.ask(**FACTS), "Which days?", by=cora.user)
        joins.answer(join, "Mondays & Fridays", by=join.person.user)
        mail = mails_to(cora)[-1]
        assert mail.subject == "Ida Newcomer has answered you"
        assert "Which days?" in mail.text
        assert "Mondays & Fridays" in mail.text


class TestWhoeverAsks:
    def test_welcomed_with_the_steps_ahead(self, cora):
        join = joins.accept(joins.ask(**FACTS), by=cora.user)
        [mail] = mails_to(join.person)
        assert mail.subject.startswith("Welcome to ")
        assert mail.subject.endswith(", Ida")
        assert "1. " in mail.text
        assert "/orientation/" in mail.text

    @pytest.mark.parametrize(
        ("facts", "words"),
        [
            ({"drives": False}, "You help without driving."),
            ({"is_adult": False}, "only beside your parent or guardian"),
        ],
    )
    def test_who_does_not_drive_gets_no_steps(self, cora, facts, words):
        join = joins.accept(joins.ask(**FACTS | facts), by=cora.user)
        [mail] = mails_to(join.person)
        assert words in mail.text
        assert "1. " not in mail.text

    def test_a_question_may_be_answered_by_mail_too(self, cora):
        programme = Programme.current()
        programme.contact_email = "desk@example.org"
        programme.save()
        join = joins.ask_back(joins.ask(**FACTS), "Which days?", by=cora.user)
        [mail] = mails_to(join.person)
        assert "Which days?" in mail.text
        assert "/join/answer/" in mail.text
        assert b"Reply-To: desk@example.org" in bytes(mail.raw)

    def test_declined_in_the_coordinators_words(self, cora):
        join = joins.ask(**FACTS)
        words = joins.kind_words(join.person) + "\n\nTry the garden club."
        joins.decline(join, words, by=cora.user)
        [mail] = mails_to(join.person)
        assert "We are glad that you thought of us." in mail.text
        assert "Try the garden club." in mail.text
        assert "deleted after 90 days" in mail.text

    def test_a_no_without_words_is_refused(self, cora):
        join = joins.ask(**FACTS)
        with pytest.raises(NotPossible):
            joins.decline(join, " ", by=cora.user)
        assert Join.objects.get().state == "waiting"
        assert mails_to(join.person) == []

    def test_in_their_own_language(self, cora):
        join = joins.ask(**FACTS | {"language": "es"})
        joins.accept(join, by=cora.user)
        assert b'<html lang="es">' in outbox_html(mails_to(join.person)[0])


def outbox_html(message):
    parts = email.message_from_bytes(bytes(message.raw)).walk()
    return next(part for part in parts if part.get_content_type() == "text/html").get_payload(decode=True)


def test_the_worker_forgets_who_was_declined_long_ago(cora):
    join = joins.decline(joins.ask(**FACTS), "No.", by=cora.user)
    worker.tick(join.settled_at + joining.KEPT)
    assert Person.objects.filter(pk=join.person_id).exists()
    worker.tick(join.settled_at + joining.KEPT + timedelta(minutes=1))
    assert not Person.objects.filter(pk=join.person_id).exists()


class TestUndo:
    def test_a_mail_not_sent_yet_is_kept_back(self, cora):
        join = joins.accept(joins.ask(**FACTS), by=cora.user)
        assert joins.undo(join, by=cora.user) is True
        assert mails_to(join.person)[0].state == Message.State.REPLACED

    def test_one_that_went_out_stays_sent(self, cora, settings, tmp_path):
        settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
        join = joins.decline(joins.ask(**FACTS), "No.", by=cora.user)
        outbox.drain()
        assert joins.undo(join, by=cora.user) is False
        assert mails_to(join.person)[0].state == Message.State.SENT

    def test_not_once_something_was_booked(self, cora):
        join = joins.accept(joins.ask(**FACTS), by=cora.user)
        seat(run=make_run(), person=make_ready(join.person), seat="driver", by=cora.user)
        with pytest.raises(NotPossible, match="had a seat"):
            joins.undo(join, by=cora.user)
        assert Join.objects.get().state == "accepted"
        assert Person.objects.get(pk=join.person_id).asking_since is None
