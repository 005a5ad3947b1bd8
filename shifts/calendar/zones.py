"""A time zone as calendars carry it: VTIMEZONE (RFC 5545 3.6.5), written from the tzdata package."""

import re
import struct
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from importlib import resources
from io import BytesIO
from itertools import count
from typing import NamedTuple
from zoneinfo import ZoneInfo

from icalendar import Timezone, TimezoneDaylight, TimezoneStandard
from icalendar.prop import vRecur

_DAYS = ("SU", "MO", "TU", "WE", "TH", "FR", "SA")  # in the order of POSIX, from 0
_LAST = 5
_ALL_CALENDARS = range(2000, 2028)  # a year of every kind: each weekday to begin with, leap or not
_ALWAYS = datetime(1970, 1, 1)  # noqa: DTZ001 (a local time)
_HOUR = timedelta(hours=1)

_NAME = r"[A-Za-z]{3,}|<[A-Za-z0-9+-]{3,}>"
_TIME = r"[+-]?\d{1,3}(?::\d\d){0,2}"
_DAY = rf"M(\d\d?)\.([1-5])\.([0-6])(?:/({_TIME}))?"
_FOOTER = re.compile(rf"({_NAME})({_TIME})(?:({_NAME})({_TIME})?,{_DAY},{_DAY})?")


class _Observance(NamedTuple):
    """From `onset` on, a local time by the clock of before, clocks are `after` ahead of UTC."""

    onset: datetime
    before: timedelta
    after: timedelta
    name: str
    rule: str = ""

    def component(self) -> TimezoneStandard | TimezoneDaylight:
        result = TimezoneDaylight() if self.after > self.before else TimezoneStandard()
        result.add("dtstart", self.onset)
        result.add("tzoffsetfrom", self.before)
        result.add("tzoffsetto", self.after)
        result.add("tzname", self.name)
        if self.rule:
            result.add("rrule", vRecur.from_ical(self.rule))
        return result


@dataclass(frozen=True)
class _YearlyChange:
    """A clock change that comes every year: the `nth` (or _LAST) `weekday` of `month`, and from the start
    of that day so long (`wait`) as the clock of before shows it: below 0 or above 24 hours at times."""

    before: timedelta
    after: timedelta
    name: str
    month: int
    nth: int
    weekday: int
    wait: timedelta

    def onset(self, year: int) -> datetime:
        """The local time of the change, by the clock of before."""
        edge = datetime(year, self.month, 1)  # noqa: DTZ001 (a local time)
        if self.nth == _LAST:
            next_month = (edge + timedelta(days=31)).replace(day=1)
            last_day = next_month - timedelta(days=1)
            day = last_day - timedelta(days=(last_day.isoweekday() - self.weekday) % 7)
        else:
            day = edge + timedelta(days=(self.weekday - edge.isoweekday()) % 7 + 7 * (self.nth - 1))
        return day + self.wait

    def rules(self) -> Iterator[tuple[int, str]]:
        """The RRULEs that give every onset once, each with its month.

        A day so many hours from an nth weekday is a weekday between two days of the month, and these may
        lie in two months. Raises ValueError where they depend on the length of February.
        """
        if timedelta(0) <= self.wait < timedelta(days=1):
            nth = -1 if self.nth == _LAST else self.nth
            yield self.month, f"FREQ=YEARLY;BYMONTH={self.month};BYDAY={nth}{_DAYS[self.weekday]}"
            return
        onsets = [self.onset(year) for year in _ALL_CALENDARS]
        days = sorted({(onset.month, onset.day) for onset in onsets})
        if len(days) > 7:
            raise ValueError("No RRULE says a clock change that is counted from the end of February.")
        by_month = defaultdict(list)
        for month, day in days:
            by_month[month].append(str(day))
        weekday = _DAYS[onsets[0].isoweekday() % 7]
        for month, numbers in by_month.items():
            yield month, f"FREQ=YEARLY;BYMONTH={month};BYMONTHDAY={','.join(numbers)};BYDAY={weekday}"

    def observances(self, after: datetime) -> Iterator[_Observance]:
        """Each begins on its first onset after a moment, as DTSTART has to lie on its RRULE."""
        local = (after + self.before).replace(tzinfo=None)
        for month, rule in self.rules():
            onsets = (self.onset(year) for year in count(local.year))
            onset = next(onset for onset in onsets if onset > local and onset.month == month)
            yield _Observance(onset, self.before, self.after, self.name, rule)


class _Data(NamedTuple):
    """A zone in tzdata: its clock, the moments of change that are listed, and what holds after the last."""

    clock: ZoneInfo
    changes: list[datetime]
    standard: _Observance  # counts only where nothing comes every year
    yearly: list[_YearlyChange]


