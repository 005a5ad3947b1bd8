from __future__ import annotations

from datetime import date

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Exists, F, OuterRef, Q

from sites.models import Site


class ShiftQuerySet(models.QuerySet["Shift"]):
    def in_use(self, on: date) -> ShiftQuerySet:
        """Weekly runs that go on after the date: one of their terms is still in force or to come."""
        terms = ShiftTerm.objects.filter(shift=OuterRef("pk"))
        return self.filter(Exists(terms.going_on(on)))


class Shift(models.Model):
    """A weekly run: the identity that its runs share while its terms change."""

    name = models.CharField(max_length=80)

    objects = ShiftQuerySet.as_manager()

    class Meta:
        ordering = ["name", "pk"]

    def __str__(self) -> str:
        return self.name

    def term_on(self, day: date) -> ShiftTerm | None:
        """The term in force on the day, or None before the first and after the end."""
        return self.terms.going_on(day).filter(applies_from__lte=day).first()


class ShiftTermQuerySet(models.QuerySet["ShiftTerm"]):
    def going_on(self, on: date) -> ShiftTermQuerySet:
        """Terms that have not ended by the date: in force then, or to come."""
        return self.filter(Q(applies_until=None) | Q(applies_until__gt=on))


class ShiftTerm(models.Model):
    """What a weekly run is from a date (included) until a date (excluded; None: until changed).

    `rule` is RRULE text in one of the forms of shifts/schedule/recurrence.py.
    `anchor` is the date from which "every 2 weeks" counts; it outlives a change of hour.
    `starts` is local time in the programme's zone; `minutes` is how long the run takes.
    """

    shift = models.ForeignKey(Shift, on_delete=models.CASCADE, related_name="terms")
    applies_from = models.DateField()
    applies_until = models.DateField(null=True, blank=True)
    rule = models.CharField(max_length=120)
    anchor = models.DateField()
    starts = models.TimeField()
    minutes = models.PositiveSmallIntegerField(validators=[MinValueValidator(5), MaxValueValidator(720)])
    crates = models.PositiveSmallIntegerField(default=0, validators=[MaxValueValidator(500)])
    second_seat = models.BooleanField(default=True)

    objects = ShiftTermQuerySet.as_manager()

    class Meta:
        ordering = ["applies_from"]
        constraints = [
            models.CheckConstraint(
                name="shift_term_ends_after_it_begins",
                condition=Q(applies_until=None) | Q(applies_until__gt=F("applies_from")),
            ),
            models.UniqueConstraint(
                name="shift_term_one_open", fields=["shift"], condition=Q(applies_until=None)
            ),
            models.UniqueConstraint(name="shift_term_one_a_day", fields=["shift", "applies_from"]),
            models.CheckConstraint(name="shift_term_takes_time", condition=Q(minutes__gte=1)),
        ]

    def __str__(self) -> str:
        return f"{self.shift} from {self.applies_from}"


class TermStop(models.Model):
    """A site in a weekly run's order, and how many minutes after the start one is there."""

    term = models.ForeignKey(ShiftTerm, on_delete=models.CASCADE, related_name="stops")
    position = models.PositiveSmallIntegerField()
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    after_minutes = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(name="term_stop_position_once", fields=["term", "position"]),
        ]

    def __str__(self) -> str:
        return f"{self.position}. {self.site}"
