"""The outbox: what somebody must be told is a row, written with the fact; a worker sends it.

A message is sent at least once. Twice only when a worker dies between the mail server's "accepted"
and the mark; both copies then carry the same Message-ID.
"""

from __future__ import annotations

import base64
import logging
import secrets
import smtplib
from dataclasses import dataclass
from datetime import datetime, timedelta
from email.header import Header
from email.mime.base import MIMEBase
from email.mime.multipart import MIMEMultipart
from email.mime.text import MIMEText
from email.policy import Compat32
from email.utils import format_datetime, formataddr, make_msgid
from typing import Any

from django.conf import settings
from django.core.mail import EmailMessage, get_connection
from django.db import transaction
from django.db.models import Q
from django.template.loader import render_to_string
from django.utils import timezone

from sites.log import record
from sites.models import Programme
from volunteers.models import Message, Person

logger = logging.getLogger(__name__)

# Waits between tries; common practice, no published source. After the last one it is shown as failed.
RETRIES = [
    timedelta(minutes=1),
    timedelta(minutes=5),
    timedelta(minutes=30),
    timedelta(hours=2),
    timedelta(hours=8),
]
LEASE = timedelta(minutes=3)  # longer than a mail server may take: EMAIL_TIMEOUT a command
KEPT = timedelta(days=90)
NEWS = "news"  # the kind of a notice of several things
SUBJECT_SHOWN = Message._meta.get_field("subject").max_length  # in lists; the mail itself has it whole


class OnTheWire(Compat32):
    """An address to turn mails off stays in the line of its header: folded before it, which RFC 5322 2.2.3
    allows, it is overlooked by some programs (from memory)."""

    def fold_binary(self, name: str, value: str) -> bytes:
        if name == "List-Unsubscribe":
            return f"{name}: {value}\r\n".encode("ascii")
        return super().fold_binary(name, value)


ON_THE_WIRE = OnTheWire(linesep="\r\n")


@dataclass(frozen=True)
class Mail:
    """What a mail says, before it has an address. `calendar` is an iCalendar object of method `method`;
    `stop` is the address that turns off mails of its kind, where that can be turned off."""

    subject: str
    text: str
    html: str
    calendar: bytes = b""
    method: str = ""
    stop: str = ""


def compose(mail: Mail, *, to: str, name: str, message_id: str, at: datetime, programme: Programme) -> bytes:
    """The mail as it goes over the wire, CRLF and all.

    With a calendar object: mixed(alternative(plain, html, calendar), application/ics), the same bytes twice.
    Built with the older of Python's two mail interfaces: the newer parses each header it is given, which
    took longer than everything else in a booking.
    """
    alternative = MIMEMultipart("alternative")
    alternative.attach(MIMEText(mail.text, "plain", "utf-8"))
    alternative.attach(MIMEText(mail.html, "html", "utf-8"))
    mime = alternative
    if mail.calendar:
        alternative.attach(encoded(mail.calendar, "text", "calendar", method=mail.method, charset="UTF-8"))
        attached = encoded(mail.calendar, "application", "ics")
        attached.add_header("Content-Disposition", "attachment", filename="run.ics")
        mime = MIMEMultipart("mixed")
        mime.attach(alternative)
        mime.attach(attached)
    headers = {
        "From": formataddr((one_line(programme.name), settings.DEFAULT_FROM_EMAIL)),
        "To": formataddr((one_line(name), to)),
        "Reply-To": programme.contact_email,
        "Subject": Header(one_line(mail.subject), None if mail.subject.isascii() else "utf-8").encode(),
        "Date": format_datetime(at),
        "Message-ID": message_id,
        "Auto-Submitted": "auto-generated",
        **stop_headers(mail.stop),
    }
    for header, value in headers.items():
        if value:
            mime[header] = value
    return mime.as_bytes(policy=ON_THE_WIRE)


def stop_headers(address: str) -> dict[str, str]:
    """So that a mail program can offer to turn such mails off, with one POST and no page (RFC 8058 3.1, which
    wants https; without it, as RFC 2369 3.2 has it, the address only opens a page)."""
    if not address:
        return {}
    one_click = {"List-Unsubscribe-Post": "List-Unsubscribe=One-Click"}
    return {"List-Unsubscribe": f"<{address}>", **(one_click if address.startswith("https:") else {})}


def encoded(data: bytes, kind: str, subkind: str, **parameters: str) -> MIMEBase:
    """Bytes as a part in base64, so that no mail server on the way touches a line of them."""
    part = MIMEBase(kind, subkind)
    for parameter, value in parameters.items():
        part.set_param(parameter, value)
    part.set_payload(base64.encodebytes(data).decode("ascii"))
    part["Content-Transfer-Encoding"] = "base64"
    return part


def one_line(text: str) -> str:
    """Text that cannot end a header and begin another."""
    return " ".join(text.split())


