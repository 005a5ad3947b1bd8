from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from django.core.validators import MaxValueValidator
from django.db import models
from django.db.models import Exists, F, OuterRef, Prefetch, Q
from django.utils.functional import cached_property

from shifts.models.shift import Shift
from sites.models import Closure, Site
from volunteers.models import NotAt, Person, StepTerm

if TYPE_CHECKING:
    from shifts.models.booking import Booking


def shut() -> models.QuerySet[Closure]:
    """The closures that meet the outer run: one of its sites, on its date."""
    return Closure.objects.on(OuterRef("local_date")).filter(site__stops__run=OuterRef("pk"))


def ride_open() -> Q:
    """Whether the outer run has an empty second seat beside a lead driver."""
    from shifts.models.booking import Booking

    live = Booking.objects.live().filter(run=OuterRef("pk"))
    return Q(second_seat=True) & Exists(live.led()) & ~Exists(live.filter(seat=Booking.Seat.SECOND))


class RunQuerySet(models.QuerySet["Run"]):
    def on_the_books(self) -> RunQuerySet:
        return self.filter(cancelled_at=None)

    def not_dropped(self) -> RunQuerySet:
        """Without those whose date the weekly run no longer has; a run that was called off is still shown."""
        return self.exclude(cancel_cause=Run.Cause.RULE)

    def on_days(self, first: date, last: date) -> RunQuerySet:
        """Runs of these local dates, both included."""
        return self.filter(local_date__gte=first, local_date__lte=last)

    def ahead(self, at: datetime) -> RunQuerySet:
        """Runs that have not started."""
        return self.filter(starts_at__gt=at)

    def not_over(self, at: datetime) -> RunQuerySet:
        return self.filter(ends_at__gt=at)

    def with_closed(self) -> RunQuerySet:
        """Marks runs with `closed`: one of their sites is closed that day. Computed, never stored."""
        return self.annotate(closed=Exists(shut()))

    def without_closed(self) -> RunQuerySet:
        return self.exclude(Exists(shut()))

    def unfilled(self) -> RunQuerySet:
        from shifts.models.booking import Booking

        taken = Booking.objects.live().filter(run=OuterRef("pk"), seat=Booking.Seat.DRIVER)
        return self.exclude(Exists(taken))

    def with_room(self) -> RunQuerySet:
        """Runs with an empty driver's seat, or an empty second seat beside a lead driver."""
        from shifts.models.booking import Booking

        driver = Booking.objects.live().drivers().filter(run=OuterRef("pk"))
        return self.filter(~Exists(driver) | ride_open())

    def with_ride(self) -> RunQuerySet:
        """Runs on which a trainee could ride along: a lead driver drives, the second seat is empty."""
        return self.filter(ride_open())

    def open_to(self, person: Person) -> RunQuerySet:
        """Those that the person may drive by the gate, each on its own date, at sites they may be sent to."""
        sites = Stop.objects.filter(run=OuterRef(OuterRef("pk"))).values("site")
        unmet = StepTerm.objects.unmet(person=person.pk, on=OuterRef("local_date"), sites=sites)
        return self.exclude(Exists(unmet)).not_barring(person)

    def not_barring(self, person: Person) -> RunQuerySet:
        """Those that stop at no site to which the person is not to be sent."""
        sites = Stop.objects.filter(run=OuterRef(OuterRef("pk"))).values("site")
        return self.exclude(Exists(NotAt.objects.barring(person=person.pk, sites=sites)))

    def with_people(self) -> RunQuerySet:
        """Fetches stops with their sites, and who sits where, in three queries for any number of runs."""
        from shifts.models.booking import Booking

        return self.select_related("shift").prefetch_related(
            Prefetch("stops", queryset=Stop.objects.select_related("site")),
            Prefetch("bookings", queryset=Booking.objects.live().select_related("person"), to_attr="seated"),
        )

    def locked(self) -> RunQuerySet:
        """Holds the rows until the transaction ends, without blocking inserts that refer to them."""
        return self.select_for_update(of=("self",), no_key=True).order_by("pk")


