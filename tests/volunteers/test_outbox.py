"""The outbox, in real SMTP conversations with aiosmtpd: refused, dropped, killed, sent once."""

import email
import email.policy
import re
import socket
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta

import pytest
from aiosmtpd.controller import Controller
from django.db import transaction
from django.utils import timezone

from sites.models import Event
from tests.factories import PersonFactory, coordinator
from volunteers import outbox
from volunteers.models import Message

AT = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
MAIL = outbox.Mail(subject="Hello", text="Hello there.\n", html="<p>Hello there.</p>")


class Postbox:
    """A mail server's other half. Keeps what it accepts; can refuse, drop the line, or stall."""

    def __init__(self):
        self.accepted = []
        self.drop = False
        self.reached = threading.Event()
        self.go_on = threading.Event()
        self.go_on.set()

    async def handle_RCPT(self, server, session, envelope, address, options):
        if address.startswith("no-such-box"):
            return "550 5.1.1 no such box here"
        if address.startswith("later"):
            return "450 4.2.1 box is busy, try later"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        self.reached.set()
        if self.drop:
            server.transport.abort()
            return "451 never read"
        await server.loop.run_in_executor(None, self.go_on.wait)
        self.accepted.append(envelope)
        return "250 OK"


class AnyPort(Controller):
    """aiosmtpd on a port that is free; Controller itself needs it named beforehand."""

    def __init__(self, handler):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        super().__init__(handler, hostname="127.0.0.1", port=port)


@pytest.fixture
def postbox(settings):
    box = Postbox()
    server = AnyPort(box)
    server.start()
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = server.hostname, server.port
    box.url = f"smtp://{server.hostname}:{server.port}"
    yield box
    box.go_on.set()
    server.stop()


def owe(person=None, key="one", about="", at=AT, mail=MAIL):
    person = person or PersonFactory()
    return outbox.owe(person=person, mail=mail, kind="booked", key=key, about=about, at=at)


def state(message):
    message.refresh_from_db()
    return message.state


@pytest.mark.django_db
class TestSending:
    def test_a_mail_arrives_whole_and_is_marked_sent(self, postbox):
        message = owe(PersonFactory(name="Ana Bell", email="ana@example.org"))
        assert outbox.drain(AT) == 1
        [envelope] = postbox.accepted
        assert envelope.rcpt_tos == ["ana@example.org"]
        read = email.message_from_bytes(envelope.original_content, policy=email.policy.default)
        assert read["Message-ID"] == message.message_id
        assert read["To"] == "Ana Bell <ana@example.org>"
        assert read["Auto-Submitted"] == "auto-generated"  # RFC 3834 5
        assert read.get_body(("plain",)).get_content().strip() == "Hello there."
        assert state(message) == Message.State.SENT
        assert outbox.drain(AT) == 0

    def test_a_refused_address_fails_at_once_and_names_the_answer(self, postbox):
        """A 5yz reply is permanent: RFC 5321 4.2.1."""
        message = owe(PersonFactory(email="no-such-box@example.org"))
        outbox.drain(AT)
        assert state(message) == Message.State.FAILED
        assert "550" in message.error
        assert "no such box" in message.error
        assert list(Message.objects.failed()) == [message]

    def test_a_busy_box_is_tried_again_on_schedule_and_given_up_at_the_end(self, postbox):
        """A 4yz reply is transient: RFC 5321 4.2.1. Waits: 1 min, 5 min, 30 min, 2 h, 8 h."""
        message = owe(PersonFactory(email="later@example.org"))
        at, waits = AT, []
        while state(message) == Message.State.OWED:
            at = message.next_try_at
            assert outbox.send_one(at - timedelta(seconds=1)) is False
            assert outbox.send_one(at) is True
            message.refresh_from_db()
            waits.append(message.next_try_at - at)
        assert waits[:-1] == outbox.RETRIES
        assert state(message) == Message.State.FAILED
        assert postbox.accepted == []

    def test_a_dropped_line_is_tried_again(self, postbox):
        message = owe()
        postbox.drop = True
        outbox.drain(AT)
        assert state(message) == Message.State.OWED
        postbox.drop = False
        outbox.drain(AT + timedelta(minutes=1))
        assert state(message) == Message.State.SENT
        assert len(postbox.accepted) == 1

    def test_a_server_that_is_not_there_is_tried_again(self, postbox, settings):
        settings.EMAIL_PORT = 1
        message = owe()
        outbox.drain(AT)
        assert state(message) == Message.State.OWED
        assert "could not be reached" in message.error

    def test_one_refusal_does_not_hold_up_the_others(self, postbox):
        owe(PersonFactory(email="no-such-box@example.org"), key="one")
        second = owe(key="two")
        assert outbox.drain(AT) == 2
        assert state(second) == Message.State.SENT

    def test_a_wrong_password_is_no_fault_of_the_mail(self):
        import smtplib

        assert not outbox.is_final(smtplib.SMTPAuthenticationError(535, b"no"))
        assert outbox.is_final(smtplib.SMTPDataError(554, b"no"))
        assert not outbox.is_final(smtplib.SMTPDataError(451, b"later"))
        assert not outbox.is_final(smtplib.SMTPServerDisconnected())


