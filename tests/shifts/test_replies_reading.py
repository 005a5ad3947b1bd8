"""Reading mail from anybody: plain answers are understood, everything else is turned away in words.

Sources beside each check: RFC 2045, 3464, 3834, 5545, 5546, 6047, 6522. The worked examples are written after
RFC 5546 4.2.2, from memory, with facts of our own.
"""

import base64
import time
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shifts.seats.replies import reading
from shifts.seats.replies.reading import Answer, read

STAMP = datetime(2026, 10, 1, 13, 0, tzinfo=UTC)
WINTER = datetime(2026, 11, 3, 13, 0, tzinfo=UTC)
ACCEPTED = """\
BEGIN:VCALENDAR
PRODID:-//Example//A client//EN
METHOD:REPLY
VERSION:2.0
BEGIN:VEVENT
ATTENDEE;PARTSTAT=ACCEPTED:mailto:ana@example.org
ORGANIZER:mailto:runs@example.org
UID:a1b2c3@example.org
SEQUENCE:0
REQUEST-STATUS:2.0;Success
DTSTAMP:20261001T130000Z
END:VEVENT
END:VCALENDAR
"""
HEAD = "From: Ana <Ana@Example.org>\nSubject: Accepted\nMessage-ID: <1@example.org>\nMIME-Version: 1.0\n"


def mail(calendar=ACCEPTED, *, kind="text/calendar; method=REPLY; charset=utf-8", head=HEAD, encoding=""):
    body = calendar if isinstance(calendar, bytes) else calendar.encode()
    packed = f"Content-Transfer-Encoding: {encoding}\n" if encoding else ""
    return f"{head}Content-Type: {kind}\n{packed}\n".encode() + body


def changed(old, new):
    assert old in ACCEPTED
    return mail(ACCEPTED.replace(old, new))


def many(*parts, kind="mixed"):
    joined = b"".join(b"--xyz\n" + part + b"\n" for part in parts)
    return f"{HEAD}Content-Type: multipart/{kind}; boundary=xyz\n\n".encode() + joined + b"--xyz--\n"


def part(calendar=ACCEPTED, kind="text/calendar; method=REPLY"):
    return f"Content-Type: {kind}\n\n{calendar}".encode()


