"""Taking back what a coordinator noted of a phone call: the wrong line was tapped."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from shifts.models import Ask, Booking, Run
from shifts.seats import searches
from shifts.seats.booking import give_back, hold
from sites.log import record

NOTED = [Ask.Answer.YES, Ask.Answer.NO, Ask.Answer.NO_ANSWER]


@transaction.atomic
def take_back_call(ask: Ask, *, by: Any, at: datetime | None = None) -> bool:
    """What was noted of a call is as if it had not been; after a yes they are out of the run and told so,
    and the search that it ended goes on. False where there is nothing to take back: what stands there now
    was not noted by `by`, as where they have answered themselves; it was taken back; or the run is over."""
    at = at or timezone.now()
    hold(Run.objects.filter(searches__asks=ask.pk), also=[ask.person_id])
    ask = Ask.objects.select_related("search__run", "person", "booking").get(pk=ask.pk)
    if ask.answer not in NOTED or ask.search.run.ends_at <= at:
        return False
    if ask.answered_by_id is None or ask.answered_by_id != by.pk:
        return False
    before = {"answer": ask.answer}
    if ask.booking and ask.booking.is_live:
        give_back(ask.booking, by=by, end=Booking.End.TAKEN_OUT, at=at)
        searches.go_on(ask.search, by=by, at=at)
    if ask.wave == 0 or ask.search.ended_at:
        searches.settle(ask, Ask.Answer.CLOSED, by=by, at=at)
    else:  # they have a mail that they can still answer
        searches.reopen(ask)
    record(verb="call taken back", subject=ask.search.run, person=ask.person, by=by, at=at, before=before)
    return True
