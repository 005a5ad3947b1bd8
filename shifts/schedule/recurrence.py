"""On which dates a weekly run falls: RRULE text (RFC 5545 3.3.10), expanded by dateutil.

A rule is always expanded on the local clock and turned into UTC afterwards (`clock.instant`), so that
08:00 stays 08:00 across a clock change.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from itertools import islice, takewhile
from zoneinfo import ZoneInfo

from dateutil.rrule import rrulestr
from django.utils.dates import WEEKDAYS
from django.utils.text import get_text_list
from django.utils.translation import gettext as _
from django.utils.translation import pgettext

LONGEST_GAP_IN_WEEKS = 8
LAST = -1
NTHS = (1, 2, 3, 4, LAST)  # in the order they fall; not every month has a 5th

_DAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
_ONE_DAY = re.compile(rf"([+-]?[1-9]\d?)?({'|'.join(_DAYS)})")
_RULE_TEXT = re.compile(r"[A-Za-z0-9=;,+-]+")


# Any rule


def expand(
    rule: str,
    start: datetime,
    *,
    zone: ZoneInfo,
    exdates: Iterable[datetime] = (),
    before: datetime | None = None,
    limit: int | None = None,
) -> Iterator[datetime]:
    """The local times of any RRULE, one by one, from `start` on.

    `start`, `exdates`, `before` and what comes out are naive local times in `zone`. UNTIL may be in UTC,
    as RFC 5545 wants it beside a start with a zone; it is inclusive. `before` is not; None means as far
    as the rule goes, which may be for ever. `limit` counts what comes out, COUNT what the rule gives
    before `exdates` are taken away. `start` itself comes out only if it lies on the rule.
    Raises ValueError, at once, for text that is no rule.
    """
    if start.tzinfo is not None:
        raise ValueError("expand() needs a local start without a time zone.")
    left_out = frozenset(exdates)
    times: Iterator[datetime] = (moment for moment in _rrule(rule, start, zone) if moment not in left_out)
    if before is not None:
        times = takewhile(lambda moment: moment < before, times)
    return islice(times, limit)


def _rrule(rule: str, start: datetime, zone: ZoneInfo) -> Iterator[datetime]:
    parts = _parts(rule)
    if "COUNT" in parts and "UNTIL" in parts:
        raise ValueError("A rule ends by COUNT or by UNTIL, not by both.")
    if not parts.get("INTERVAL", "1").strip("0"):
        raise ValueError("A rule cannot repeat every 0 times.")
    if parts.get("UNTIL", "").endswith("Z"):
        parts["UNTIL"] = _local(parts["UNTIL"], zone)
    return iter(rrulestr(";".join(f"{name}={value}" for name, value in parts.items()), dtstart=start))


def _parts(rule: str) -> dict[str, str]:
    # The characters are checked because dateutil would read a second line as further properties.
    if not _RULE_TEXT.fullmatch(rule):
        raise ValueError(f"“{rule}” is not a recurrence rule.")
    parts: dict[str, str] = {}
    for part in rule.upper().split(";"):
        name, _equals, value = part.partition("=")
        if not value or name in parts:
            raise ValueError(f"“{rule}” is not a recurrence rule: look at “{part}”.")
        parts[name] = value
    if "FREQ" not in parts:
        raise ValueError(f"“{rule}” does not say how often (FREQ).")
    return parts


def _local(utc_text: str, zone: ZoneInfo) -> str:
    moment = datetime.strptime(utc_text, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    return f"{moment.astimezone(zone):%Y%m%dT%H%M%S}"


# Our rules


@dataclass(frozen=True)
class DayRule:
    """Every `every` weeks on `weekdays`; or, where `nths` is not empty, on those of a month's
    weekday (one) in every month. Monday is 0; LAST is the month's last. `str()` gives the RRULE.

    Raises ValueError, with a sentence for the person who chose it, for anything else.
    """

    every: int
    weekdays: tuple[int, ...]
    nths: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if not self.weekdays or not set(self.weekdays) <= set(range(7)):
            raise ValueError("Choose at least one day of the week.")
        if not self.nths:
            if not 1 <= self.every <= LONGEST_GAP_IN_WEEKS:
                raise ValueError(f"Choose every week, or every 2 to {LONGEST_GAP_IN_WEEKS} weeks.")
        elif not set(self.nths) <= set(NTHS):
            raise ValueError("Choose the 1st, 2nd, 3rd, 4th or last one of the month; few months have a 5th.")
        elif self.every != 1 or len(self.weekdays) != 1:
            raise ValueError("A run by the month is on one day of the week, in every month.")

    def __str__(self) -> str:
        if self.nths:
            return "FREQ=MONTHLY;BYDAY=" + ",".join(f"{nth}{_DAYS[self.weekdays[0]]}" for nth in self.nths)
        interval = f"INTERVAL={self.every};" if self.every > 1 else ""
        return f"FREQ=WEEKLY;{interval}BYDAY=" + ",".join(_DAYS[day] for day in self.weekdays)


def weekly(weekdays: Iterable[int], every: int = 1) -> str:
    """RRULE text: every `every` weeks (1 to 8) on these weekdays, Monday being 0.

    Which weeks, if not every one, is counted from the Monday of the anchor's week. Raises ValueError.
    """
    return str(_day_rule(every, weekdays))


def monthly(nths: Iterable[int], weekday: int) -> str:
    """RRULE text: the 1st to 4th or last (-1) `weekday` of every month, Monday being 0. Raises ValueError."""
    nths = tuple(nths)
    if not nths:
        raise ValueError("Choose which one of the month: the 1st, 2nd, 3rd, 4th or last.")
    return str(_day_rule(1, (weekday,), nths))


@lru_cache(maxsize=1024)
def read(rule: str) -> DayRule:
    """What one of our rules says. Raises ValueError with a plain sentence for any other rule."""
    parts = _parts(rule)
    others = parts.keys() - {"FREQ", "INTERVAL", "BYDAY"}
    if others or parts["FREQ"] not in ("WEEKLY", "MONTHLY"):
        raise ValueError("A run repeats by weeks, or on the nth weekday of the month, and nothing else.")
    nths, weekdays = zip(*map(_nth_and_weekday, parts.get("BYDAY", "").split(",")), strict=True)
    by_month = parts["FREQ"] == "MONTHLY"
    if any(by_month != (nth is not None) for nth in nths):
        raise ValueError("A day of the week is numbered (1st, last) in a monthly rule, and only there.")
    interval = parts.get("INTERVAL", "1")
    every = int(interval) if interval.isdecimal() else 0
    return _day_rule(every, weekdays, nths if by_month else ())


def check(rule: str) -> None:
    """Raises ValueError, with a plain sentence, unless `rule` is one of ours: every 1 to 8 weeks on
    weekdays, or the 1st to 4th or last of a month's weekday. Neither has an end: the term has."""
    read(rule)


