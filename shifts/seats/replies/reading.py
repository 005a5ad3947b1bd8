"""A mail from anybody, read without trust: bytes in, plain values out, never an error, no database.

Everything that could make a reader work without end is bounded before it is read. Of a calendar object only
the few properties an answer needs are read, line by line: a VTIMEZONE of somebody else's making is never
built or kept.
"""

from __future__ import annotations

import codecs
import hashlib
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from email import message_from_bytes
from email.header import decode_header, make_header
from email.message import Message as Part
from email.parser import BytesHeaderParser
from email.policy import compat32
from email.utils import getaddresses
from typing import Any
from urllib.parse import unquote
from zoneinfo import ZoneInfo

from django.utils.html import strip_tags
from icalendar.parser import Contentlines, Parameters
from icalendar.timezone.windows_to_olson import WINDOWS_TO_OLSON

# Limits: far above what any calendar program sends, far below what could do harm. No published source.
LARGEST = 1_000_000  # bytes of a whole message
LARGEST_HEAD = 16_000  # bytes in which the headers must stand
LARGEST_CALENDAR = 100_000  # bytes of a calendar object
LONGEST_LINE = 2_000  # characters of a property, folds removed
LONGEST_HEADER = 1_000  # characters of a header that is shown
PARTS = 50  # of a MIME message
BLANK_LINES = 20_000  # of a message with a delivery report, where each begins another block
NESTING = 10  # levels, of MIME parts and of calendar components
BRACKETS = 5  # in a From header: each is a comment in a comment, read by recursion

SHOWN_LINES, SHOWN_CHARACTERS = 8, 800  # of a message's text, for the coordinator
YEARS = range(2000, 2200)  # of any moment that is believed
LONGEST_ADDRESS = 254  # RFC 5321 4.5.3.1.3, less the angle brackets

# RFC 5545 3.1.4 has UTF-8 where nothing is said; what is plain ASCII reads the same in it.
CHARSETS = {
    "": "utf-8",
    "utf-8": "utf-8",
    "utf8": "utf-8",
    "us-ascii": "utf-8",
    "ascii": "utf-8",
    "iso-8859-1": "iso-8859-1",
    "latin-1": "iso-8859-1",
    "latin1": "iso-8859-1",
    "windows-1252": "cp1252",
    "cp1252": "cp1252",
}
ENCODINGS = {"", "7bit", "8bit", "binary", "quoted-printable", "base64"}  # RFC 2045 6.1
PARSED = ("Content-Type", "Content-Disposition")  # headers that are taken apart, over and over
TOO_MUCH = "It has too many parts to be read here."
UNREADABLE = "(unreadable)"  # in place of an address: there was a From, and it equals nobody's address
WANTED = {"METHOD", "UID", "SEQUENCE", "DTSTAMP", "RECURRENCE-ID", "ATTENDEE", "COMMENT"}


class NoAnswer(Exception):
    """The message is no plain answer to an invitation; the reason in words is its text."""


@dataclass(frozen=True)
class Answer:
    """A plain REPLY of one person to one event (RFC 5546 3.2.3).

    `occurrence` is the instant of RECURRENCE-ID, None for the whole event; `and_later` is its
    RANGE=THISANDFUTURE. Moments are in UTC, `attendee` in lower case.
    """

    uid: str
    attendee: str
    partstat: str  # RFC 5545 3.2.12, in capitals
    sequence: int
    stamp: datetime
    occurrence: datetime | None = None
    and_later: bool = False
    comment: str = ""


@dataclass(frozen=True)
class Letter:
    """A message as far as it could be read. Where `answer` is None, `why` says why, in a sentence.

    `sender` is in lower case: "" without a From, UNREADABLE where From names nobody or several.
    `idle`: nobody needs to see it. `undelivered` are addresses a mail of ours did not reach.
    """

    digest: str
    message_id: str = ""
    sender: str = ""
    subject: str = ""
    text: str = ""
    answer: Answer | None = None
    why: str = ""
    idle: bool = False
    undelivered: tuple[str, ...] = ()


def read(raw: bytes) -> Letter:
    """The letter that these bytes are. Never raises."""
    head = facts_of(raw[:LARGEST_HEAD])
    digest = hashlib.sha256(raw).hexdigest()
    if len(raw) > LARGEST:
        return Letter(digest=digest, why=too_large_words(len(raw)), **head)
    body: dict[str, Any]
    try:
        body = body_of(raw)
    except NoAnswer as reason:
        body = {"why": str(reason)}
    except Exception:  # whatever hostile bytes make the libraries stumble over, it is only a bad message
        body = {"why": "It could not be read: it is damaged or not what it says it is."}
    return Letter(digest=digest, **head, **body)


