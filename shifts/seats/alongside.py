"""Also along: who else sits in the driver's car, as names and a count on the driver's booking.

Sites see the count alone. There is no gate here: the cautions stand where it is noted, and the driver, the
coordinator and the insurer answer for them.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from shifts.models import Booking, Run
from sites.log import record
from volunteers.progress import NotPossible

MOST = 6  # Booking.also_count


@transaction.atomic
def note_also(booking: Booking, *, names: str, count: int, by: Any, at: datetime | None = None) -> Booking:
    """Notes who else is along; no names and nobody counted takes the note away. Of a driver's seat until the
    run is over. Raises NotPossible with a sentence."""
    at = at or timezone.now()
    run = Run.objects.locked().get(pk=booking.run_id)
    booking = Booking.objects.select_related("person").get(pk=booking.pk)
    if not booking.is_live or booking.seat != Booking.Seat.DRIVER:
        raise NotPossible(_("Only whoever drives the run takes somebody along."))
    if run.ends_at <= at:
        raise NotPossible(_("This run is over."))
    names = " ".join(names.split())[:120]
    if bool(names) != bool(count) or not 0 <= count <= MOST:
        raise NotPossible(_("Say who else is in the car, and how many they are."))
    if (booking.also, booking.also_count) == (names, count):
        return booking
    before = {"names": booking.also, "count": booking.also_count}
    booking.also, booking.also_count = names, count
    booking.save(update_fields=["also", "also_count"])
    record(
        verb="also along",
        subject=run,
        person=booking.person,
        by=by,
        at=at,
        before=before,
        after={"names": names, "count": count},
    )
    return booking