class TestPlainAnswers:
    def test_worked_example_of_an_accept(self):
        """RFC 5546 4.2.2: B accepts. Address in lower case, moments in UTC."""
        letter = read(mail())
        assert letter.answer == Answer("a1b2c3@example.org", "ana@example.org", "ACCEPTED", 0, STAMP)
        assert (letter.sender, letter.subject, letter.why) == ("ana@example.org", "Accepted", "")
        assert letter.message_id == "<1@example.org>"

    def test_worked_example_of_a_decline(self):
        """RFC 5546 4.2.2: B could have declined by another PARTSTAT."""
        assert read(changed("PARTSTAT=ACCEPTED", "PARTSTAT=DECLINED")).answer.partstat == "DECLINED"

    @pytest.mark.parametrize(
        ("old", "new", "field", "value"),
        [
            ("ORGANIZER:mailto:runs@example.org\n", "", "uid", "a1b2c3@example.org"),  # reported of some
            ("SEQUENCE:0\n", "", "sequence", 0),  # RFC 5546 3.2.3: left out is 0
            ("SEQUENCE:0", "SEQUENCE:17", "sequence", 17),
            (";PARTSTAT=ACCEPTED", "", "partstat", "NEEDS-ACTION"),  # RFC 5545 3.2.12: the default
            ("PARTSTAT=ACCEPTED", 'CN="Ana: B;C";partstat=accepted', "partstat", "ACCEPTED"),
            ("mailto:ana@example.org", "MAILTO:Ana%2Bruns@Example.org", "attendee", "ana+runs@example.org"),
            ("ATTENDEE;PARTSTAT", "ATTENDEE;CUTYPE=INDIVIDUAL;\n PARTSTAT", "partstat", "ACCEPTED"),  # folded
            ("SEQUENCE:0", "COMMENT:Sorry\\, no car", "comment", "Sorry, no car"),
            ("METHOD:REPLY", "method:reply", "partstat", "ACCEPTED"),
        ],
    )  # fmt: skip
    def test_what_programs_write_in_other_ways(self, old, new, field, value):
        assert getattr(read(changed(old, new)).answer, field) == value

    @pytest.mark.parametrize(
        ("line", "moment"),
        [
            ("RECURRENCE-ID:20261006T120000Z", datetime(2026, 10, 6, 12, tzinfo=UTC)),
            ("RECURRENCE-ID;TZID=America/New_York:20261006T080000", datetime(2026, 10, 6, 12, tzinfo=UTC)),
            ("RECURRENCE-ID;TZID=Eastern Standard Time:20261103T080000", WINTER),
            # RFC 5545 3.3.5: a time that is skipped, a time that comes twice
            ("RECURRENCE-ID;TZID=America/New_York:20270314T023000", datetime(2027, 3, 14, 7, 30, tzinfo=UTC)),
            ("RECURRENCE-ID;TZID=America/New_York:20261101T013000", datetime(2026, 11, 1, 5, 30, tzinfo=UTC)),
        ],
    )  # fmt: skip
    def test_one_date_is_an_instant(self, line, moment):
        assert read(changed("SEQUENCE:0", line)).answer.occurrence == moment

    def test_this_and_all_later_dates(self):
        letter = read(changed("SEQUENCE:0", "RECURRENCE-ID;RANGE=THISANDFUTURE:20261006T120000Z"))
        assert letter.answer.and_later is True

    @pytest.mark.parametrize("encoding", ["base64", "quoted-printable", "8bit", "7bit"])
    def test_every_transfer_encoding_of_rfc_2045(self, encoding):
        body = base64.encodebytes(ACCEPTED.encode()) if encoding == "base64" else ACCEPTED
        body = body.replace("=", "=3D") if encoding == "quoted-printable" else body
        assert read(mail(body, encoding=encoding)).answer

    @pytest.mark.parametrize(
        ("charset", "codec"),
        [("utf-8", "utf-8"), ("ISO-8859-1", "latin-1"), ("windows-1252", "cp1252"), ("utf-8", "utf-8-sig")],
    )
    def test_the_four_character_sets(self, charset, codec):
        text = ACCEPTED.replace("SEQUENCE:0", "COMMENT:mañana")
        letter = read(mail(text.encode(codec), kind=f"text/calendar; method=REPLY; charset={charset}"))
        assert letter.answer.comment == "mañana"

    def test_no_charset_and_ascii_are_read_as_utf_8(self):
        """RFC 5545 3.1.4: UTF-8 is the default."""
        text = ACCEPTED.replace("SEQUENCE:0", "COMMENT:mañana")
        for kind in ("text/calendar", "text/calendar; charset=us-ascii"):
            assert read(mail(text, kind=kind)).answer.comment == "mañana"

    def test_the_same_object_as_part_and_file_is_one(self):
        assert read(many(b"Content-Type: text/plain\n\nHi", part(), part())).answer
        assert read(many(part(kind="application/ics; name=invite.ics"))).answer

    def test_a_time_zone_in_it_is_never_built(self):
        """A rule that would make a reader count seconds for a century."""
        zone = (
            "BEGIN:VTIMEZONE\nTZID:America/New_York\nBEGIN:STANDARD\nDTSTART:19000101T000000\n"
            "RRULE:FREQ=SECONDLY\nTZOFFSETFROM:+0000\nTZOFFSETTO:+0900\nEND:STANDARD\nEND:VTIMEZONE\n"
        )
        line = "RECURRENCE-ID;TZID=America/New_York:20261006T080000"
        letter = read(
            mail(ACCEPTED.replace("BEGIN:VEVENT", zone + "BEGIN:VEVENT").replace("SEQUENCE:0", line))
        )
        assert letter.answer.occurrence == datetime(2026, 10, 6, 12, tzinfo=UTC)

    def test_what_a_person_wrote_is_kept_without_what_they_quote(self):
        text = b"Content-Type: text/plain; charset=utf-8\n\nSorry, ma\xc3\xb1ana no.\n\n> You\n> drive\n"
        assert read(many(text, part())).text == "Sorry, mañana no."
        assert read(mail(b"<p>Sorry,</p>\n<p>no.</p>", kind="text/html")).text == "Sorry,\nno."
        assert read(changed("SEQUENCE:0", "COMMENT:The car broke down")).text == "The car broke down"