def too_large(head: bytes, size: int) -> Letter:
    """A letter that is not read, only its headers: `head` is how it begins, `size` its bytes."""
    digest = hashlib.sha256(b"%d " % size + head).hexdigest()
    return Letter(digest=digest, why=too_large_words(size), **facts_of(head[:LARGEST_HEAD]))


def too_large_words(size: int) -> str:
    return f"It is too large to be read here: {size // 1000:,} kB, at most {LARGEST // 1000:,}."


# --- the mail


def facts_of(head: bytes) -> dict[str, Any]:
    """Who, what and which, from the headers alone."""
    try:
        headers = BytesHeaderParser(policy=compat32).parsebytes(head)
        return {
            "sender": sender_of(headers),
            "subject": shown(header(headers, "Subject"), 200),
            "message_id": shown(header(headers, "Message-ID"), 250),
        }
    except Exception:  # as in `read`
        return {"sender": UNREADABLE, "subject": "", "message_id": ""}


def header(headers: Part, name: str) -> str:
    """A header as text, its encoded words (RFC 2047) decoded where that is possible; "" without it."""
    value = str(headers.get(name, ""))[:LONGEST_HEADER]
    try:
        return str(make_header(decode_header(value)))
    except (LookupError, ValueError):
        return value


def sender_of(headers: Part) -> str:
    values = [str(value) for value in headers.get_all("From", [])]
    if not values:
        return ""
    if len(values) > 1 or len(values[0]) > LONGEST_HEADER or values[0].count("(") > BRACKETS:
        return UNREADABLE
    found = [address for _name, address in getaddresses(values)]
    return lowered(found[0]) if len(found) == 1 and "@" in found[0] else UNREADABLE


def lowered(address: str) -> str:
    address = shown(address, LONGEST_ADDRESS + 1).lower()
    return address if len(address) <= LONGEST_ADDRESS else UNREADABLE


def body_of(raw: bytes) -> dict[str, Any]:
    """What the message says. Raises NoAnswer only for what is too much; all else is a value."""
    parts = parts_of(raw)
    top = parts[0]
    text = first_lines(parts)
    try:
        return {"text": text, **said(top, parts, text)}
    except NoAnswer as reason:
        return {"text": text, "why": str(reason)}


def said(top: Part, parts: list[Part], text: str) -> dict[str, Any]:
    automatic = str(top.get("Auto-Submitted", "")).partition(";")[0].strip().lower()
    if top.get_content_type() == "multipart/report":
        return report(top, parts)
    calendar = calendar_of(parts)
    if calendar:
        answer = answer_in(*calendar)
        return {"answer": answer, "text": text or shown_lines(answer.comment)}
    if automatic == "auto-replied":
        return {"why": "An answering machine: away, or out of the office.", "idle": True}
    if automatic not in ("", "no"):
        return {"why": "Written by a program, not by a person, and no answer to an invitation."}
    return {"why": "A message to read; it is no answer of a calendar."}


def parts_of(raw: bytes) -> list[Part]:
    """All parts in order, the message itself first; each knows nothing of others' insides."""
    # The parser goes one call deeper at each multipart, which needs a boundary, and each message in it.
    lower = raw.lower()
    blocks = raw.count(b"\n\n") + raw.count(b"\n\r\n") if b"/delivery-status" in lower else 0
    if lower.count(b"boundary") > PARTS or lower.count(b"message/") > PARTS or blocks > BLANK_LINES:
        raise NoAnswer(TOO_MUCH)
    found: list[Part] = []
    waiting: list[tuple[Part, int]] = [(message_from_bytes(raw, policy=compat32), 1)]
    while waiting:
        part, level = waiting.pop()
        found.append(part)
        long = any(len(str(part.get(name, ""))) > LONGEST_HEADER for name in PARSED)
        if len(found) > PARTS or level > NESTING or long:
            raise NoAnswer(TOO_MUCH)
        # What is inside a forwarded or returned message is not what this message says.
        if part.is_multipart() and part.get_content_maintype() == "multipart":
            inside = part.get_payload()
            waiting += [(inner, level + 1) for inner in reversed(inside)]  # type: ignore[arg-type]
    return found


def bytes_of(part: Part) -> bytes:
    """A part's content without its transfer encoding. Raises NoAnswer where that is broken or unknown."""
    if str(part.get("Content-Transfer-Encoding", "")).strip().lower() not in ENCODINGS:
        raise NoAnswer("It is packed in a way that is not read here.")
    content = part.get_payload(decode=True)
    if not isinstance(content, bytes) or any("Base64" in type(defect).__name__ for defect in part.defects):
        raise NoAnswer("It arrived damaged.")
    return content


def charset_of(part: Part) -> str:
    return (part.get_content_charset() or "").strip().lower()


