"""My regular run: one person in the driver's seat of a weekly run's runs, until they stop."""

from __future__ import annotations

from datetime import date, timedelta

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from shifts.models.shift import Shift
from volunteers.models import Person


class StandingQuerySet(models.QuerySet["Standing"]):
    def going_on(self, day: date) -> StandingQuerySet:
        """Regular runs that have not ended by the day; they may begin later."""
        return self.filter(Q(until_day=None) | Q(until_day__gt=F("from_day")) & Q(until_day__gt=day))

    def on(self, day: date) -> StandingQuerySet:
        """Regular runs in force on a date, whatever their pattern makes of it."""
        return self.filter(Q(until_day=None) | Q(until_day__gt=day), from_day__lte=day)

    def locked(self) -> StandingQuerySet:
        return self.select_for_update(of=("self",), no_key=True).order_by("pk")


class Standing(models.Model):
    """One person's regular run, from a date (included) until a date (excluded; None: until they stop).

    With a `crew`, the person is its captain: the runs are kept for the crew, and somebody ready is named
    for each; only then is it covered. `pattern` says which of the weekly run's dates are meant.
    `cleared_until` is the last date for which papers and steps hold as known now, None without an end;
    it is computed, and kept here for calendars.
    """

    class Pattern(models.TextChoices):
        EVERY = "every", _("every run")
        OTHER = "other", _("every other week")
        FIRST_THIRD = "1st 3rd", _("the 1st and 3rd of the month")
        SECOND_FOURTH = "2nd 4th", _("the 2nd and 4th of the month")

    shift = models.ForeignKey(Shift, on_delete=models.PROTECT, related_name="standings")
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="standings")
    crew = models.CharField(max_length=80, blank=True)
    members = models.ManyToManyField(Person, related_name="crews", blank=True)
    pattern = models.CharField(max_length=8, choices=Pattern, default=Pattern.EVERY)
    anchor = models.DateField()  # the date from which "every other week" counts; a successor keeps it
    from_day = models.DateField()
    until_day = models.DateField(null=True, blank=True)
    cleared_until = models.DateField(null=True, blank=True)
    succeeds = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="successor"
    )
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )

    objects = StandingQuerySet.as_manager()

    class Meta:
        ordering = ["from_day", "pk"]
        constraints = [
            models.CheckConstraint(
                name="standing_ends_after_it_begins",
                condition=Q(until_day=None) | Q(until_day__gte=F("from_day")),
            ),
            models.UniqueConstraint(
                name="standing_one_open_a_person", fields=["shift", "person"], condition=Q(until_day=None)
            ),
        ]

    def __str__(self) -> str:
        return f"{self.crew or self.person}: {self.shift} from {self.from_day}"

    def has(self, day: date) -> bool:
        """Whether a date that the weekly run's rule gives is one of this regular run's."""
        if day < self.from_day or (self.until_day is not None and day >= self.until_day):
            return False
        if self.pattern == self.Pattern.OTHER:
            return (monday_of(day) - monday_of(self.anchor)).days // 7 % 2 == 0
        nth = (day.day - 1) // 7 + 1
        if self.pattern == self.Pattern.FIRST_THIRD:
            return nth in (1, 3)
        if self.pattern == self.Pattern.SECOND_FOURTH:
            return nth in (2, 4)
        return True

    def skips_day(self, day: date) -> bool:
        """Whether a skip that stands covers the date; from `prefetch_related("skips")` where it was used."""
        return any(skip.covers(day) for skip in self.skips.all())


def monday_of(day: date) -> date:
    return day - timedelta(days=day.weekday())


class SkipQuerySet(models.QuerySet["Skip"]):
    def standing(self) -> SkipQuerySet:
        return self.filter(lifted_at=None)


class Skip(models.Model):
    """Dates, both included, on which a regular run is left out. It outlives how far runs are made, and
    nobody is seated over it. `reason` is for people: "skipped", "somebody else has this run"."""

    standing = models.ForeignKey(Standing, on_delete=models.CASCADE, related_name="skips")
    first = models.DateField()
    last = models.DateField()
    reason = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    lifted_at = models.DateTimeField(null=True, blank=True)

    objects = SkipQuerySet.as_manager()

    class Meta:
        ordering = ["first", "pk"]
        constraints = [
            models.CheckConstraint(
                name="skip_ends_after_it_begins",
                condition=Q(last__gte=F("first")),
                violation_error_message=_("The last day is before the first."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.standing} without {self.first} to {self.last}"

    def covers(self, day: date) -> bool:
        return self.lifted_at is None and self.first <= day <= self.last
