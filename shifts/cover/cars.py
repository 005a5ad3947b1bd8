"""Whether a car holds what a run is expected to bring: the one place that knows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from django.db.models import Exists, OuterRef, Q

from shifts.models import Run
from volunteers.models import Car


def fits(car: Car | None, run: Run) -> bool:
    """Whether the car is large enough for the expected crates; also one that nobody has measured, or noted
    (None), since only a car known to be too small keeps anybody away."""
    return holds(car.crates if car else None, run)


def holds(crates: int | None, run: Run) -> bool:
    """`fits`, of a car that takes so many crates; None: not measured."""
    return crates is None or crates >= run.crates


def can_carry(cars: Iterable[Car], run: Run) -> bool:
    """Whether somebody with these cars can take the run: one of them fits, or none is noted."""
    return one_holds([car.crates for car in cars], run)


def one_holds(sizes: Sequence[int | None], run: Run) -> bool:
    """`can_carry`, of the crates that each car takes."""
    return not sizes or any(holds(crates, run) for crates in sizes)


def with_room(run: Run) -> Q:
    """`can_carry`, of people in the database."""
    cars = Car.objects.filter(person=OuterRef("pk"))
    return Q(~Exists(cars)) | Q(Exists(cars.filter(Q(crates=None) | Q(crates__gte=run.crates))))


def largest(cars: Iterable[Car]) -> int | None:
    """Crates of the largest car that was measured; None where none was."""
    return max((car.crates for car in cars if car.crates is not None), default=None)


def cars_of(people: Iterable[int]) -> dict[int, list[Car]]:
    """By the person's key, their cars; nobody who has none: one query."""
    found: dict[int, list[Car]] = {}
    for car in Car.objects.filter(person__in=people):
        found.setdefault(car.person_id, []).append(car)
    return found
