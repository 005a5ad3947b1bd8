"""On the way in and beside the road: asking to join, kits, photographs of papers, briefings' own words."""

from __future__ import annotations

from collections.abc import Iterable

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import OuterRef, Q, QuerySet
from django.utils.translation import gettext_lazy as _

from sites.models import Site
from volunteers.models.person import Person
from volunteers.models.steps import Step


class JoinQuerySet(models.QuerySet["Join"]):
    def open(self) -> JoinQuerySet:
        """Those that wait for a coordinator or for their own answer, oldest first."""
        return self.filter(settled_at=None, person__left_on=None).order_by("asked_at", "pk")

    def with_people(self) -> JoinQuerySet:
        """Fetches what they said of themselves, in three queries for any number."""
        return self.select_related("person", "settled_by").prefetch_related("person__hours", "person__cars")


class Join(models.Model):
    """Somebody asks to join. What they said of themselves is on the person; this is the conversation."""

    class State(models.TextChoices):
        WAITING = "waiting", _("waits for a coordinator")
        ASKED_BACK = "asked back", _("was asked something")
        ACCEPTED = "accepted", _("taken in")
        DECLINED = "declined", _("declined")

    person = models.OneToOneField(Person, on_delete=models.CASCADE, related_name="join")
    asked_at = models.DateTimeField()
    note = models.TextField(blank=True)  # what they wrote of themselves
    state = models.CharField(max_length=10, choices=State, default=State.WAITING)
    question = models.TextField(blank=True)  # what a coordinator asked back
    reply = models.TextField(blank=True)  # what they answered
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )

    objects = JoinQuerySet.as_manager()

    class Meta:
        ordering = ["-asked_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                name="join_settled_says_when",
                condition=Q(settled_at=None, state__in=["waiting", "asked back"])
                | Q(settled_at__isnull=False, state__in=["accepted", "declined"]),
            ),
            models.CheckConstraint(
                name="join_asked_back_says_what", condition=~Q(state="asked back") | ~Q(question="")
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.state}"


class NotAtQuerySet(models.QuerySet["NotAt"]):
    def live(self) -> NotAtQuerySet:
        return self.filter(ended_at=None)

    def barring(self, *, person: int | OuterRef, sites: Iterable[int] | QuerySet) -> NotAtQuerySet:
        """What keeps a person from these sites, in either seat. As with the gate, each argument is a value
        or a reference to an outer row."""
        return self.live().filter(person=person, site__in=sites)


class NotAt(models.Model):
    """A person is not to be sent to a site, in either seat, until it ends. Why is the coordinator's alone."""

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="not_at")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="not_these")
    reason = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = NotAtQuerySet.as_manager()

    class Meta:
        ordering = ["site__name", "pk"]
        constraints = [
            models.UniqueConstraint(
                name="not_at_once_a_site", fields=["person", "site"], condition=Q(ended_at=None)
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person} not at {self.site}"


class KitMoveQuerySet(models.QuerySet["KitMove"]):
    def standing(self) -> KitMoveQuerySet:
        """Those that nobody took back."""
        return self.filter(undone_at=None)


class KitMove(models.Model):
    """A change of the stock of starter kits. `number` kits came to the shelf (or left it, below zero);
    handed over and returned are one kit, and name whose. One that was noted by mistake is undone."""

    class Kind(models.TextChoices):
        COUNTED = "counted", "shelf counted"
        BOUGHT = "bought", "bought or made up"
        HANDED = "handed", "handed over"
        RETURNED = "returned", "returned"
        LOST = "lost", "not coming back"

    kind = models.CharField(max_length=8, choices=Kind)
    number = models.SmallIntegerField(validators=[MinValueValidator(-999), MaxValueValidator(999)])
    person = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT, related_name="kits")
    note = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )

    objects = KitMoveQuerySet.as_manager()

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.CheckConstraint(
                name="kit_move_names_who_has_it",
                condition=Q(kind__in=["counted", "bought"], person=None)
                | Q(kind__in=["handed", "returned", "lost"], person__isnull=False),
            ),
            models.CheckConstraint(
                name="kit_move_number_fits_its_kind",
                condition=Q(kind="counted")
                | Q(kind="bought", number__gt=0)
                | Q(kind="handed", number=-1)
                | Q(kind="returned", number=1)
                | Q(kind="lost", number=0),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.number}"


class PaperPhoto(models.Model):
    """A photograph of a paper, encoded anew without metadata; deleted once a coordinator has confirmed."""

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="photos")
    step = models.ForeignKey(Step, on_delete=models.CASCADE, related_name="photos")
    image = models.BinaryField()  # JPEG
    said_until = models.DateField(null=True, blank=True)  # the date on it, as the volunteer typed it
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "pk"]
        constraints = [
            models.UniqueConstraint(name="paper_photo_one_at_a_time", fields=["person", "step"]),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.step}"


class BriefingText(models.Model):
    """A revision of a briefing in the programme's own words. Of the shipped briefing it stands before the
    shipped text, which goes on; any other briefing has no text but this. `questions` is a list of objects
    with `ask`, `answers` (the first is right) and `because`."""

    step = models.ForeignKey(Step, on_delete=models.CASCADE, related_name="texts")
    revision = models.PositiveIntegerField()
    text = models.TextField(blank=True)
    questions = models.JSONField(default=list, blank=True)
    written_at = models.DateTimeField()
    written_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-revision"]
        constraints = [
            models.UniqueConstraint(name="briefing_text_revision_once", fields=["step", "revision"]),
        ]

    def __str__(self) -> str:
        return f"{self.step}, text {self.revision}"


class HelpHoursQuerySet(models.QuerySet["HelpHours"]):
    def live(self) -> HelpHoursQuerySet:
        return self.filter(ended_at=None)


class HelpHours(models.Model):
    """Time somebody gave beside driving, such as sorting or office work, noted by hand. Whole minutes."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="help_hours")
    day = models.DateField()
    minutes = models.PositiveSmallIntegerField(validators=[MinValueValidator(1), MaxValueValidator(1440)])
    what = models.CharField(max_length=120, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True, blank=True)  # taken back

    objects = HelpHoursQuerySet.as_manager()

    class Meta:
        ordering = ["-day", "-pk"]
        constraints = [
            models.CheckConstraint(
                name="help_hours_within_a_day", condition=Q(minutes__gte=1, minutes__lte=1440)
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}, {self.day}"