@pytest.mark.django_db
class TestOwing:
    def test_the_same_notice_is_owed_once(self):
        person = PersonFactory()
        assert owe(person) is not None
        assert owe(person) is None
        assert Message.objects.count() == 1

    def test_a_newer_message_replaces_an_unsent_one_about_the_same_entry(self, postbox):
        first = owe(key="one", about="entry")
        second = owe(first.person, key="two", about="entry")
        other = owe(first.person, key="three", about="another")
        assert state(first) == Message.State.REPLACED
        outbox.drain(AT)
        assert [state(second), state(other)] == [Message.State.SENT] * 2
        assert len(postbox.accepted) == 2

    def test_a_message_waits_for_an_earlier_one_in_flight_about_the_same_entry(self):
        first = owe(key="one", about="entry")
        assert outbox.claim(AT).pk == first.pk
        second = owe(first.person, key="two", about="entry")
        assert state(first) == Message.State.SENDING  # in flight: it is not replaced
        assert outbox.claim(AT) is None
        first.refresh_from_db()
        outbox.settle(first, Message.State.SENT, AT)
        assert outbox.claim(AT).pk == second.pk

    def test_whoever_has_no_mail_is_on_the_list_to_tell_and_is_ticked_off(self):
        message = owe(PersonFactory(by_phone=True))
        assert list(Message.objects.to_tell()) == [message]
        assert outbox.drain(AT) == 0
        desk = coordinator()
        outbox.mark_told(message, by=desk.user)
        assert state(message) == Message.State.TOLD
        assert Event.objects.about(message).get().by == desk.user
        outbox.not_told(message, by=desk.user)
        assert state(message) == Message.State.TELL

    def test_nothing_is_owed_when_the_transaction_fails(self):
        @transaction.atomic
        def owe_and_fail():
            owe()
            raise ZeroDivisionError

        with pytest.raises(ZeroDivisionError):
            owe_and_fail()
        assert not Message.objects.exists()

    def test_a_failed_mail_can_be_tried_again_or_told(self, postbox):
        message = owe(PersonFactory(email="no-such-box@example.org"))
        outbox.drain(AT)
        desk = coordinator()
        outbox.try_again(message, by=desk.user, at=AT)
        assert state(message) == Message.State.OWED
        outbox.drain(AT)
        outbox.mark_told(message, by=desk.user)
        assert state(message) == Message.State.TOLD
        outbox.try_again(message, by=desk.user, at=AT)
        assert state(message) == Message.State.TOLD

    def test_line_breaks_cannot_add_headers(self):
        mail = outbox.Mail(subject="Hi\r\nBcc: all@example.org", text="x", html="x")
        message = owe(mail=mail)
        read = email.message_from_bytes(bytes(message.raw), policy=email.policy.default)
        assert read["Bcc"] is None
        assert "Bcc: all@example.org" in read["Subject"]

    def test_lines_on_the_wire_end_in_crlf_and_are_short(self):
        """RFC 5321 2.3.8 and 4.5.3.1.6: CRLF only, at most 1,000 octets a line."""
        mail = outbox.Mail(subject="Ünïcode " * 30, text="ü" * 3000 + "\n.\n" + "y" * 2000, html="<p>é</p>")
        raw = bytes(owe(mail=mail).raw)
        assert not re.search(rb"(?<!\r)\n|\r(?!\n)", raw)
        assert max(len(line) for line in raw.split(b"\r\n")) <= 998


