"""Door notes as a step: read once, read again only where the coordinator says so, from a date."""

from datetime import UTC, date, datetime, timedelta

import pytest

from sites.models import DoorNotes
from tests.factories import PersonFactory, SiteFactory, ready_person
from volunteers import clearance
from volunteers.doors import follow_name, newest_revisions, publish, read, revisions_read
from volunteers.models import Completion, Step
from volunteers.progress import NotPossible

AT = datetime(2027, 5, 3, 15, tzinfo=UTC)
DAY = date(2027, 5, 3)
pytestmark = pytest.mark.django_db


@pytest.fixture
def dock():
    return SiteFactory(name="Brambleway Market")


@pytest.fixture
def ina():
    return PersonFactory(name="Ina Quell")


def write(site, text, **how):
    return publish(site, {"entrance": text}, by=None, at=AT, **how)


def must_read(person, site, days=0):
    terms = clearance.missing(person, on=DAY + timedelta(days=days), sites=[site.pk])
    return any(term.step.kind == "doors" for term in terms)


def terms(site):
    step = Step.objects.get(kind="doors", site=site)
    return list(step.terms.values_list("applies_from", "applies_until", "revision"))


def in_days(number):
    return DAY + timedelta(days=number)


class TestPublishing:
    def test_the_first_notes_make_a_step_from_today(self, dock, ina):
        assert not must_read(ina, dock)
        assert write(dock, "Blue door.").revision == 1
        assert (must_read(ina, dock, days=-1), must_read(ina, dock)) == (False, True)
        assert Step.objects.get(site=dock).title == "Door notes: Brambleway Market"

    def test_new_notes_are_a_new_revision_and_nobody_is_unseated(self, dock, ina):
        write(dock, "Blue door.")
        read(dock, person=ina, revision=1, by=None, at=AT)
        assert write(dock, "Green door.").revision == 2
        assert not must_read(ina, dock)
        assert dock.door_notes().entrance == "Green door."

    def test_those_who_drove_there_know_them_and_are_locked_by_key(self, dock):
        drivers = [ready_person(name=name) for name in ("Zoe Fern", "Ana Bell")]
        write(dock, "The blue door", drivers_know_it=True)
        known = Completion.objects.filter(step__kind="doors").order_by("pk")
        assert [one.person for one in known] == drivers

    def test_the_same_words_again_are_no_revision(self, dock):
        write(dock, "Blue door.")
        assert write(dock, "Blue door.").revision == 1
        assert DoorNotes.objects.count() == 1

    def test_to_be_read_again_from_a_date(self, dock, ina):
        write(dock, "Blue door.")
        read(dock, person=ina, revision=1, by=None, at=AT)
        write(dock, "Green door.", must_read_again=True, from_day=in_days(7))
        assert (must_read(ina, dock, days=6), must_read(ina, dock, days=7)) == (False, True)
        read(dock, person=ina, revision=2, by=None, at=AT)
        assert not must_read(ina, dock, days=7)

    def test_the_newer_satisfies_the_older(self, dock, ina):
        write(dock, "Blue door.")
        write(dock, "Green door.", must_read_again=True, from_day=in_days(7))
        read(dock, person=ina, revision=2, by=None, at=AT)
        assert not must_read(ina, dock)

    def test_on_the_day_the_step_began_it_is_raised_in_place(self, dock):
        write(dock, "Blue door.")
        write(dock, "Green door.", must_read_again=True)
        assert terms(dock) == [(DAY, None, 2)]

    def test_a_later_announcement_follows_an_earlier_one(self, dock):
        write(dock, "Blue door.")
        write(dock, "Green door.", must_read_again=True, from_day=in_days(7))
        write(dock, "Red door.", must_read_again=True, from_day=in_days(14))
        assert terms(dock) == [
            (DAY, in_days(7), 1),
            (in_days(7), in_days(14), 2),
            (in_days(14), None, 3),
        ]

    def test_an_earlier_date_overtakes_what_was_announced(self, dock, ina):
        write(dock, "Blue door.")
        read(dock, person=ina, revision=1, by=None, at=AT)
        write(dock, "Green door.", must_read_again=True, from_day=in_days(14))
        write(dock, "Red door.", must_read_again=True, from_day=in_days(7))
        assert terms(dock) == [(DAY, in_days(7), 1), (in_days(7), None, 3)]
        assert must_read(ina, dock, days=7)

    def test_the_same_revision_can_be_asked_for_earlier(self, dock):
        write(dock, "Blue door.")
        write(dock, "Green door.", must_read_again=True, from_day=in_days(14))
        write(dock, "Green door.", must_read_again=True, from_day=in_days(7))
        assert terms(dock) == [(DAY, in_days(7), 1), (in_days(7), None, 2)]

    def test_asked_for_twice_changes_nothing(self, dock):
        write(dock, "Blue door.")
        for _ in range(2):
            write(dock, "Green door.", must_read_again=True, from_day=in_days(7))
        assert terms(dock) == [(DAY, in_days(7), 1), (in_days(7), None, 2)]

    def test_the_step_follows_the_sites_name(self, dock):
        write(dock, "Blue door.")
        dock.name = "Grand Market"
        follow_name(dock)
        assert Step.objects.get(site=dock).title == "Door notes: Grand Market"


