"""In which order people are called, and the words beside each name."""

import random
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from geographiclib.geodesic import Geodesic

from shifts.cover import ranking
from shifts.cover.candidates import ranked, three_names
from shifts.cover.ranking import FULL_WEEK, NEAR, RESTED, SAYS_YES, Facts, ago, score
from shifts.models import Ask, Booking, Run, Search
from shifts.seats import requests
from shifts.seats.booking import give_back
from sites.models import Programme
from tests.factories import DropOffFactory, SiteFactory, coordinator, make_run, put, ready_person
from volunteers.models import Person
from volunteers.people import set_cars, set_hours

AT = datetime(2027, 5, 10, 10, tzinfo=UTC)  # Monday, 6 a.m. in New York
START = datetime(2027, 5, 10, 12, tzinfo=UTC)  # 8 a.m.
MONDAY = 0
MINUTE, DAY = timedelta(minutes=1), timedelta(days=1)
pytestmark = pytest.mark.django_db

MIDDLING = Facts(
    miles=10.0,
    lately=4,
    that_week=0,
    wish=2,
    chance=0.3,
    asked=0,
    says_hours=False,
    measured=False,
    said=None,
)


class TestTheScore:
    @pytest.mark.parametrize(
        ("better", "worse"),
        [
            ({"miles": 1.0}, {"miles": 9.0}),
            ({"miles": 9.0}, {"miles": None}),
            ({"miles": None}, {"miles": 30.0}),
            ({"lately": 0}, {"lately": 1}),
            ({"wish": 4}, {"wish": 2}),
            ({"that_week": 1}, {"that_week": 2}),
            ({"chance": 0.5}, {"chance": 0.4}),
            ({"asked": 0}, {"asked": 1}),
            ({"asked": 2}, {"asked": 3}),
            ({"says_hours": True}, {"says_hours": False}),
            ({"measured": True}, {"measured": False}),
        ],
    )
    def test_each_part_pulls_its_way(self, better, worse):
        assert score(MIDDLING._replace(**better)) > score(MIDDLING._replace(**worse))

    def test_what_makes_no_difference(self):
        assert score(MIDDLING._replace(lately=16)) == score(MIDDLING._replace(lately=40))
        assert score(MIDDLING._replace(asked=3)) == score(MIDDLING._replace(asked=9))
        assert score(MIDDLING._replace(that_week=0)) == score(MIDDLING._replace(that_week=1))

    def test_the_weights_say_what_a_part_is_worth(self):
        low = MIDDLING._replace(lately=99, chance=0.0, miles=1e9)
        assert score(low) == pytest.approx(0, abs=1e-6)
        assert score(low._replace(lately=0)) == pytest.approx(RESTED, abs=1e-6)
        assert score(low._replace(chance=1.0)) == pytest.approx(SAYS_YES, abs=1e-6)
        assert score(low._replace(miles=0.0)) == pytest.approx(NEAR)
        assert score(low._replace(that_week=2)) == pytest.approx(-FULL_WEEK, abs=1e-6)

    def test_whoever_wants_no_runs_has_a_full_week(self):
        assert score(MIDDLING._replace(wish=0)) < score(MIDDLING) - FULL_WEEK


@pytest.fixture
def run():
    return make_run(starts_at=START, crates=10, sites=[SiteFactory(), DropOffFactory()])


def listed(run):
    return [(one.person.name, one.reasons) for one in ranked(Run.objects.get(pk=run.pk), at=AT).may]


def names(run):
    return [name for name, _reasons in listed(run)]


def reasons(run, person):
    return dict(listed(run))[person.name]


class TestDistance:
    @pytest.mark.parametrize(
        ("north", "words"),
        [(0.0, "about a mile away"), (0.01, "about a mile away"), (0.1, "about 9 miles away")],
    )
    def test_miles_of_road_from_home_to_the_first_stop(self, run, north, words):
        """Karney's geodesics by geographiclib, times the programme's road factor."""
        site = run.ordered_stops[0].site
        person = ready_person(home_latitude=site.latitude + north, home_longitude=site.longitude)
        assert words in reasons(run, person)
        line = Geodesic.WGS84.Inverse(
            site.latitude, site.longitude, person.home_latitude, person.home_longitude
        )
        known = ranking.Known.of([run], at=AT).road_to(run)
        factor = Programme.current().road_factor
        assert known[person.pk] == pytest.approx(line["s12"] / 1609.344 * factor, rel=1e-9)

    def test_unknown_says_so_and_is_between_near_and_far(self, run):
        site = run.ordered_stops[0].site
        ready_person(name="Ann Far", home_latitude=site.latitude + 1, home_longitude=site.longitude)
        unsaid = ready_person(name="Bo Unsaid")
        ready_person(name="Cy Near", home_latitude=site.latitude, home_longitude=site.longitude)
        assert names(run) == ["Cy Near", "Bo Unsaid", "Ann Far"]
        assert "home not known" in reasons(run, unsaid)

    def test_of_a_site_that_is_not_on_the_map_nothing_is_said(self):
        run = make_run(starts_at=START, sites=[SiteFactory(latitude=None, longitude=None), DropOffFactory()])
        person = ready_person(home_latitude=40.0, home_longitude=-83.0)
        assert reasons(run, person) == ["no runs in these weeks"]


