"""The programme's clock against the law and against arithmetic that knows no time zone database."""

# ruff: noqa: DTZ001 (what is converted are local times without a zone)
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shifts.schedule.clock import day_bounds, instant, local_date
from tests.standards.published import check_value

NEW_YORK = ZoneInfo("America/New_York")
LORD_HOWE = ZoneInfo("Australia/Lord_Howe")
SAO_PAULO = ZoneInfo("America/Sao_Paulo")
HOUR = timedelta(hours=1)
HALF_HOUR = timedelta(minutes=30)
MOMENT = timedelta(microseconds=1)


def nth_sunday(nth, month, year):
    first = date(year, month, 1)
    return first + timedelta(days=6 - first.weekday(), weeks=nth - 1)


class UnitedStates:
    """15 U.S.C. 260a as amended in 2005 (from memory): one hour on, from 2 a.m. on March's second Sunday
    to 2 a.m. on November's first."""

    def __init__(self, standard_hours):
        self.standard = timedelta(hours=standard_hours)

    def offset(self, local):
        # Up to 3 a.m. in spring because a skipped time is read with the offset before the gap.
        begins = datetime.combine(nth_sunday(2, 3, local.year), time(3))
        ends = datetime.combine(nth_sunday(1, 11, local.year), time(2))
        return self.standard + HOUR if begins <= local < ends else self.standard


class LordHowe:
    """Half an hour on, from 2 a.m. on October's first Sunday to 2 a.m. on April's (tz database, australasia,
    rule LH since 2008; from memory)."""

    standard = timedelta(hours=10, minutes=30)

    def offset(self, local):
        begins = datetime.combine(nth_sunday(1, 10, local.year), time(2, 30))
        ends = datetime.combine(nth_sunday(1, 4, local.year), time(2))
        return self.standard if ends <= local < begins else self.standard + HALF_HOUR


class Fixed:
    def __init__(self, hours):
        self.hours = hours

    def offset(self, local):
        return timedelta(hours=self.hours)


ZONES = {
    "America/New_York": UnitedStates(-5),
    "America/Chicago": UnitedStates(-6),
    "America/Denver": UnitedStates(-7),
    "America/Los_Angeles": UnitedStates(-8),
    "America/Anchorage": UnitedStates(-9),
    "America/Phoenix": Fixed(-7),
    "Pacific/Honolulu": Fixed(-10),
    "America/Puerto_Rico": Fixed(-4),
    "America/Sao_Paulo": Fixed(-3),  # no clock change since 2019
    "Australia/Lord_Howe": LordHowe(),
}
CHANGES = [(year, half) for year in (2026, 2027, 2028) for half in ("start", "end")]


@given(
    name=st.sampled_from(sorted(ZONES)),
    local=st.datetimes(datetime(2020, 1, 1), datetime(2036, 12, 31)),
)
def test_any_local_time(name, local):
    expected = (local - ZONES[name].offset(local)).replace(tzinfo=UTC)
    assert instant(local.date(), local.time(), ZoneInfo(name)) == expected


@pytest.mark.parametrize("name", sorted(ZONES))
@pytest.mark.parametrize("year", [2026, 2027, 2028])
def test_every_quarter_hour_around_the_changes(name, year):
    for month, nth in [(3, 2), (11, 1), (4, 1), (10, 1)]:
        midnight = datetime.combine(nth_sunday(nth, month, year), time.min)
        for quarter in range(-8, 32):
            local = midnight + timedelta(minutes=15 * quarter)
            found = instant(local.date(), local.time(), ZoneInfo(name))
            assert found == (local - ZONES[name].offset(local)).replace(tzinfo=UTC), local


@pytest.mark.parametrize(("year", "half"), CHANGES)
def test_dates_of_the_us_changes(year, half):
    """The dates as the tz database has them, and as the law gives them."""
    by_law = nth_sunday(2, 3, year) if half == "start" else nth_sunday(1, 11, year)
    day = date.fromisoformat(check_value(f"us_dst_{half}_{year}"))
    assert day == by_law
    begins, ends = day_bounds(day, day, NEW_YORK)
    assert ends - begins == (23 if half == "start" else 25) * HOUR


@pytest.mark.parametrize("city", ["New_York", "Chicago", "Los_Angeles"])
def test_moments_of_the_us_changes_in_2026(city):
    zone = ZoneInfo(f"America/{city}")
    spring, autumn = (datetime.fromisoformat(text) for text in check_value(f"dst_utc_{city.lower()}_2026"))
    assert instant(spring.date(), time(3), zone) == spring
    # 1 a.m. comes twice, an hour apart; what is meant is the first.
    assert instant(autumn.date(), time(1), zone) == autumn - HOUR