def owe(
    *,
    person: Person,
    mail: Mail,
    kind: str,
    key: str,
    about: str = "",
    expires_at: datetime | None = None,
    at: datetime | None = None,
    programme: Programme | None = None,
) -> Message | None:
    """Owes a notice to a person: a mail, or a line on the coordinator's "tell by phone" list.

    `key` names the notice: owed once, and None is returned when it was owed before. `about` names the
    calendar entry it changes: a newer message replaces one that was not sent yet. NEWS say other things
    beside, and replace nothing, nor are they replaced; then both go out, in their order. A mail that could
    not be sent by `expires_at` is shown as failed instead.
    """
    at = at or timezone.now()
    if Message.objects.filter(key=key).exists():
        return None
    if about and kind != NEWS:
        withdraw(about, at=at)
    if not person.is_mailed:
        return Message.objects.create(
            key=key,
            person=person,
            kind=kind,
            about=about,
            subject=mail.subject[:SUBJECT_SHOWN],
            text=mail.text,
            state=Message.State.TELL,
            next_try_at=at,
            created_at=at,
        )
    return write(
        address=person.email,
        name=person.name,
        person=person,
        mail=mail,
        kind=kind,
        key=key,
        about=about,
        expires_at=expires_at,
        at=at,
        programme=programme,
    )


def withdraw(about: str, *, at: datetime) -> int:
    """Keeps back what was not sent yet about something, since it holds no longer; how many there were."""
    unsent = Message.objects.filter(about=about, state=Message.State.OWED).exclude(kind=NEWS)
    return unsent.update(state=Message.State.REPLACED, done_at=at)


def take_back(key: str, *, at: datetime) -> bool:
    """Takes back what has not gone out, or what the coordinator has not told; whether there was any."""
    waiting = [Message.State.OWED, Message.State.TELL]
    unsaid = Message.objects.filter(key=key, state__in=waiting)
    return bool(unsaid.update(state=Message.State.REPLACED, done_at=at))


def write(
    *,
    address: str,
    mail: Mail,
    kind: str,
    key: str = "",
    name: str = "",
    person: Person | None = None,
    about: str = "",
    expires_at: datetime | None = None,
    at: datetime | None = None,
    programme: Programme | None = None,
) -> Message:
    """Owes a finished mail to an address. `programme` spares a read where the caller has it."""
    at = at or timezone.now()
    programme = programme or Programme.current()
    message_id = make_msgid(domain=settings.DEFAULT_FROM_EMAIL.partition("@")[2])
    return Message.objects.create(
        key=key or f"{kind}:{secrets.token_urlsafe(12)}",
        person=person,
        kind=kind,
        about=about,
        address=address,
        subject=mail.subject[:SUBJECT_SHOWN],
        text=mail.text,
        message_id=message_id,
        raw=compose(mail, to=address, name=name, message_id=message_id, at=at, programme=programme),
        next_try_at=at,
        created_at=at,
        expires_at=expires_at,
    )


def claim(at: datetime) -> Message | None:
    """The next message to send, held by a lease; None when nothing is due or another worker was first."""
    for pk in list(Message.objects.due(at).values_list("pk", flat=True)[:20]):
        mark = secrets.token_hex(8)
        won = (
            Message.objects.filter(pk=pk)
            .filter(Q(state=Message.State.OWED) | Q(state=Message.State.SENDING, lease_until__lte=at))
            .update(state=Message.State.SENDING, lease_until=at + LEASE, claim=mark)
        )
        if won:
            return Message.objects.get(pk=pk)
    return None


class Finished(EmailMessage):
    """Hands bytes that are already finished to any of Django's mail backends."""

    def __init__(self, message: Message) -> None:
        super().__init__(message.subject, message.text, settings.DEFAULT_FROM_EMAIL, [message.address])
        self.raw = bytes(message.raw)

    def message(self, **kwargs: Any) -> Any:
        return self

    def as_bytes(self, linesep: str = "\r\n") -> bytes:
        return self.raw


def send_one(at: datetime | None = None) -> bool:
    """Sends one message that is due. True when there was one, whatever became of it."""
    at = at or timezone.now()
    message = claim(at)
    if message is None:
        return False
    if message.expires_at and message.expires_at <= at:
        settle(message, Message.State.FAILED, at, error="It was not sent in time to be of use.")
        return True
    try:
        get_connection().send_messages([Finished(message)])
    except (OSError, smtplib.SMTPException) as error:
        logger.warning("mail %s to be tried again or shown: %s", message.pk, type(error).__name__)
        put_off(message, error, at)
    else:
        settle(message, Message.State.SENT, at)
    return True


def drain(at: datetime | None = None, limit: int = 10_000) -> int:
    """Sends what is due; the number of messages it saw to."""
    count = 0
    while count < limit and send_one(at):
        count += 1
    return count