class TestTheWeek:
    @pytest.mark.parametrize(
        ("days", "full"), [((-1, -2), False), ((1,), False), ((1, 6), True), ((1, 7), False)]
    )
    def test_monday_to_sunday_against_what_they_want(self, run, days, full):
        ina = ready_person(name="Ina Quell")
        for n in days:
            put(ina, make_run(starts_at=START + n * DAY))
        first = reasons(run, ina)[0]
        assert (first == "2 that week already, wants 2") == full

    def test_a_full_week_comes_after_everybody_else(self, run):
        full, other = ready_person(name="Ann Full", runs_a_week=1), ready_person(name="Zoe Busy")
        put(full, make_run(starts_at=START + DAY))
        for n in range(2, 9):
            put(other, make_run(starts_at=START - 3 * n * DAY))
        assert names(run) == ["Zoe Busy", "Ann Full"]


class TestWords:
    def test_at_most_three_the_weightiest_first(self, run):
        site = run.ordered_stops[0].site
        person = ready_person(home_latitude=site.latitude, home_longitude=site.longitude)
        set_cars(person, [{"label": "", "crates": 12}], by=None)
        set_hours(person, [(MONDAY, datetime.min.time(), datetime.max.time())], by=None)
        assert reasons(run, person) == [
            "no runs in these weeks", "about a mile away", "car takes 12 crates",
        ]  # fmt: skip

    @pytest.mark.parametrize(
        ("ago_", "words"),
        [
            (timedelta(0), "just now"),
            (10 * MINUTE, "10 min ago"),
            (89 * MINUTE, "89 min ago"),
            (90 * MINUTE, "2 hours ago"),
            (47 * 60 * MINUTE, "47 hours ago"),
            (2 * DAY, "2 days ago"),
        ],
    )
    def test_how_long_ago(self, ago_, words):
        assert ago(AT - ago_, AT) == words

    @pytest.mark.parametrize(("yes", "words"), [(9, "usually says yes"), (0, "seldom says yes")])
    def test_how_often_they_say_yes(self, run, yes, words):
        person = ready_person()
        for n in range(15):
            other = make_run(starts_at=AT - (9 + n) * DAY)
            search = Search.objects.create(run=other, opened_at=AT)
            Ask.objects.create(
                search=search,
                person=person,
                wave=1,
                starts_at=START,
                ends_at=START,
                asked_at=AT - (9 + n) * DAY,
                answer=Ask.Answer.LATE if yes else Ask.Answer.NO,
                answered_at=AT,
            )
        assert words in reasons(run, person)


