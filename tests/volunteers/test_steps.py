"""What is asked changes by new terms from a date: never the past, an announced one is overtaken."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.utils import timezone

from shifts.models import Booking
from sites.models import Event
from tests.factories import PersonFactory, SiteFactory, coordinator, lead_driver, make_ready, make_run, put
from volunteers import clearance, steps
from volunteers.models import BriefingText, Completion, Person, Step
from volunteers.progress import NotPossible, complete, sign_off, withdraw

AT = datetime(2027, 5, 4, 1, 0, tzinfo=UTC)  # still May 3 in New York
TODAY = date(2027, 5, 3)
DAY = timedelta(days=1)
SOON, LATER = TODAY + 10 * DAY, TODAY + 20 * DAY
pytestmark = pytest.mark.django_db


@pytest.fixture
def cora():
    return coordinator().user


@pytest.fixture
def ride():
    return Step.objects.get(code="ride")


@pytest.fixture
def briefing():
    return Step.objects.get(code="briefing")


def terms_of(step):
    """(from, until, revision, times, months) of each, in order."""
    rows = step.terms.order_by("applies_from")
    return list(rows.values_list("applies_from", "applies_until", "revision", "times", "lasts_months"))


def refuses(words):
    return pytest.raises(NotPossible, match=words)


def newest_event(step):
    return Event.objects.about(step).first()


class TestAsking:
    def test_a_change_holds_from_its_day_and_leaves_the_past(self, ride, cora):
        [(begun, *_rest)] = terms_of(ride)
        steps.ask(ride, times=2, from_day=SOON, by=cora, at=AT)
        assert terms_of(ride) == [(begun, SOON, 1, 1, None), (SOON, None, 1, 2, None)]

    def test_who_and_when_and_what_it_was(self, ride, cora):
        steps.ask(ride, times=2, lasts_months=12, from_day=SOON, by=cora, at=AT)
        event = newest_event(ride)
        assert (event.verb, event.by, event.at) == (steps.ASKS, cora, AT)
        assert event.before == {"times": 1, "months": None, "fell away": []}
        assert event.after == {"from": SOON.isoformat(), "again": False, "times": 2, "months": 12}

    @pytest.mark.parametrize("day", [TODAY - DAY, TODAY - 400 * DAY])
    def test_not_for_a_day_that_is_over(self, ride, cora, day):
        before = terms_of(ride)
        with refuses("stays as it was"):
            steps.ask(ride, times=2, from_day=day, by=cora, at=AT)
        with refuses("stays as it was"):
            steps.stop_asking(ride, from_day=day, by=cora, at=AT)
        with refuses("stays as it was"):
            steps.take_back(ride, from_day=day, by=cora, at=AT)
        with refuses("stays as it was"):
            steps.require_revision(ride, 5, day, at=AT)
        assert terms_of(ride) == before
        assert not Event.objects.about(ride).exists()

    def test_today_is_allowed(self, ride, cora):
        steps.ask(ride, times=2, from_day=TODAY, by=cora, at=AT)
        assert terms_of(ride)[-1] == (TODAY, None, 1, 2, None)

    def test_a_change_of_the_same_day_is_replaced(self, ride, cora):
        steps.ask(ride, times=2, from_day=SOON, by=cora, at=AT)
        steps.ask(ride, times=3, from_day=SOON, by=cora, at=AT)
        assert [row[0:2] + row[3:4] for row in terms_of(ride)[1:]] == [(SOON, None, 3)]

    def test_a_later_one_that_was_announced_is_overtaken(self, ride, cora):
        steps.ask(ride, times=5, again=True, from_day=LATER, by=cora, at=AT)
        steps.ask(ride, times=2, from_day=SOON, by=cora, at=AT)
        assert terms_of(ride)[1:] == [(SOON, None, 1, 2, None)], "nor has everybody to do it again"
        assert newest_event(ride).before["fell away"] == [LATER.isoformat()]

    def test_one_after_the_other(self, ride, cora):
        steps.ask(ride, times=2, from_day=SOON, by=cora, at=AT)
        steps.ask(ride, times=3, from_day=LATER, by=cora, at=AT)
        assert [row[0:2] + row[3:4] for row in terms_of(ride)[1:]] == [(SOON, LATER, 2), (LATER, None, 3)]

    def test_just_this_already_writes_nothing(self, ride, cora):
        before = terms_of(ride)
        steps.ask(ride, times=1, from_day=SOON, by=cora, at=AT)
        assert terms_of(ride) == before
        assert not Event.objects.about(ride).exists()

    def test_the_same_as_now_overtakes_what_was_announced(self, ride, cora):
        steps.ask(ride, times=2, from_day=LATER, by=cora, at=AT)
        steps.ask(ride, times=1, from_day=SOON, by=cora, at=AT)
        assert terms_of(ride)[-1] == (SOON, None, 1, 1, None)

    @pytest.mark.parametrize("code", ["briefing", "license"])
    def test_what_is_renewed_is_asked_for_once(self, code, cora):
        step = Step.objects.get(code=code)
        with refuses("asked for once"):
            steps.ask(step, times=2, from_day=SOON, by=cora, at=AT)
        assert len(terms_of(step)) == 1

    def test_a_paper_has_its_own_date(self, cora):
        step = Step.objects.get(code="license")
        with refuses("own date"):
            steps.ask(step, lasts_months=12, from_day=SOON, by=cora, at=AT)
        assert len(terms_of(step)) == 1

    def test_how_long_it_lasts_is_for_what_is_recorded_later(self, briefing, cora):
        ina = PersonFactory()
        read = complete(person=ina, step=briefing, by=None, at=AT)
        steps.ask(briefing, lasts_months=6, from_day=TODAY, by=cora, at=AT)
        read.refresh_from_db()
        assert read.valid_until == date(2029, 5, 3)
        assert complete(person=ina, step=briefing, by=None, at=AT).valid_until == date(2027, 11, 3)


class TestAgain:
    def test_what_was_done_does_not_count_from_that_day(self, briefing, cora):
        ina = make_ready(PersonFactory())  # with a revision far ahead of the term's
        steps.ask(briefing, lasts_months=24, again=True, from_day=SOON, by=cora, at=AT)
        assert clearance.missing(ina, on=SOON - DAY) == []
        assert [term.step for term in clearance.missing(ina, on=SOON)] == [briefing]

    def test_it_can_be_done_before_that_day(self, briefing, cora):
        ina = make_ready(PersonFactory())
        steps.ask(briefing, lasts_months=24, again=True, from_day=SOON, by=cora, at=AT)
        complete(person=ina, step=briefing, by=cora, at=AT)
        assert clearance.missing(ina, on=SOON) == []

    def test_something_of_an_earlier_day_is_what_was_asked_then(self, briefing, cora):
        ina = make_ready(PersonFactory())
        steps.ask(briefing, again=True, from_day=SOON, by=cora, at=AT)
        assert complete(person=ina, step=briefing, on=TODAY - DAY, by=cora, at=AT).revision == 1
        assert clearance.missing(ina, on=SOON)

    def test_a_later_change_does_not_end_it(self, ride, cora):
        ina = make_ready(PersonFactory())
        steps.ask(ride, again=True, from_day=TODAY, by=cora, at=AT)
        steps.ask(ride, lasts_months=12, from_day=SOON, by=cora, at=AT + DAY)
        assert clearance.missing(ina, on=SOON)

    def test_nobody_has_met_the_new_revision_yet(self, briefing, cora):
        BriefingText.objects.create(step=briefing, revision=4, written_at=AT)
        complete(person=PersonFactory(), step=briefing, revision=7, by=None, at=AT)
        assert steps.next_revision(briefing) == 8

    def test_a_raise_taken_back_and_made_again_is_another(self, ride, cora):
        ina = make_ready(PersonFactory())
        steps.ask(ride, again=True, from_day=TODAY, by=cora, at=AT)
        complete(person=ina, step=ride, by=None, at=AT)
        steps.take_back(ride, from_day=TODAY, by=cora, at=AT)
        steps.ask(ride, again=True, from_day=SOON, by=cora, at=AT)
        assert clearance.missing(ina, on=SOON)


class TestRequiringARevision:
    """Door notes and briefings name the revision that has to be read."""

    def test_it_keeps_what_else_is_asked_then(self, briefing, cora):
        steps.require_revision(briefing, 3, SOON, by=cora, at=AT)
        assert terms_of(briefing)[1:] == [(SOON, None, 3, 1, 24)]
        event = newest_event(briefing)
        assert (event.verb, event.by, event.after["again"]) == (steps.ASKS, cora, True)

    def test_what_counts_already_is_left(self, briefing):
        steps.require_revision(briefing, 3, SOON, at=AT)
        before = terms_of(briefing)
        steps.require_revision(briefing, 2, LATER, at=AT)
        assert terms_of(briefing) == before

    def test_an_earlier_day_overtakes(self, briefing):
        steps.require_revision(briefing, 3, LATER, at=AT)
        steps.require_revision(briefing, 2, SOON, at=AT)
        assert terms_of(briefing)[1:] == [(SOON, None, 3, 1, 24)]

    def test_an_announced_end_stays(self, briefing, cora):
        steps.stop_asking(briefing, from_day=LATER, by=cora, at=AT)
        steps.require_revision(briefing, 3, SOON, by=cora, at=AT)
        assert terms_of(briefing)[1:] == [(SOON, LATER, 3, 1, 24)]

    def test_what_is_asked_no_longer_stays_so(self, briefing, cora):
        steps.stop_asking(briefing, from_day=TODAY, by=cora, at=AT)
        before = terms_of(briefing)
        steps.require_revision(briefing, 3, SOON, at=AT)
        assert terms_of(briefing) == before


class TestAskedNoLonger:
    def test_from_its_day(self, ride, cora):
        ina = make_ready(PersonFactory(), without=("ride",))
        steps.stop_asking(ride, from_day=SOON, by=cora, at=AT)
        assert clearance.missing(ina, on=SOON - DAY)
        assert not clearance.missing(ina, on=SOON)
        event = newest_event(ride)
        assert (event.verb, event.by, event.at) == (steps.STOPS, cora, AT)

    def test_what_was_to_come_does_not(self, ride, cora):
        steps.ask(ride, times=2, from_day=LATER, by=cora, at=AT)
        steps.stop_asking(ride, from_day=SOON, by=cora, at=AT)
        assert [row[:2] for row in terms_of(ride)][-1][1] == SOON
        assert len(terms_of(ride)) == 1

    def test_not_twice(self, ride, cora):
        steps.stop_asking(ride, from_day=SOON, by=cora, at=AT)
        for day in (SOON, LATER):
            with refuses("not asked from that day on already"):
                steps.stop_asking(ride, from_day=day, by=cora, at=AT)
        assert Event.objects.about(ride).count() == 1

    def test_but_earlier(self, ride, cora):
        steps.stop_asking(ride, from_day=LATER, by=cora, at=AT)
        steps.stop_asking(ride, from_day=SOON, by=cora, at=AT)
        assert terms_of(ride)[-1][1] == SOON

    def test_and_asked_again_later(self, ride, cora):
        steps.stop_asking(ride, from_day=TODAY, by=cora, at=AT)
        steps.ask(ride, times=1, from_day=SOON, by=cora, at=AT)
        first, last = terms_of(ride)
        assert (first[1], last) == (TODAY, (SOON, None, 1, 1, None))

    def test_which_steps_are_asked(self, ride, cora):
        steps.stop_asking(ride, from_day=SOON, by=cora, at=AT)
        assert ride in Step.objects.asked(SOON - DAY)
        assert ride not in Step.objects.asked(SOON)


class TestTakingBack:
    def test_an_announced_change(self, ride, cora):
        before = terms_of(ride)
        steps.ask(ride, times=2, from_day=SOON, by=cora, at=AT)
        steps.take_back(ride, from_day=TODAY + DAY, by=cora, at=AT)
        assert terms_of(ride) == before
        event = newest_event(ride)
        assert (event.verb, event.by, event.at) == (steps.TAKEN_BACK, cora, AT)
        assert event.before["fell away"] == [SOON.isoformat()]

    @pytest.mark.parametrize("day", [TODAY, SOON])
    def test_an_end(self, ride, cora, day):
        before = terms_of(ride)
        steps.stop_asking(ride, from_day=day, by=cora, at=AT)
        steps.take_back(ride, from_day=day, by=cora, at=AT)
        assert terms_of(ride) == before

    def test_of_two_the_later_one(self, ride, cora):
        steps.ask(ride, times=2, from_day=SOON, by=cora, at=AT)
        steps.ask(ride, times=3, from_day=LATER, by=cora, at=AT)
        steps.take_back(ride, from_day=LATER, by=cora, at=AT)
        assert terms_of(ride)[1:] == [(SOON, None, 1, 2, None)]

    def test_what_ended_before_stays_ended(self, ride, cora):
        steps.stop_asking(ride, from_day=TODAY, by=cora, at=AT)
        steps.ask(ride, times=2, from_day=LATER, by=cora, at=AT)
        steps.take_back(ride, from_day=SOON, by=cora, at=AT)
        assert [row[1] for row in terms_of(ride)] == [TODAY]

    def test_nothing_to_take_back(self, ride, cora):
        with refuses("Nothing was to change"):
            steps.take_back(ride, from_day=SOON, by=cora, at=AT)
        assert not Event.objects.about(ride).exists()

    def test_a_step_that_never_began(self, cora):
        step = steps.add_step(kind="form", title="Photo release", from_day=SOON, by=cora, at=AT)
        steps.take_back(step, from_day=SOON, by=cora, at=AT)
        assert terms_of(step) == []
        assert step not in Step.objects.asked(TODAY)


class TestANewStep:
    def test_of_everybody(self, cora):
        ina = make_ready(PersonFactory())
        step = steps.add_step(
            kind="form", title="Photo release", how="At the office.", from_day=SOON, by=cora, at=AT
        )
        assert clearance.missing(ina, on=SOON - DAY) == []
        assert [term.step for term in clearance.missing(ina, on=SOON)] == [step]
        event = Event.objects.about(step).get()
        assert (event.verb, event.by, event.at, event.after["from"]) == ("added", cora, AT, SOON.isoformat())

    @pytest.mark.parametrize("kind", ["briefing", "paper", "form", "kit", "ride"])
    def test_of_one_site(self, cora, kind):
        """Every kind works through the gate for the runs that stop there, and for no others."""
        ina, here = make_ready(PersonFactory()), SiteFactory()
        step = steps.add_step(kind=kind, title="Of the site", site=here, from_day=TODAY, by=cora, at=AT)
        there, elsewhere = (
            make_run(starts_at=AT + 2 * DAY, sites=[here, SiteFactory()]),
            make_run(starts_at=AT + 3 * DAY),
        )
        put(ina, there), put(ina, elsewhere)
        assert [term.step for term in clearance.missing(ina, on=TODAY, sites=[here.pk])] == [step]
        assert list(clearance.cleared(Person.objects.all(), on=TODAY, sites=[here.pk])) == []
        assert [b.run for b in Booking.objects.clearance_gone()] == [there]
        Completion.objects.create(step=step, person=ina, valid_from=TODAY, recorded_at=AT)
        assert not Booking.objects.clearance_gone().exists()

    def test_it_comes_after_the_others_and_before_door_notes(self, cora):
        doors = Step.objects.create(kind="doors", title="Door notes", site=SiteFactory(), position=90)
        new = steps.add_step(kind="form", title="Photo release", from_day=SOON, by=cora, at=AT)
        order = list(Step.objects.all())
        assert order[-2:] == [new, doors]

    def test_door_notes_are_written_on_the_sites_page(self, cora):
        with refuses("site's page"):
            steps.add_step(kind="doors", title="Doors", site=SiteFactory(), from_day=SOON, by=cora, at=AT)

    @pytest.mark.parametrize(
        ("facts", "words"),
        [
            ({"kind": "form", "from_day": TODAY - DAY}, "stays as it was"),
            ({"kind": "paper", "times": 2}, "asked for once"),
            ({"kind": "paper", "lasts_months": 2}, "own date"),
            ({"kind": "paper", "drivers_have_it": True}, "date of each person"),
        ],
    )
    def test_what_cannot_be(self, cora, facts, words):
        before = Step.objects.count()
        with refuses(words):
            steps.add_step(**{"title": "x", "from_day": SOON, "by": cora, "at": AT, **facts})
        assert Step.objects.count() == before

    def test_those_who_are_ready_may_have_it_already(self, cora):
        ready, newcomer = make_ready(PersonFactory()), PersonFactory()
        step = steps.add_step(
            kind="ride", title="Two more", times=2, drivers_have_it=True, from_day=SOON, by=cora, at=AT
        )
        assert clearance.missing(ready, on=SOON) == []
        assert set(step.completions.values_list("person", "reason", "valid_from")) == {
            (ready.pk, steps.READY_BEFORE, SOON)
        }
        assert not newcomer.completions.exists()


class TestWords:
    def test_they_change_at_once_and_ask_nothing_anew(self, ride, cora):
        before = terms_of(ride)
        steps.reword(ride, title="Ride along", how="Ask Lee.", by=cora, at=AT)
        ride.refresh_from_db()
        assert (ride.title, ride.how) == ("Ride along", "Ask Lee.")
        assert terms_of(ride) == before
        event = newest_event(ride)
        assert (event.verb, event.by, event.before["title"]) == ("changed", cora, "Shadow ride")

    def test_the_same_words_are_not_recorded(self, ride, cora):
        steps.reword(ride, title=ride.title, how=ride.how, by=cora, at=AT)
        assert not Event.objects.about(ride).exists()


class TestOrder:
    def titles(self, **where):
        return list(Step.objects.filter(**where).values_list("title", flat=True))

    def test_up_and_down(self, ride, cora):
        before = self.titles()
        assert steps.move(ride, up=True, by=cora, at=AT)
        assert self.titles()[-2:] == [before[-1], before[-2]]
        assert steps.move(ride, up=False, by=cora, at=AT)
        assert self.titles() == before
        event = newest_event(ride)
        assert (event.verb, event.by, event.at) == ("moved", cora, AT)

    def test_no_further_than_the_ends(self, ride, briefing, cora):
        before = self.titles()
        assert not steps.move(briefing, up=True, by=cora, at=AT)
        assert not steps.move(ride, up=False, by=cora, at=AT)
        assert self.titles() == before
        assert not Event.objects.filter(verb="moved").exists()

    def test_past_what_is_asked_of_the_same_people(self, ride, cora):
        """Steps of a site, and those asked no longer, are not in the way."""
        form, kit = Step.objects.get(code="form"), Step.objects.get(code="kit")
        steps.stop_asking(kit, from_day=TODAY, by=cora, at=AT)
        here = steps.add_step(kind="kit", title="Badge", site=SiteFactory(), from_day=TODAY, by=cora, at=AT)
        assert steps.move(ride, up=True, by=cora, at=AT)
        order = list(Step.objects.all())
        assert order.index(ride) < order.index(form)
        assert not steps.move(here, up=True, by=cora, at=AT)


class TestWhetherAnythingChanged:
    def test_since_a_moment(self, ride, cora):
        assert not steps.changed_since(AT)
        steps.ask(ride, times=2, from_day=SOON, by=cora, at=AT)
        assert steps.changed_since(AT)
        assert not steps.changed_since(AT + timedelta(seconds=1))

    def test_other_things_of_the_same_name_do_not_count(self, ride, cora):
        SiteFactory()
        Event.objects.create(at=AT, verb="added", subject="site:1")
        steps.reword(ride, title="Ride along", how="", by=cora, at=AT)
        assert not steps.changed_since(AT)


class TestARideCountsForItsSites:
    @pytest.fixture
    def here(self, cora):
        """A site that asks for a ride there."""
        site = SiteFactory(name="Mill Street")
        steps.add_step(kind="ride", title="Ride there", site=site, from_day=TODAY, by=cora, at=AT)
        return site

    def sign(self, trainee, **how):
        return sign_off(
            trainee=trainee, lead=lead_driver(), ridden_on=TODAY, outcome="ready", by=None, at=AT, **how
        )

    def test_both_are_done_by_one_ride(self, here, ride):
        ina = make_ready(PersonFactory(), without=("ride",))
        ina.completions.filter(step__site=here).delete()
        signed = self.sign(ina, sites=[here.pk])
        assert signed.completion.step == ride
        assert [completion.step.site for completion in signed.beside.all()] == [here]
        assert clearance.missing(ina, on=TODAY, sites=[here.pk]) == []

    def test_a_ride_elsewhere_does_not_count_there(self, here, ride):
        ina = make_ready(PersonFactory(), without=("ride",))
        ina.completions.filter(step__site=here).delete()
        self.sign(ina, sites=[SiteFactory().pk])
        assert clearance.missing(ina, on=TODAY) == []
        assert [term.step.site for term in clearance.missing(ina, on=TODAY, sites=[here.pk])] == [here]

    def test_taking_it_back_takes_both(self, here, cora):
        ina = PersonFactory()
        signed = self.sign(ina, sites=[here.pk])
        withdraw(signed.completion, reason="Not that run.", by=cora, at=AT)
        assert not ina.completions.standing().exists()
        assert {(c.withdrawn_by, c.withdrawn_reason) for c in ina.completions.all()} == {
            (cora, "Not that run.")
        }
        assert Event.objects.filter(verb="step taken back", by=cora, person_id=ina.pk).count() == 2

    def test_the_sites_alone_can_be_taken_back(self, here, cora):
        ina = PersonFactory()
        signed = self.sign(ina, sites=[here.pk])
        withdraw(signed.beside.get(), reason="Stayed in the car.", by=cora, at=AT)
        signed.completion.refresh_from_db()
        assert signed.completion.withdrawn_at is None

    def test_where_only_the_site_asks_for_one(self, here, ride, cora):
        steps.stop_asking(ride, from_day=TODAY, by=cora, at=AT)
        signed = self.sign(PersonFactory(), sites=[here.pk])
        assert signed.completion.step.site == here
        assert not signed.beside.exists()

    def test_where_nobody_asks_for_one_any_more_the_ride_is_kept_all_the_same(self, ride, cora):
        steps.stop_asking(ride, from_day=TODAY, by=cora, at=AT)
        assert self.sign(PersonFactory()).completion.step == ride

    def test_again_completes_neither(self, here):
        ina = PersonFactory()
        sign_off(
            trainee=ina, lead=lead_driver(), ridden_on=TODAY, outcome="again", sites=[here.pk], by=None, at=AT
        )
        assert not ina.completions.exists()


def test_shipped_steps_serve_on_the_first_day():
    """design.md: briefing for 24 months; license and insurance with their dates; form, kit, one ride."""
    asked = [
        (term.step.kind, term.step.code, term.times, term.lasts_months)
        for step in Step.objects.asked(timezone.now().date())
        for term in step.terms.select_related("step")
    ]
    assert asked == [
        ("briefing", "briefing", 1, 24),
        ("paper", "license", 1, None),
        ("paper", "insurance", 1, None),
        ("form", "form", 1, None),
        ("kit", "kit", 1, None),
        ("ride", "ride", 1, None),
    ]
    assert all(step.how for step in Step.objects.all()), "each says how to get it done"
