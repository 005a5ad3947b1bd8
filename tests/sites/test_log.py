"""The event log: written once, in the transaction of what it tells, as JSON that can be read later."""

import json
from datetime import UTC, date, datetime, time
from decimal import Decimal

import pytest
from django.db import transaction
from django.utils.translation import gettext_lazy

from sites.log import changes, plain, record
from sites.models import Event, Site
from tests.factories import PersonFactory, SiteFactory, coordinator

AT = datetime(2027, 5, 3, 15, tzinfo=UTC)


class TestPlain:
    @pytest.mark.parametrize(
        ("value", "expected"),
        [
            (None, None),
            (True, True),
            (3, 3),
            (2.5, 2.5),
            ("Market", "Market"),
            (AT, "2027-05-03T15:00:00Z"),
            (date(2027, 5, 3), "2027-05-03"),
            (time(8, 30), "08:30:00"),
            (Decimal("1.50"), "1.50"),
            (gettext_lazy("Drive"), "Drive"),
            (["a", date(2027, 5, 3)], ["a", "2027-05-03"]),
            ((("a", 1),), [["a", 1]]),
            ({"at": {"day": date(2027, 5, 3)}}, {"at": {"day": "2027-05-03"}}),
            (Site(name="Market"), "Market"),
        ],
    )
    def test_as_json_can_hold_it(self, value, expected):
        assert plain(value) == expected
        assert json.loads(json.dumps(plain(value))) == expected


def test_changes_are_the_fields_that_differ():
    site = Site(name="Market", town="Fernhollow", gives=True)
    assert changes(site, {"name": "Grand Market", "town": "Fernhollow", "gives": False}) == (
        {"name": "Market", "gives": True},
        {"name": "Grand Market", "gives": False},
    )


@pytest.mark.django_db
class TestRecording:
    def test_who_what_when_about_whom(self):
        cora, ina, site = coordinator(), PersonFactory(), SiteFactory()
        event = record(
            verb="changed", subject=site, person=ina, by=cora.user, at=AT, before={"day": AT.date()}, after={}
        )
        event.refresh_from_db()
        assert (event.verb, event.subject, event.person_id) == ("changed", f"site:{site.pk}", ina.pk)
        assert (event.by, event.at, event.before, event.after) == (cora.user, AT, {"day": "2027-05-03"}, {})

    def test_what_the_worker_does_has_nobody(self):
        assert record(verb="made", subject=SiteFactory(), by=None).by is None

    def test_newest_first_and_only_about_the_thing(self):
        site, other = SiteFactory(), SiteFactory()
        for verb, subject in (("added", site), ("added", other), ("changed", site)):
            record(verb=verb, subject=subject, by=None, at=AT)
        assert [event.verb for event in Event.objects.about(site)] == ["changed", "added"]

    def test_things_of_two_kinds_with_one_number_are_two_things(self):
        site = SiteFactory()
        person = PersonFactory(pk=site.pk)
        record(verb="added", subject=person, by=None)
        assert not Event.objects.about(site).exists()

    def test_it_goes_when_its_fact_goes(self):
        site = SiteFactory()
        with transaction.atomic():
            record(verb="changed", subject=site, by=None)
            transaction.set_rollback(True)
        assert not Event.objects.exists()

    def test_written_once_never_changed_never_deleted(self):
        event = record(verb="added", subject=SiteFactory(), by=None)
        event.verb = "never happened"
        with pytest.raises(TypeError, match="once"):
            event.save()
        with pytest.raises(TypeError, match="never deleted"):
            event.delete()
        with pytest.raises(TypeError, match="once"):
            Event.objects.update(verb="never happened")
        with pytest.raises(TypeError, match="never deleted"):
            Event.objects.all().delete()
        assert Event.objects.get().verb == "added"