class TestReading:
    def test_it_is_recorded_once(self, dock, ina):
        write(dock, "Blue door.")
        assert read(dock, person=ina, revision=1, by=ina.user, at=AT).valid_from == DAY
        assert read(dock, person=ina, revision=1, by=ina.user, at=AT) is None
        assert Completion.objects.count() == 1

    def test_it_can_be_read_anew_when_it_has_run_out_or_was_taken_back(self, dock, ina):
        write(dock, "Blue door.")
        for change in ({"valid_until": in_days(-1)}, {"withdrawn_at": AT, "withdrawn_reason": "By mistake."}):
            read(dock, person=ina, revision=1, by=None, at=AT)
            Completion.objects.update(valid_from=in_days(-30), **change)
            assert must_read(ina, dock)
            assert read(dock, person=ina, revision=1, by=None, at=AT)
            assert not must_read(ina, dock)
            Completion.objects.all().delete()

    def test_a_site_without_door_notes_asks_for_nothing(self, dock, ina):
        assert read(dock, person=ina, revision=1, by=None, at=AT) is None

    def test_notes_that_were_never_written_cannot_be_read(self, dock, ina):
        """Otherwise one visit would count for every revision to come."""
        write(dock, "Blue door.")
        with pytest.raises(NotPossible, match="do not exist"):
            read(dock, person=ina, revision=2, by=None, at=AT)
        assert not Completion.objects.exists()


class TestWhoHasReadWhat:
    def test_the_newest_reading_of_each_person_at_each_site(self, dock, ina):
        other, bram = SiteFactory(), PersonFactory(name="Bram Oake")
        for site in (dock, other):
            write(site, "Blue door.")
        write(dock, "Green door.")
        for person, site, revision in ((ina, dock, 2), (ina, dock, 1), (bram, dock, 1), (bram, other, 1)):
            step = Step.objects.get(site=site)
            Completion.objects.create(
                step=step, person=person, revision=revision, valid_from=DAY, recorded_at=AT
            )
        sites = [dock.pk, other.pk]
        assert newest_revisions(sites) == {dock.pk: 2, other.pk: 1}
        found = revisions_read([ina.pk, bram.pk], sites, on=DAY)
        assert found == {(ina.pk, dock.pk): 2, (bram.pk, dock.pk): 1, (bram.pk, other.pk): 1}
        assert revisions_read([bram.pk], [other.pk], on=DAY) == {(bram.pk, other.pk): 1}

    def test_what_was_taken_back_or_ran_out_is_not_read(self, dock, ina):
        write(dock, "Blue door.")
        done = read(dock, person=ina, revision=1, by=None, at=AT)
        Completion.objects.filter(pk=done.pk).update(valid_until=DAY)
        assert revisions_read([ina.pk], [dock.pk], on=DAY)
        assert not revisions_read([ina.pk], [dock.pk], on=in_days(1))
        Completion.objects.filter(pk=done.pk).update(withdrawn_at=AT, withdrawn_reason="Wrong person")
        assert not revisions_read([ina.pk], [dock.pk], on=DAY)
