"""What a cell says about days and hours: "Mon, Wed mornings", "M/W/F 8-12", "weekdays after 3"."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import time

from volunteers.roster.cells import Unclear, is_blank
from volunteers.roster.columns import DAYS

Hours = tuple[int, time, time]  # weekday (0 is Monday), from, until; in the programme's zone

FIRST, LAST = time(0, 0), time(23, 59)  # of a whole day
MORNING, AFTERNOON, EVENING = (FIRST, time(12)), (time(12), time(17)), (time(17), LAST)
PARTS = {
    "am": MORNING,
    "morning": MORNING,
    "mornings": MORNING,
    "pm": (time(12), LAST),
    "afternoon": AFTERNOON,
    "afternoons": AFTERNOON,
    "evening": EVENING,
    "evenings": EVENING,
    "eve": EVENING,
    "night": EVENING,
    "nights": EVENING,
    "all day": (FIRST, LAST),
    "any time": (FIRST, LAST),
    "anytime": (FIRST, LAST),
}
EVERY_DAY = (
    "any",
    "any day",
    "every day",
    "everyday",
    "daily",
    "all",
    "all days",
    "flexible",
    "open",
    "whenever",
)
DAY_SETS: dict[str, tuple[int, ...]] = {word: tuple(range(7)) for word in EVERY_DAY} | {
    "weekdays": (0, 1, 2, 3, 4),
    "weekday": (0, 1, 2, 3, 4),
    "weekends": (5, 6),
    "weekend": (5, 6),
    "mwf": (0, 2, 4),
    "mw": (0, 2),
    "tth": (1, 3),
    "tuth": (1, 3),
    "m": (0,),
    "tues": (1,),
    "t": (1,),
    "w": (2,),
    "thur": (3,),
    "thurs": (3,),
    "r": (3,),
    "f": (4,),
}
for _number, _day in enumerate(DAYS):
    DAY_SETS |= dict.fromkeys((_day, f"{_day}s", _day[:3], f"{_day[:3]}s", _day[:2]), (_number,))

CLOCK = r"(noon|\d{1,2}(?::\d\d)?\s*(?:[ap]m?\b)?)"
GAP = re.compile(r"(?:[\s,;/+&()|]|\.(?!\d)|(?:and|or|only|on|from|in|the|at)\b)+")
FROM_TO = re.compile(rf"{CLOCK}\s*(?:-|to\b|until\b|till\b)\s*{CLOCK}")
AFTER = re.compile(rf"after\s+{CLOCK}|{CLOCK}\s*(?:or later|onwards?|on\b)")
BEFORE = re.compile(rf"(?:before|until|till|by)\s+{CLOCK}")
SPAN = re.compile(r"([a-z]+)\.?\s*(?:-|to\b|thru\b|through\b)\s*([a-z]+)")
WORDS = re.compile(r"(?:any|every|all) ?(?:days?|time)\b|[a-z]+")


def hours(cell: str) -> list[Hours]:
    """The weekdays and hours named, in order; empty where nothing is said.

    Hours belong to the days before them ("Mon Wed 8-12"), or after them where they come first
    ("mornings Mon Wed"); days without hours are whole days, hours without days are every day.
    Anything not understood makes the whole cell unclear: half of it could say the opposite.
    """
    if is_blank(cell):
        return []
    days: list[int] = []
    times: list[tuple[time, time]] = []
    result: set[Hours] = set()
    times_first = False

    def close() -> None:
        for day in days or range(7):
            for begins, ends in times or [(FIRST, LAST)]:
                result.add((day, begins, ends))
        days.clear()
        times.clear()

    for found_days, found_times in words_of(cell):
        if found_times:
            if days and times and times_first:
                close()
            times_first = times_first if days or times else True
            times.append(found_times)
        if found_days:
            if days and times and not times_first:
                close()
            if not days and not times:
                times_first = False
            days.extend(found_days)
    if days or times:
        close()
    return sorted(result)


def hours_on(day: int, cell: str) -> list[Hours]:
    """What a column for one weekday says: hours, or a part of the day."""
    return [entry for entry in hours(cell) if entry[0] == day]


def words_of(cell: str) -> Iterator[tuple[list[int] | None, tuple[time, time] | None]]:
    """Each thing the cell says in turn: (days, None) or (None, (from, until))."""
    text = cell.casefold().replace("–", "-").replace("—", "-").replace("a.m.", "am").replace("p.m.", "pm")
    at = 0
    while at < len(text):
        if found := GAP.match(text, at):
            pass
        elif found := FROM_TO.match(text, at):
            yield None, between(found[1], found[2])
        elif found := AFTER.match(text, at):
            yield None, (moment(found[1] or found[2]), LAST)
        elif found := BEFORE.match(text, at):
            yield None, (FIRST, moment(found[1]))
        elif (found := SPAN.match(text, at)) and found[1] in DAY_SETS and found[2] in DAY_SETS:
            first, last = DAY_SETS[found[1]][0], DAY_SETS[found[2]][0]
            yield [(first + step) % 7 for step in range((last - first) % 7 + 1)], None
        elif (found := WORDS.match(text, at)) and found[0] in PARTS:
            yield None, PARTS[found[0]]
        elif found and found[0] in DAY_SETS:
            yield list(DAY_SETS[found[0]]), None
        else:
            raise Unclear("The days are not understood. Write them like: Mon, Wed 8-12.")
        at = found.end()


def between(start: str, end: str) -> tuple[time, time]:
    """Two clock times as people write them: "8-12" is the morning, "1-4" and "10-2pm" the afternoon."""
    start, end = start.strip(), end.strip()
    half = end[-2:].strip("m")[-1:] if re.search(r"[ap]m?$", end) else ""
    if half and not re.search(r"[a-z]", start):
        first, last = (int(re.sub(r"\D.*", "", text) or 12) for text in (start, end))
        start += "p" if half == "p" and first < last < 12 else "a"
    begins, ends = moment(start), moment(end)
    if ends <= begins and not half and ends.hour < 12:
        ends = ends.replace(hour=ends.hour + 12)
    if ends <= begins:
        raise Unclear("The hours end before they begin. Write them like 8am-12pm.")
    return begins, ends


def moment(text: str) -> time:
    """A clock time; without am or pm, 1 to 6 are in the afternoon, since nobody drives at night."""
    if text == "noon":
        return time(12)
    found = re.fullmatch(r"(\d{1,2})(?::(\d\d))?\s*(?:([ap])m?)?\s*", text)
    if found is None:
        raise Unclear(f"“{text}” is no time of day. Write it like 8am or 3:30pm.")
    hour, minute, half = int(found[1]), int(found[2] or 0), found[3]
    if hour <= 12 and half:
        hour = hour % 12 + (12 if half == "p" else 0)
    elif 1 <= hour < 7:
        hour += 12
    try:
        return time(hour, minute)
    except ValueError:
        raise Unclear("There is no such time of day. Write it like 8am or 3:30pm.") from None


def in_words(entries: Iterable[Hours]) -> str:
    """The hours as a coordinator checks them: "Mon, Wed 8:00 am to 12:00 pm; Sat"."""
    days: dict[tuple[time, time], list[str]] = {}
    for day, begins, ends in entries:
        days.setdefault((begins, ends), []).append(DAYS[day][:3].title())
    return "; ".join(f"{', '.join(names)} {span(*times)}".strip() for times, names in days.items())


def span(begins: time, ends: time) -> str:
    if begins == FIRST:
        return "" if ends == LAST else f"until {clock(ends)}"
    return f"after {clock(begins)}" if ends == LAST else f"{clock(begins)} to {clock(ends)}"


def clock(at: time) -> str:
    return f"{at.hour % 12 or 12}:{at:%M} {'am' if at.hour < 12 else 'pm'}"
