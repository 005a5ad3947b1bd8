from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.conf import settings
from django.core.validators import MaxValueValidator
from django.db import models
from django.db.models import Exists, ExpressionWrapper, F, OuterRef, Q
from django.utils.translation import gettext_lazy as _

from shifts.models.run import Run, Stop
from shifts.models.standing import Standing
from volunteers.models import NotAt, Person, SignOff, Step, StepTerm


class BookingQuerySet(models.QuerySet["Booking"]):
    def live(self) -> BookingQuerySet:
        return self.filter(ended_at=None)

    def drivers(self) -> BookingQuerySet:
        return self.filter(seat=Booking.Seat.DRIVER)

    def led(self) -> BookingQuerySet:
        """The driver's seats of those who were lead drivers on the run's day, who alone sign a ride off."""
        return self.drivers().filter(person__lead_since__lte=F("run__local_date"))

    def of(self, person: Person) -> BookingQuerySet:
        return self.filter(person=person)

    def unsigned(self) -> BookingQuerySet:
        """Those on which no sign-off stands: none was recorded, or it was taken back."""
        taken_back = Q(sign_off__withdrawn_at__isnull=False) | Q(
            sign_off__completion__withdrawn_at__isnull=False
        )
        return self.filter(Q(sign_off=None) | taken_back)

    def lacking_a_ride(self, on: date) -> BookingQuerySet:
        """Those whose person lacks on the date a shadow ride that this run counts for: the programme's own,
        or that of one of its sites."""
        sites = Stop.objects.filter(run=OuterRef(OuterRef("run"))).values("site")
        rides = StepTerm.objects.filter(step__kind=Step.Kind.RIDE)
        return self.filter(Exists(rides.unmet(person=OuterRef("person"), on=on, sites=sites)))

    def on_runs_between(self, first: datetime, last: datetime) -> BookingQuerySet:
        """Bookings of runs that touch the span, cancelled runs left out."""
        return self.filter(run__cancelled_at=None, run__starts_at__lt=last, run__ends_at__gt=first)

    def uncleared(self) -> BookingQuerySet:
        """Live bookings of people the gate would not let drive that run: trainees in second seats too, but
        nobody under 18, who only ever rides along. And of people who are not to be sent there.

        Each with `lacks` anything, `lacks_more`, beside door notes, `lacks_paper`, and `barred`, not to be
        sent there."""
        sites = Stop.objects.filter(run=OuterRef(OuterRef("run"))).values("site")
        unmet = StepTerm.objects.unmet(person=OuterRef("person"), on=OuterRef("run__local_date"), sites=sites)
        more = unmet.exclude(step__kind=Step.Kind.DOORS)
        barring = NotAt.objects.barring(person=OuterRef("person"), sites=sites)
        lacks = ExpressionWrapper(
            Q(person__is_adult=True) & Q(Exists(unmet)), output_field=models.BooleanField()
        )
        paper = Exists(unmet.filter(step__kind=Step.Kind.PAPER))
        found: Any = self.live()
        found = found.annotate(lacks=lacks, lacks_more=Exists(more), lacks_paper=paper)
        found = found.annotate(barred=Exists(barring))
        return found.filter(Q(lacks=True) | Q(barred=True))

    def lacking(self) -> BookingQuerySet:
        """Of those `uncleared`, whose person lacks something."""
        return self.uncleared().filter(Q(lacks=True))

    def not_there(self) -> BookingQuerySet:
        """Live bookings of people who are not to be sent to one of the run's sites."""
        return self.uncleared().filter(Q(barred=True))

    def clearance_gone(self) -> BookingQuerySet:
        """Drivers' bookings that the gate would refuse today: a paper lapsed, a sign-off was taken back, or
        they are not to be sent to a site any more."""
        return self.uncleared().drivers()


class Booking(models.Model):
    """One person in one seat of one run. It ends; it is not deleted."""

    barred: bool  # these four only from `uncleared`
    lacks: bool
    lacks_more: bool
    lacks_paper: bool

    class Seat(models.TextChoices):
        DRIVER = "driver", _("driver's seat")
        SECOND = "second", _("second seat")

    class Ride(models.TextChoices):
        """How a trainee rides: the lead driver is beside them or ahead of them all the way."""

        ALONG = "along", _("rides along")
        FOLLOWS = "follows", _("follows in their own car")
        DRIVES = "drives", _("drives, the lead driver beside them")

    class End(models.TextChoices):
        GIVEN_BACK = "given back", _("can't make it")
        TAKEN_OUT = "taken out", _("taken out by the coordinator")
        CANCELLED = "cancelled", _("the run was cancelled")
        HANDED_ON = "handed on", _("handed to somebody else")
        LAPSED = "lapsed", _("not ready to drive on that date")
        NO_SHOW = "no show", "did not come"  # read by coordinators alone

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="bookings")
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="bookings")
    seat = models.CharField(max_length=6, choices=Seat)
    ride = models.CharField(max_length=7, choices=Ride, default=Ride.ALONG)
    also = models.CharField(max_length=120, blank=True)  # names of others in the car
    also_count = models.PositiveSmallIntegerField(default=0, validators=[MaxValueValidator(6)])
    standing = models.ForeignKey(
        Standing, null=True, blank=True, on_delete=models.PROTECT, related_name="bookings"
    )
    confirmed_at = models.DateTimeField(null=True, blank=True)  # they said that they will be there
    booked_at = models.DateTimeField()
    booked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    end = models.CharField(max_length=10, choices=End, blank=True)
    end_note = models.CharField(max_length=300, blank=True)
    # A coordinator has seen that a driver gave back shortly before the start; the alert stays until then.
    seen_at = models.DateTimeField(null=True, blank=True)
    seen_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    sign_off = models.OneToOneField(SignOff, null=True, on_delete=models.PROTECT, related_name="ride")

    objects = BookingQuerySet.as_manager()

    class Meta:
        ordering = ["seat", "pk"]
        constraints = [
            models.UniqueConstraint(
                name="booking_one_a_seat", fields=["run", "seat"], condition=Q(ended_at=None)
            ),
            models.UniqueConstraint(
                name="booking_one_seat_a_person", fields=["run", "person"], condition=Q(ended_at=None)
            ),
            models.CheckConstraint(
                name="booking_in_one_of_two_seats", condition=Q(seat__in=["driver", "second"])
            ),
            models.CheckConstraint(
                name="booking_end_says_how",
                condition=Q(ended_at=None, end="") | Q(ended_at__isnull=False) & ~Q(end=""),
            ),
            models.CheckConstraint(
                name="booking_ride_is_in_the_second_seat", condition=Q(ride="along") | Q(seat="second")
            ),
            models.CheckConstraint(
                name="booking_also_names_and_counts",
                condition=Q(also="", also_count=0) | ~Q(also="") & Q(also_count__gte=1),
                violation_error_message=_("Say who else is in the car, and how many they are."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person} in the {self.get_seat_display()} of {self.run}"

    @property
    def is_live(self) -> bool:
        return self.ended_at is None

    @property
    def is_unsigned(self) -> bool:
        """`unsigned` for one ride: no sign-off stands."""
        return self.sign_off is None or self.sign_off.is_taken_back
