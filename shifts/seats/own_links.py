"""The private links to one's own seat that mails carry: to say a word on it, and to its run sheet."""

from __future__ import annotations

from datetime import date

from django.conf import settings
from django.urls import reverse

from shifts.models import Booking
from shifts.schedule.clock import local_date
from sites.models import Programme
from volunteers import links

WORD, SHEET = "confirm", "sheet"  # the purposes of the two


def word_path(booking: Booking) -> str:
    """Where they say that they will be there, or that they cannot make it. It has no nonce: once the booking
    has ended, all there is to say is that they can make it after all, where they gave it back."""
    return reverse("confirm", args=[links.token(WORD, booking, "")])


def word_link(booking: Booking) -> str:
    return settings.BASE_URL + word_path(booking)


def sheet_link(booking: Booking, programme: Programme) -> str:
    """Their run sheet without signing in, until midnight after the run as it stands now."""
    day = local_date(booking.run.ends_at, programme.zone)
    return settings.BASE_URL + reverse("sheet_by_link", args=[links.day_token(SHEET, booking, day)])


def found_by_word(token: str) -> Booking | None:
    """Whose link this is, also where the booking has ended; None for a wrong one."""
    booking = booking_in(token)
    return booking if booking and links.is_valid(token, WORD, booking, "") else None


def found_by_sheet(token: str) -> tuple[Booking, date] | None:
    """Whose link this is, and the day until which it was made, which may be over."""
    booking = booking_in(token)
    day = links.day_in(token, SHEET, booking) if booking else None
    return (booking, day) if booking and day else None


def booking_in(token: str) -> Booking | None:
    """The booking that a token names, not yet checked; None for that of somebody who has left."""
    pk = links.row_number(token)
    if pk is None:
        return None
    return Booking.objects.select_related("run", "person").filter(pk=pk, person__left_on=None).first()
