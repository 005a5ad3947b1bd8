"""The VTIMEZONEs we write, and whole series of runs in them, read by ical.js and by libical.

The zones go by a name that nobody knows, so that the engines have the VTIMEZONE and nothing else; ours reads
tzdata by zoneinfo. Rules: RFC 5545 3.6.5 (VTIMEZONE), 3.3.5 (local times), 3.8.4.4 (overrides), 3.8.5.1
(EXDATE), 3.3.10 (UNTIL in UTC).

Where the clock skips a time or shows it twice, ical.js 2.2.1 and libical 3.0.16 were measured to take the
offset after the change; RFC 5545 3.3.5 is plain that it is the one before. There either answer will do.
"""

import zoneinfo
from datetime import UTC, date, datetime, time, timedelta
from importlib import resources
from io import BytesIO
from zoneinfo import ZoneInfo

import pytest
from dateutil.rrule import rrulestr
from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar, Event
from icalendar.prop import vRecur

from shifts.calendar import zones
from shifts.calendar.zones import vtimezone
from shifts.schedule.clock import instant, readings
from shifts.schedule.recurrence import LAST, expand, monthly, slot_dates, weekly

NAME = "Nobody's own clock"
FIRST, LAST_DAY = date(2026, 1, 1), date(2030, 12, 31)
DAYS = [FIRST + timedelta(days=n) for n in range((LAST_DAY - FIRST).days + 1)]
TIMES = [time(0, 30), time(1, 30), time(2, 30), time(3, 30), time(8), time(23, 30)]
NOON = time(12)
WINDOW = datetime(2025, 11, 1, tzinfo=UTC), datetime(2031, 3, 1, tzinfo=UTC)

AMERICAN = ["New_York", "Chicago", "Denver", "Los_Angeles", "Anchorage", "Phoenix", "Puerto_Rico"]
ZONES = [
    *(f"America/{city}" for city in AMERICAN),
    "Pacific/Honolulu",
    "Australia/Sydney",  # summer at the turn of the year
    "Europe/Berlin",
    "Europe/Dublin",  # in law, summer is the standard and winter the exception
    "America/Nuuk",  # an hour before the last Sunday of March: a Saturday
    "Asia/Jerusalem",  # 26 hours after a Thursday begins
    "Africa/Cairo",  # at the end of the last Thursday of October, which may be in November
    "Australia/Lord_Howe",  # by half an hour
    "America/Vancouver",  # changes until 2026, none after
    "Africa/Casablanca",  # by the moon until 2026
    "America/Havana",  # no change back in 2026; later by rule again
]
ENGINES = [
    pytest.param("icaljs_occurrences", marks=pytest.mark.needs("icaljs")),
    pytest.param("libical_occurrences", marks=pytest.mark.needs("libical")),
]


@pytest.fixture(params=ENGINES)
def engine(request):
    """When the events in a calendar take place; see `Peer.occurrences`."""
    return request.getfixturevalue(request.param)


def calendar(*components):
    result = Calendar()
    result.add("prodid", "-//Tests//EN")
    result.add("version", "2.0")
    for component in components:
        result.add_component(component)
    return result.to_ical().decode()


def event(uid, start, **more):
    """One hour long; datetimes without a zone are in NAME's."""
    result = Event()
    result.add("uid", uid)
    result.add("dtstamp", datetime(2026, 1, 1, tzinfo=UTC))
    for name, moment in {"dtstart": start, "dtend": start + timedelta(hours=1), **more}.items():
        result.add(name.replace("_", "-"), moment, parameters={"TZID": NAME})
    return result


def daily(at, number):
    result = event(f"{at:%H:%M}", datetime.combine(FIRST, at))
    result.add("rrule", {"freq": "daily", "count": number})
    return result


