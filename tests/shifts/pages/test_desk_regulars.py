"""Regular runs and crews as the coordinator sees them: given, shown, skipped, ended; runs that are kept."""

from datetime import date, time

import pytest
import time_machine
from django.urls import reverse

from shifts.cover.regulars import absent_regulars
from shifts.cover.weaknesses import attention, gaps, weaknesses
from shifts.models import Booking, Policy, Run, Skip, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats import standing as regular
from shifts.seats.booking import seat
from shifts.seats.standing import Wish
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, make_ready, ready_person
from tests.shifts.pages.at_the_desk import (
    DAY,
    EVERY_PAGE,
    NOW,
    TODAY,
    desk_client,
    errors_of,
    queries_of,
    said,
    survives_nonsense,
    text_of,
)
from volunteers import clearance

pytestmark = pytest.mark.django_db

EVERY_DAY = "FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR,SA,SU"
FIRST = date(2026, 6, 3)  # tomorrow, a Wednesday


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return desk_client()


@pytest.fixture
def stops():
    return ((SiteFactory(name="Mill Street Grocery").pk, 0), (DropOffFactory(name="Elm Kitchen").pk, 30))


def weekly(stops, rule="FREQ=WEEKLY;BYDAY=WE", name="Wednesdays", starts=time(9)):
    plan = Plan(rule=rule, starts=starts, minutes=60, stops=stops)
    return add_shift(name=name, plan=plan, from_day=TODAY, by=None, at=NOW)


@pytest.fixture
def shift(stops):
    return weekly(stops)


@pytest.fixture
def ana(shift):
    return ready_person(name="Ana Reyes")


@pytest.fixture
def una(shift):
    """Her insurance card is missing, all else is there."""
    return make_ready(PersonFactory(name="Una Quill"), without=("insurance",))


def give(shift, person, pattern="every", from_day=FIRST, crew="", members=()):
    wish = Wish(shift, person, from_day, pattern, crew)
    return regular.begin(wish, by=None, on_behalf=True, members=members, at=NOW)


def seats_shown(answer, title="Wednesdays"):
    """The driver's seats of the runs with this title in the days ahead of the desk."""
    return [
        card["seats"][0] for day in answer.context["days"] for card in day["runs"] if card["title"] == title
    ]


# --- given to somebody