def first_lines(parts: list[Part]) -> str:
    """What a person wrote, for somebody to read: the first lines of the first text, no quoted ones."""
    for kind in ("text/plain", "text/html"):
        for part in parts:
            if part.get_content_type() == kind and part.get_content_disposition() != "attachment":
                try:
                    text = bytes_of(part)[: 40 * SHOWN_CHARACTERS].decode(
                        CHARSETS.get(charset_of(part), "ascii"), errors="replace"
                    )
                    return shown_lines(strip_tags(text) if kind == "text/html" else text)
                except Exception:  # a text that cannot be shown is no reason not to hear the answer
                    return ""
    return ""


def report(top: Part, parts: list[Part]) -> dict[str, Any]:
    """A mail server's own message (RFC 6522): what could not be delivered, and to whom (RFC 3464)."""
    kind = str(top.get_param("report-type", "")).lower()
    if kind == "disposition-notification":
        return {"why": "It only says that a mail was opened.", "idle": True}
    lost: list[str] = []
    late: list[str] = []
    for part in parts:
        if part.get_content_type() == "message/delivery-status":
            for block in (block for block in part.walk() if block is not part):
                action = str(block.get("Action", "")).strip().lower()
                address = lowered(str(block.get("Final-Recipient", ""))[:LONGEST_HEADER].partition(";")[2])
                if address and action:
                    (lost if action == "failed" else late).append(address)
    if lost:
        some = ", ".join(dict.fromkeys(lost[:3]))
        return {
            "why": f"A mail did not reach {some}. The address may be wrong; tell them by phone.",
            "undelivered": tuple(dict.fromkeys(lost)),
        }
    if late:
        return {"why": "A mail server says that a mail is on its way.", "idle": True}
    return {"why": "A mail server's message, perhaps about a mail that did not arrive."}


# --- the calendar object in it


def calendar_of(parts: list[Part]) -> tuple[str, str] | None:
    """The text of the one calendar object, and the method its part names ("" if none); None without one.

    The same object twice, as a part and as a file, is one. Raises NoAnswer for several.
    """
    by_kind = {
        kind: [part for part in parts if part.get_content_type() == kind]
        for kind in ("text/calendar", "application/ics")
    }
    mine = by_kind["text/calendar"] or by_kind["application/ics"]
    if not mine:
        return None
    contents = {bytes_of(part) for part in mine}
    if len(contents) > 1:
        raise NoAnswer("It holds several calendars.")
    content = contents.pop()
    if len(content) > LARGEST_CALENDAR:
        raise NoAnswer("Its calendar is too large to be read here.")
    charset = charset_of(mine[0])
    if charset not in CHARSETS:
        raise NoAnswer("Its calendar is in a character set that is not read here.")
    try:
        text = content.removeprefix(codecs.BOM_UTF8).decode(CHARSETS[charset])
    except UnicodeDecodeError as error:
        raise NoAnswer("Its calendar is not in the character set that it names.") from error
    if any(unicodedata.category(c) == "Cc" and c not in "\r\n\t" for c in text):
        raise NoAnswer("Its calendar holds characters that have no place in one.")
    return text, str(mine[0].get_param("method") or "").upper()


Properties = dict[str, list[tuple[Parameters, str]]]


def answer_in(text: str, method: str) -> Answer:
    """The answer that a calendar object is. `method` is what its MIME part named: equal, or empty."""
    calendar, events = components_of(text)
    own = one(calendar, "METHOD")[1].upper()
    if method and method != own:
        raise NoAnswer("It says one thing outside and another inside.")  # RFC 6047 2.4
    if own != "REPLY":
        asked = {"COUNTER": "They propose another time.", "REFRESH": "Their calendar asks to be told again."}
        raise NoAnswer(asked.get(own, "It holds a calendar, but no answer to an invitation."))
    if len(events) != 1:
        raise NoAnswer("It answers several events at once." if events else "It answers no event.")
    event = events[0]
    parameters, attendee = one(event, "ATTENDEE")
    occurrence, and_later = occurrence_in(event)
    return Answer(
        uid=one(event, "UID")[1],
        attendee=address_in(attendee),
        partstat=str(parameters.get("PARTSTAT", "NEEDS-ACTION")).upper()[:20],
        sequence=sequence_in(event),
        stamp=moment(*one(event, "DTSTAMP")),
        occurrence=occurrence,
        and_later=and_later,
        comment=" ".join(value for _parameters, value in event.get("COMMENT", [])),
    )


