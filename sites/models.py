"""Where: the programme's facts, sites, contacts, door notes, closed dates, and the event log."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from operator import attrgetter
from typing import Any, NoReturn
from zoneinfo import ZoneInfo, available_timezones

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _
from phonenumber_field.modelfields import PhoneNumberField

from sites.geography import Place


def known_zone(name: str) -> None:
    """Refuses a time zone that the tz database does not have."""
    if name not in available_timezones():
        raise ValidationError(f"{name} is not a time zone. Write it like America/Chicago.")


class Programme(models.Model):
    """The one programme that this installation serves."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1, editable=False)
    name = models.CharField(max_length=80, default="Food rescue")
    town = models.CharField(max_length=80, blank=True)
    time_zone = models.CharField(max_length=64, default="America/New_York", validators=[known_zone])
    contact_name = models.CharField(max_length=80, blank=True)
    contact_phone = PhoneNumberField(blank=True)
    contact_email = models.EmailField(blank=True)
    lift_pounds = models.PositiveSmallIntegerField(
        # A full banana box; common practice, no published source.
        default=40,
        validators=[MinValueValidator(1), MaxValueValidator(100)],
        help_text="What a volunteer should be able to lift, in pounds.",
    )
    # Driving: common practice, no published source, but for the road factor, which is a cautious
    # round-up of 1.20 (Ballou, Rahardja, Sakai 2002) and of 4/pi on a square grid.
    road_factor = models.FloatField(
        default=1.3,
        validators=[MinValueValidator(1), MaxValueValidator(3)],
        help_text="How much longer the road is than the straight line.",
    )
    fixed_minutes = models.PositiveSmallIntegerField(
        default=5, validators=[MaxValueValidator(60)], help_text="Minutes to set off and to park."
    )
    town_mph = models.FloatField(
        default=24,
        validators=[MinValueValidator(5), MaxValueValidator(70)],
        help_text="Miles an hour on the road, in town.",
    )

    class Meta:
        constraints = [
            models.CheckConstraint(name="one_programme", condition=Q(id=1)),
            models.CheckConstraint(
                name="programme_drives_forward", condition=Q(road_factor__gte=1, town_mph__gt=0)
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @classmethod
    def current(cls) -> Programme:
        """The programme; made with its defaults when nobody has saved one yet."""
        return cls.objects.filter(pk=1).first() or cls.objects.get_or_create(pk=1)[0]

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)


class SiteQuerySet(models.QuerySet["Site"]):
    def in_use(self) -> SiteQuerySet:
        return self.filter(ended_on=None)


class Site(models.Model):
    """A donor's dock, a receiving agency, or both."""

    name = models.CharField(max_length=80)
    street = models.CharField(max_length=120, blank=True)
    town = models.CharField(max_length=80, blank=True)
    gives = models.BooleanField("food is picked up here", default=False)
    takes = models.BooleanField("food is dropped off here", default=False)
    latitude = models.FloatField(null=True, blank=True, help_text="Degrees north.")
    longitude = models.FloatField(null=True, blank=True, help_text="Degrees east; west is negative.")
    foods = models.CharField("food it takes", max_length=200, blank=True)
    fallback = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.SET_NULL, related_name="+",
        help_text="Where the food goes when this site is closed.",
    )  # fmt: skip
    list_email = models.EmailField("weekly list goes to", blank=True)
    ended_on = models.DateField(null=True, blank=True)

    objects = SiteQuerySet.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                name="site_gives_or_takes",
                condition=Q(gives=True) | Q(takes=True),
                violation_error_message="Tick pickup, drop-off, or both.",
            ),
            models.CheckConstraint(
                name="site_place_is_whole_and_on_earth",
                # Both are named as known: a comparison with NULL is neither true nor false, and would pass.
                condition=Q(latitude=None, longitude=None)
                | Q(latitude__isnull=False, longitude__isnull=False)
                & Q(latitude__gte=-90, latitude__lte=90, longitude__gte=-180, longitude__lte=180),
                violation_error_message="Give both numbers, latitude -90 to 90 and longitude -180 to 180, "
                "or neither.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def place(self) -> Place | None:
        """Latitude and longitude, or None where nobody has entered them."""
        if self.latitude is None or self.longitude is None:
            return None
        return self.latitude, self.longitude

    @property
    def address(self) -> str:
        return ", ".join(part for part in (self.street, self.town) if part)

    def door_notes(self) -> DoorNotes | None:
        """The newest door notes, or None before any are written."""
        return self.notes.first()


class Contact(models.Model):
    """Somebody to call at a site."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="contacts")
    name = models.CharField(max_length=80)
    role = models.CharField(max_length=80, blank=True)
    phone = PhoneNumberField(blank=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.name


class DoorNotes(models.Model):
    """One revision of what a driver needs at a site. Kept; a change is a new revision."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="notes")
    revision = models.PositiveIntegerField()
    approach = models.TextField(_("how to drive up"), blank=True)
    entrance = models.TextField(_("which door"), blank=True)
    parking = models.TextField(_("where to park"), blank=True)
    ask_for = models.TextField(_("whom to ask for, and what to say"), blank=True)
    carts = models.TextField(_("carts and crates"), blank=True)
    spoiled = models.TextField(_("where spoiled produce goes"), blank=True)
    leave_cart = models.TextField(_("where to leave the cart"), blank=True)
    written_at = models.DateTimeField()
    written_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )

    TEXTS = ("approach", "entrance", "parking", "ask_for", "carts", "spoiled", "leave_cart")

    class Meta:
        ordering = ["-revision"]
        constraints = [
            models.UniqueConstraint(name="door_notes_revision_once", fields=["site", "revision"]),
        ]

    def __str__(self) -> str:
        return f"{self.site}, door notes {self.revision}"

    def paragraphs(self) -> list[tuple[str, str]]:
        """Heading and text of each part that has one, in the order of arriving at the door."""
        return [
            (str(getattr(self._meta.get_field(name), "verbose_name", name)), getattr(self, name))
            for name in self.TEXTS
            if getattr(self, name)
        ]