class Run(models.Model):
    """One dated trip of one car. `starts_at` and `ends_at` are instants; `local_date` is the
    programme's date of the start. `slot_date` is the date the weekly run's rule gave: with the
    shift it is the run's identity, and it stays when the run is moved."""

    class Cause(models.TextChoices):
        CALLED_OFF = "called off", "called off by the coordinator"
        RULE = "rule", "the weekly run no longer has this date"

    shift = models.ForeignKey(Shift, null=True, blank=True, on_delete=models.PROTECT, related_name="runs")
    slot_date = models.DateField(null=True, blank=True)
    title = models.CharField(max_length=80)
    local_date = models.DateField(db_index=True)
    starts_at = models.DateTimeField(db_index=True)
    ends_at = models.DateTimeField()
    crates = models.PositiveSmallIntegerField(default=0, validators=[MaxValueValidator(500)])
    second_seat = models.BooleanField(default=True)
    note = models.CharField(max_length=300, blank=True)
    hand_edited = models.BooleanField(default=False)
    off_rule = models.BooleanField(default=False)  # kept for its booking though the rule dropped the date
    cancelled_at = models.DateTimeField(null=True, blank=True)
    cancel_cause = models.CharField(max_length=10, choices=Cause, blank=True)
    cancel_reason = models.CharField(max_length=200, blank=True)

    objects = RunQuerySet.as_manager()

    closed: bool  # only from `with_closed`
    seated: list[Booking]  # only from `with_people`: the live bookings, driver first

    class Meta:
        ordering = ["starts_at", "pk"]
        constraints = [
            models.UniqueConstraint(name="run_once_a_slot", fields=["shift", "slot_date"]),
            models.CheckConstraint(
                name="run_slot_belongs_to_a_shift",
                condition=Q(shift=None, slot_date=None) | Q(shift__isnull=False, slot_date__isnull=False),
            ),
            models.CheckConstraint(name="run_ends_after_it_starts", condition=Q(ends_at__gt=F("starts_at"))),
            models.CheckConstraint(
                name="run_cancelled_says_why",
                condition=Q(cancelled_at=None, cancel_cause="")
                | Q(cancelled_at__isnull=False) & ~Q(cancel_cause=""),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.title}, {self.local_date}"

    @property
    def is_cancelled(self) -> bool:
        return self.cancelled_at is not None

    @cached_property
    def ordered_stops(self) -> list[Stop]:
        """The stops in order, with their sites and contacts; from `with_people` where it was used."""
        if "stops" in getattr(self, "_prefetched_objects_cache", {}):
            return list(self.stops.all())
        return list(self.stops.select_related("site").prefetch_related("site__contacts"))

    @cached_property
    def site_ids(self) -> list[int]:
        return [stop.site_id for stop in self.ordered_stops]

    @property
    def has_driver(self) -> bool:
        """Whether somebody drives it; of a run `with_people`."""
        from shifts.models.booking import Booking

        return any(booking.seat == Booking.Seat.DRIVER for booking in self.seated)

    def closed_sites(self) -> list[Site]:
        """Its sites that are closed that day, in order."""
        shut = set(
            Closure.objects.on(self.local_date).filter(site__in=self.site_ids).values_list("site", flat=True)
        )
        return [stop.site for stop in self.ordered_stops if stop.site_id in shut]

    def arrives_at(self, stop: Stop) -> datetime:
        return self.starts_at + timedelta(minutes=stop.after_minutes)


class Stop(models.Model):
    """A site in a run's order, and how many minutes after the start one is there."""

    run = models.ForeignKey(Run, on_delete=models.CASCADE, related_name="stops")
    position = models.PositiveSmallIntegerField()
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="stops")
    after_minutes = models.PositiveSmallIntegerField(default=0)
    confirmed_at = models.DateTimeField(null=True, blank=True)  # the site said that it is open that day

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(name="stop_position_once", fields=["run", "position"]),
        ]

    def __str__(self) -> str:
        return f"{self.position}. {self.site}"