class TestGivenToSomebody:
    def test_the_ready_come_first_and_the_others_with_the_reason(self, desk, shift, ana, una):
        left = ready_person(name="Lee Left", left_on=TODAY)
        page = text_of(desk.get(reverse("desk_new_regular", args=[shift.pk])))
        assert page.index("Ana Reyes") < page.index("Una Quill (not ready: Car insurance card)")
        assert left.name not in page

    def test_it_seats_them_says_so_and_is_shown(self, desk, shift, ana):
        answer = desk.post(
            reverse("desk_new_regular", args=[shift.pk]),
            {"person": ana.pk, "pattern": "other", "from_day": "2026-06-03"},
            follow=True,
        )
        row = Standing.objects.get()
        assert (row.person, row.pattern, row.from_day) == (ana, "other", FIRST)
        assert row.bookings.live().count() == 4
        assert said(answer).startswith(
            "Ana Reyes drives Wednesdays from 6/3/2026 on: every other week. "
            "4 runs of the weeks ahead are theirs. A mail tells them."
        )
        page = text_of(answer)
        assert "every other week, from 6/3/2026 on" in page
        assert "4 runs" in page
        assert seats_shown(desk.get(reverse("desk")))[0]["note"] == "regular"

    def test_somebody_not_ready_gets_it_and_the_page_says_what_is_kept(self, desk, shift, una):
        answer = desk.post(
            reverse("desk_new_regular", args=[shift.pk]),
            {"person": una.pk, "pattern": "every", "from_day": "6/3/2026"},
            follow=True,
        )
        assert not Booking.objects.exists()
        assert "8 runs are only kept for them, as they lack: Car insurance card." in said(answer)
        [row] = answer.context["regulars"]
        assert (row["kept_count"], row["driven"]) == (8, 0)
        assert row["kept"][1]["why"] == "Missing: Car insurance card. Kept until Sat, Jun 6."

    def test_a_refusal_stands_at_the_form_and_what_was_typed_stays(self, desk, shift, ana):
        give(shift, ready_person(name="Bo Birch"))
        answer = desk.post(
            reverse("desk_new_regular", args=[shift.pk]),
            {"person": ana.pk, "pattern": "every", "from_day": "2026-06-03"},
        )
        assert "Bo is the regular driver on all these dates. Choose other weeks" in text_of(answer)
        assert f'<option value="{ana.pk}" selected>' in text_of(answer)
        assert Standing.objects.count() == 1

    @pytest.mark.parametrize(
        ("facts", "field", "words"),
        [
            ({"person": ""}, "person", "Choose somebody."),
            ({"person": "99999"}, "person", "does not drive"),
            ({"pattern": "now and then"}, "pattern", "Choose how often."),
            ({"from_day": "2026-06-01"}, "from_day", "is over"),
            ({"from_day": "soon"}, "from_day", ""),
        ],
    )
    def test_what_is_not_understood_is_said_in_place(self, desk, shift, ana, facts, field, words):
        good = {"person": ana.pk, "pattern": "every", "from_day": "2026-06-03"}
        answer = desk.post(reverse("desk_new_regular", args=[shift.pk]), good | facts)
        assert words in errors_of(answer)[field]
        assert not Standing.objects.exists()

    def test_a_run_by_the_month_is_offered_as_every_run_only(self, desk, stops, ana):
        monthly = weekly(stops, rule="FREQ=MONTHLY;BYDAY=1WE", name="First")
        url = reverse("desk_new_regular", args=[monthly.pk])
        answer = desk.get(url)
        assert [value for value, _label in answer.context["form"]["pattern"].field.choices] == ["every"]
        answer = desk.post(url, {"person": ana.pk, "pattern": "other", "from_day": "2026-06-03"})
        assert errors_of(answer)["pattern"]

    def test_the_page_takes_as_many_queries_for_many_people(self, desk, shift):
        counts = []
        for number in (2, 30):
            for _ in range(number):
                ready_person()
            counts.append(queries_of(desk, reverse("desk_new_regular", args=[shift.pk]))[0])
        assert counts[0] == counts[1]


# --- on the page of the weekly run, and of the person


def test_nobody_yet_is_said(desk, shift):
    page = text_of(desk.get(reverse("desk_shift", args=[shift.pk])))
    assert "Nobody yet. A regular driver is seated in every run" in page
    assert reverse("desk_new_regular", args=[shift.pk]) in page
    assert reverse("desk_new_crew", args=[shift.pk]) in page


def test_the_persons_page_lists_their_regular_runs_and_crews(desk, stops, shift, ana, una):
    give(shift, ana, "1st 3rd")
    give(weekly(stops, name="Choir run", starts=time(15)), una, crew="St. Elm choir", members=[ana])
    page = text_of(desk.get(reverse("desk_person", args=[ana.pk])))
    assert "Wednesdays</a>: the 1st and 3rd of the month, from 6/3/2026 on" in page
    assert "Choir run</a>: with St. Elm choir, every run, from 6/3/2026 on" in page
    page = text_of(desk.get(reverse("desk_person", args=[una.pk])))
    assert "captain of St. Elm choir" in page
    assert "Regular runs" not in text_of(desk.get(reverse("desk_person", args=[ready_person().pk])))