# --- Every day ------------------------------------------------------------------
@pytest.mark.parametrize("key", ZONES)
def test_every_day_of_five_years(engine, key):
    zone = ZoneInfo(key)
    theirs = engine(
        calendar(vtimezone(zone, tzid=NAME, since=FIRST), *(daily(at, len(DAYS)) for at in TIMES)), *WINDOW
    )
    assert len(theirs) == len(TIMES)
    for at in TIMES:
        for day, moment in zip(DAYS, theirs[f"{at:%H:%M}"], strict=True):
            if len(readings(day, at, zone)) == 1:
                assert moment == instant(day, at, zone), (day, at)
            else:
                assert moment in both_readings(day, at, zone), (day, at)


def both_readings(day, at, zone):
    shown = datetime.combine(day, at, zone)
    return [shown.replace(fold=fold).astimezone(UTC) for fold in (0, 1)]


@pytest.mark.needs("libical")
def test_every_zone_there_is(libical_occurrences, libical_restrictions):
    """Noon on every day of five years; zones with the same rules once."""
    by_rules = {
        vtimezone(ZoneInfo(key), tzid=NAME, since=FIRST).to_ical(): key
        for key in sorted(zoneinfo.available_timezones())
    }
    assert len(by_rules) > 80
    for key in by_rules.values():
        zone = ZoneInfo(key)
        text = calendar(vtimezone(zone, tzid=NAME, since=FIRST), daily(NOON, len(DAYS)))
        assert libical_restrictions(text) == [], key
        theirs = libical_occurrences(text, *WINDOW)["12:00"]
        assert theirs == [instant(day, NOON, zone) for day in DAYS], key


@pytest.mark.needs("libical")
@given(key=st.sampled_from(ZONES), since=st.dates(FIRST, date(2029, 12, 31)))
def test_whatever_day_it_begins_with(libical_occurrences, key, since):
    assert noons(libical_occurrences, key, since, 400) == expected_noons(key, since, 400)


@pytest.mark.needs("libical")
@pytest.mark.parametrize(
    "key", ["America/New_York", "America/Vancouver", "Africa/Casablanca", "America/Havana"]
)
def test_beginning_about_a_change(libical_occurrences, key):
    changed = [day for day in DAYS[1:700] if offset(key, day) != offset(key, day - timedelta(days=1))]
    assert changed
    for day in changed:
        for since in (day + timedelta(days=n) for n in (-30, -2, -1, 0, 1, 2, 30)):
            found = noons(libical_occurrences, key, since, 60)
            assert found == expected_noons(key, since, 60), since


def noons(engine, key, since, number):
    every_day = event("noon", datetime.combine(since, NOON))
    every_day.add("rrule", {"freq": "daily", "count": number})
    return engine(calendar(vtimezone(ZoneInfo(key), tzid=NAME, since=since), every_day), *WINDOW)["noon"]


def expected_noons(key, since, number):
    return [instant(since + timedelta(days=n), NOON, ZoneInfo(key)) for n in range(number)]


def offset(key, day):
    return datetime.combine(day, NOON, ZoneInfo(key)).utcoffset()


# --- Series ---------------------------------------------------------------------
weekly_rules = st.builds(weekly, st.sets(st.integers(0, 6), min_size=1), st.integers(1, 8))
monthly_rules = st.builds(
    monthly, st.sets(st.sampled_from([1, 2, 3, 4, LAST]), min_size=1), st.integers(0, 6)
)
# Between the hours at which a clock changes in these zones
times_of_day = st.times(time(4), time(22)).map(lambda at: at.replace(second=0, microsecond=0))


