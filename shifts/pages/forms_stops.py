"""The stops of a run as a coordinator chooses them, and how long they take."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any

from django import forms

from shifts.models import Policy
from shifts.schedule.legs import usual_arrivals
from sites.models import Programme, Site

MOST_STOPS = 4
LONGEST = 720  # minutes, as the model has it
STOPS = ("Pickup", "Then to", "Then to", "Then to")


# An undo sends the times at the stops along, as the row that had them may be gone: "12:0 15:35", by site.
AGREED = re.compile(r"\d{1,9}:\d{1,3}(?: \d{1,9}:\d{1,3}){1,9}", re.ASCII)


def agreed_sent(stops: Iterable[tuple[int, int]]) -> str:
    return " ".join(f"{site}:{after}" for site, after in stops)


def read_agreed(text: str) -> list[tuple[int, int]]:
    return [(int(site), int(after)) for site, after in (pair.split(":") for pair in text.split())]


class StopField(forms.ModelChoiceField):
    """A site in use, or one that the weekly run stops at already."""

    def label_from_instance(self, site: Any) -> str:
        what = {(True, True): "both", (True, False): "pickup"}.get((site.gives, site.takes), "drop-off")
        return f"{site.name} ({what})"


class StopsForm(forms.Form):
    """Two stops or more in their order. It cleans to `stops`, as (site id, minutes after the start), and
    `length` in minutes; a form of it has a field `minutes`, which may be empty."""

    def add_stops(self, known: Sequence[Sequence[tuple[int, int]]]) -> None:
        """Adds the fields, below those that are there. `known` are stops with agreed times: as they were
        before, and last as they are now."""
        self.known = [list(stops) for stops in known]
        longest = max([MOST_STOPS, *map(len, self.known)])
        if agreed := AGREED.fullmatch(self.data.get("agreed", "")):
            self.known.append(read_agreed(agreed[0]))
        self.stop_names = [f"stop_{n}" for n in range(1, longest + 1)]
        there = [site for stops in known for site, _after in stops]
        sites = Site.objects.in_use() | Site.objects.filter(pk__in=there)
        for number, name in enumerate(self.stop_names):
            self.fields[name] = StopField(
                sites,
                label=STOPS[min(number, MOST_STOPS - 1)],
                required=number < 2,
                empty_label="Choose a site" if number < 2 else "no further stop",
                error_messages={
                    "required": "Say where it is picked up." if number == 0 else "Say where it goes.",
                    "invalid_choice": "This site is not there. Choose one of the list.",
                },
            )

    @property
    def stop_fields(self) -> list[Any]:
        return [self[name] for name in self.stop_names]

    def agreed_for(self, sites: list[int]) -> list[int] | None:
        """When each of these stops is reached, as agreed before; None where these were never the stops."""
        for stops in reversed(self.known):
            if [site for site, _after in stops] == sites:
                return [after for _site, after in stops]
        return None

    def check_stops(self, facts: dict[str, Any]) -> None:
        chosen = [(name, facts[name]) for name in self.stop_names if facts.get(name)]
        if len(chosen) < 2 or any(name in self.errors for name in self.stop_names):
            return
        for (_before, site), (name, following) in pairwise(chosen):
            if site == following:
                self.add_error(name, "This is the stop before it. Choose another site.")
        if not chosen[0][1].gives:
            self.add_error(chosen[0][0], "Nothing is picked up at this site. Choose a pickup first.")
        if not chosen[-1][1].takes:
            self.add_error(chosen[-1][0], "Nothing is dropped off at this site, and it is the last stop.")
        if any(name in self.errors for name in self.stop_names):
            return
        self.check_minutes(facts, [site for _name, site in chosen])

    def check_minutes(self, facts: dict[str, Any], sites: list[Site]) -> None:
        """The minutes, and when each stop is reached. Stops that stay keep their agreed times."""
        load = Policy.current().load_minutes
        arrivals = usual_arrivals(sites, load_minutes=load, programme=Programme.current())
        usual = arrivals[-1] + load
        minutes = facts.get("minutes")
        agreed = self.agreed_for([site.pk for site in sites])
        if agreed and (minutes is None or minutes > agreed[-1]):
            arrivals = agreed
        if "minutes" in self.errors:
            return
        minutes = minutes or max(usual, arrivals[-1] + 5)
        if minutes <= arrivals[-1]:
            self.add_error(
                "minutes",
                f"The last stop is reached {arrivals[-1]} minutes after the start. "
                f"Give more, or leave it empty for {usual} minutes.",
            )
        elif minutes > LONGEST:
            self.add_error(
                "minutes",
                f"With these stops it would take {minutes} minutes; {LONGEST} is the most. "
                "Look at the places on the map, or give the minutes.",
            )
        facts["length"] = minutes
        facts["stops"] = tuple((site.pk, after) for site, after in zip(sites, arrivals, strict=True))
