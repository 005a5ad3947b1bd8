"""Shadow rides that the programme proposes."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from shifts.models.booking import Booking
from shifts.models.run import Run
from volunteers.models import Person
from volunteers.models.person import new_nonce


class PairingQuerySet(models.QuerySet["Pairing"]):
    def open(self) -> PairingQuerySet:
        return self.filter(settled_at=None)


class Pairing(models.Model):
    """A proposed ride: a trainee beside a lead driver on a run that the lead drives. Nothing is fixed until
    both have agreed; then the trainee is seated and `booking` is their seat."""

    class Outcome(models.TextChoices):
        AGREED = "agreed", _("agreed")
        DECLINED = "declined", _("declined")
        WITHDRAWN = "withdrawn", _("no longer proposed")

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="pairings")
    trainee = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="pairings")
    lead = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="pairings_led")
    ride = models.CharField(max_length=7, choices=Booking.Ride, default=Booking.Ride.ALONG)
    nonce = models.CharField(max_length=32, default=new_nonce, editable=False)
    proposed_at = models.DateTimeField()
    proposed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    lead_agreed_at = models.DateTimeField(null=True, blank=True)
    trainee_agreed_at = models.DateTimeField(null=True, blank=True)
    outcome = models.CharField(max_length=9, choices=Outcome, blank=True)
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    why = models.CharField(max_length=200, blank=True)  # of a refusal or withdrawal, for the coordinator
    declined_by = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    booking = models.OneToOneField(Booking, null=True, on_delete=models.PROTECT, related_name="pairing")

    objects = PairingQuerySet.as_manager()

    class Meta:
        ordering = ["-proposed_at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                name="pairing_one_open_a_run", fields=["run"], condition=Q(settled_at=None)
            ),
            models.UniqueConstraint(
                name="pairing_one_open_a_trainee", fields=["trainee"], condition=Q(settled_at=None)
            ),
            models.CheckConstraint(name="pairing_of_two_people", condition=~Q(trainee=F("lead"))),
            models.CheckConstraint(
                name="pairing_settled_says_how",
                condition=Q(settled_at=None, outcome="") | Q(settled_at__isnull=False) & ~Q(outcome=""),
            ),
            models.CheckConstraint(
                name="pairing_agreed_by_both",
                condition=Q(outcome="agreed", booking__isnull=False)
                & Q(lead_agreed_at__isnull=False, trainee_agreed_at__isnull=False)
                | ~Q(outcome="agreed") & Q(booking=None),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.trainee} with {self.lead}, {self.run}"