@pytest.mark.needs("icaljs", "libical")
@given(
    key=st.sampled_from(["America/New_York", "America/Phoenix", "Australia/Sydney", "America/Havana"]),
    rule=weekly_rules | monthly_rules,
    anchor=st.dates(FIRST, date(2028, 12, 31)),
    at=times_of_day,
    number=st.integers(1, 40),
    short_by=st.sampled_from([timedelta(0), timedelta(seconds=1)]),
    data=st.data(),
)
def test_series(icaljs_occurrences, libical_occurrences, key, rule, anchor, at, number, short_by, data):
    """A regular run that ends, with runs left out and runs moved."""
    zone = ZoneInfo(key)
    start = datetime.combine(slot_dates(rule, anchor, anchor, anchor + timedelta(weeks=9))[0], at)
    planned = list(expand(rule, start, zone=zone, limit=number + 1))
    until = instant(planned[-1].date(), at, zone) - short_by
    some_of_them = st.sets(st.sampled_from(planned[:number]), max_size=5)
    left_out = data.draw(some_of_them, "left out")
    moved = {
        run: datetime.combine(
            run + timedelta(days=data.draw(st.integers(-10, 10), "days")), data.draw(times_of_day, "to")
        )
        for run in sorted(data.draw(some_of_them, "to move") - left_out)
    }

    ended = f"{rule};UNTIL={until:%Y%m%dT%H%M%SZ}"
    master = event("run", start)
    master.add("rrule", vRecur.from_ical(ended))
    for run in sorted(left_out):
        master.add("exdate", run, parameters={"TZID": NAME})
    overrides = [event("run", new, recurrence_id=old) for old, new in moved.items()]
    text = calendar(vtimezone(zone, tzid=NAME, since=start.date()), master, *overrides)

    runs = [moved.get(run, run) for run in expand(ended, start, zone=zone, exdates=left_out)]
    assert len(runs) == number + (not short_by) - len(left_out)
    ours = sorted(instant(run.date(), run.time(), zone) for run in runs)
    window = datetime(2025, 12, 1, tzinfo=UTC), datetime(2040, 1, 1, tzinfo=UTC)
    for engine in (icaljs_occurrences, libical_occurrences):
        assert engine(text, *window) == {"run": ours}


# --- What is written --------------------------------------------------------------
def lines(key, **arguments):
    return vtimezone(ZoneInfo(key), since=date(2026, 6, 1), **arguments).to_ical().decode().split("\r\n")


def test_new_york_is_written_as_in_the_standard():
    """RFC 5545 3.6.5 has this zone among its examples, with the rules that hold since 2007."""
    assert lines("America/New_York") == [
        "BEGIN:VTIMEZONE",
        "TZID:America/New_York",
        "BEGIN:DAYLIGHT",
        "DTSTART:20250309T020000",
        "RRULE:FREQ=YEARLY;BYDAY=2SU;BYMONTH=3",
        "TZNAME:EDT",
        "TZOFFSETFROM:-0500",
        "TZOFFSETTO:-0400",
        "END:DAYLIGHT",
        "BEGIN:STANDARD",
        "DTSTART:20251102T020000",
        "RRULE:FREQ=YEARLY;BYDAY=1SU;BYMONTH=11",
        "TZNAME:EST",
        "TZOFFSETFROM:-0400",
        "TZOFFSETTO:-0500",
        "END:STANDARD",
        "END:VTIMEZONE",
        "",
    ]


def test_a_clock_that_never_changes():
    assert lines("America/Phoenix", tzid="Desert") == [
        "BEGIN:VTIMEZONE",
        "TZID:Desert",
        "BEGIN:STANDARD",
        "DTSTART:19700101T000000",
        "TZNAME:MST",
        "TZOFFSETFROM:-0700",
        "TZOFFSETTO:-0700",
        "END:STANDARD",
        "END:VTIMEZONE",
        "",
    ]


@pytest.mark.parametrize("key", ["America/Denver", "Europe/Dublin", "Australia/Sydney", "Africa/Cairo"])
def test_daylight_is_the_later_clock(key):
    written = vtimezone(ZoneInfo(key), since=FIRST)
    assert written.daylight
    assert all(part.TZOFFSETTO > part.TZOFFSETFROM for part in written.daylight)
    assert written.standard
    assert all(part.TZOFFSETTO < part.TZOFFSETFROM for part in written.standard)


def test_each_rule_begins_with_its_first_onset():
    """In all zones. Held against dateutil, which leaves out a start that is not on the rule."""
    begun = 0
    for key in sorted(zoneinfo.available_timezones()):
        for part in vtimezone(ZoneInfo(key), since=FIRST).subcomponents:
            if "RRULE" in part:
                rule = rrulestr(part["RRULE"].to_ical().decode(), dtstart=part.DTSTART)
                assert next(iter(rule)) == part.DTSTART, key
                begun += 1
    assert begun > 300


