"""Our federal holidays against the dates that the U.S. Office of Personnel Management publishes.

OPM, "Federal Holidays", the days on which most federal employees are off; 5 U.S.C. 6103 names the holidays,
and Executive Order 11582 (1971) moves one on a Saturday or Sunday to the working day beside it. Both tables
are from memory.
"""

from datetime import date, timedelta

import pytest

from shifts.schedule.federal_holidays import federal_holidays

OPM = {
    2026: {
        (1, 1): "New Year's Day",
        (1, 19): "Martin Luther King",
        (2, 16): "Washington's Birthday",
        (5, 25): "Memorial Day",
        (6, 19): "Juneteenth",
        (7, 3): "Independence Day",  # the 4th is a Saturday
        (9, 7): "Labor Day",
        (10, 12): "Columbus Day",
        (11, 11): "Veterans Day",
        (11, 26): "Thanksgiving Day",
        (12, 25): "Christmas Day",
    },
    2027: {
        (1, 1): "New Year's Day",
        (1, 18): "Martin Luther King",
        (2, 15): "Washington's Birthday",
        (5, 31): "Memorial Day",
        (6, 18): "Juneteenth",  # the 19th is a Saturday
        (7, 5): "Independence Day",  # the 4th is a Sunday
        (9, 6): "Labor Day",
        (10, 11): "Columbus Day",
        (11, 11): "Veterans Day",
        (11, 25): "Thanksgiving Day",
        (12, 24): "Christmas Day",  # the 25th is a Saturday
        (12, 31): "New Year's Day",  # 2028's, whose January 1 is a Saturday
    },
}


def name_on(found, day):
    """The name of the one holiday of a day; "" where there is none."""
    names = [one.name for one in found if one.covers(day)]
    assert len(names) <= 1
    return names[0] if names else ""


@pytest.mark.parametrize("year", OPM)
def test_every_working_day_off_is_as_published(year):
    found = federal_holidays(date(year, 1, 1), date(year, 12, 31))
    days = [date(year, 1, 1) + timedelta(days=n) for n in range(366)]
    working = [day for day in days if day.year == year and day.weekday() < 5]
    off = {(day.month, day.day): name_on(found, day) for day in working if name_on(found, day)}
    assert off.keys() == OPM[year].keys()
    assert all(name.startswith(OPM[year][day]) for day, name in off.items())


def test_a_holiday_on_a_weekend_is_one_with_the_day_on_which_it_is_kept():
    (fourth,) = federal_holidays(date(2026, 7, 1), date(2026, 7, 10))
    assert fourth.name == "Independence Day"
    assert (fourth.first, fourth.last) == (date(2026, 7, 3), date(2026, 7, 4))


def test_the_edge_of_a_span_shows_the_whole_of_a_holiday():
    (new_year,) = federal_holidays(date(2028, 1, 1), date(2028, 1, 5))
    assert (new_year.first, new_year.last) == (date(2027, 12, 31), date(2028, 1, 1))


def test_days_without_a_holiday_have_none():
    assert federal_holidays(date(2026, 8, 1), date(2026, 8, 31)) == []
