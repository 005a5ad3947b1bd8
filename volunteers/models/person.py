from __future__ import annotations

import secrets
from datetime import date, time

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Cast
from django.utils.translation import gettext_lazy as _
from phonenumber_field.modelfields import PhoneNumberField

from sites.geography import Place


def new_nonce() -> str:
    return secrets.token_urlsafe(12)


class PersonQuerySet(models.QuerySet["Person"]):
    def active(self) -> PersonQuerySet:
        return self.filter(left_on=None)

    def present(self) -> PersonQuerySet:
        """Taken in and not pausing: those whom the programme may count on."""
        return self.active().filter(asking_since=None, paused_on=None)

    def drivers(self) -> PersonQuerySet:
        """People who drive or mean to; not those who only sort or help in the office, nor those who
        pause or whom no coordinator has taken in yet."""
        return self.present().filter(drives=True)

    def lead_drivers(self) -> PersonQuerySet:
        return self.present().exclude(lead_since=None)

    def coordinators(self) -> PersonQuerySet:
        return self.active().filter(user__is_coordinator=True)

    def of(self, user) -> PersonQuerySet:
        """The people for whom a sign-in may act, first come first."""
        return self.active().filter(user=user).order_by("pk")

    def locked(self) -> PersonQuerySet:
        """Holds the rows until the transaction ends, without blocking inserts that refer to them."""
        return self.select_for_update(of=("self",), no_key=True).order_by("pk")

    def found_by(self, text: str) -> PersonQuerySet:
        """Those whose name or address holds every word of the text, or whose phone holds its digits."""
        if not any(mark.isalpha() for mark in text):
            digits = "".join(mark for mark in text if mark.isascii() and mark.isdigit())
            as_text = Cast("phone", models.CharField())
            return self.alias(number=as_text).filter(number__contains=digits) if digits else self.none()
        found = self
        for word in text.split():
            found = found.filter(Q(name__icontains=word) | Q(email__icontains=word))
        return found

    def away_on(self, day: date) -> PersonQuerySet:
        return self.filter(absences__first__lte=day, absences__last__gte=day)


