"""Driving between the stops of a run, and between two runs of one person."""

from __future__ import annotations

from collections.abc import Sequence

from sites.geography import Place, drive_minutes, metres
from sites.models import Programme, Site


def minutes_between(a: Place | None, b: Place | None, programme: Programme) -> int:
    """Whole minutes of driving between two places, by the programme's driving constants.

    Where a place is not known, only the fixed minutes are counted.
    """
    if a is None or b is None:
        return programme.fixed_minutes
    return drive_minutes(
        metres(a, b),
        road_factor=programme.road_factor,
        fixed_minutes=programme.fixed_minutes,
        mph=programme.town_mph,
    )


def usual_arrivals(sites: Sequence[Site], *, load_minutes: int, programme: Programme) -> list[int]:
    """Minutes after the start at which each site is reached: loading at every stop, then the drive."""
    minutes, arrivals = 0, []
    for here, following in zip(sites, [*sites[1:], None], strict=True):
        arrivals.append(minutes)
        if following is not None:
            minutes += load_minutes + minutes_between(here.place, following.place, programme)
    return arrivals