SEVERAL = "It holds several calendars."
MUDDLED = "Its calendar is broken off or muddled."
TOO_MUCH = "It has too many parts to be read here."
UNTIMELY = "Its calendar has a time that cannot be read."


def nested(depth):
    return b"".join(
        b"Content-Type: multipart/mixed; boundary=b%d.\n\n--b%d.\n" % (n, n) for n in range(depth)
    )


HOSTILE = {
    "huge": (mail(ACCEPTED + "X" * 1_000_000), "It is too large to be read here: 1,000 kB, at most 1,000."),
    "huge calendar": (mail(ACCEPTED + "\n" * 100_000), "Its calendar is too large to be read here."),
    "deep": (HEAD.encode() + nested(12) + part(), TOO_MUCH),
    "so deep that a parser would fall": (HEAD.encode() + nested(5_000), TOO_MUCH),
    "a message in a message in a message": (b"Content-Type: message/rfc822\n\n" * 20_000, TOO_MUCH),
    "many parts": (many(*[b"Content-Type: text/plain\n\nx"] * 60), TOO_MUCH),
    "a delivery report of nothing but ends": (
        HEAD.encode() + b"Content-Type: message/delivery-status\n\n" + b"\n" * 900_000, TOO_MUCH,
    ),
    "a header without end": (mail(kind="text/calendar" + "; a=b" * 100_000), TOO_MUCH),
    "components without end": (
        mail("BEGIN:VCALENDAR\n" + "BEGIN:X\n" * 5_000), "It holds several calendars, or none.",
    ),
    "a line without end": (
        changed("UID:a1", "UID:" + "a" * 90_000), "Its calendar has a line that is too long.",
    ),
    "another character set": (
        mail(kind="text/calendar; method=REPLY; charset=utf-7"),
        "Its calendar is in a character set that is not read here.",
    ),
    "a character set that is a path": (
        mail(kind='text/calendar; charset="../../etc/passwd"'),
        "Its calendar is in a character set that is not read here.",
    ),
    "not the set it names": (
        mail(ACCEPTED.replace("SEQUENCE:0", "COMMENT:ñ").encode("latin-1")),
        "Its calendar is not in the character set that it names.",
    ),
    "NUL": (changed("a1b2c3", "a1\0b2"), "Its calendar holds characters that have no place in one."),
    "broken base64": (mail(b"QkVH!!!!\x00=SU==x", encoding="base64"), "It arrived damaged."),
    "an unknown encoding": (mail(encoding="x-uuencode"), "It is packed in a way that is not read here."),
    "two objects in one part": (mail(ACCEPTED * 2), "It holds several calendars, or none."),
    "two different parts": (many(part(), part(ACCEPTED.replace("ACCEPTED", "DECLINED"))), SEVERAL),
    "two events": (
        changed("END:VEVENT\n", "END:VEVENT\nBEGIN:VEVENT\nUID:b@example.org\nEND:VEVENT\n"),
        "It answers several events at once.",
    ),
    "no event": (changed("VEVENT", "VTODO"), "It answers no event."),
    "two attendees": (
        changed("ORGANIZER", "ATTENDEE;PARTSTAT=DECLINED:mailto:bo@example.org\nORGANIZER"),
        "Its calendar names several ATTENDEE.",
    ),
    "two UIDs": (changed("SEQUENCE:0", "UID:other@example.org"), "Its calendar names several UID."),
    "no attendee": (
        changed("ATTENDEE;PARTSTAT=ACCEPTED:mailto:ana@example.org\n", ""), "Its calendar names no ATTENDEE.",
    ),
    "no UID": (changed("UID:a1b2c3@example.org\n", ""), "Its calendar names no UID."),
    "no DTSTAMP": (changed("DTSTAMP:20261001T130000Z\n", ""), "Its calendar names no DTSTAMP."),
    "no method": (changed("METHOD:REPLY\n", ""), "Its calendar names no METHOD."),
    "one method outside and another inside": (
        mail(kind="text/calendar; method=REQUEST"), "It says one thing outside and another inside.",
    ),
    "an attendee without an address": (
        changed("mailto:ana@example.org", "urn:uuid:1"), "It does not say by a mail address who answers.",
    ),
    "a sequence that is none": (
        changed("SEQUENCE:0", "SEQUENCE:-1"), "Its calendar has a SEQUENCE that is no number.",
    ),
    "a sequence beyond a database": (
        changed("SEQUENCE:0", "SEQUENCE:99999999999"), "Its calendar has a SEQUENCE that is no number.",
    ),
    "a time that is none": (changed("20261001T130000Z", "yesterday"), UNTIMELY),
    "a day without a time": (changed("SEQUENCE:0", "RECURRENCE-ID;VALUE=DATE:20261006"), UNTIMELY),
    "a day that no month has": (
        changed("20261001T130000Z", "20260231T130000Z"), "Its calendar has a time that does not exist.",
    ),
    "the year 1": (
        changed("20261001T130000Z", "00010101T000000Z"), "Its calendar has a time that does not exist.",
    ),
    "a zone of nobody's": (
        changed("SEQUENCE:0", "RECURRENCE-ID;TZID=Ana's time:20261006T080000"),
        "Its calendar names a time zone that is not known here.",
    ),
    "a zone that is a path": (
        changed("SEQUENCE:0", "RECURRENCE-ID;TZID=../../../etc/passwd:20261006T080000"),
        "Its calendar names a time zone that is not known here.",
    ),
    "a time without a zone": (
        changed("SEQUENCE:0", "RECURRENCE-ID:20261006T080000"),
        "Its calendar names a time zone that is not known here.",
    ),
    "a line that is none": (
        changed("ATTENDEE;", "ATTENDEE;;;="), "Its calendar has a line that cannot be read.",
    ),
    "broken off": (mail(ACCEPTED[:-20]), MUDDLED),
    "muddled": (changed("END:VEVENT\nEND:VCALENDAR", "END:VCALENDAR\nEND:VEVENT"), MUDDLED),
    "empty": (mail(b""), MUDDLED),
}  # fmt: skip