class TestWhatWasSaidAboutThisRun:
    def ask(self, run, person, answer, *, wave=1, minutes=10, back_up=False):
        search, _new = Search.objects.get_or_create(run=run, ended_at=None, defaults={"opened_at": AT})
        return Ask.objects.create(
            search=search,
            person=person,
            wave=wave,
            starts_at=START,
            ends_at=START,
            asked_at=AT - 2 * minutes * MINUTE,
            answer=answer,
            answered_at=AT - minutes * MINUTE if answer else None,
            is_back_up=back_up,
        )

    @pytest.mark.parametrize(
        ("answer", "wave", "words"),
        [
            ("silent", 0, "no answer 10 min ago"),
            ("silent", 1, "mailed 20 min ago, no answer"),
            ("", 1, "mailed 20 min ago, no answer yet"),
            ("no", 0, "said no 10 min ago"),
            ("less", 1, "said no 10 min ago"),
            ("not week", 1, "said not this week, 10 min ago"),
        ],
    )
    def test_asked_in_vain_sinks_whatever_the_score(self, run, answer, wave, words):
        site = run.ordered_stops[0].site
        ann = ready_person(name="Ann Near", home_latitude=site.latitude, home_longitude=site.longitude)
        busy = ready_person(name="Zoe Busy", runs_a_week=0)
        assert names(run) == ["Ann Near", "Zoe Busy"]
        self.ask(run, ann, answer, wave=wave)
        assert listed(run)[1][0] == "Ann Near"
        assert reasons(run, ann)[0] == words
        assert len(reasons(run, busy)) <= 3

    @pytest.mark.parametrize(
        ("answer", "back_up", "words"),
        [
            ("late", False, "said yes 10 min ago, somebody was faster"),
            ("late", True, "stands by for this run"),
            ("moved", False, "said yes 10 min ago, before the run was changed"),
        ],
    )
    def test_whoever_said_yes_before_comes_first(self, run, answer, back_up, words):
        ready_person(name="Ann Free")
        zoe = ready_person(name="Zoe Busy", runs_a_week=0)
        self.ask(run, zoe, answer, back_up=back_up)
        assert names(run) == ["Zoe Busy", "Ann Free"]
        assert reasons(run, zoe)[0] == words

    def test_a_yes_before_the_run_was_changed_counts_while_they_are_asked_again(self, run):
        """On the page of their link, with no mail: they may have closed it."""
        ready_person(name="Ann Free")
        zoe = ready_person(name="Zoe Busy", runs_a_week=0)
        ask = self.ask(run, zoe, "")
        requests.answer(ask, "yes", by=None, at=AT - 10 * MINUTE)
        assert sorted(Ask.objects.values_list("answer", flat=True)) == ["", "moved"]
        assert names(run) == ["Zoe Busy", "Ann Free"]
        assert reasons(run, zoe)[0] == "said yes 10 min ago, before the run was changed"
        requests.called(run, zoe, "silent", by=coordinator().user, at=AT)
        assert reasons(run, zoe)[0] == "no answer just now"

    def test_in_the_order_of_hope(self, run):
        people = [ready_person(name=f"Person {n}") for n in range(5)]
        for person, answer in zip(people, ["no", "silent", "", None, "late"], strict=True):
            if answer is not None:
                self.ask(run, person, answer)
        assert names(run) == [f"Person {n}" for n in (4, 3, 2, 1, 0)]

    def test_the_newest_word_holds_and_what_is_taken_back_counts_for_nothing(self, run):
        ann = ready_person(name="Ann Ash")
        first = self.ask(run, ann, "no", minutes=30)
        self.ask(run, ann, "silent", wave=0, minutes=5)
        assert reasons(run, ann)[0] == "no answer 5 min ago"
        Ask.objects.exclude(pk=first.pk).update(answer="closed")
        assert reasons(run, ann)[0] == "said no 30 min ago"
        Ask.objects.update(answer="closed")
        assert reasons(run, ann)[0] == "no runs in these weeks"

    def test_whoever_gave_it_back_comes_last(self, run):
        ann, _zoe = ready_person(name="Ann Ash"), ready_person(name="Zoe Busy", runs_a_week=0)
        give_back(put(ann, run), by=None, at=AT - 20 * MINUTE)
        assert names(run) == ["Zoe Busy", "Ann Ash"]
        assert reasons(run, ann)[0] == "gave it back 20 min ago"
        other = make_run(starts_at=START + DAY)
        assert names(other) == ["Ann Ash", "Zoe Busy"]
        Booking.objects.update(end=Booking.End.TAKEN_OUT)
        assert names(run) == ["Ann Ash", "Zoe Busy"], "taken out by the coordinator: perhaps by mistake"

    @pytest.mark.parametrize(("days", "sinks"), [(6, True), (7, False), (-1, False)])
    def test_not_this_week_holds_for_the_runs_of_that_week(self, run, days, sinks):
        """Monday to Sunday."""
        ann, _zoe = ready_person(name="Ann Ash"), ready_person(name="Zoe Busy", runs_a_week=0)
        self.ask(make_run(starts_at=START + days * DAY), ann, "not week")
        assert names(run) == (["Zoe Busy", "Ann Ash"] if sinks else ["Ann Ash", "Zoe Busy"])


def test_a_call_that_nobody_took_moves_the_next_name_up(run):
    """Through the function that the desk's button calls."""
    ann, ben = ready_person(name="Ann Ash"), ready_person(name="Ben Birch")
    assert names(run) == ["Ann Ash", "Ben Birch"]
    requests.called(run, ann, requests.SILENT, by=None, at=AT - 10 * MINUTE)
    assert names(run) == ["Ben Birch", "Ann Ash"]
    assert reasons(run, ann)[0] == "no answer 10 min ago"
    fresh = Run.objects.with_people().get(pk=run.pk)
    assert [one.person for one in three_names([fresh], at=AT)[run.pk]] == [ben, ann]


@pytest.mark.parametrize("seed", range(3))
def test_the_first_of_a_list_are_the_first_of_all(seed, run):
    """However many are wanted; and the order is that of the score, then of the name."""
    chance = random.Random(seed)
    for n in range(20):
        ready_person(
            name=f"Person {chance.randrange(1000):03} {n}",
            runs_a_week=chance.choice([1, 2, 5]),
            home_latitude=40 + chance.random() / 5,
            home_longitude=-83,
        )
    for person in chance.sample(list(Person.objects.all()), 8):
        put(person, make_run(starts_at=START - chance.randrange(1, 20) * DAY))
    everybody = ranked(run, at=AT)
    assert everybody.count == len(everybody.may) == 20
    for most in (1, 7, 20, 50):
        some = ranked(run, at=AT, most=most)
        assert some.count == 20
        assert [one.person for one in some.may] == [one.person for one in everybody.may][:most]
    order = ranking.Known.of([run], at=AT).order(run)
    for a, b in pairwise(order):
        assert (a.place, -score(a.facts), a.name) <= (b.place, -score(b.facts), b.name)
