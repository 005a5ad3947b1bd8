"""Many things to do, one after the other, of which one may fail."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

Thing = TypeVar("Thing")
Done = TypeVar("Done")


def each_in_turn(things: Iterable[Thing], do: Callable[[Thing], Done]) -> list[Done]:
    """What `do` returns of each. One that fails keeps none of the others from its turn; what failed is raised
    together at the end, as an ExceptionGroup. For work of which each is a transaction of its own."""
    done, faults = [], []
    for thing in things:
        try:
            done.append(do(thing))
        except Exception as fault:
            faults.append(fault)
    if faults:
        raise ExceptionGroup(
            f"{len(faults)} of {len(done) + len(faults)} failed, the others are done", faults
        )
    return done