def slot_dates(rule: str, anchor: date, first: date, last: date) -> list[date]:
    """The dates one of our rules gives from `first` to `last`, both included, never before `anchor`.

    The anchor need not lie on the rule; its week is the one from which every n weeks are counted.
    Raises ValueError as `check` does.
    """
    start = _start_near(first, anchor=anchor, rule=read(rule))
    dates = (occurrence.date() for occurrence in rrulestr(rule, dtstart=datetime.combine(start, time.min)))
    return [day for day in takewhile(lambda day: day <= last, dates) if day >= first]


def in_words(rule: str) -> str:
    """One of our rules in the active language, to go inside a sentence: "every Tuesday and Friday",
    "every 2 weeks on Monday", "the 1st and 3rd Tuesday of the month". Raises ValueError as `check` does."""
    day_rule = read(rule)
    days = get_text_list([str(WEEKDAYS[day]) for day in day_rule.weekdays], _("and"))
    if day_rule.nths:
        nths = get_text_list([_ordinal(nth) for nth in day_rule.nths], _("and"))
        return _("the %(nths)s %(day)s of the month") % {"nths": nths, "day": days}
    if day_rule.every == 1:
        return _("every %(days)s") % {"days": days}
    return _("every %(number)s weeks on %(days)s") % {"number": day_rule.every, "days": days}


def _day_rule(every: int, weekdays: Iterable[int], nths: Iterable[int] = ()) -> DayRule:
    """One rule has one text, in whatever order it was ticked; the last of the month stands last."""
    in_month_order = sorted(set(nths), key=lambda nth: (nth < 0, nth))
    return DayRule(every, tuple(sorted(set(weekdays))), tuple(in_month_order))


def _nth_and_weekday(text: str) -> tuple[int | None, int]:
    """The number and the day: (-1, 1) of "-1TU", (None, 1) of "TU"."""
    day = _ONE_DAY.fullmatch(text)
    if day is None:
        raise ValueError("Choose at least one day of the week.")
    return int(day[1]) if day[1] else None, _DAYS.index(day[2])


def _start_near(first: date, *, anchor: date, rule: DayRule) -> date:
    """A later anchor that gives the same dates from `first` on, so that old runs cost nothing."""
    if first <= anchor:
        return anchor
    if rule.nths:
        return first
    period = 7 * rule.every
    return anchor + timedelta(days=(first - anchor).days // period * period)


def _ordinal(nth: int) -> str:
    return {
        1: pgettext("of the month", "1st"),
        2: pgettext("of the month", "2nd"),
        3: pgettext("of the month", "3rd"),
        4: pgettext("of the month", "4th"),
        LAST: pgettext("of the month", "last"),
    }[nth]