def test_the_weekly_runs_page_takes_as_many_queries_for_many_regulars(desk, shift, ana, una):
    address = reverse("desk_shift", args=[shift.pk])
    give(shift, ana, "1st 3rd")
    give(shift, una, "2nd 4th")
    regular.skip(Standing.objects.first(), first=FIRST, last=FIRST, by=None, at=NOW)
    before, _sql = queries_of(desk, address)
    for number in range(6):
        other = make_ready(PersonFactory(), without=("kit",))
        row = Standing(
            shift=shift, person=other, anchor=FIRST, from_day=FIRST, made_at=NOW, crew=f"Crew {number}"
        )
        row.save()
        row.members.set([ana, una])
        Skip.objects.create(standing=row, first=FIRST, last=FIRST, at=NOW)
    after, sql = queries_of(desk, address)
    assert after == before, sql


# --- skipped and ended


class TestSkipped:
    def test_a_range_is_left_out_and_can_be_undone(self, desk, shift, ana):
        row = give(shift, ana)
        answer = desk.post(
            reverse("desk_skip", args=[row.pk]),
            {"first": "2026-06-08", "last": "2026-06-21", "note": "on holiday"},
            follow=True,
        )
        assert "Ana Reyes is off Wednesdays from 6/8/2026 to 6/21/2026." in said(answer)
        assert row.bookings.live().count() == 6
        assert "Mon, Jun 8 to Sun, Jun 21" in text_of(answer)
        undo = answer.context["undo"]
        answer = desk.post(undo["url"], undo["fields"], follow=True)
        assert "Ana Reyes drives 2 runs of these days." in said(answer)
        assert row.bookings.live().count() == 8
        assert "taken back already" in said(desk.post(undo["url"], follow=True))

    def test_one_date_alone(self, desk, shift, ana):
        row = give(shift, ana)
        desk.post(reverse("desk_skip", args=[row.pk]), {"first": "2026-06-10"})
        skip = Skip.objects.get()
        assert (skip.first, skip.last) == (date(2026, 6, 10), date(2026, 6, 10))

    def test_each_skip_ahead_has_its_button_until_it_is_over(self, desk, shift, ana):
        row = give(shift, ana)
        skip = regular.skip(row, first=date(2026, 6, 10), last=date(2026, 6, 10), by=None, at=NOW)
        back = reverse("desk_skip_back", args=[skip.pk])
        page = reverse("desk_shift", args=[shift.pk])
        assert back in text_of(desk.get(page))
        with time_machine.travel(NOW + 9 * DAY, tick=False):
            assert back not in text_of(desk.get(page))

    def test_days_in_the_wrong_order_are_said_in_place(self, desk, shift, ana):
        row = give(shift, ana)
        answer = desk.post(reverse("desk_skip", args=[row.pk]), {"first": "2026-06-21", "last": "2026-06-08"})
        assert errors_of(answer)["last"] == "The last day is before the first."
        assert 'value="2026-06-21"' in text_of(answer)
        assert not Skip.objects.exists()


class TestEnded:
    def test_after_a_last_day_and_how_to_take_it_back_is_said(self, desk, shift, ana):
        row = give(shift, ana)
        url = reverse("desk_stop", args=[row.pk])
        assert "Theirs now (8)" in text_of(desk.get(url))
        answer = desk.post(url, {"last_day": "2026-06-17"}, follow=True)
        assert said(answer) == (
            "Ana Reyes: Wednesdays ends after 6/17/2026. "
            "To take that back, give it to them again from 6/18/2026 on."
        )
        assert answer.context["undo"] is None
        assert row.bookings.live().count() == 3
        answer = desk.post(url, {"last_day": "2026-06-20"})
        assert errors_of(answer)["last_day"] == "It ends after 6/17/2026 already."
        again = {"person": ana.pk, "pattern": "every", "from_day": "2026-06-18"}
        desk.post(reverse("desk_new_regular", args=[shift.pk]), again)
        assert Booking.objects.live().count() == 8

    def test_before_it_began(self, desk, shift, ana):
        row = give(shift, ana, from_day=date(2026, 7, 1))
        answer = desk.post(reverse("desk_stop", args=[row.pk]), {"last_day": "2026-06-02"}, follow=True)
        assert "ended before it began" in said(answer)
        assert answer.context["regulars"] == []


# --- crews


