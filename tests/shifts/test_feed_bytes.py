"""The same data gives the same bytes on every machine: a feed beside one that was written elsewhere."""

from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest

from shifts.calendar import feed as feeds
from shifts.calendar.entries import open_entry
from shifts.calendar.series import for_calendars, series_of
from shifts.models import CalendarEntry, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats.booking import seat
from shifts.seats.consequences import publish_door_notes, set_contacts
from sites.models import Programme
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, make_ready, make_run
from volunteers.models import Person

AT = datetime(2026, 10, 1, 12, 0, 0, 123456, tzinfo=UTC)
SAMPLE = Path(__file__).parent / f"feed_form_{feeds.FORM}.ics"


@pytest.mark.django_db
def test_as_written_before(settings, tmp_path):
    """Whoever changes what a feed looks like raises FORM in shifts/calendar/feed.py, or programs that have
    the old bytes would never hear of the new ones, and keeps a new sample."""
    settings.SECRET_KEY, settings.BASE_URL = "for this test alone", "https://runs.example.org"
    settings.DEFAULT_FROM_EMAIL = "runs@example.org"
    body = feeds.feed(sample_person(), at=AT).body
    written = tmp_path / SAMPLE.name
    written.write_bytes(body)
    assert SAMPLE.exists(), f"there is no sample of this form yet; if it is right, keep {written} as {SAMPLE}"
    assert body == SAMPLE.read_bytes(), (
        f"other bytes than in {SAMPLE}: raise FORM; the new ones are {written}"
    )


def sample_person():
    """A single run with contacts and door notes, and a regular run with a date left out: every key that
    shows is fixed."""
    market = SiteFactory(
        pk=71, name="Market, north door", street="1 Elm Street", latitude=40.5, longitude=-83
    )
    kitchen = DropOffFactory(pk=72, name="Kitchen; upstairs", street="2 Oak Street")
    set_contacts(market, [{"name": "Dee", "role": "dock", "phone": "+15555550123"}], by=None, at=AT)
    publish_door_notes(market, {"entrance": "The green door.\r\nRing twice, é."}, by=None, at=AT)
    person = make_ready(PersonFactory(pk=9001, name="Ana Aster", feed_nonce="sample"))
    run = make_run(pk=9001, starts_at=datetime(2026, 10, 8, 12, 0, tzinfo=UTC), sites=[market, kitchen])
    seat(run=run, person=person, seat="driver", by=None, at=AT)
    begin_regular(person)
    for number, entry in enumerate(CalendarEntry.objects.filter(person=person).order_by("pk")):
        CalendarEntry.objects.filter(pk=entry.pk).update(uid=f"sample-{number}@example.org")
    return Person.objects.get(pk=person.pk)


def begin_regular(person):
    """Beyond the runs that are made, so that it is the rule alone that shows."""
    first = date(2027, 3, 2)
    plan = Plan(rule="FREQ=WEEKLY;BYDAY=TU", starts=time(8), minutes=60, stops=((71, 0), (72, 30)))
    shift = add_shift(name="Tuesdays", plan=plan, from_day=first, by=None, at=AT)
    mine = Standing.objects.create(
        pk=9001, shift=shift, person=person, from_day=first, anchor=first, made_at=AT
    )
    mine.skips.create(first=date(2027, 3, 16), last=date(2027, 3, 16), at=AT)
    series = series_of(for_calendars(Standing.objects.filter(pk=mine.pk)).get(), Programme.current().zone)
    open_entry(series, at=AT)