@pytest.mark.django_db
class TestSignInCodes:
    def write(self, expires_at):
        return outbox.write(
            address="ana@example.org",
            mail=outbox.Mail("Code", "Your code is ABC", "<p>ABC</p>"),
            kind="sign-in",
            at=AT,
            expires_at=expires_at,
        )

    def test_a_code_is_not_kept_after_it_went_out(self, postbox):
        message = self.write(AT + timedelta(minutes=10))
        outbox.drain(AT)
        message.refresh_from_db()
        read = email.message_from_bytes(postbox.accepted[0].original_content, policy=email.policy.default)
        assert "Your code is ABC" in read.get_body(("plain",)).get_content()
        assert (message.state, bytes(message.raw), message.text) == (Message.State.SENT, b"", "")

    def test_a_code_that_is_too_old_to_use_is_not_sent(self, postbox):
        message = self.write(AT + timedelta(minutes=10))
        outbox.drain(AT + timedelta(minutes=10))
        assert postbox.accepted == []
        assert state(message) == Message.State.FAILED


@pytest.mark.django_db
def test_what_was_settled_long_ago_is_deleted_and_nothing_else(postbox):
    sent = owe(key="one")
    outbox.drain(AT)
    owed = owe(sent.person, key="two")
    to_tell = owe(PersonFactory(by_phone=True), key="three")
    assert outbox.prune(AT + timedelta(days=89)) == 0
    outbox.prune(AT + timedelta(days=91))
    assert set(Message.objects.all()) == {owed, to_tell}


@pytest.mark.django_db(transaction=True)
class TestAWorkerThatDies:
    def test_killed_between_claim_and_mark_the_mail_is_sent_after_the_lease(self, postbox, child_environment):
        """kill -9 while the mail server holds the line: it is sent again under the same Message-ID."""
        message = owe(at=timezone.now())
        postbox.go_on.clear()
        command = [sys.executable, "manage.py", "worker", "--once"]
        worker = subprocess.Popen(command, env=child_environment | {"EMAIL_URL": postbox.url})
        assert postbox.reached.wait(60)
        worker.kill()
        assert worker.wait() == -9
        postbox.go_on.set()

        assert state(message) == Message.State.SENDING
        assert outbox.send_one(message.lease_until - timedelta(seconds=1)) is False
        assert outbox.send_one(message.lease_until) is True
        assert state(message) == Message.State.SENT
        ids = {
            email.message_from_bytes(envelope.original_content)["Message-ID"] for envelope in postbox.accepted
        }
        assert ids == {message.message_id}
        assert len(postbox.accepted) <= 2

    def test_two_workers_send_each_mail_once(self, postbox, child_environment):
        person = PersonFactory()
        for number in range(20):
            owe(person, key=str(number), at=timezone.now())
        command = [sys.executable, "manage.py", "worker", "--once"]
        environment = child_environment | {"EMAIL_URL": postbox.url}
        workers = [subprocess.Popen(command, env=environment, stdout=subprocess.PIPE) for _ in range(2)]
        assert [worker.wait(60) for worker in workers] == [0, 0]
        for worker in workers:
            worker.stdout.close()
        assert Message.objects.filter(state=Message.State.SENT).count() == 20
        ids = [
            email.message_from_bytes(envelope.original_content)["Message-ID"] for envelope in postbox.accepted
        ]
        assert len(ids) == len(set(ids)) == 20

    def test_a_worker_whose_lease_ran_out_does_not_overwrite_the_next_ones_mark(self, postbox):
        message = owe()
        late = outbox.claim(AT)
        outbox.send_one(AT + outbox.LEASE)
        outbox.put_off(late, OSError("slow"), AT + outbox.LEASE)
        assert state(message) == Message.State.SENT