class TestCrews:
    def test_given_to_a_crew_the_runs_wait_for_a_name(self, desk, shift, ana, una):
        bo = ready_person(name="Bo Birch")
        answer = desk.post(
            reverse("desk_new_crew", args=[shift.pk]),
            {
                "crew": "St. Elm choir",
                "person": ana.pk,
                "members": [bo.pk, una.pk],
                "pattern": "every",
                "from_day": "2026-06-03",
            },
            follow=True,
        )
        row = Standing.objects.get()
        assert (row.crew, row.person, set(row.members.all())) == ("St. Elm choir", ana, {bo, una})
        assert "The crew St. Elm choir holds Wednesdays from 6/3/2026 on: every run." in said(answer)
        assert "8 runs need a name of theirs." in said(answer)
        assert not Booking.objects.exists()
        assert "Nobody named yet (8)" in text_of(answer)

    def test_one_tap_names_somebody_of_the_crew_and_is_undone(self, desk, shift, ana, una):
        outsider = ready_person(name="Ada Outside")
        bo = ready_person(name="Bo Birch")
        give(shift, ana, crew="St. Elm choir", members=[bo, una])
        run = shift.runs.get(slot_date=FIRST + 7 * DAY)
        answer = desk.get(reverse("desk_run", args=[run.pk]))
        assert [call["name"] for call in answer.context["crew_calls"]] == ["Ana Reyes", "Bo Birch"]
        assert [call["name"] for call in answer.context["calls"]] == ["Ada Outside"]
        assert "Of the crew St. Elm choir" in text_of(answer)
        url = reverse("desk_name_driver", args=[run.pk])
        assert text_of(answer).count(f'action="{url}"') == 2
        answer = desk.post(url, {"person": bo.pk}, follow=True)
        assert "Bo Birch of St. Elm choir drives Wednesdays, Wed, Jun 10" in said(answer)
        assert run.bookings.live().get().person == bo
        undo = answer.context["undo"]
        desk.post(undo["url"], undo["fields"])
        assert not run.bookings.live().exists()
        answer = desk.post(url, {"person": una.pk}, follow=True)
        assert "Una Quill was not named" in said(answer)
        assert "Their page shows each step" in said(answer)
        answer = desk.post(url, {"person": outsider.pk}, follow=True)
        assert "Ada Outside is not of this crew." in said(answer)
        assert not run.bookings.live().exists()

    def test_a_run_of_no_crew_takes_no_name(self, desk, shift, ana):
        give(shift, ana)
        run = shift.runs.first()
        answer = desk.post(reverse("desk_name_driver", args=[run.pk]), {"person": ana.pk}, follow=True)
        assert "This run is not kept for this crew." in said(answer)

    def test_changed_later(self, desk, shift, ana, una):
        row = give(shift, ana, crew="Choir", members=[una])
        url = reverse("desk_crew", args=[row.pk])
        assert f'value="{una.pk}" id="id_members_0" checked' in text_of(desk.get(url)).replace(
            'aria-describedby="id_members_helptext" ', ""
        )
        answer = desk.post(url, {"crew": "St. Elm choir", "person": una.pk, "members": [ana.pk]}, follow=True)
        row.refresh_from_db()
        assert (row.crew, row.person, list(row.members.all())) == ("St. Elm choir", una, [ana])
        assert "Saved: St. Elm choir, 1 member." in said(answer)

    def test_of_one_person_there_is_no_crew_to_change(self, desk, shift, ana):
        row = give(shift, ana)
        answer = desk.get(reverse("desk_crew", args=[row.pk]), follow=True)
        assert "it has no crew" in said(answer)

    def test_members_are_looked_for_by_letters_and_ticks_stay(self, desk, shift, ana, una, monkeypatch):
        monkeypatch.setattr("shifts.pages.forms_regulars.SHOWN", 2)
        for name in ("Zoé Zinn", "Zack Zorn", "Zelda Zahl"):
            ready_person(name=name)
        url = reverse("desk_new_crew", args=[shift.pk])
        typed = {"crew": "Choir", "person": ana.pk, "members": [una.pk], "pattern": "other",
                 "from_day": "2026-07-01", "look": "1", "letters": "zo"}  # fmt: skip
        answer = desk.post(url, typed)
        form = answer.context["form"]
        assert not Standing.objects.exists()
        assert [label for _key, label in form["members"].field.choices] == [
            "Una Quill (not ready: Car insurance card)", "Zack Zorn", "Zoé Zinn",
        ]  # fmt: skip
        page = text_of(answer)
        assert page.count(" checked") == 2  # her tick, and how often
        assert 'value="Choir"' in page
        assert 'value="2026-07-01"' in page
        assert f'<option value="{ana.pk}" selected>' in page
        answer = desk.post(url, typed | {"letters": "z"})
        assert "1 more begins like that" in text_of(answer)

    @pytest.mark.parametrize(
        ("facts", "field"),
        [
            ({"crew": " "}, "crew"),
            ({"person": ""}, "person"),
            ({"members": ["99999"]}, "members"),
            ({"members": ["x"]}, "members"),
        ],
    )
    def test_what_is_not_understood_is_said_in_place(self, desk, shift, ana, facts, field):
        good = {
            "crew": "Choir",
            "person": ana.pk,
            "members": [],
            "pattern": "every",
            "from_day": "2026-06-03",
        }
        answer = desk.post(reverse("desk_new_crew", args=[shift.pk]), good | facts)
        assert errors_of(answer)[field]
        assert not Standing.objects.exists()