def test_our_clocks_are_those_of_the_tzdata_package():
    """As the VTIMEZONE's, so that a run and its calendar entry cannot differ. Set in config/settings.py."""
    assert zoneinfo.TZPATH == ()


# --- What cannot be written ---------------------------------------------------------
def test_a_zone_without_a_name_is_refused():
    zone = ZoneInfo.from_file(BytesIO(tzdata("America/New_York")))
    with pytest.raises(ValueError, match="without a name"):
        vtimezone(zone, since=FIRST)


def test_a_zone_of_another_making_is_refused():
    zone = ZoneInfo.from_file(BytesIO(tzdata("America/New_York")), key="Moon/Sea_of_Tranquillity")
    with pytest.raises(ValueError, match="“Moon/Sea_of_Tranquillity” is no time zone"):
        vtimezone(zone, since=FIRST)


@pytest.mark.parametrize(
    ("footer", "message"),
    [
        ("EST5EDT,J60,J300", "“EST5EDT,J60,J300” is no rule"),
        ("EST5EDT", "“EST5EDT” is no rule"),
        ("", "“” is no rule"),
        ("EST5EDT,M2.5.0/24,M11.1.0", "the end of February"),
    ],
)
def test_a_rule_that_cannot_be_said_is_refused(monkeypatch, tmp_path, footer, message):
    usual = tzdata("America/New_York")
    zone = ZoneInfo.from_file(BytesIO(usual), key=f"Odd/{tmp_path.name}")  # what is read is kept by name
    odd = tmp_path / "zoneinfo" / zone.key
    odd.parent.mkdir(parents=True)
    body, _newline, _footer = usual.rstrip(b"\n").rpartition(b"\n")
    odd.write_bytes(body + f"\n{footer}\n".encode())
    monkeypatch.setattr(zones.resources, "files", lambda package: tmp_path)
    with pytest.raises(ValueError, match=message):
        vtimezone(zone, since=FIRST)


def tzdata(key):
    return resources.files("tzdata.zoneinfo").joinpath(key).read_bytes()


# --- The engines ----------------------------------------------------------------------
FIVE_HOURS_AHEAD = """\
BEGIN:VTIMEZONE
TZID:America/New_York
BEGIN:STANDARD
DTSTART:19700101T000000
TZOFFSETFROM:+0500
TZOFFSETTO:+0500
END:STANDARD
END:VTIMEZONE
"""
AT_EIGHT = """\
BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//Tests//EN
{zone}BEGIN:VEVENT
UID:eight
DTSTAMP:20260101T000000Z
DTSTART;TZID=America/New_York:20260601T080000
END:VEVENT
END:VCALENDAR
"""


def test_an_engine_believes_the_calendar_before_its_own_zones(engine):
    text = AT_EIGHT.format(zone=FIVE_HOURS_AHEAD)
    assert engine(text, *WINDOW) == {"eight": [datetime(2026, 6, 1, 3, tzinfo=UTC)]}


def test_an_engine_has_no_zones_of_its_own(engine):
    with pytest.raises(AssertionError, match="no time zone for"):
        engine(AT_EIGHT.format(zone=""), *WINDOW)


@pytest.mark.needs("libical")
def test_libical_names_what_is_missing(libical_restrictions):
    """RFC 5546 3.2.2: a REQUEST has an ORGANIZER, a SUMMARY and the ATTENDEEs."""
    text = AT_EIGHT.format(zone=FIVE_HOURS_AHEAD)
    assert libical_restrictions(text) == []
    faults = libical_restrictions(text.replace("PRODID", "METHOD:REQUEST\nPRODID"))
    assert {word for fault in faults for word in fault.split() if word.isupper()} == {
        "ATTENDEE",
        "ORGANIZER",
        "SUMMARY",
    }
