"""A small calendar of the kind a phone has: it takes invitations and cancellations as they come in the mail.

Rules from RFC 5546: 2.1.5 (a message with a lower SEQUENCE, or the same and an older DTSTAMP, is passed
over), 3.2.2 (a REQUEST puts in or replaces the whole of a UID), 3.2.5 (a CANCEL takes the UID away, for
good: what comes later below its SEQUENCE is passed over).
"""

import email
from datetime import UTC, datetime, timedelta

from dateutil.rrule import rrulestr
from icalendar import Calendar

from volunteers.models import Message


def calendar_object(message):
    """The calendar object of a Message as bytes; None where it has none. It must stand in there twice."""
    if not message.raw:
        return None
    parts = email.message_from_bytes(bytes(message.raw)).walk()
    found = [
        part.get_payload(decode=True)
        for part in parts
        if part.get_content_type() in ("text/calendar", "application/ics")
    ]
    assert len(found) in (0, 2)
    assert not found or found[0] == found[1]
    return found[0] if found else None


class PhoneCalendar:
    """What one mail address's calendar shows after the messages that came there, in their order."""

    def __init__(self, address):
        self.address = address
        self.versions = {}  # UID: (SEQUENCE, DTSTAMP)
        self.objects = {}  # UID: the calendar object that is shown
        self.taken = 0

    def read_all(self):
        """Takes what has been sent here and was not taken yet."""
        mine = Message.objects.filter(address=self.address, pk__gt=self.taken).exclude(state="replaced")
        for message in mine.order_by("pk"):
            self.taken = message.pk
            body = calendar_object(message)
            if body:
                self.take(Calendar.from_ical(body), body)

    def take(self, calendar, body):
        events = calendar.walk("VEVENT")
        assert len({str(event["uid"]) for event in events}) == 1  # one UID a message (RFC 5546 3.2)
        assert all(event["attendee"] == f"mailto:{self.address}" for event in events)
        uid, version = str(events[0]["uid"]), (int(events[0]["sequence"]), events[0]["dtstamp"].dt)
        if uid in self.versions and version < self.versions[uid]:
            return
        self.versions[uid] = version
        if calendar["method"] == "CANCEL":
            self.objects.pop(uid, None)
        else:
            assert calendar["method"] == "REQUEST"
            self.objects[uid] = body.decode()

    def starts(self, first, last, expand):
        """All that it shows between two moments, in order; `expand` is an engine such as `by_dateutil`."""
        found = [
            start
            for text in self.objects.values()
            for times in expand(text, first, last).values()
            for start in times
        ]
        return sorted(found)


def by_dateutil(text, first, last):
    """Starts by UID in a calendar's text, rules expanded by dateutil on the clock on the wall.

    The zones are those of the tz database by their names: the VTIMEZONE is left to engines that read it.
    """
    masters, overrides = {}, {}
    for event in Calendar.from_ical(text).walk("VEVENT"):
        uid = str(event["uid"])
        if "recurrence-id" in event:
            overrides.setdefault(uid, {})[event["recurrence-id"].dt.astimezone(UTC)] = event.start.astimezone(
                UTC
            )
        else:
            masters[uid] = event
    found = {}
    for uid, event in masters.items():
        if not isinstance(event.start, datetime):
            continue  # the note in a feed without runs
        moved = overrides.get(uid, {})
        starts = [start for start in expanded(event, last) if start not in moved] + list(moved.values())
        found[uid] = sorted(start for start in starts if first <= start < last)
    return found


def expanded(event, last):
    start = event.start
    if "rrule" not in event:
        return [start.astimezone(UTC)]
    zone = start.tzinfo
    parts = dict(part.split("=") for part in event["rrule"].to_ical().decode().split(";"))
    until = parts.pop("UNTIL", None)
    end = datetime.strptime(until, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC) if until else last
    rule = rrulestr(
        ";".join(f"{name}={value}" for name, value in parts.items()), dtstart=start.replace(tzinfo=None)
    )
    exdates = event.get("exdate", [])
    exdates = exdates if isinstance(exdates, list) else [exdates]
    left_out = {one.dt.astimezone(UTC) for dates in exdates for one in dates.dts}
    times = []
    for local in rule:
        moment = local.replace(tzinfo=zone).astimezone(UTC)
        if moment > end or moment > last + timedelta(days=2):
            break
        if moment not in left_out:
            times.append(moment)
    return times
