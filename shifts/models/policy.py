from __future__ import annotations

from datetime import datetime, time, timedelta

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext, gettext_noop

# What a lead driver looks for on a shadow ride, while the programme names no points of its own. Common
# practice, no published source.
POINTS = [
    gettext_noop("Straps crates so that nothing slides"),
    gettext_noop("Checks the temperature of cold food"),
    gettext_noop("Lifts with the legs, and asks for help with heavy boxes"),
    gettext_noop("Knows the doors, and whom to ask for"),
    gettext_noop("Leaves the phone alone while driving"),
    gettext_noop("Fills in the record at the end"),
]


class Policy(models.Model):
    """The programme's schedule numbers. Common practice, no published source; each can be changed."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1, editable=False)
    weeks_ahead = models.PositiveSmallIntegerField(
        "weeks of runs made ahead", default=8, validators=[MinValueValidator(1), MaxValueValidator(53)]
    )
    weeks_shown = models.PositiveSmallIntegerField(
        "weeks of runs that volunteers can book",
        default=8,
        validators=[MinValueValidator(1), MaxValueValidator(53)],
    )
    soon_days = models.PositiveSmallIntegerField("a run without a driver is soon from (days)", default=7)
    urgent_hours = models.PositiveSmallIntegerField("urgent from (hours)", default=48)
    now_hours = models.PositiveSmallIntegerField("now from (hours)", default=12)
    between_minutes = models.PositiveSmallIntegerField(
        "minutes between two runs of a person, beside the drive", default=15
    )
    load_minutes = models.PositiveSmallIntegerField(
        "minutes for loading at a pickup, where the weekly run does not say", default=20
    )
    short_notice_hours = models.PositiveSmallIntegerField(
        "giving back is short notice from (hours)", default=48
    )
    keep_days = models.PositiveSmallIntegerField(
        "days before a run until which it is kept for its regular driver who is not ready", default=4
    )
    newcomer_percent = models.PositiveSmallIntegerField(
        "weekly runs kept free of regular drivers, for newcomers (percent)",
        default=0,
        validators=[MaxValueValidator(100)],
    )
    hello_days = models.PositiveSmallIntegerField("days until a hello to a newcomer is late", default=2)
    ride_days = models.PositiveSmallIntegerField("days until a wait for a shadow ride is long", default=7)
    stuck_days = models.PositiveSmallIntegerField("days until any other wait is long", default=14)
    lead_after_runs = models.PositiveSmallIntegerField(
        "runs alone after which somebody is suggested as a lead driver", default=10
    )
    lead_within_months = models.PositiveSmallIntegerField("months within which these runs count", default=6)
    refresher_months = models.PositiveSmallIntegerField(
        "months without a run after which the briefing is read again", default=6
    )
    ride_again_months = models.PositiveSmallIntegerField(
        "months without a run after which a shadow ride is due again", default=12
    )
    reminder_days = models.CharField(
        "days before a paper runs out on which its holder is reminded", max_length=40, default="21, 7, 1"
    )
    checklist = models.TextField("what a lead driver ticks at the sign-off, a line each", blank=True)
    photos_on = models.BooleanField("volunteers may send photographs of papers", default=False)
    asks_on = models.BooleanField("ask around by mail when a run is given back", default=True)
    ask_after_minutes = models.PositiveSmallIntegerField(
        "minutes after a give-back until the first group is asked", default=15
    )
    ask_chance_percent = models.PositiveSmallIntegerField(
        "a group is as large as makes a yes this likely (percent)",
        default=80,
        validators=[MinValueValidator(1), MaxValueValidator(99)],
    )
    ask_fewest = models.PositiveSmallIntegerField("fewest people in a group", default=3)
    ask_most = models.PositiveSmallIntegerField("most people in a group", default=8)
    quiet_from = models.TimeField("quiet hours begin", default=time(21, 0))
    quiet_until = models.TimeField("quiet hours end", default=time(8, 0))
    early_from = models.TimeField("and, for those who allow it, end already", default=time(6, 0))
    requests_a_week = models.PositiveSmallIntegerField("requests to a person a week", default=2)
    urgent_requests_a_week = models.PositiveSmallIntegerField("and urgent ones beside them", default=1)
    reminder_at = models.TimeField("reminder on the eve of a run", default=time(17, 0))
    confirm_hours = models.PositiveSmallIntegerField(
        "hours before a run, they are asked to confirm", default=48
    )
    silent_at = models.TimeField("silence on the eve needs attention from", default=time(19, 0))
    digest_at = models.TimeField("digest for the next day", default=time(16, 0))
    morning_at = models.TimeField("and in the morning, where something changed", default=time(6, 0))
    talk_days = models.PositiveSmallIntegerField(
        "days within which not coming a second time suggests a talk", default=60
    )

    class Meta:
        constraints = [
            models.CheckConstraint(name="one_policy", condition=Q(id=1)),
            models.CheckConstraint(
                name="policy_shows_what_is_made",
                condition=Q(weeks_shown__lte=F("weeks_ahead")),
                violation_error_message="Volunteers cannot book further ahead than runs are made.",
            ),
            models.CheckConstraint(
                name="policy_groups_in_order",
                condition=Q(ask_fewest__gte=1, ask_fewest__lte=F("ask_most")),
                violation_error_message="A group's fewest people are more than its most.",
            ),
            models.CheckConstraint(
                name="policy_levels_in_order",
                condition=Q(now_hours__lte=F("urgent_hours")),
                violation_error_message="“Now” must begin later than “urgent”: give it fewer hours.",
            ),
        ]

    def __str__(self) -> str:
        return "schedule numbers"

    @classmethod
    def current(cls) -> Policy:
        """The policy; made with its defaults when nobody has saved one yet."""
        return cls.objects.filter(pk=1).first() or cls.objects.get_or_create(pk=1)[0]

    def opens_until(self, at: datetime) -> datetime:
        """The moment up to which runs are open to volunteers."""
        return at + timedelta(weeks=self.weeks_shown)

    def reminders(self) -> list[int]:
        """Days before a paper runs out on which its holder is reminded, the most first."""
        return sorted({int(part) for part in self.reminder_days.split(",") if part.strip()}, reverse=True)

    def points(self) -> list[str]:
        """What a lead driver ticks at a sign-off: the programme's own lines as they were written, else the
        shipped ones in the reader's language."""
        own = [line.strip() for line in self.checklist.splitlines() if line.strip()]
        return own or [gettext(point) for point in POINTS]
