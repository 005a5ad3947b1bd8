# ruff: noqa: DTZ001 (what is converted are local times without a zone)
from datetime import UTC, date, datetime, timedelta
from itertools import islice
from zoneinfo import ZoneInfo

import pytest
from django.utils import translation
from hypothesis import given
from hypothesis import strategies as st

from shifts.schedule.recurrence import (
    LAST,
    DayRule,
    check,
    expand,
    in_words,
    monthly,
    read,
    slot_dates,
    weekly,
)

MONDAY, TUESDAY, WEDNESDAY, THURSDAY, FRIDAY, SATURDAY, SUNDAY = range(7)
NEW_YORK = ZoneInfo("America/New_York")
START = datetime(2026, 12, 1, 8)  # a Tuesday

weekly_rules = st.builds(weekly, st.sets(st.integers(0, 6), min_size=1), st.integers(1, 8))
monthly_rules = st.builds(
    monthly, st.sets(st.sampled_from([1, 2, 3, 4, LAST]), min_size=1), st.integers(0, 6)
)
anchors = st.dates(date(2020, 1, 1), date(2035, 1, 1))


# --- Writing and reading a rule ---
@pytest.mark.parametrize(
    ("text", "rule"),
    [
        (weekly([TUESDAY]), "FREQ=WEEKLY;BYDAY=TU"),
        (weekly([FRIDAY, TUESDAY, FRIDAY]), "FREQ=WEEKLY;BYDAY=TU,FR"),
        (weekly([MONDAY], every=2), "FREQ=WEEKLY;INTERVAL=2;BYDAY=MO"),
        (monthly([1], SATURDAY), "FREQ=MONTHLY;BYDAY=1SA"),
        (monthly([LAST, 3, 1, 3], TUESDAY), "FREQ=MONTHLY;BYDAY=1TU,3TU,-1TU"),
    ],
)
def test_rule_text(text, rule):
    assert text == rule


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        ("FREQ=WEEKLY;BYDAY=TU,FR", DayRule(1, (TUESDAY, FRIDAY))),
        ("BYDAY=FR,TU;FREQ=WEEKLY;INTERVAL=8", DayRule(8, (TUESDAY, FRIDAY))),
        ("freq=weekly;byday=su", DayRule(1, (SUNDAY,))),
        ("FREQ=MONTHLY;BYDAY=-1TU,+1TU", DayRule(1, (TUESDAY,), (1, LAST))),
        ("FREQ=MONTHLY;INTERVAL=1;BYDAY=4WE", DayRule(1, (WEDNESDAY,), (4,))),
    ],
)
def test_read(rule, expected):
    assert read(rule) == expected


@given(rule=weekly_rules | monthly_rules)
def test_what_is_written_is_read_back(rule):
    check(rule)
    assert str(read(rule)) == rule


@pytest.mark.parametrize(
    ("rule", "sentence"),
    [
        ("", "not a recurrence rule"),
        ("Tuesdays", "not a recurrence rule: look at “TUESDAYS”"),
        ("FREQ=WEEKLY;BYDAY=TU;", "not a recurrence rule: look at “”"),
        ("FREQ=WEEKLY;BYDAY=TU;BYDAY=FR", "look at “BYDAY=FR”"),
        ("BYDAY=TU", "how often"),
        ("FREQ=WEEKLY", "at least one day"),
        ("FREQ=WEEKLY;BYDAY=XX", "at least one day"),
        ("FREQ=WEEKLY;BYDAY=0TU", "at least one day"),
        ("FREQ=WEEKLY;INTERVAL=9;BYDAY=TU", "2 to 8 weeks"),
        ("FREQ=WEEKLY;INTERVAL=0;BYDAY=TU", "2 to 8 weeks"),
        ("FREQ=WEEKLY;INTERVAL=-2;BYDAY=TU", "2 to 8 weeks"),
        ("FREQ=WEEKLY;BYDAY=1TU", "numbered"),
        ("FREQ=MONTHLY;BYDAY=TU", "numbered"),
        ("FREQ=MONTHLY;BYDAY=1TU,FR", "numbered"),
        ("FREQ=MONTHLY;BYDAY=5TU", "few months have a 5th"),
        ("FREQ=MONTHLY;BYDAY=-2TU", "few months have a 5th"),
        ("FREQ=MONTHLY;BYDAY=1TU,3WE", "one day of the week"),
        ("FREQ=MONTHLY;INTERVAL=2;BYDAY=1TU", "in every month"),
        ("FREQ=DAILY", "nothing else"),
        ("FREQ=MONTHLY;BYMONTHDAY=15", "nothing else"),
        ("FREQ=WEEKLY;BYDAY=TU;COUNT=3", "nothing else"),
        ("FREQ=WEEKLY;BYDAY=TU;UNTIL=20261224T000000Z", "nothing else"),
        ("FREQ=WEEKLY;BYDAY=SU;WKST=SU", "nothing else"),
    ],
)
def test_every_other_rule_is_refused(rule, sentence):
    with pytest.raises(ValueError, match=sentence):
        check(rule)
    with pytest.raises(ValueError, match=sentence):
        slot_dates(rule, START.date(), START.date(), START.date())


