"""How far apart places are, and how long the drive between them is taken to be.

Distances are geodesics on the WGS84 ellipsoid (pyproj, Karney's algorithm), in metres. The three
numbers that make a drive of a distance are the programme's settings. Their usual values:

- road factor, how much longer the road is than the straight line: 1.3. That is a cautious choice. A
  US average near 1.20 is given by Ballou, Rahardja and Sakai 2002 (from memory), and a square grid of
  streets makes 4/pi = 1.27 over all directions.
- 5 minutes fixed (to the car, lights, parking) and 24 mph in town: common practice, no published source.
"""

from collections.abc import Sequence
from math import ceil

from pyproj import Geod

Place = tuple[float, float]  # latitude and longitude in degrees, WGS84; north and east are positive

METRES_PER_MILE = 1609.344  # the international mile, exact by definition

_WGS84 = Geod(ellps="WGS84")


def metres(a: Place, b: Place) -> float:
    """Metres between two places in a straight line over the ground."""
    return metres_from(a, [b])[0]


def metres_from(a: Place, others: Sequence[Place]) -> list[float]:
    """Metres from one place to each of the others, in their order, in a single call."""
    latitudes = [latitude for latitude, _ in others]
    longitudes = [longitude for _, longitude in others]
    count = len(others)
    _, _, distances = _WGS84.inv([a[1]] * count, [a[0]] * count, longitudes, latitudes)
    return distances


def miles(metres: float) -> float:
    """Metres in international miles."""
    return metres / METRES_PER_MILE


def drive_minutes(metres: float, *, road_factor: float, fixed_minutes: float, mph: float) -> int:
    """Whole minutes, rounded up, to drive between places `metres` apart in a straight line.

    `road_factor` is road miles for each straight mile, `fixed_minutes` is added to every drive, `mph` is
    miles an hour; for their usual values see above. 0 metres is the same place and takes 0 minutes.
    An estimate for planning, without traffic or weather. Raises ZeroDivisionError for 0 mph.
    """
    if metres == 0:
        return 0
    minutes = fixed_minutes + miles(metres) * road_factor / mph * 60
    # Rounded first: the last bits of a float must not make 12 minutes 13.
    return ceil(round(minutes, 6))
