import pytest

from sites import geography
from sites.geography import METRES_PER_MILE, drive_minutes, metres_from, miles

USUAL = {"road_factor": 1.3, "fixed_minutes": 5, "mph": 24}


def test_a_mile():
    """1,609.344 m by definition (international yard and pound agreement of 1959, from memory)."""
    assert miles(1609.344) == 1
    assert miles(0) == 0


@pytest.mark.parametrize(
    ("straight_miles", "minutes"),
    [
        # Worked by hand from the usual values: 1 straight mile is 1.3 road miles, 3.25 minutes at 24 mph.
        (1, 9),  # 8.25
        (2, 12),  # 11.5
        (4, 18),  # 18 exactly
        (10, 38),  # 37.5
    ],
)
def test_minutes_of_a_drive_are_rounded_up(straight_miles, minutes):
    assert drive_minutes(straight_miles * METRES_PER_MILE, **USUAL) == minutes


def test_the_same_place_is_no_drive():
    assert drive_minutes(0, **USUAL) == 0
    assert drive_minutes(1, **USUAL) == 6


@pytest.mark.parametrize("minutes", range(1, 200))
def test_whole_minutes_stay_whole(minutes):
    """The last bits of a float do not add a minute."""
    straight = minutes / 60 * 24 / 1.3 * METRES_PER_MILE
    assert drive_minutes(straight, **USUAL | {"fixed_minutes": 0}) == minutes


@pytest.mark.parametrize(
    ("setting", "value", "minutes"),
    [("road_factor", 1.0, 15), ("fixed_minutes", 8, 21), ("mph", 12, 31)],
)
def test_each_setting_counts(setting, value, minutes):
    """From 18 minutes for 4 miles: 10 + 5, 13 + 8, 26 + 5."""
    assert drive_minutes(4 * METRES_PER_MILE, **USUAL | {setting: value}) == minutes


def test_no_places_no_distances():
    assert metres_from((40.0, -75.0), []) == []


def test_latitude_comes_first():
    """At 60 degrees north a degree of longitude is about half a degree of latitude (cosine of 60)."""
    north, east = metres_from((60.0, 10.0), [(61.0, 10.0), (60.0, 11.0)])
    assert east / north == pytest.approx(0.5, abs=0.01)


def test_all_distances_in_one_call(monkeypatch):
    """One by one they take about seventy times as long."""
    calls = []

    class Counted:
        def inv(self, *args):
            calls.append(args)
            return real.inv(*args)

    real = geography._WGS84
    monkeypatch.setattr(geography, "_WGS84", Counted())
    assert len(metres_from((40.0, -75.0), [(40.0 + n / 1000, -75.0) for n in range(500)])) == 500
    assert len(calls) == 1