@pytest.mark.parametrize(
    ("write", "sentence"),
    [
        (lambda: weekly([]), "at least one day"),
        (lambda: weekly([7]), "at least one day"),
        (lambda: weekly([TUESDAY], every=0), "2 to 8 weeks"),
        (lambda: weekly([TUESDAY], every=9), "2 to 8 weeks"),
        (lambda: monthly([], TUESDAY), "which one of the month"),
        (lambda: monthly([5], TUESDAY), "few months have a 5th"),
        (lambda: monthly([1], 7), "at least one day"),
    ],
)
def test_no_other_rule_is_written(write, sentence):
    with pytest.raises(ValueError, match=sentence):
        write()


# --- In words ---
@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (weekly([TUESDAY]), "every Tuesday"),
        (weekly([TUESDAY, FRIDAY]), "every Tuesday and Friday"),
        (weekly([MONDAY, WEDNESDAY, FRIDAY]), "every Monday, Wednesday and Friday"),
        (weekly([MONDAY], every=2), "every 2 weeks on Monday"),
        (monthly([1, 3], TUESDAY), "the 1st and 3rd Tuesday of the month"),
        (monthly([2, 4, LAST], SATURDAY), "the 2nd, 4th and last Saturday of the month"),
    ],
)
def test_in_words(rule, words):
    with translation.override("en"):
        assert in_words(rule) == words


def test_in_words_follows_the_active_language():
    with translation.override("es"):
        assert "martes" in in_words(weekly([TUESDAY]))


# --- Dates of runs ---
def test_every_week():
    assert slot_dates(
        weekly([TUESDAY, FRIDAY]), date(2026, 12, 1), date(2026, 12, 1), date(2026, 12, 11)
    ) == [
        date(2026, 12, 1),
        date(2026, 12, 4),
        date(2026, 12, 8),
        date(2026, 12, 11),
    ]


def test_every_two_weeks_counts_from_the_monday_of_the_anchors_week():
    thursday = date(2026, 12, 3)
    dates = slot_dates(weekly([TUESDAY, FRIDAY], every=2), thursday, date(2026, 11, 1), date(2026, 12, 31))
    assert dates == [date(2026, 12, 4), date(2026, 12, 15), date(2026, 12, 18), date(2026, 12, 29)]


def test_first_and_third():
    dates = slot_dates(monthly([1, 3], TUESDAY), date(2026, 12, 2), date(2026, 12, 1), date(2027, 1, 31))
    assert dates == [date(2026, 12, 15), date(2027, 1, 5), date(2027, 1, 19)]


def test_fourth_and_last_are_one_run_where_they_are_one_day():
    dates = slot_dates(monthly([4, LAST], TUESDAY), date(2026, 11, 1), date(2026, 11, 1), date(2026, 12, 31))
    assert dates == [date(2026, 11, 24), date(2026, 12, 22), date(2026, 12, 29)]


def test_no_dates_before_the_anchor_nor_in_an_empty_stretch():
    rule = weekly(range(7))
    assert slot_dates(rule, date(2026, 12, 4), date(2026, 12, 1), date(2026, 12, 3)) == []
    assert slot_dates(rule, date(2026, 12, 4), date(2026, 12, 9), date(2026, 12, 8)) == []
    assert slot_dates(rule, date(2026, 12, 4), date(2026, 12, 1), date(2026, 12, 4)) == [date(2026, 12, 4)]


