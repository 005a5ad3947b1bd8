"""The steps that an installation begins with: they serve on the first day and can be changed."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db import connection
from django.utils.translation import gettext_noop

from volunteers.models import Step, StepTerm

ALWAYS = date(2000, 1, 1)  # the shipped steps hold for every run, however old

# kind, code, title, how to get it, months it lasts (None: its own date, or for good), times.
# Months and times: common practice, no published source.
SHIPPED = [
    (
        "briefing",
        "briefing",
        gettext_noop("Driver briefing"),
        gettext_noop("Read it on the orientation page; it takes about ten minutes."),
        24,
        1,
    ),
    (
        "paper",
        "license",
        gettext_noop("Driver's license"),
        gettext_noop("Show it to the coordinator, or text them a picture; they note the date it runs out."),
        None,
        1,
    ),
    (
        "paper",
        "insurance",
        gettext_noop("Car insurance card"),
        gettext_noop("Show it to the coordinator, or text them a picture; they note the date it runs out."),
        None,
        1,
    ),
    (
        "form",
        "form",
        gettext_noop("Volunteer agreement, signed"),
        gettext_noop("The coordinator has the form; sign it once."),
        None,
        1,
    ),
    (
        "kit",
        "kit",
        gettext_noop("Starter kit"),
        gettext_noop("The coordinator hands it to you: vest, gloves, thermometer, cooler bag, strap."),
        None,
        1,
    ),
    (
        "ride",
        "ride",
        gettext_noop("Shadow ride"),
        gettext_noop("Take the second seat of a run that a lead driver drives; they sign you off."),
        None,
        1,
    ),
]


def ship(**kwargs: Any) -> None:
    """Makes the shipped steps in an empty installation. Runs after each migrate; leaves others alone."""
    if Step._meta.db_table not in connection.introspection.table_names() or Step.objects.exists():
        return
    for position, (kind, code, title, how, months, times) in enumerate(SHIPPED, start=1):
        step = Step.objects.create(kind=kind, code=code, title=title, how=how, position=position * 10)
        StepTerm.objects.create(step=step, applies_from=ALWAYS, lasts_months=months, times=times)
