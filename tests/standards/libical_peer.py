"""libical, asked about recurrence rules over a pipe. Runs under the system's python3, outside the tests:
Debian's gir1.2-ical-3.0 serves that one only, and a crash in C then ends this process and not theirs.

One JSON object a line. In: {"rule": RRULE text, "start": "20261001T080000", "zone": name or null,
"limit": n}. Out: {"times": ["20261001T080000", ...]} as local times, or {"error": text}.
"""

import json
import sys

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
    return times


def answer(line):
    question = json.loads(line)
    try:
        return {"times": expand(**question)}
    except TypeError as error:  # what a NULL from the C library becomes
        return {"error": str(error)}


for line in sys.stdin:
    sys.stdout.write(json.dumps(answer(line)) + "\n")
    sys.stdout.flush()