# --- runs that are kept


class TestKept:
    """Runs on June 3, kept no longer, and June 10, out of sight of the desk's "soon" until June 3."""

    def test_kept_runs_are_no_gaps_until_the_day_and_then_say_why(self, shift, una):
        give(shift, una)
        first, second = shift.runs.order_by("slot_date")[:2]

        def empty(at):
            return [one.run for one in gaps(weaknesses(at=at))]

        assert empty(NOW) == [first]
        assert empty(NOW + 2 * DAY) == []  # June 4: kept until June 6
        assert empty(NOW + 3 * DAY) == []
        assert empty(NOW + 4 * DAY) == [second]

    @pytest.mark.parametrize(("days", "marked"), [(0, False), (1, True), (3, True), (4, False)])
    def test_a_weakness_while_it_is_soon_and_kept(self, shift, una, days, marked):
        give(shift, una)
        found = attention(weaknesses(at=NOW + days * DAY))
        assert bool(found) == marked
        if marked:
            [one] = found
            assert one.run.slot_date == FIRST + 7 * DAY
            assert one.why == "Kept for Una Quill until Sat, Jun 6. Missing: Car insurance card."
            assert "Record what is missing" in one.do

    def test_somebody_who_is_ready_or_seated_or_skips_is_no_weakness(self, shift, ana, una):
        row = give(shift, ana)
        assert attention(weaknesses(at=NOW + 2 * DAY)) == []
        regular.skip(row, first=FIRST + 7 * DAY, last=FIRST + 7 * DAY, by=None, at=NOW)
        assert attention(weaknesses(at=NOW + 2 * DAY)) == []
        [gap] = gaps(weaknesses(at=NOW + 2 * DAY))
        assert gap.run.slot_date == FIRST + 7 * DAY

    def test_a_crew_that_has_named_nobody(self, shift, ana):
        give(shift, ana, crew="St. Elm choir", members=[])
        at = NOW + 2 * DAY
        [one] = attention(weaknesses(at=at))
        assert one.why == "The crew St. Elm choir has named nobody yet."
        assert "Ask Ana Reyes who drives" in one.do
        seat(run=one.run, person=ana, seat="driver", by=None, on_behalf=True, at=at)
        assert attention(weaknesses(at=at)) == []

    def test_somebody_else_seated_ends_the_weakness(self, shift, ana, una):
        give(shift, una)
        at = NOW + 2 * DAY
        [kept] = attention(weaknesses(at=at))
        seat(run=kept.run, person=ana, seat="driver", by=None, on_behalf=True, at=at)
        assert attention(weaknesses(at=at)) == []

    def test_on_the_desk_the_seat_waits_and_the_gap_says_whose_it_is(self, desk, shift, una):
        give(shift, una)
        answer = desk.get(reverse("desk"))
        [gap] = answer.context["gaps"]
        assert gap["regular"] == "Its regular driver Una Quill is not ready: Car insurance card."
        assert gap["regular"] in text_of(answer)
        first, second = seats_shown(answer)
        assert (first["state"], first["word"]) == ("empty", "needs a driver")
        assert (second["state"], second["word"], second["note"]) == (
            "waiting", "Una Q.", "kept until Jun 6",
        )  # fmt: skip
        page = text_of(desk.get(reverse("desk_week") + "?from=2026-06-10"))
        assert "Una Q., kept until Jun 6" in page

    def test_on_the_runs_own_page(self, desk, shift, una):
        give(shift, una)
        first, second = shift.runs.order_by("slot_date")[:2]
        page = text_of(desk.get(reverse("desk_run", args=[second.pk])))
        assert "kept until Jun 6" in page
        assert "Kept for Una Quill until Sat, Jun 6. Missing: Car insurance card." in page
        page = text_of(desk.get(reverse("desk_run", args=[first.pk])))
        assert "Its regular driver Una Quill is not ready: Car insurance card." in page

    def test_what_is_missing_is_the_gates_word_for_every_pair(self, stops):
        """Against the gate asked one by one, for people who lack different things on different dates."""
        shift = weekly(stops, rule=EVERY_DAY, name="Daily")
        lapsing = make_ready(PersonFactory(), until=TODAY + 10 * DAY)
        kitless = make_ready(PersonFactory(), without=("kit", "ride"))
        for person, pattern in ((lapsing, "1st 3rd"), (kitless, "2nd 4th")):
            Standing.objects.create(
                shift=shift, person=person, pattern=pattern, anchor=FIRST, from_day=FIRST, made_at=NOW
            )
        runs = list(Run.objects.filter(shift=shift).with_people())
        absent = absent_regulars(runs, at=NOW, policy=Policy.current())
        assert len(absent) > 40
        sizes = set()
        for run in runs:
            if run.pk in absent:
                one = absent[run.pk]
                person = one.standing.person
                asked = clearance.missing(person, on=run.local_date, sites=run.site_ids)
                assert list(one.missing) == [term.step for term in asked]
                sizes.add(len(asked))
        assert sizes == {0, 2}

    @pytest.mark.parametrize("name", ["desk", "desk_week"])
    def test_queries_do_not_grow_with_kept_runs(self, desk, stops, name):
        counts = []
        for number in (1, 6):
            for _ in range(number):
                person = make_ready(PersonFactory(), without=("insurance",))
                start = time(6 + Standing.objects.count())
                give(weekly(stops, rule=EVERY_DAY, name=f"Daily {start}", starts=start), person)
            counts.append(queries_of(desk, reverse(name))[0])
        assert counts[0] == counts[1] < EVERY_PAGE + 80


def test_nonsense_comes_back_as_a_page(desk, shift, ana, una):
    row = give(shift, una, crew="Choir", members=[ana])
    good = {"person": ana.pk, "pattern": "every", "from_day": "2026-06-03"}
    survives_nonsense(
        desk, reverse("desk_new_regular", args=[shift.pk]), ("person", "pattern", "from_day"), good
    )
    fields = ("crew", "person", "members", "pattern", "from_day", "letters", "look")
    survives_nonsense(desk, reverse("desk_new_crew", args=[shift.pk]), fields)
    survives_nonsense(desk, reverse("desk_crew", args=[row.pk]), ("crew", "person", "members"))
    survives_nonsense(desk, reverse("desk_skip", args=[row.pk]), ("first", "last", "note"))
    survives_nonsense(desk, reverse("desk_stop", args=[row.pk]), ("last_day",))
