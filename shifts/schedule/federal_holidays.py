"""Federal holidays of the United States, as days on which somebody should ask whether a site is open.

They are suggested and never applied: many stores open on them, and many agencies close on other days.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

import holidays

# The language of the names; without it the library asks the system for one.
ENGLISH = "en_US"
OBSERVED = " (observed)"


@dataclass(frozen=True)
class Holiday:
    """Its name, and its days from first to last: one, or the day itself and the working day beside it on
    which it is kept (5 U.S.C. 6103)."""

    name: str
    first: date
    last: date

    def covers(self, day: date) -> bool:
        return self.first <= day <= self.last


@lru_cache(maxsize=16)
def of_year(year: int) -> tuple[tuple[date, str], ...]:
    """Every holiday's day, and each day on which one is observed instead, by date."""
    return tuple(sorted(holidays.country_holidays("US", years=year, language=ENGLISH).items()))


def federal_holidays(first: date, last: date) -> list[Holiday]:
    """Those with a day between two dates, both included; the earliest first."""
    reach = timedelta(days=3)  # one may be observed on the other side of the span's edge
    found: list[Holiday] = []
    for day, name in days_between(first - reach, last + reach):
        before = found[-1] if found else None
        if before and before.name == name and day - before.last <= reach:
            found[-1] = Holiday(name, before.first, day)
        else:
            found.append(Holiday(name, day, day))
    return [one for one in found if one.first <= last and one.last >= first]


def days_between(first: date, last: date) -> Iterator[tuple[date, str]]:
    for year in range(first.year, last.year + 1):
        for day, name in of_year(year):
            if first <= day <= last:
                yield day, name.removesuffix(OBSERVED)
