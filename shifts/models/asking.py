"""Filling a run: whom it was asked of, in which group, and what they said; wishes for the plan; who did not
come; who covers for the coordinator."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from shifts.models.booking import Booking
from shifts.models.run import Run
from volunteers.models import Person
from volunteers.models.person import new_nonce

# How long it is known who was asked and what they said, and counts for how likely their next yes is. Common
# practice, no published source: confirm with counsel.
KEPT = timedelta(days=365)


class SearchQuerySet(models.QuerySet["Search"]):
    def open(self) -> SearchQuerySet:
        return self.filter(ended_at=None)

    def prune(self, at: datetime) -> int:
        """Deletes what has ended longer than a year ago, with who was asked and what they said; how many
        searches. The bookings that came of them stay."""
        old = self.filter(ended_at__lt=at - KEPT)
        Ask.objects.filter(search__in=old).delete()
        return old.delete()[1].get("shifts.Search", 0)


class Search(models.Model):
    """The asking around for one run without a driver. `next_at` is when the next group is due, while it
    goes on; None means that nobody more is asked unless a coordinator says so."""

    class End(models.TextChoices):
        FILLED = "filled", "somebody took it"
        STOPPED = "stopped", "stopped by the coordinator"
        OVER = "over", "the run is over, off, or closed"

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="searches")
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    next_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    end = models.CharField(max_length=7, choices=End, blank=True)

    objects = SearchQuerySet.as_manager()

    class Meta:
        ordering = ["-opened_at", "-pk"]
        verbose_name_plural = "searches"
        constraints = [
            models.UniqueConstraint(name="search_one_open_a_run", fields=["run"], condition=Q(ended_at=None)),
            models.CheckConstraint(
                name="search_end_says_how",
                condition=Q(ended_at=None, end="") | Q(ended_at__isnull=False) & ~Q(end=""),
            ),
        ]

    def __str__(self) -> str:
        return f"search for {self.run}"


class AskQuerySet(models.QuerySet["Ask"]):
    def open(self) -> AskQuerySet:
        return self.filter(answer="")

    def made(self) -> AskQuerySet:
        """Without calls that were noted by mistake."""
        return self.exclude(wave=0, answer=Ask.Answer.CLOSED)


class Ask(models.Model):
    """One person was asked whether they can take a run. `starts_at`, `ends_at` and `sites` are what they
    were asked: a yes to a run that has moved since is asked again. `wave` counts the groups of its search
    from 1; 0 is a call by the coordinator."""

    class Answer(models.TextChoices):
        YES = "yes", _("yes")
        NO = "no", _("no")
        NOT_THIS_WEEK = "not week", _("not this week")
        LESS = "less", _("no, and ask me less")
        NO_ANSWER = "silent", _("no answer")
        LATE = "late", _("yes, but somebody was faster")
        MOVED = "moved", _("yes, but the run has changed since")
        CLOSED = "closed", _("no longer asked")

    search = models.ForeignKey(Search, on_delete=models.PROTECT, related_name="asks")
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="asks")
    wave = models.PositiveSmallIntegerField()
    urgent = models.BooleanField(default=False)
    nonce = models.CharField(max_length=32, default=new_nonce, editable=False)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    sites = models.JSONField(default=list)  # keys of the stops' sites, in order
    asked_at = models.DateTimeField(db_index=True)
    asked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    answer = models.CharField(max_length=8, choices=Answer, blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    is_back_up = models.BooleanField(default=False)  # would still take it, should the driver fall out
    booking = models.OneToOneField(Booking, null=True, on_delete=models.PROTECT, related_name="ask")

    objects = AskQuerySet.as_manager()

    class Meta:
        ordering = ["-asked_at", "-pk"]
        indexes = [models.Index(name="ask_of_a_person", fields=["person", "asked_at"])]
        constraints = [
            models.UniqueConstraint(
                name="ask_one_open_a_person", fields=["search", "person"], condition=Q(answer="")
            ),
            models.CheckConstraint(
                name="ask_answered_says_when",
                condition=Q(answer="", answered_at=None) | ~Q(answer="") & Q(answered_at__isnull=False),
            ),
            models.CheckConstraint(
                name="ask_yes_is_a_seat",
                condition=Q(answer="yes", booking__isnull=False) | ~Q(answer="yes") & Q(booking=None),
            ),
            models.CheckConstraint(
                name="ask_back_up_was_late", condition=Q(is_back_up=False) | Q(answer="late")
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.search.run}"


class PlanWish(models.Model):
    """What the coordinator wants of the plan for a run: this person, or not this person."""

    class Kind(models.TextChoices):
        PIN = "pin", "this person"
        FORBID = "forbid", "not this person"

    run = models.ForeignKey(Run, on_delete=models.CASCADE, related_name="wishes")
    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="wishes")
    kind = models.CharField(max_length=6, choices=Kind)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(name="plan_wish_once", fields=["run", "person"]),
            models.UniqueConstraint(name="plan_wish_one_pin_a_run", fields=["run"], condition=Q(kind="pin")),
        ]

    def __str__(self) -> str:
        return f"{self.run}: {self.kind} {self.person}"


class NoShowQuerySet(models.QuerySet["NoShow"]):
    def standing(self) -> NoShowQuerySet:
        return self.filter(withdrawn_at=None)

    def of(self, person: Person) -> NoShowQuerySet:
        return self.filter(booking__person=person)

    def on_days(self, first: date, last: date) -> NoShowQuerySet:
        """Of runs on local dates from the first to the last."""
        return self.filter(booking__run__local_date__gte=first, booking__run__local_date__lte=last)


class NoShow(models.Model):
    """The driver did not come. Private to the coordinators; it can be taken back."""

    booking = models.ForeignKey(Booking, on_delete=models.PROTECT, related_name="no_shows")
    note = models.CharField(max_length=300, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    objects = NoShowQuerySet.as_manager()

    class Meta:
        ordering = ["-at"]
        constraints = [
            models.UniqueConstraint(
                name="no_show_once_a_booking", fields=["booking"], condition=Q(withdrawn_at=None)
            ),
        ]

    def __str__(self) -> str:
        return f"did not come: {self.booking}"


class CoverTurnQuerySet(models.QuerySet["CoverTurn"]):
    def on(self, day: date) -> CoverTurnQuerySet:
        return self.filter(ended_at=None, first__lte=day, last__gte=day)


class CoverTurn(models.Model):
    """From the first day to the last, both included, in the programme's zone, this person keeps the desk:
    alerts, digest and the on-call number are theirs. No settings, no papers."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="cover_turns")
    first = models.DateField()
    last = models.DateField()
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = CoverTurnQuerySet.as_manager()

    class Meta:
        ordering = ["first", "pk"]
        constraints = [
            models.CheckConstraint(
                name="cover_turn_ends_after_it_begins",
                condition=Q(last__gte=F("first")),
                violation_error_message="The last day is before the first.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}, {self.first} to {self.last}"