@given(
    rule=weekly_rules | monthly_rules,
    anchor=anchors,
    offset=st.integers(-100, 3000),
    days=st.integers(0, 200),
)
def test_dates_are_those_that_a_look_at_each_day_gives(rule, anchor, offset, days):
    first = anchor + timedelta(days=offset)
    stretch = [first + timedelta(days=n) for n in range(days + 1)]
    expected = [day for day in stretch if day >= anchor and falls_on(read(rule), anchor, day)]
    assert slot_dates(rule, anchor, stretch[0], stretch[-1]) == expected


def falls_on(rule, anchor, day):
    """The rule in plain arithmetic, without a recurrence engine."""
    if day.weekday() not in rule.weekdays:
        return False
    if not rule.nths:
        # Day 1 of Python's calendar is a Monday.
        weeks = (day.toordinal() - 1) // 7 - (anchor.toordinal() - 1) // 7
        return weeks % rule.every == 0
    is_last = (day + timedelta(days=7)).month != day.month
    return (day.day - 1) // 7 + 1 in rule.nths or (is_last and LAST in rule.nths)


# --- Any rule ---
def test_lazily_and_for_ever():
    times = expand("FREQ=DAILY", START, zone=NEW_YORK)
    assert next(times) == START
    assert next(islice(times, 10_000, None)) == START + timedelta(days=10_001)


def test_before_is_exclusive_and_limit_counts():
    two_days_on = START + timedelta(days=2)
    assert list(expand("FREQ=DAILY", START, zone=NEW_YORK, before=two_days_on)) == [
        START,
        START + timedelta(days=1),
    ]
    assert list(expand("FREQ=DAILY", START, zone=NEW_YORK, before=two_days_on, limit=1)) == [START]
    assert list(expand("FREQ=DAILY", START, zone=NEW_YORK, limit=0)) == []


def test_exdates_are_taken_from_the_count_but_not_from_the_limit():
    days = [START + timedelta(days=n) for n in range(4)]
    left = expand("FREQ=DAILY;COUNT=4", START, zone=NEW_YORK, exdates=[days[1]])
    assert list(left) == [days[0], days[2], days[3]]
    limited = expand("FREQ=DAILY", START, zone=NEW_YORK, exdates=[days[1]], limit=2)
    assert list(limited) == [days[0], days[2]]


def test_until_in_utc_is_read_on_the_local_clock():
    # 8 a.m. in New York is 13:00Z; the last second that still includes it.
    on_time = expand("FREQ=DAILY;UNTIL=20261202T130000Z", START, zone=NEW_YORK)
    assert list(on_time) == [START, START + timedelta(days=1)]
    too_early = expand("FREQ=DAILY;UNTIL=20261202T125959Z", START, zone=NEW_YORK)
    assert list(too_early) == [START]
    local = expand("FREQ=DAILY;UNTIL=20261202T080000", START, zone=NEW_YORK)
    assert list(local) == [START, START + timedelta(days=1)]


@pytest.mark.parametrize(
    ("rule", "start", "sentence"),
    [
        ("FREQ=DAILY;COUNT=2;UNTIL=20261202T130000Z", START, "not by both"),
        ("FREQ=DAILY;INTERVAL=0", START, "0 times"),  # would never end
        ("FREQ=DAILY\nEXDATE:20261202T080000", START, "not a recurrence rule"),
        ("FREQ=DAILY EXDATE:20261202T080000", START, "not a recurrence rule"),
        ("FREQ=FORTNIGHTLY", START, "FREQ"),
        ("FREQ=DAILY;BYFOO=1", START, "BYFOO"),
        ("FREQ=DAILY;UNTIL=tomorrowZ", START, "TOMORROWZ"),
        ("FREQ=DAILY", START.replace(tzinfo=UTC), "without a time zone"),
    ],
)
def test_what_is_no_rule_is_refused_at_once(rule, start, sentence):
    with pytest.raises(ValueError, match=sentence):
        expand(rule, start, zone=NEW_YORK)
