"""Steps to drive alone, and the gate: one queryset that says what is missing."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Count, F, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.utils.translation import gettext_lazy as _

from sites.models import Site
from volunteers.models.person import Person


class StepQuerySet(models.QuerySet["Step"]):
    def asked(self, day: date) -> StepQuerySet:
        """Those that are asked on the day or will be, in order; not those that are asked no longer."""
        open_terms = StepTerm.objects.filter(Q(applies_until=None) | Q(applies_until__gt=day))
        return self.filter(pk__in=open_terms.order_by().values("step"))


class Step(models.Model):
    """One thing to complete before driving alone; its rules over time are its terms."""

    class Kind(models.TextChoices):
        BRIEFING = "briefing", _("briefing")
        PAPER = "paper", _("paper with an expiry date")
        FORM = "form", _("signed form")
        KIT = "kit", _("starter kit")
        RIDE = "ride", _("shadow ride")
        DOORS = "doors", _("door notes")

    kind = models.CharField(max_length=8, choices=Kind)
    site = models.ForeignKey(Site, null=True, blank=True, on_delete=models.PROTECT, related_name="steps")
    title = models.CharField(max_length=80)
    how = models.TextField(blank=True)  # how to get it done, in the volunteer's words
    code = models.SlugField(max_length=30, blank=True)  # names a shipped step: "license", "insurance", ...
    position = models.PositiveSmallIntegerField(default=0)

    objects = StepQuerySet.as_manager()

    class Meta:
        ordering = ["position", "pk"]
        constraints = [
            models.UniqueConstraint(
                name="step_doors_once_a_site", fields=["site"], condition=Q(kind="doors")
            ),
            models.CheckConstraint(
                name="step_doors_belong_to_a_site", condition=~Q(kind="doors") | Q(site__isnull=False)
            ),
            models.UniqueConstraint(name="step_code_once", fields=["code"], condition=~Q(code="")),
        ]

    def __str__(self) -> str:
        return self.title

    @property
    def may_be_waived(self) -> bool:
        """A kit or a ride may be waived by the coordinator; a paper, briefing or form never."""
        return self.kind in (self.Kind.KIT, self.Kind.RIDE)

    @property
    def may_be_asked_often(self) -> bool:
        """Whether it can be asked for more than once. A paper or a briefing is renewed by doing it again, so
        counting would take a renewal for a second one."""
        return self.kind in (self.Kind.RIDE, self.Kind.FORM, self.Kind.KIT)

    @property
    def may_last(self) -> bool:
        """Whether it can be asked anew after some months; a paper has its own date."""
        return self.kind not in (self.Kind.PAPER, self.Kind.DOORS)


def outer(value: Any) -> Any:
    """A reference to an outer row, seen from one subquery further in; any other value as it is."""
    return OuterRef(value) if isinstance(value, OuterRef) else value


class StepTermQuerySet(models.QuerySet["StepTerm"]):
    def in_force(self, on: date | OuterRef, sites: Iterable[int] | QuerySet) -> StepTermQuerySet:
        return self.filter(
            Q(applies_until=None) | Q(applies_until__gt=on),
            Q(step__site=None) | Q(step__site__in=sites),
            applies_from__lte=on,
        )

    def unmet(
        self, *, person: int | OuterRef, on: date | OuterRef, sites: Iterable[int] | QuerySet
    ) -> StepTermQuerySet:
        """THE GATE: the terms in force on a date, at these sites, that a person does not meet.

        Each argument is a value or a reference to an outer row, so that the same rule answers for
        one person, many people, many runs, and bookings whose clearance is gone. Terms are those
        in force on the run's date; completions are what is known now.
        """
        done = (
            Completion.objects.filter(
                step=OuterRef("step"),
                person=outer(person),
                withdrawn_at=None,
                valid_from__lte=outer(on),
                revision__gte=OuterRef("revision"),
            )
            .filter(Q(valid_until=None) | Q(valid_until__gte=outer(on)))
            .order_by()
            .values("step")
            .annotate(n=Count("pk"))
            .values("n")
        )
        return self.in_force(on, sites).annotate(done=Coalesce(Subquery(done), 0)).filter(done__lt=F("times"))


class StepTerm(models.Model):
    """What a step asks from a date (included) until a date (excluded; None means until changed)."""

    step = models.ForeignKey(Step, on_delete=models.PROTECT, related_name="terms")
    applies_from = models.DateField()
    applies_until = models.DateField(null=True, blank=True)
    revision = models.PositiveIntegerField(default=1)
    times = models.PositiveSmallIntegerField(
        default=1, validators=[MinValueValidator(1), MaxValueValidator(20)]
    )
    lasts_months = models.PositiveSmallIntegerField(null=True, blank=True)  # None: does not run out

    objects = StepTermQuerySet.as_manager()

    class Meta:
        ordering = ["step__position", "step_id", "applies_from"]
        constraints = [
            models.CheckConstraint(
                name="step_term_ends_after_it_begins",
                condition=Q(applies_until=None) | Q(applies_until__gt=F("applies_from")),
            ),
            models.UniqueConstraint(
                name="step_term_one_open", fields=["step"], condition=Q(applies_until=None)
            ),
            models.UniqueConstraint(name="step_term_one_a_day", fields=["step", "applies_from"]),
            models.CheckConstraint(name="step_term_asks_something", condition=Q(times__gte=1)),
        ]

    def __str__(self) -> str:
        return f"{self.step} from {self.applies_from}"


class CompletionQuerySet(models.QuerySet["Completion"]):
    def standing(self) -> CompletionQuerySet:
        return self.filter(withdrawn_at=None)


class Completion(models.Model):
    """A step done by a person. Valid from and until are dates in the programme's zone, both included."""

    class How(models.TextChoices):
        DONE = "done", _("done")
        TOLD = "told", _("as told by the lead driver")
        SEEN = "seen", _("papers seen, date to follow")
        WAIVED = "waived", _("waived")

    step = models.ForeignKey(Step, on_delete=models.PROTECT, related_name="completions")
    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="completions")
    revision = models.PositiveIntegerField(default=1)
    valid_from = models.DateField()
    valid_until = models.DateField(null=True, blank=True)
    how = models.CharField(max_length=6, choices=How, default=How.DONE)
    reason = models.CharField(max_length=200, blank=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    withdrawn_reason = models.CharField(max_length=200, blank=True)

    objects = CompletionQuerySet.as_manager()

    class Meta:
        ordering = ["-valid_from", "-pk"]
        indexes = [
            models.Index(
                name="completion_gate", fields=["person", "step", "revision"], condition=Q(withdrawn_at=None)
            ),
        ]
        constraints = [
            models.CheckConstraint(
                name="completion_ends_after_it_begins",
                condition=Q(valid_until=None) | Q(valid_until__gte=F("valid_from")),
            ),
            models.CheckConstraint(
                name="completion_told_or_waived_says_why",
                condition=~Q(how__in=["told", "waived"]) | ~Q(reason=""),
            ),
            models.CheckConstraint(
                name="completion_withdrawn_says_why",
                condition=Q(withdrawn_at=None) | ~Q(withdrawn_reason=""),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.step}"


class SignOff(models.Model):
    """A lead driver's record of a shadow ride."""

    class Outcome(models.TextChoices):
        READY = "ready", _("ready to drive alone")
        AGAIN = "again", _("ride once more")

    trainee = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="rides")
    lead = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="rides_led")
    ridden_on = models.DateField()
    outcome = models.CharField(max_length=5, choices=Outcome)
    remarks = models.TextField(blank=True)  # the trainee sees these
    private_remarks = models.TextField(blank=True)  # only the coordinator sees these
    checklist = models.JSONField(default=list, blank=True)  # the points that were ticked, in their words
    told = models.CharField(max_length=200, blank=True)  # how a coordinator knows, who recorded it
    completion = models.OneToOneField(
        Completion, null=True, on_delete=models.PROTECT, related_name="sign_off"
    )
    beside = models.ManyToManyField(  # of the other ride steps that the same ride completed: its sites' own
        Completion, blank=True, related_name="of_ride"
    )
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    withdrawn_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-ridden_on", "-pk"]
        constraints = [
            models.CheckConstraint(name="sign_off_not_by_oneself", condition=~Q(trainee=F("lead"))),
            models.CheckConstraint(
                name="sign_off_ready_completes",
                condition=Q(outcome="ready", completion__isnull=False)
                | Q(outcome="again", completion__isnull=True),
            ),
            models.CheckConstraint(
                name="sign_off_withdrawn_says_why",
                condition=Q(withdrawn_at=None) | ~Q(withdrawn_reason=""),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.trainee} with {self.lead}, {self.ridden_on}"

    @property
    def is_taken_back(self) -> bool:
        """Whether it, or the completion that "ready" gave, was withdrawn; the record itself stays."""
        gone = self.completion is not None and self.completion.withdrawn_at is not None
        return gone or self.withdrawn_at is not None
