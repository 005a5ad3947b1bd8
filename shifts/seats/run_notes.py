"""A coordinator's note on a run: whoever sits in it is told, each text once."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from shifts.calendar import entries
from shifts.models import Booking, Run
from shifts.seats.booking import hold
from shifts.seats.notices import in_words_of, line_of_run
from sites.log import record
from volunteers import outbox
from volunteers.models import Message, Person

KIND = "note"


@transaction.atomic
def write_note(run: Run, note: str, *, by: Any, at: datetime | None = None) -> list[Person]:
    """The note that everybody on the run sees, on its page and in the calendars that follow their feed.
    Returns who is told now: everybody in it but whoever wrote it, while the run is not over; the same text
    never twice in a row."""
    at = at or timezone.now()
    (run,) = hold(Run.objects.filter(pk=run.pk))
    before, run.note = run.note, note.strip()[:300]
    if run.note == before:
        return []
    run.save(update_fields=["note"])
    record(verb="noted", subject=run, by=by, at=at, before={"note": before}, after={"note": run.note})
    entries.note_change(entries.of_runs(Run.objects.filter(pk=run.pk)), at=at)
    if run.is_cancelled or run.ends_at <= at:
        return []
    seated = run.bookings.live().select_related("person")
    others = seated.exclude(person__user=by) if by else seated
    return [booking.person for booking in others if tell(booking, run, at=at)]


def tell(booking: Booking, run: Run, *, at: datetime) -> bool:
    """Tells one of them what the note says now, unless it is what they were told last. What they were not
    told yet is replaced."""
    person = booking.person
    earlier = Message.objects.filter(kind=KIND, key__startswith=f"note:{booking.pk}:").defer("raw")
    for message in earlier:
        outbox.take_back(message.key, at=at)
    last = earlier.exclude(state=Message.State.REPLACED).order_by("-pk").first()
    with in_words_of(person) as programme:
        lines = [run.note] if run.note else [_("The note on this run holds no longer.")]
        words = {"run": line_of_run(run)}
        context = {
            "headline": _("A note on your run: %(run)s") % words,
            "lines": lines,
            "link": settings.BASE_URL + reverse("run", args=[run.pk]),
            "where": "run",
            "programme": programme,
        }
        mail = outbox.render("news", context)
        if (last is None and not run.note) or (last is not None and last.text == mail.text):
            return False
        outbox.owe(
            person=person,
            mail=mail,
            kind=KIND,
            key=f"note:{booking.pk}:{at.timestamp()}",
            at=at,
            programme=programme,
        )
    return True