class TestHostileMessages:
    @pytest.mark.parametrize("name", HOSTILE)
    def test_is_refused_in_words_and_at_once(self, name):
        raw, why = HOSTILE[name]
        begun = time.process_time()
        letter = read(raw)
        assert (letter.answer, letter.why, letter.idle) == (None, why, False)
        assert time.process_time() - begun < 3  # seconds; without the bounds some of these take minutes

    def test_the_table_begins_with_a_message_that_is_fine(self):
        """Each hostile message is this one with a single thing wrong."""
        assert read(mail()).answer

    def test_a_subject_adds_no_header_and_no_line(self):
        head = "From: a@example.org\nSubject: =?utf-8?q?Hi=0D=0ABcc:_all=40example.org=00?=\n"
        assert read(mail(head=head)).subject == "Hi Bcc: all@example.org"

    @pytest.mark.parametrize(
        "head",
        [
            "From: a@example.org\nFrom: ana@example.org\n",
            "From: a@example.org, ana@example.org\n",
            "From: Ana\n",
            "From: \n",
            "From: " + "(" * 900 + "ana@example.org\n",
            "From: " + "a" * 5_000 + "@example.org\n",
            "From: " + "a" * 500 + "@example.org\n",
        ],
    )
    def test_a_from_that_names_nobody_or_several_equals_no_address(self, head):
        assert read(mail(head=head)).sender == reading.UNREADABLE

    def test_no_from_is_no_sender(self):
        assert read(mail(head="Subject: x\n")).sender == ""

    @given(st.binary(max_size=3_000))
    def test_any_bytes_are_a_letter(self, raw):
        letter = read(raw)
        assert (letter.answer is None) == bool(letter.why)

    @given(st.data())
    def test_any_damage_to_an_answer_is_a_letter(self, data):
        raw = many(b"Content-Type: text/plain; charset=utf-8\n\nNo", part())
        for _ in range(data.draw(st.integers(1, 4))):
            at = data.draw(st.integers(0, len(raw)))
            gone = data.draw(st.integers(0, 30))
            raw = raw[:at] + data.draw(st.binary(max_size=8)) + raw[at + gone :]
        letter = read(raw)
        assert (letter.answer is None) == bool(letter.why)
        for text in (letter.subject, letter.text, letter.sender, letter.why):
            assert "\0" not in text
            text.encode()  # a database takes it

    @given(
        st.lists(
            st.sampled_from(
                [
                    *ACCEPTED.splitlines(),
                    "BEGIN:VALARM",
                    "END:VALARM",
                    ";",
                    ":",
                    " x",
                    "UID;A=:",
                    'UID;A=":1',
                    "",
                ]
            ),
            max_size=25,
        )
    )
    def test_any_order_of_lines_is_a_letter(self, lines):
        letter = read(mail("\n".join(lines)))
        assert (letter.answer is None) == bool(letter.why)