def put_off(message: Message, error: Exception, at: datetime) -> None:
    """After a failed try: again later, or failed for good when refused or tried often enough."""
    tries = message.attempts
    if is_final(error) or tries >= len(RETRIES):
        settle(message, Message.State.FAILED, at, error=in_words(error))
        return
    Message.objects.filter(pk=message.pk, claim=message.claim).update(
        state=Message.State.OWED,
        attempts=tries + 1,
        next_try_at=at + RETRIES[tries],
        lease_until=None,
        claim="",
        error=in_words(error),
    )


def settle(message: Message, state: str, at: datetime, error: str = "") -> None:
    """Marks what became of a message this worker holds. A sign-in code is not kept once it is of no use."""
    spent = {"raw": b"", "text": ""} if message.kind == "sign-in" and not settings.DEMO else {}
    Message.objects.filter(pk=message.pk, claim=message.claim).update(
        state=state,
        done_at=at,
        lease_until=None,
        claim="",
        attempts=message.attempts + 1,
        error=error,
        **spent,
    )


def codes_of(error: Exception) -> list[int]:
    """The mail server's reply codes (RFC 5321 4.2) in an error; empty when it never answered."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return [code for code, _text in error.recipients.values()]
    if isinstance(error, smtplib.SMTPResponseException):
        return [error.smtp_code]
    return []


def is_final(error: Exception) -> bool:
    """Whether trying again is useless: the server refused this mail with a 5yz reply (RFC 5321 4.2.1).

    Refusing our name and password (535) is about the set-up, not the mail: that is tried again.
    """
    if isinstance(error, (smtplib.SMTPAuthenticationError, smtplib.SMTPConnectError, smtplib.SMTPHeloError)):
        return False
    codes = codes_of(error)
    return bool(codes) and all(500 <= code < 600 for code in codes)


def in_words(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        answers = [f"{code} {text.decode(errors='replace')}" for code, text in error.recipients.values()]
        return "The mail server refused the address: " + "; ".join(answers)
    if isinstance(error, smtplib.SMTPResponseException):
        text = error.smtp_error
        said = text.decode(errors="replace") if isinstance(text, bytes) else text
        return f"The mail server answered {error.smtp_code} {said}"
    return f"The mail server could not be reached: {error}"


@transaction.atomic
def try_again(message: Message, *, by: Any, at: datetime | None = None) -> bool:
    """A coordinator has a failed mail sent once more. False when there is nothing to send again."""
    at = at or timezone.now()
    changed = (
        Message.objects.failed()
        .filter(pk=message.pk)
        .exclude(raw=b"")
        .update(state=Message.State.OWED, attempts=0, next_try_at=at, done_at=None)
    )
    if changed:
        record(verb="mail tried again", subject=message, person=message.person, by=by, at=at)
    return bool(changed)


@transaction.atomic
def mark_told(message: Message, *, by: Any, at: datetime | None = None) -> bool:
    """The coordinator has told it by phone: a line of the list, or a mail that could not be sent. False
    when it was told already or went out after all."""
    at = at or timezone.now()
    open_states = [Message.State.TELL, Message.State.FAILED]
    changed = Message.objects.filter(pk=message.pk, state__in=open_states).update(
        state=Message.State.TOLD, done_at=at, told_by=by
    )
    if changed:
        record(verb="told by phone", subject=message, person=message.person, by=by, at=at)
    return bool(changed)


@transaction.atomic
def not_told(message: Message, *, by: Any, at: datetime | None = None) -> bool:
    """Undoes a tick set by mistake: it is to be told again, or a mail that could not be sent again."""
    at = at or timezone.now()
    before = (
        {"state": Message.State.FAILED, "done_at": at}
        if message.address
        else {"state": Message.State.TELL, "done_at": None}
    )
    changed = Message.objects.filter(pk=message.pk, state=Message.State.TOLD).update(told_by=None, **before)
    if changed:
        record(verb="not told after all", subject=message, person=message.person, by=by, at=at)
    return bool(changed)


def prune(at: datetime) -> int:
    """Deletes mails that were settled long ago."""
    done = [Message.State.SENT, Message.State.REPLACED, Message.State.TOLD, Message.State.FAILED]
    return Message.objects.filter(state__in=done, done_at__lt=at - KEPT).delete()[0]


def html_from(text: str) -> str:
    """A plain text as the HTML half of a mail."""
    return render_to_string("mail/plain.html", {"text": text})


def render(name: str, context: dict[str, Any]) -> Mail:
    """The mail of a template pair mail/NAME.txt and .html. The text's first line is the subject. With `stop`
    in the context both end with it, and the mail has it in its headers."""
    subject, _, text = render_to_string(f"mail/{name}.txt", context).strip().partition("\n")
    return Mail(
        subject=subject.strip(),
        text=text.strip() + "\n",
        html=render_to_string(f"mail/{name}.html", context),
        stop=context.get("stop", ""),
    )
