"""libical, asked over a pipe. Runs under the system's python3, outside the tests: Debian's gir1.2-ical-3.0
serves that one only, and a crash in C then ends this process and not theirs.

One JSON object a line; the answer is one, too, or {"error": text}. Instants are "20261001T080000Z".

{"rule": RRULE text, "start": "20261001T080000", "zone": name or null, "limit": n}
    {"times": ["20261001T080000", ...]}: the rule's local times.
{"text": a calendar, "first": instant, "last": instant}
    {"times": {UID: [instant, ...]}}: when its events start, from `first` up to, not including, `last`, in
    order, whatever their STATUS. Time zones are those of the VTIMEZONEs in it: libical has others, and one
    that only libical knows is an error.
{"restrictions": a calendar}
    {"faults": [text, ...]}: what RFC 5545 and, by its METHOD, RFC 5546 demand and it has not; empty if it
    passes.
"""

import json
import sys
from collections import defaultdict
from datetime import UTC, datetime

import gi

gi.require_version("ICalGLib", "3.0")
from gi.repository import ICalGLib  # noqa: E402 (the version has to be chosen first)


def expand(rule, start, zone, limit):
    moment = ICalGLib.Time.new_from_string(start)
    if zone is not None:
        moment.set_timezone(ICalGLib.Timezone.get_builtin_timezone(zone))
    iterator = ICalGLib.RecurIterator.new(ICalGLib.Recurrence.new_from_string(rule), moment)
    times = []
    while len(times) < limit:
        occurrence = iterator.next()
        if occurrence is None or occurrence.is_null_time():
            break
        times.append(occurrence.as_ical_string().removesuffix("Z"))
    return {"times": times}


def occurrences(text, first, last):
    calendar = parsed(text)
    overrides = defaultdict(dict)  # by UID: the start of each by its RECURRENCE-ID
    masters = []
    for event in components(calendar, ICalGLib.ComponentKind.VEVENT_COMPONENT):
        start = seconds(calendar, event, ICalGLib.PropertyKind.DTSTART_PROPERTY)
        replaced = seconds(calendar, event, ICalGLib.PropertyKind.RECURRENCEID_PROPERTY)
        if replaced is None:
            masters.append(event)
        else:
            overrides[event.get_uid()][replaced] = start
    # libical leaves it to its caller to put the overrides in their places.
    starts = {uid: list(moved.values()) for uid, moved in overrides.items()}
    for event in masters:
        moved = overrides.get(event.get_uid(), {})
        kept = [start for start in recurrences(event, first, last) if start not in moved]
        starts.setdefault(event.get_uid(), []).extend(kept)
    times = {uid: sorted(map(as_instant, found)) for uid, found in starts.items()}
    return {"times": {uid: [time for time in found if first <= time < last] for uid, found in times.items()}}


def recurrences(event, first, last):
    """In seconds since 1970, some beyond the edges perhaps."""
    times = []
    event.foreach_recurrence(
        ICalGLib.Time.new_from_string(first),
        ICalGLib.Time.new_from_string(last),
        lambda _event, span, _data: times.append(span.get_start()),
        None,
    )
    return times


def seconds(calendar, event, kind):
    """The moment in this property, in seconds since 1970; None without it."""
    holder = event.get_first_property(kind)
    if holder is None:
        return None
    time = ICalGLib.Time.new_from_string(holder.get_value_as_string())
    if time.is_utc():
        return time.as_timet()
    zone = calendar.get_timezone(holder.get_parameter_as_string("TZID") or "")
    if zone is None:
        raise ValueError(f"no time zone for {holder.as_ical_string()}")
    return time.as_timet_with_zone(zone)


def as_instant(moment):
    return f"{datetime.fromtimestamp(moment, UTC):%Y%m%dT%H%M%SZ}"


def restrictions(restrictions):
    calendar = parsed(restrictions)
    calendar.check_restrictions()
    return {"faults": list(faults(calendar))}


def faults(component):
    found = component.get_first_property(ICalGLib.PropertyKind.XLICERROR_PROPERTY)
    while found is not None:
        yield found.get_value_as_string()
        found = component.get_next_property(ICalGLib.PropertyKind.XLICERROR_PROPERTY)
    for inner in components(component, ICalGLib.ComponentKind.ANY_COMPONENT):
        yield from faults(inner)


def parsed(text):
    calendar = ICalGLib.Component.new_from_string(text)
    if calendar is None or calendar.isa() != ICalGLib.ComponentKind.VCALENDAR_COMPONENT:
        raise ValueError("not one VCALENDAR")
    return calendar


def components(parent, kind):
    found = []
    component = parent.get_first_component(kind)
    while component is not None:
        found.append(component)
        component = parent.get_next_component(kind)
    return found


KINDS = {"rule": expand, "text": occurrences, "restrictions": restrictions}


def answer(line):
    question = json.loads(line)
    try:
        return KINDS[next(iter(question))](**question)
    except (TypeError, ValueError) as error:  # TypeError is what a NULL from the C library becomes
        return {"error": str(error)}


for line in sys.stdin:
    sys.stdout.write(json.dumps(answer(line)) + "\n")
    sys.stdout.flush()
