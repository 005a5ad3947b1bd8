"""Ours beside its reference, in turn, so that a slow moment of the machine meets both."""

from __future__ import annotations

import gc
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Result:
    name: str
    ours_s: float  # seconds, the median of the rounds
    reference_s: float
    goal: float | None  # the ratio must not be above this; None: shown for the record

    @property
    def ratio(self) -> float:
        return self.ours_s / self.reference_s

    @property
    def ok(self) -> bool:
        return self.goal is None or self.ratio <= self.goal

    def facts(self) -> dict:
        return {
            "name": self.name, "ours_s": round(self.ours_s, 6), "reference_s": round(self.reference_s, 6),
            "ratio": round(self.ratio, 3), "goal": self.goal, "ok": self.ok,
        }  # fmt: skip

    def line(self) -> str:
        goal = f"goal {self.goal:4.1f}   {'ok' if self.ok else 'MISSED'}" if self.goal else "no goal"
        return (
            f"{self.name:<28} ours {self.ours_s * 1000:9.2f} ms   reference {self.reference_s * 1000:9.2f} ms"
            f"   ratio {self.ratio:6.2f}   {goal}"
        )


def nothing() -> None: ...


def side_by_side(
    ours: Callable[[], object],
    reference: Callable[[], object],
    *,
    rounds: int,
    reset: Callable[[], object] = nothing,
) -> tuple[float, float]:
    """Median seconds of each. `reset` runs before each call, untimed; a first round is not counted."""
    times: dict[Callable, list[float]] = {ours: [], reference: []}
    for number in range(rounds + 1):
        for call in (ours, reference) if number % 2 else (reference, ours):
            reset()
            gc.collect()
            begin = time.perf_counter()
            call()
            taken = time.perf_counter() - begin
            if number:
                times[call].append(taken)
    return statistics.median(times[ours]), statistics.median(times[reference])