class Person(models.Model):
    """A volunteer. The sign-in is optional; people who share an address stay two people."""

    class Reach(models.TextChoices):
        MAIL = "mail", _("by e-mail")
        TEXT = "text", _("by text message")
        CALL = "call", _("by phone call")

    class Calendar(models.TextChoices):
        MAIL = "mail", _("by invitations in the mail")
        LINK = "link", _("by my private link")
        BOTH = "both", _("by both")

    name = models.CharField(max_length=80)
    phone = PhoneNumberField(blank=True)
    email = models.EmailField(blank=True)
    language = models.CharField(max_length=5, choices=settings.LANGUAGES, default="en")
    reach = models.CharField(max_length=4, choices=Reach, default=Reach.MAIL)
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="people"
    )
    drives = models.BooleanField(default=True)
    lead_since = models.DateField(null=True, blank=True)
    runs_a_week = models.PositiveSmallIntegerField(default=2, validators=[MaxValueValidator(21)])
    requests_a_week = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=[MaxValueValidator(21)]
    )  # None: as the programme's settings say
    early_requests = models.BooleanField(default=False)  # from 6 a.m., about a run of the same morning
    wants_requests = models.BooleanField(default=True)
    wants_reminders = models.BooleanField(default=True)
    home_latitude = models.FloatField(null=True, blank=True)
    home_longitude = models.FloatField(null=True, blank=True)
    notes = models.TextField(blank=True)  # the coordinator's own, never shown to others
    joined_on = models.DateField()
    asking_since = models.DateField(null=True, blank=True)  # asked to join, no coordinator has said yes
    paused_on = models.DateField(null=True, blank=True)  # takes a break since; comes back when they say so
    left_on = models.DateField(null=True, blank=True)
    back_on = models.DateField(null=True, blank=True)  # when they last came back from a break
    is_adult = models.BooleanField(default=True)
    guardian = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="wards"
    )  # the only driver beside whom somebody under 18 rides
    consent_on = models.DateField(null=True, blank=True)  # a coordinator agreed that they ride along
    emergency_name = models.CharField(max_length=80, blank=True)
    emergency_phone = PhoneNumberField(blank=True)
    calendar = models.CharField(max_length=4, choices=Calendar, default=Calendar.MAIL)
    feed_nonce = models.CharField(max_length=32, default=new_nonce, editable=False)
    feed_digest = models.CharField(max_length=32, blank=True, editable=False)  # of the feed last served
    feed_changed_at = models.DateTimeField(null=True, editable=False)  # when that version was first served
    feed_good_until = models.DateTimeField(null=True, editable=False)  # None: it may have changed since
    feed_fetched_at = models.DateTimeField(null=True, editable=False)  # by a calendar program, to the hour

    objects = PersonQuerySet.as_manager()

    lately: int  # only in a call list: how many runs they drive in these weeks
    barred: bool  # only in a call list: not to be sent to one of the run's sites

    class Meta:
        ordering = ["name", "pk"]
        verbose_name_plural = "people"
        constraints = [
            models.CheckConstraint(
                name="person_home_is_whole_and_on_earth",
                condition=Q(home_latitude=None, home_longitude=None)
                | Q(home_latitude__isnull=False, home_longitude__isnull=False)
                & Q(
                    home_latitude__gte=-90,
                    home_latitude__lte=90,
                    home_longitude__gte=-180,
                    home_longitude__lte=180,
                ),
            ),
            models.CheckConstraint(
                name="person_reached_by_mail_has_an_address",
                condition=~Q(reach="mail") | ~Q(email=""),
                violation_error_message="Without an e-mail address, choose text message or phone call.",
            ),
            models.CheckConstraint(
                name="person_leaves_after_joining", condition=Q(left_on=None) | Q(left_on__gte=F("joined_on"))
            ),
            models.CheckConstraint(
                name="person_under_18_never_drives",
                condition=Q(is_adult=True) | Q(drives=False, lead_since=None),
                violation_error_message=_("Nobody under 18 drives."),
            ),
            models.CheckConstraint(
                name="person_consent_is_beside_a_guardian",
                condition=Q(consent_on=None) | Q(guardian__isnull=False),
                violation_error_message=_("Name the guardian beside whom they ride."),
            ),
            models.CheckConstraint(
                name="person_guards_not_themselves", condition=Q(guardian=None) | ~Q(guardian=F("id"))
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def first_name(self) -> str:
        return self.name.split()[0] if self.name.strip() else ""

    @property
    def is_lead(self) -> bool:
        return self.lead_since is not None

    @property
    def is_mailed(self) -> bool:
        """Whether notices go out by mail; otherwise the coordinator tells them."""
        return self.reach == self.Reach.MAIL and bool(self.email)

    @property
    def is_invited(self) -> bool:
        """Whether calendar invitations go out to them by mail."""
        return self.is_mailed and self.calendar != self.Calendar.LINK

    @property
    def home(self) -> Place | None:
        if self.home_latitude is None or self.home_longitude is None:
            return None
        return self.home_latitude, self.home_longitude


class Car(models.Model):
    """What a person drives. Crates are 16-quart crates; None means nobody has counted."""

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="cars")
    label = models.CharField(max_length=60, blank=True)
    crates = models.PositiveSmallIntegerField(null=True, blank=True, validators=[MaxValueValidator(500)])

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.label or "car"


class Availability(models.Model):
    """Hours of a weekday (0 is Monday) at which somebody can usually drive, in the programme's zone.

    Nobody's hours means they have not said: they are asked as if free.
    """

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="hours")
    weekday = models.PositiveSmallIntegerField(validators=[MinValueValidator(0), MaxValueValidator(6)])
    begins = models.TimeField(default=time(0, 0))
    ends = models.TimeField(default=time(23, 59))

    class Meta:
        ordering = ["weekday", "begins"]
        constraints = [
            models.CheckConstraint(name="hours_end_after_they_begin", condition=Q(ends__gt=F("begins"))),
            models.CheckConstraint(name="hours_on_a_weekday", condition=Q(weekday__gte=0, weekday__lte=6)),
        ]

    def __str__(self) -> str:
        return f"{self.weekday} {self.begins}-{self.ends}"


class Away(models.Model):
    """Days on which somebody cannot drive, both ends included."""

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="absences")
    first = models.DateField()
    last = models.DateField()

    class Meta:
        ordering = ["first"]
        verbose_name_plural = "away"
        constraints = [
            models.CheckConstraint(
                name="away_ends_after_it_begins",
                condition=Q(last__gte=F("first")),
                violation_error_message=_("The last day is before the first."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.first} to {self.last}"