class TestOtherMail:
    @pytest.mark.parametrize(
        ("method", "why"),
        [
            ("COUNTER", "They propose another time."),
            ("REFRESH", "Their calendar asks to be told again."),
            ("REQUEST", "It holds a calendar, but no answer to an invitation."),
        ],
    )
    def test_other_methods_of_rfc_5546(self, method, why):
        raw = mail(ACCEPTED.replace("REPLY", method), kind=f"text/calendar; method={method}")
        assert (read(raw).answer, read(raw).why) == (None, why)

    def test_a_person_writes(self):
        letter = read(mail("I am late.\n", kind="text/plain"))
        assert (letter.why, letter.text, letter.idle) == (
            "A message to read; it is no answer of a calendar.", "I am late.", False,
        )  # fmt: skip

    def test_an_answering_machine_needs_nobody(self):
        """RFC 3834 5: auto-replied."""
        letter = read(mail("Away.\n", kind="text/plain", head=HEAD + "Auto-Submitted: auto-replied; x=y\n"))
        assert letter.idle

    def test_an_answer_counts_though_a_program_sent_it(self):
        assert read(mail(head=HEAD + "Auto-Submitted: auto-replied\n")).answer

    def test_what_another_program_wrote_is_looked_at(self):
        letter = read(mail("Full.\n", kind="text/plain", head=HEAD + "Auto-Submitted: auto-generated\n"))
        assert (letter.idle, letter.why.startswith("Written by a program")) == (False, True)

    def bounce(self, action, kind="delivery-status"):
        """RFC 6522 and RFC 3464, as mail servers send it back, with our invitation in it."""
        status = (
            "Content-Type: message/delivery-status\n\nReporting-MTA: dns; mx.example.org\n\n"
            f"Final-Recipient: rfc822; Gone@Example.org\nAction: {action}\nStatus: 5.1.1\n"
        )
        parts = [b"Content-Type: text/plain\n\nSorry.", status.encode()]
        parts += [b"Content-Type: message/rfc822\n\n" + mail()]
        return many(*parts, kind=f"report; report-type={kind}")

    def test_a_mail_that_did_not_arrive_is_kept_with_its_address(self):
        letter = read(self.bounce("failed"))
        assert letter.undelivered == ("gone@example.org",)
        assert letter.why == (
            "A mail did not reach gone@example.org. The address may be wrong; tell them by phone."
        )
        assert (letter.idle, letter.answer) == (False, None)

    def test_a_mail_that_is_late_needs_nobody(self):
        assert (read(self.bounce("delayed")).idle, read(self.bounce("delayed")).undelivered) == (True, ())

    def test_a_mail_that_was_opened_needs_nobody(self):
        """RFC 8098."""
        assert read(self.bounce("displayed", kind="disposition-notification")).idle

    def test_a_report_of_nothing_is_kept(self):
        letter = read(many(b"Content-Type: text/plain\n\nSorry.", kind="report; report-type=delivery-status"))
        assert (letter.idle, letter.text) == (False, "Sorry.")


def test_a_calendar_in_a_forwarded_mail_is_not_this_mails():
    forwarded = b"Content-Type: message/rfc822\n\n" + mail()
    assert read(many(b"Content-Type: text/plain\n\nSee below.", forwarded)).answer is None


def test_the_same_bytes_have_the_same_digest_and_others_have_not():
    assert read(mail()).digest == read(mail()).digest
    assert read(mail()).digest != read(changed("SEQUENCE:0", "SEQUENCE:1")).digest
