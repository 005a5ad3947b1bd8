"""Random rules, held against libical, which shares no code with dateutil.

Left out is what libical 3.0.16 (Debian 12) was measured to get wrong or refuses, where RFC 5545 3.3.10 is
plain: BYWEEKNO at the turn of the year; lists out of order; BYMONTHDAY in a yearly rule without BYMONTH;
negative BYMONTHDAY in a daily rule; BYSETPOS in daily and weekly rules, beside several times a day, or over
entries that name one day twice; every 2 or more weeks with a WKST other than MO and SU; an UNTIL at a time
that the clock shows twice, of which it takes the second (3.3.5: the first).
"""

# ruff: noqa: DTZ001 (rules run on the local clock, without a zone)
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from shifts.schedule.clock import instant
from shifts.schedule.recurrence import LAST, expand, monthly, slot_dates, weekly

pytestmark = pytest.mark.needs("libical")

MANY = settings(max_examples=5 * settings.default.max_examples)

NEW_YORK = ZoneInfo("America/New_York")
DAYS = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"]
YEARS = timedelta(days=366 * 12)


def some(values, most):
    """Between one and `most` of the values, as libical wants them: in their own order, comma between."""
    values = list(values)
    chosen = st.sets(st.sampled_from(range(len(values))), min_size=1, max_size=most)
    return chosen.map(lambda indexes: ",".join(str(values[index]) for index in sorted(indexes)))


def nths(*numbers):
    return [f"{number}{day}" for number in numbers for day in DAYS]


def rules(freq, **parts):
    """Rules of one FREQ with these parts, and with all those parts that may as well be absent (`maybe_`)."""
    drawn = {
        name.removeprefix("maybe_"): st.none() | values if name.startswith("maybe_") else values
        for name, values in parts.items()
    }
    return st.fixed_dictionaries(drawn).map(
        lambda chosen: ";".join(
            [f"FREQ={freq}", *(f"{name}={value}" for name, value in chosen.items() if value is not None)]
        )
    )


intervals = st.integers(1, 8)
months = some(range(1, 13), 4)
month_days = some([*range(1, 32), -31, -10, -2, -1], 4)
wkst = st.sampled_from(["MO", "SU"])
times_of_day = {"maybe_BYHOUR": some(range(24), 3), "maybe_BYMINUTE": some([0, 15, 30, 45], 2)}

wide_rules = st.one_of(
    rules("MINUTELY", INTERVAL=st.integers(1, 2000)),
    rules("HOURLY", INTERVAL=st.integers(1, 100)),
    rules("DAILY", INTERVAL=intervals, maybe_BYMONTH=months, maybe_BYDAY=some(DAYS, 7), **times_of_day),
    rules("WEEKLY", INTERVAL=intervals, maybe_BYMONTH=months, maybe_BYDAY=some(DAYS, 7), maybe_WKST=wkst,
          **times_of_day),
    rules("MONTHLY", INTERVAL=intervals, maybe_BYMONTH=months, BYDAY=some(nths(1, 2, 3, 4, 5, -1, -2, -5), 4),
          **times_of_day),
    rules("MONTHLY", INTERVAL=intervals, maybe_BYMONTHDAY=month_days, maybe_BYDAY=some(DAYS, 4),
          **times_of_day),
    rules("MONTHLY", INTERVAL=intervals, BYDAY=some(DAYS, 7), BYSETPOS=some([1, 2, 3, -3, -2, -1], 3)),
    rules("YEARLY", INTERVAL=intervals, BYMONTH=months, maybe_BYMONTHDAY=month_days, **times_of_day),
    rules("YEARLY", INTERVAL=intervals, BYMONTH=months, BYDAY=some(nths(1, 2, 3, 4, -1), 4), **times_of_day),
    rules("YEARLY", INTERVAL=intervals, BYDAY=some(nths(1, 20, 52, -1, -10), 4), **times_of_day),
    rules("YEARLY", INTERVAL=intervals, BYYEARDAY=some([1, 60, 100, 365, 366, -366, -100, -1], 4)),
)  # fmt: skip
starts = st.datetimes(datetime(1990, 1, 1), datetime(2040, 1, 1)).map(
    lambda moment: moment.replace(second=0, microsecond=0)
)


def first_of(rule, start):
    """The rule's first time from `start` on. RFC 5545 leaves open what a rule gives whose start is off it."""
    first = next(expand(rule, start, zone=NEW_YORK, before=start + YEARS), None)
    assume(first is not None)
    return first


@MANY
@given(rule=wide_rules, start=starts)
def test_any_rule(libical, rule, start):
    first = first_of(rule, start)
    ours = list(expand(rule, first, zone=NEW_YORK, before=first + YEARS, limit=30))
    theirs = [moment for moment in libical.expand(rule, first, limit=30) if moment < first + YEARS]
    assert ours == theirs


@MANY
@given(rule=wide_rules, start=starts, count=st.integers(1, 30))
def test_count(libical, rule, start, count):
    first = first_of(rule, start)
    ended = f"{rule};COUNT={count}"
    ours = list(expand(ended, first, zone=NEW_YORK, before=first + YEARS))
    theirs = [moment for moment in libical.expand(ended, first, limit=40) if moment < first + YEARS]
    assert ours == theirs


@MANY
@given(
    rule=rules("WEEKLY", INTERVAL=intervals, BYDAY=some(DAYS, 7)),
    start=starts.map(lambda start: start.replace(hour=3 + start.hour % 21)),
    kept=st.integers(1, 20),
    short_by=st.sampled_from([timedelta(0), timedelta(seconds=1)]),
)
def test_until_in_utc_beside_a_local_start(libical, rule, start, kept, short_by):
    first = first_of(rule, start)
    last = list(expand(rule, first, zone=NEW_YORK, limit=kept))[-1]
    until = instant(last.date(), last.time(), NEW_YORK) - short_by
    ended = f"{rule};UNTIL={until:%Y%m%dT%H%M%SZ}"
    ours = list(expand(ended, first, zone=NEW_YORK))
    assert ours == libical.expand(ended, first, zone="America/New_York", limit=40)
    assert len(ours) == (kept if not short_by else kept - 1)


weekly_rules = st.builds(weekly, st.sets(st.integers(0, 6), min_size=1), intervals)
monthly_rules = st.builds(
    monthly, st.sets(st.sampled_from([1, 2, 3, 4, LAST]), min_size=1), st.integers(0, 6)
)


@MANY
@given(
    rule=weekly_rules | monthly_rules,
    anchor=st.dates(date(2020, 1, 1), date(2030, 1, 1)),
    offset=st.integers(-400, 1500),
    days=st.integers(0, 400),
)
def test_the_dates_of_runs(libical, rule, anchor, offset, days):
    """From the first run on, which is where a calendar entry for this rule would start."""
    start = slot_dates(rule, anchor, anchor, anchor + timedelta(weeks=9))[0]
    first = start + timedelta(days=offset)
    last = first + timedelta(days=days)
    theirs = libical.expand(rule, datetime.combine(start, time(8)), limit=7 * 5 * 60)
    expected = [moment.date() for moment in theirs if first <= moment.date() <= last]
    assert slot_dates(rule, anchor, first, last) == expected