def vtimezone(zone: ZoneInfo, *, tzid: str | None = None, since: date) -> Timezone:
    """What the clocks of `zone` show from the local day `since` on, for ever, under the name `tzid` (None:
    the zone's own). What it says of the time before is of no account. Same arguments, same bytes.

    Where the clocks change by a rule there is one STANDARD and one DAYLIGHT with an RRULE each (a second
    one where a change falls into either of two months, as in Africa/Cairo); where they never change, one
    STANDARD. Changes after `since` that follow no rule stand before, one observance each: where a rule
    comes to its end (America/Vancouver, Africa/Casablanca) or goes by the moon (Asia/Gaza, over 100).

    DAYLIGHT is what puts the clock forward, even where the law takes winter for the exception
    (Europe/Dublin), since programs take it for the later clock.

    Raises ValueError for a zone that is not one of tzdata's, and for a rule that RRULE cannot say; there
    is none in tzdata 2026.6.
    """
    data = _data(zone.key)
    # A day early: by then `since` has begun nowhere.
    begin = datetime(since.year, since.month, since.day, tzinfo=UTC) - timedelta(days=1)
    listed = [_listed(moment, data.clock) for moment in data.changes if moment > begin]
    if listed:
        earlier = [moment for moment in data.changes if moment <= begin]
        observances = [_listed(moment, data.clock) for moment in earlier[-1:]] + listed
        rules_hold_after = data.changes[-1]
    else:
        observances = [] if data.yearly else [data.standard]
        rules_hold_after = datetime(since.year - 1, 1, 1, tzinfo=UTC)  # so that `begin` is past each onset
    for change in data.yearly:
        observances += change.observances(rules_hold_after)

    result = Timezone()
    result.add("tzid", tzid or zone.key)
    for observance in sorted(observances):
        result.add_component(observance.component())
    return result


def _listed(moment: datetime, clock: ZoneInfo) -> _Observance:
    before, after = _offset(moment - timedelta(seconds=1), clock), _offset(moment, clock)
    onset = (moment + before).replace(tzinfo=None)
    return _Observance(onset, before, after, f"{moment.astimezone(clock):%Z}")


def _offset(moment: datetime, clock: ZoneInfo) -> timedelta:
    return moment.astimezone(clock).replace(tzinfo=UTC) - moment


@lru_cache(maxsize=16)
def _data(key: str | None) -> _Data:
    """Reads TZif (RFC 9636): the moments in its second block, of 64 bits, and the footer.

    What the clock shows about each moment ZoneInfo can tell, from the same bytes.
    """
    if key is None:
        raise ValueError("A time zone without a name cannot be looked up.")
    try:
        data = resources.files("tzdata").joinpath("zoneinfo", *key.split("/")).read_bytes()
    except OSError as error:
        raise ValueError(f"“{key}” is no time zone of the tzdata package.") from error
    _times, _count, end_of_first = _block(data, 0, time_size=4)
    times, number, footer = _block(data, end_of_first, time_size=8)
    moments = (datetime.fromtimestamp(time, UTC) for time in struct.unpack_from(f">{number}q", data, times))
    changes = [moment for moment in moments if moment.year >= _ALWAYS.year]
    standard, yearly = _rules(data[footer:].decode("ascii").strip("\n"))
    return _Data(ZoneInfo.from_file(BytesIO(data), key), changes, standard, yearly)


def _block(data: bytes, start: int, *, time_size: int) -> tuple[int, int, int]:
    """Of a block that begins at `start`: where its moments begin, how many there are, where it ends."""
    utc_marks, standard_marks, leaps, moments, kinds, letters = struct.unpack_from(">20x6L", data, start)
    times = start + 44
    rest = 6 * kinds + letters + (time_size + 4) * leaps + standard_marks + utc_marks
    return times, moments, times + (time_size + 1) * moments + rest


def _rules(footer: str) -> tuple[_Observance, list[_YearlyChange]]:
    """What a footer says, a TZ string of POSIX.1-2024 8.3: standard time, and the changes of every year.

    Of the three ways to name a day only Mm.n.d is read; tzdata uses no other. Raises ValueError.
    """
    match = _FOOTER.fullmatch(footer)
    if match is None:
        raise ValueError(f"“{footer}” is no rule for clock changes that can be read here.")
    name, west, summer_name, summer_west, *days = match.groups()
    standard = -_span(west)
    always = _Observance(_ALWAYS, standard, standard, name.strip("<>"))
    if summer_name is None:
        return always, []
    summer = -_span(summer_west) if summer_west else standard + _HOUR
    return always, [
        _YearlyChange(standard, summer, summer_name.strip("<>"), *_day(*days[:4])),
        _YearlyChange(summer, standard, name.strip("<>"), *_day(*days[4:])),
    ]


def _day(month: str, nth: str, weekday: str, time: str | None) -> tuple[int, int, int, timedelta]:
    return int(month), int(nth), int(weekday), _span(time) if time else 2 * _HOUR


def _span(text: str) -> timedelta:
    """Hours, minutes and seconds with a sign, as "-9:30"."""
    hours, minutes, seconds = [*map(int, text.lstrip("+-").split(":")), 0, 0][:3]
    span = timedelta(hours=hours, minutes=minutes, seconds=seconds)
    return -span if text.startswith("-") else span
