"""Between the programme's wall clock and UTC. Everything stored is UTC; everything agreed is local."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo


def instant(day: date, at: time, zone: ZoneInfo) -> datetime:
    """The moment, in UTC, at which the clocks of `zone` show `at` on `day`.

    Where the clocks change, RFC 5545 3.3.5 answers: a time that is skipped is read with the offset
    before the gap (02:30 becomes the moment that is then called 03:30), a time that comes twice
    means its first occurrence. A zone or a fold that `at` may carry is ignored.
    """
    # fold=0 is exactly that reading, for the gap as well (PEP 495).
    return datetime.combine(day, at.replace(fold=0), tzinfo=zone).astimezone(UTC)


def local_date(moment: datetime, zone: ZoneInfo) -> date:
    """The date the calendar on the wall in `zone` shows at an aware `moment`.

    Raises ValueError for a naive moment, which would be read in the zone of this machine.
    """
    if moment.tzinfo is None:
        raise ValueError("local_date() needs a moment with a time zone.")
    return moment.astimezone(zone).date()


def day_bounds(first: date, last: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """The whole local days from `first` to `last`, as UTC moments: from the first up to, not including,
    the second. Days of 23 or 25 hours are as long as they are."""
    return instant(first, time.min, zone), instant(last + timedelta(days=1), time.min, zone)


def readings(day: date, at: time, zone: ZoneInfo) -> list[datetime]:
    """The moments, in UTC, at which the clocks of `zone` really show `at` on `day`: one as a rule, none
    where that time is skipped, two where it comes twice. For times that somebody types and means."""
    shown = datetime.combine(day, at.replace(tzinfo=None, fold=0))
    moments = {shown.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return sorted(m for m in moments if m.astimezone(zone).replace(tzinfo=None) == shown)