def components_of(text: str) -> tuple[Properties, list[Properties]]:
    """The wanted properties of the calendar and of each event; no other component is looked into."""
    calendar: Properties = {}
    events: list[Properties] = []
    open_: list[str] = []
    calendars = 0
    for line in lines_of(text):
        name, value = line_of(line)
        if name == "BEGIN":
            open_.append(value.upper())
            calendars += len(open_) == 1
            if open_[0] != "VCALENDAR" or calendars > 1 or len(open_) > NESTING:
                raise NoAnswer("It holds several calendars, or none.")
            if open_ == ["VCALENDAR", "VEVENT"]:
                events.append({})
        elif name == "END":
            if not open_ or open_.pop() != value.upper():
                raise NoAnswer("Its calendar is broken off or muddled.")
        elif name in WANTED and open_ in (["VCALENDAR"], ["VCALENDAR", "VEVENT"]):
            if len(line) > LONGEST_LINE:
                raise NoAnswer("Its calendar has a line that is too long.")
            try:
                _name, parameters, whole = line.parts()
            except ValueError as error:
                raise NoAnswer("Its calendar has a line that cannot be read.") from error
            (events[-1] if len(open_) == 2 else calendar).setdefault(name, []).append((parameters, whole))
    if open_ or not calendars:
        raise NoAnswer("Its calendar is broken off or muddled.")
    return calendar, events


def lines_of(text: str) -> Iterator:
    return (line for line in Contentlines.from_ical(text) if line.strip())


def line_of(line: str) -> tuple[str, str]:
    """The name of a content line in capitals, and what follows; ("", "") for what is none."""
    found = re.match(r"([A-Za-z0-9-]{1,60})[:;](.{0,60})", line)
    return (found[1].upper(), found[2].strip()) if found else ("", "")


def one(properties: Properties, name: str) -> tuple[Parameters, str]:
    """The only property of that name."""
    values = properties.get(name, [])
    if len(values) != 1:
        raise NoAnswer(f"Its calendar names {'several' if values else 'no'} {name}.")
    parameters, value = values[0]
    return parameters, value.strip()


def address_in(value: str) -> str:
    """The mail address of a calendar user (RFC 5545 3.3.3), in lower case."""
    scheme, _, address = value.partition(":")
    address = unquote(address).strip()
    if scheme.lower() != "mailto" or "@" not in address:
        raise NoAnswer("It does not say by a mail address who answers.")
    return lowered(address)


def sequence_in(event: Properties) -> int:
    """SEQUENCE; 0 where it is left out, as RFC 5546 3.2.3 has it."""
    if "SEQUENCE" not in event:
        return 0
    value = one(event, "SEQUENCE")[1]
    if not re.fullmatch(r"[0-9]{1,9}", value):
        raise NoAnswer("Its calendar has a SEQUENCE that is no number.")
    return int(value)


def occurrence_in(event: Properties) -> tuple[datetime | None, bool]:
    if "RECURRENCE-ID" not in event:
        return None, False
    parameters, value = one(event, "RECURRENCE-ID")
    return moment(parameters, value), "RANGE" in parameters


def moment(parameters: Parameters, value: str) -> datetime:
    """A date with its time (RFC 5545 3.3.5), in UTC. Raises NoAnswer without a zone that is known."""
    found = re.fullmatch(r"([0-9]{8}T[0-9]{6})(Z?)", value.upper())
    if not found:
        raise NoAnswer("Its calendar has a time that cannot be read.")
    try:
        local = datetime.strptime(found[1], "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
    except ValueError as error:
        raise NoAnswer("Its calendar has a time that does not exist.") from error
    if local.year not in YEARS:
        raise NoAnswer("Its calendar has a time that does not exist.")
    return local if found[2] else local.replace(tzinfo=zone_named(parameters.get("TZID"))).astimezone(UTC)


def zone_named(name: object) -> ZoneInfo:
    """A zone by its name in the tz database, or by the name Windows has for it."""
    wanted = WINDOWS_TO_OLSON.get(str(name), str(name)) if name else ""
    try:
        return ZoneInfo(wanted)
    except (ValueError, LookupError, OSError) as error:
        raise NoAnswer("Its calendar names a time zone that is not known here.") from error


# --- for people to read


def shown(text: str, longest: int) -> str:
    """One line without control characters, as a database and a page can take it."""
    return " ".join(printable(text).split())[:longest]


def shown_lines(text: str) -> str:
    lines = [line.strip() for line in printable(text).split("\n")]
    own = [line for line in lines if line and not line.startswith(">")]
    return "\n".join(own[:SHOWN_LINES])[:SHOWN_CHARACTERS]


def printable(text: str) -> str:
    """Without what a database refuses or a page would hide: control characters, halves of surrogates,
    marks that turn the direction of writing."""
    text = text.replace("\r\n", "\n").replace("\r", "\n").encode("utf-8", "replace").decode()
    return "".join(c for c in text if c in "\n\t" or unicodedata.category(c) not in ("Cc", "Cf"))
