"""Distances on the WGS84 ellipsoid against Karney's values, against geographiclib and against geometry.

pyproj and geographiclib are two implementations of one author's method (C. F. F. Karney, Algorithms for
geodesics, J. Geodesy 87, 2013), so the last check uses neither.
"""

from math import asin, cos, dist, pi, radians, sin, sqrt

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import assume, given
from hypothesis import strategies as st

from sites.geography import metres, metres_from
from tests.standards.published import check_value

# WGS84 by its definition (NIMA TR8350.2; from memory).
EQUATORIAL_RADIUS = 6378137.0
FLATTENING = 1 / 298.257223563

MICROMETRE = 1e-6

places = st.tuples(st.floats(-90, 90), st.floats(-180, 180))


@pytest.mark.parametrize(
    "name",
    [
        "geod_inverse_wellington_salamanca",  # GeographicLib manual
        "geod_inverse_jfk_lhr",  # GeographicLib manual
        "geod_inverse_antipodal_karney",  # Karney 2013: close to antipodal, where older methods fail
    ],
)
def test_published_distances(name):
    """Recomputed with geographiclib; that the publications print them is from memory."""
    value = check_value(name)
    latitude1, longitude1, latitude2, longitude2 = value["p"]
    assert metres((latitude1, longitude1), (latitude2, longitude2)) == pytest.approx(value["s12"], abs=1e-5)


def test_published_direct_problem():
    """Karney 2013, table 2: 10,000 km from (40, 0) lead to this place. Recomputed with geographiclib; that
    the table prints it is from memory."""
    value = check_value("geod_direct_karney")
    found = metres((value["lat1"], value["lon1"]), (value["lat2"], value["lon2"]))
    assert found == pytest.approx(value["s12"], abs=1e-5)


def test_quarter_meridian():
    """Equator to pole; computed with geographiclib."""
    assert metres((0, 0), (90, 0)) == pytest.approx(check_value("quarter_meridian_wgs84_m"), abs=MICROMETRE)


def test_the_equator_is_a_circle():
    assert metres((0, 10), (0, 11)) == pytest.approx(pi / 180 * EQUATORIAL_RADIUS, abs=MICROMETRE)


@given(a=places, b=places)
def test_random_pairs_against_geographiclib(a, b):
    expected = Geodesic.WGS84.Inverse(*a, *b)["s12"]
    assert metres(a, b) == pytest.approx(expected, abs=1e-5)


@given(a=places, others=st.lists(places, max_size=20))
def test_many_at_once_are_the_same_one_by_one(a, others):
    assert metres_from(a, others) == [metres(a, other) for other in others]


@given(a=places, b=places)
def test_there_and_back(a, b):
    assert metres(a, b) == pytest.approx(metres(b, a), abs=1e-5)
    assert metres(a, a) == 0


@given(
    a=st.tuples(st.floats(-80, 80), st.floats(-180, 180)),
    north=st.floats(-0.4, 0.4),
    east=st.floats(-0.4, 0.4),
)
def test_across_a_town_against_the_chord(a, north, east):
    """Up to about 60 km the arc is the chord through the earth, bent on a radius that lies between the
    ellipsoid's smallest and largest curvature: they differ by less than a centimetre."""
    b = (a[0] + north, a[1] + east)
    chord = dist(in_space(a), in_space(b))
    assume(chord > 1)
    smallest = EQUATORIAL_RADIUS * (1 - FLATTENING) ** 2
    largest = EQUATORIAL_RADIUS / (1 - FLATTENING)
    shortest, longest = (2 * radius * asin(chord / 2 / radius) for radius in (largest, smallest))
    assert longest - shortest < 0.01
    assert shortest - MICROMETRE <= metres(a, b) <= longest + MICROMETRE


def in_space(place):
    """Metres from the centre of the earth: geodetic to Cartesian coordinates, textbook formula."""
    latitude, longitude = (radians(degrees) for degrees in place)
    squashed = (1 - FLATTENING) ** 2
    normal = EQUATORIAL_RADIUS / sqrt(cos(latitude) ** 2 + squashed * sin(latitude) ** 2)
    return (
        normal * cos(latitude) * cos(longitude),
        normal * cos(latitude) * sin(longitude),
        normal * squashed * sin(latitude),
    )
