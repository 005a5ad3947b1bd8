"""Writes to sites: what changes, what is recorded, what stays."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError

from sites.changes import (
    add_site,
    change_programme,
    change_site,
    close_site,
    lift_closure,
    set_contacts,
    write_door_notes,
)
from sites.models import Closure, DoorNotes, Event, Programme, Site
from tests.factories import SiteFactory, coordinator

AT = datetime(2027, 5, 3, 15, tzinfo=UTC)
DAY = date(2027, 5, 10)
TEO = {"name": "Teo", "role": "receiving", "phone": "+15555550171"}
pytestmark = pytest.mark.django_db


def verbs(thing):
    return [event.verb for event in Event.objects.about(thing)]


class TestProgramme:
    def test_there_is_one_and_it_is_made_when_asked_for(self):
        assert Programme.current() == Programme.current()
        assert Programme.objects.count() == 1

    def test_a_change_records_what_it_was(self):
        change_programme(by=None, name="Fernhollow Food Run", town_mph=24)
        event = Event.objects.about(Programme.current()).get()
        assert (event.before, event.after) == ({"name": "Food rescue"}, {"name": "Fernhollow Food Run"})

    @pytest.mark.parametrize(("zone", "known"), [("America/Chicago", True), ("Chicago", False), ("", False)])
    def test_its_time_zone_is_one_of_the_tz_database(self, zone, known):
        programme = Programme(name="Food run", time_zone=zone)
        if known:
            programme.clean_fields()
        else:
            with pytest.raises(ValidationError) as refusal:
                programme.clean_fields()
            assert list(refusal.value.message_dict) == ["time_zone"]


class TestSites:
    def test_added_by_whom(self):
        cora = coordinator()
        site = add_site(by=cora.user, name="Market", gives=True)
        event = Event.objects.about(site).get()
        assert (event.verb, event.by, event.after) == ("added", cora.user, {"name": "Market", "gives": True})

    def test_changed_only_where_it_differs(self):
        site = SiteFactory(name="Market", street="1 Old Street")
        assert change_site(site, by=None, name="Market", street="2 New Street").street == "2 New Street"
        change_site(site, by=None, street="2 New Street")
        event = Event.objects.about(site).get()
        assert (event.before, event.after) == ({"street": "1 Old Street"}, {"street": "2 New Street"})

    def test_a_change_made_meanwhile_is_kept(self):
        """The row is read anew: an old copy in hand does not write its other fields back."""
        stale = SiteFactory(name="Market")
        change_site(Site.objects.get(pk=stale.pk), by=None, name="Grand Market")
        changed = change_site(stale, by=None, town="Elmford")
        assert (changed.name, changed.town) == ("Grand Market", "Elmford")

    def test_those_no_longer_used_are_not_offered(self):
        old = SiteFactory()
        change_site(old, by=None, ended_on=DAY)
        kept = SiteFactory()
        assert list(Site.objects.in_use()) == [kept]


class TestContacts:
    def test_they_are_replaced_and_recorded_with_phones(self):
        site = SiteFactory()
        set_contacts(site, [TEO], by=None)
        set_contacts(site, [TEO | {"phone": "+15555550172"}, {"name": "Una"}], by=None)
        assert [contact.name for contact in site.contacts.all()] == ["Teo", "Una"]
        event = Event.objects.about(site).first()
        assert event.before == {"contacts": ["Teo, receiving, (555) 555-0171"]}
        assert event.after == {"contacts": ["Teo, receiving, (555) 555-0172", "Una"]}

    def test_the_same_again_is_no_change(self):
        site = SiteFactory()
        set_contacts(site, [TEO], by=None)
        before = list(site.contacts.values_list("pk", flat=True))
        set_contacts(site, [TEO], by=None)
        assert list(site.contacts.values_list("pk", flat=True)) == before
        assert verbs(site) == ["contacts changed"]


class TestDoorNotes:
    def test_a_change_is_a_new_revision_and_the_old_one_stays(self):
        site, cora = SiteFactory(), coordinator()
        write_door_notes(site, {"entrance": "Blue door."}, by=cora.user, at=AT)
        notes = write_door_notes(site, {"entrance": "Green door."}, by=cora.user, at=AT)
        assert (notes.revision, notes.written_by, notes.written_at) == (2, cora.user, AT)
        assert site.door_notes() == notes
        assert list(site.notes.values_list("entrance", flat=True)) == ["Green door.", "Blue door."]

    def test_the_same_words_are_no_revision(self):
        site = SiteFactory()
        first = write_door_notes(site, {"entrance": "Blue door.", "parking": ""}, by=None)
        assert write_door_notes(site, {"entrance": "Blue door."}, by=None) == first
        assert verbs(site) == ["door notes written"]

    def test_a_part_left_out_is_emptied(self):
        site = SiteFactory()
        write_door_notes(site, {"entrance": "Blue door.", "parking": "Bay 2."}, by=None)
        assert write_door_notes(site, {"entrance": "Blue door."}, by=None).parking == ""

    def test_each_site_counts_its_own(self):
        assert [write_door_notes(SiteFactory(), {"carts": "Two."}, by=None).revision for _ in range(2)] == [
            1,
            1,
        ]

    def test_paragraphs_come_in_the_order_of_arriving(self):
        notes = DoorNotes(leave_cart="By the gate.", approach="From the north.")
        assert notes.paragraphs() == [
            ("how to drive up", "From the north."),
            ("where to leave the cart", "By the gate."),
        ]

    def test_before_any_there_are_none(self):
        assert SiteFactory().door_notes() is None


class TestClosures:
    @pytest.mark.parametrize(("day", "closed"), [(-1, False), (0, True), (2, True), (3, False)])
    def test_both_ends_are_closed(self, day, closed):
        close_site(SiteFactory(), first=DAY, last=DAY + timedelta(days=2), by=None)
        assert Closure.objects.on(DAY + timedelta(days=day)).exists() == closed

    def test_lifted_it_holds_no_more_and_stays_readable(self):
        site = SiteFactory()
        closure = close_site(site, first=DAY, last=DAY, reason="Floor repair", by=None)
        lift_closure(closure, by=None, at=AT)
        assert not Closure.objects.on(DAY).exists()
        closure.refresh_from_db()
        assert closure.lifted_at == AT
        assert verbs(site) == ["closure lifted", "closed"]

    def test_lifting_twice_changes_nothing(self):
        site = SiteFactory()
        closure = close_site(site, first=DAY, last=DAY, by=None)
        lift_closure(closure, by=None, at=AT)
        lift_closure(closure, by=None, at=AT + timedelta(days=1))
        closure.refresh_from_db()
        assert (closure.lifted_at, verbs(site)) == (AT, ["closure lifted", "closed"])