class ClosureQuerySet(models.QuerySet["Closure"]):
    def standing(self) -> ClosureQuerySet:
        return self.filter(lifted_at=None)

    def on(self, day: date | models.OuterRef) -> ClosureQuerySet:
        """Closures in force on the day; the day may be a reference to an outer row."""
        return self.standing().filter(first__lte=day, last__gte=day)


class Closure(models.Model):
    """Dates on which a site gives or takes nothing, both ends included, in the programme's zone."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="closures")
    first = models.DateField()
    last = models.DateField()
    reason = models.CharField(max_length=120, blank=True)
    lifted_at = models.DateTimeField(null=True, blank=True)

    objects = ClosureQuerySet.as_manager()

    class Meta:
        ordering = ["first"]
        constraints = [
            models.CheckConstraint(
                name="closure_ends_after_it_begins",
                condition=Q(last__gte=F("first")),
                violation_error_message="The last closed day is before the first.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site} closed {self.first} to {self.last}"


class EventQuerySet(models.QuerySet["Event"]):
    def about(self, thing: models.Model) -> EventQuerySet:
        return self.filter(subject=subject_of(thing))

    def newest_of_each(self, people: Iterable[int], *, verbs: Iterable[str]) -> dict[int, Event]:
        """By the person's key, the last event of these kinds that concerns them. Ordered here, not by the
        database: it would rather walk the whole log by its time than look for a few people."""
        found = self.filter(person_id__in=list(people), verb__in=list(verbs)).order_by()
        in_order = sorted(found, key=attrgetter("at", "pk"))
        return {event.person_id: event for event in in_order if event.person_id is not None}

    def blank(self, person: int) -> int:
        """Of somebody whose data is deleted, takes out what their events held; that something was done,
        when and by whom stays. The one change there is."""
        return super(EventQuerySet, self.filter(person_id=person)).update(before=None, after=None)

    def update(self, **values):
        raise TypeError("An event is written once.")

    def delete(self):
        raise TypeError("An event is never deleted.")


class Event(models.Model):
    """What was done, when, by whom. Written once, never deleted, and changed by `blank` alone."""

    at = models.DateTimeField(db_index=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    verb = models.CharField(max_length=40)
    subject = models.CharField(max_length=60, db_index=True)
    person_id = models.BigIntegerField(null=True, db_index=True)  # whom it concerns; a floor up, so no key
    before = models.JSONField(null=True)
    after = models.JSONField(null=True)

    objects = EventQuerySet.as_manager()

    class Meta:
        ordering = ["-at", "-pk"]

    def __str__(self) -> str:
        return f"{self.subject} {self.verb}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding:
            raise TypeError("An event is written once.")
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> NoReturn:
        raise TypeError("An event is never deleted.")


def subject_of(thing: models.Model) -> str:
    """The name under which the log keeps a row, such as "run:12"."""
    return f"{thing._meta.model_name}:{thing.pk}"
