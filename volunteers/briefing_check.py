"""The check of understanding at the end of a briefing: a few questions, as often as somebody likes.

The shipped questions take their numbers from the briefing, so that the two cannot say different things.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from volunteers import briefing


@dataclass(frozen=True)
class Question:
    """A question in the active language. `answers[0]` is right; `section` is where the briefing says so."""

    key: str  # the same as long as the question and its answers are
    ask: str
    answers: tuple[str, ...]
    because: str
    section: str = ""  # a section of the shipped briefing; empty: the programme's own words

    @property
    def shown(self) -> list[tuple[str, str]]:
        """The answers as they are offered, each with the value that a form sends. The order is always the
        same for the same question, and does not give away which one is right."""
        first = int(hashlib.sha256(self.key.encode()).hexdigest(), 16) % len(self.answers)
        turned = self.answers[first:] + self.answers[:first]
        return [(str(place), words) for place, words in enumerate(turned, start=1)]

    @property
    def right(self) -> str:
        """The value of the right answer."""
        return next(value for value, words in self.shown if words == self.answers[0])


def shipped(*, lift_pounds: int) -> list[Question]:
    """The questions on the shipped briefing. The wrong numbers lie well away from the right ones."""
    known = briefing.numbers(lift_pounds)
    known |= {
        "hot_day": briefing.HEAT_F + 5,
        "warm": briefing.COLD_F + 14,
        "too_heavy": lift_pounds + 20,
    }
    return [
        Question(
            "stay-home",
            _("You threw up last night and feel well this morning. When may you drive food again?"),
            (
                _("%(hours)s hours after it has ended") % known,
                _("Now, with gloves and a mask"),
                _("After a good breakfast, if it stays down"),
            ),
            _("People still pass an illness on for a while after they feel well. "
              "Wait %(hours)s hours after it has ended, and tell the coordinator.") % known,
            "stay-home",
        ),
        Question(
            "thermometer",
            _("The dock hands you a box of yogurt. When do you take it?"),
            (
                _("When the thermometer reads %(cold)s °F or below") % known,
                _("When the thermometer reads %(warm)s °F or below") % known,
                _("When it feels cool in the hand"),
            ),
            _("Cold food must be %(cold)s °F or below when you take it. A hand cannot tell; "
              "check with the thermometer between two packages.") % known,
            "cold",
        ),
        Question(
            "clock",
            _("It is %(hot_day)s °F outside. By when must cold food be in the cold of the drop-off?") % known,
            (
                _("%(in_heat)s minutes after it left the cold at the dock") % known,
                _("%(in_heat)s minutes after I drove off") % known,
                _("Any time today, as it is in a cooler bag"),
            ),
            _("The clock starts when food leaves the cold at the dock. You have %(minutes)s minutes, and "
              "only %(in_heat)s when it is above %(heat)s °F. A cooler bag helps, but does not stop the "
              "clock.") % known,
            "cold",
        ),
        Question(
            "doubt",
            _("You are not sure whether a crate is still good. What do you do?"),
            (
                _("Leave it, and say so"),
                _("Take it; the drop-off will sort it out"),
                _("Take it, and put it at the bottom"),
            ),
            _("What is doubtful stays at the dock. Once it is in your car it may spoil what lies beside it, "
              "and somebody may eat it."),
            "sorting",
        ),
        Question(
            "lifting",
            _("What is the most that you lift alone?"),
            (
                _("%(lift)s lb") % known,
                _("%(too_heavy)s lb, if I am strong") % known,
                _("As much as fits into one crate"),
            ),
            _("At most %(lift)s lb alone, and less where your doctor says so. "
              "Anything heavier: two people, or split it.") % known,
            "lifting",
        ),
        Question(
            "accident",
            _("Somebody runs into your car, with the food in it. What comes first?"),
            (
                _("911, then the coordinator; the food can wait"),
                _("The drop-off, before the food gets warm"),
                _("The coordinator, who calls 911 if need be"),
            ),
            _("People come first: call 911, then the coordinator. Leave the food; others see to it."),
            "driving",
        ),
    ]  # fmt: skip


def own(questions: Iterable[dict[str, Any]]) -> list[Question]:
    """Questions of the programme's own, as BriefingText keeps them."""
    return [
        Question(
            key=f"own-{digest(one['ask'], one['answers'])}",
            ask=one["ask"],
            answers=tuple(one["answers"]),
            because=one["because"],
        )
        for one in questions
    ]


def digest(ask: str, answers: Iterable[str]) -> str:
    return hashlib.sha256(json.dumps([ask, *answers]).encode()).hexdigest()[:12]