def test_eight_stays_eight():
    days = [date(2026, 3, 3) + timedelta(weeks=weeks) for weeks in range(2)]
    assert [instant(day, time(8), NEW_YORK) for day in days] == [
        datetime(2026, 3, 3, 13, tzinfo=UTC),
        datetime(2026, 3, 10, 12, tzinfo=UTC),
    ]


def test_worked_statement_of_rfc_5545():
    """RFC 5545 3.3.5, TZID=America/New_York (the rule read, its two dates from memory): 20071104T013000 is
    1:30 a.m. EDT; 20070311T023000 is 3:30 a.m. EDT, one hour after 1:30 a.m. EST."""
    edt, est = timedelta(hours=-4), timedelta(hours=-5)
    ambiguous = instant(date(2007, 11, 4), time(1, 30), NEW_YORK)
    skipped = instant(date(2007, 3, 11), time(2, 30), NEW_YORK)
    assert ambiguous == (datetime(2007, 11, 4, 1, 30) - edt).replace(tzinfo=UTC)
    assert skipped == (datetime(2007, 3, 11, 3, 30) - edt).replace(tzinfo=UTC)
    assert skipped == (datetime(2007, 3, 11, 1, 30) - est).replace(tzinfo=UTC) + HOUR


@pytest.mark.parametrize("day", [date(2026, 3, 8), date(2026, 11, 1)])
def test_a_fold_or_zone_on_the_time_changes_nothing(day):
    for hour in (1, 2, 3):
        plain = time(hour, 30)
        assert instant(day, plain.replace(fold=1), NEW_YORK) == instant(day, plain, NEW_YORK)
        assert instant(day, plain.replace(tzinfo=UTC), NEW_YORK) == instant(day, plain, NEW_YORK)


def test_half_an_hour_is_skipped_or_repeated():
    """Lord Howe, 2026: +11:00 until 5 April, +10:30 until 4 October."""
    assert instant(date(2026, 4, 5), time(1, 45), LORD_HOWE) == datetime(2026, 4, 4, 14, 45, tzinfo=UTC)
    assert instant(date(2026, 4, 5), time(2, 0), LORD_HOWE) == datetime(2026, 4, 4, 15, 30, tzinfo=UTC)
    assert instant(date(2026, 10, 4), time(2, 15), LORD_HOWE) == datetime(2026, 10, 3, 15, 45, tzinfo=UTC)
    assert instant(date(2026, 10, 4), time(2, 30), LORD_HOWE) == datetime(2026, 10, 3, 15, 30, tzinfo=UTC)


def test_a_day_without_a_midnight():
    """São Paulo's last summer time began on 4 November 2018 at midnight, which became 1 a.m., and ended on
    17 February 2019 at midnight, which became 11 p.m. of the 16th (tz database; from memory)."""
    assert day_bounds(date(2018, 11, 4), date(2018, 11, 4), SAO_PAULO) == (
        datetime(2018, 11, 4, 3, tzinfo=UTC),
        datetime(2018, 11, 5, 2, tzinfo=UTC),
    )
    assert day_bounds(date(2019, 2, 16), date(2019, 2, 17), SAO_PAULO) == (
        datetime(2019, 2, 16, 2, tzinfo=UTC),
        datetime(2019, 2, 18, 3, tzinfo=UTC),
    )


@given(
    # Besides the usual: a clock that changes at midnight, at 11 p.m., by half an hour, and in Ramadan.
    name=st.sampled_from(
        [*ZONES, "Asia/Beirut", "America/Havana", "America/Nuuk", "Africa/Cairo", "Africa/Casablanca"]
    ),
    first=st.dates(date(2015, 1, 1), date(2030, 1, 1)),
    more=st.integers(0, 60),
)
def test_bounds_are_the_edges_of_local_days(name, first, more):
    zone, last = ZoneInfo(name), first + timedelta(days=more)
    begins, ends = day_bounds(first, last, zone)
    assert begins.tzinfo == ends.tzinfo == UTC
    assert local_date(begins, zone) == first
    assert local_date(begins - MOMENT, zone) == first - timedelta(days=1)
    assert local_date(ends - MOMENT, zone) == last
    assert local_date(ends, zone) == last + timedelta(days=1)


def test_local_date_is_the_date_on_the_wall():
    late = datetime(2026, 12, 2, 3, 30, tzinfo=UTC)  # 10:30 p.m. on the eve in New York
    assert local_date(late, NEW_YORK) == date(2026, 12, 1)
    assert local_date(late, LORD_HOWE) == date(2026, 12, 2)


def test_a_moment_without_a_zone_is_refused():
    with pytest.raises(ValueError, match="time zone"):
        local_date(datetime(2026, 12, 2, 3, 30), NEW_YORK)
