"""The steps at the desk: added, changed from a date, ended, put in order; who would lose or gain is shown."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from shifts.cover.weaknesses import attention, weaknesses
from shifts.models import Booking
from shifts.pages.forms_steps import AsksForm, NewStepForm, StopForm, WordsForm
from sites.models import Event
from tests.factories import PersonFactory, SiteFactory, coordinator, make_ready, make_run, put, ready_person
from tests.shifts.pages.at_the_desk import (
    DAY,
    EVERY_PAGE,
    NOW,
    TODAY,
    all_rows,
    confirm,
    desk_client,
    errors_of,
    looked_at,
    press_undo,
    queries_of,
    said,
    save,
    survives_nonsense,
    text_of,
)
from volunteers import clearance, steps
from volunteers.doors import publish
from volunteers.models import Completion, Step
from volunteers.progress import complete

pytestmark = pytest.mark.django_db
LIST, NEW = "/desk/settings/steps/", "/desk/settings/steps/new/"
SOON = TODAY + 10 * DAY
LATE = TODAY + 30 * DAY


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def cora():
    return coordinator()


@pytest.fixture
def desk(cora):
    return desk_client(cora)


@pytest.fixture
def ride():
    return Step.objects.get(code="ride")


@pytest.fixture
def form():
    return {
        "step-kind": "form",
        "step-title": "Photo release",
        "step-how": "The coordinator has it.",
        "step-site": "",
        "step-times": "1",
        "step-lasts_months": "",
        "step-from_day": SOON.isoformat(),
    }


def page_of(step):
    return reverse("desk_step", args=[step.pk])


def asks(day=SOON, **facts):
    return {"what": "asks", "asks-times": "1", "asks-from_day": day.isoformat(), **facts}


def stop(day=SOON):
    return {"what": "stop", "stop-from_day": day.isoformat()}


def run_on(day, *, title="Morning run", **facts):
    starts = datetime(day.year, day.month, day.day, 8, 0, tzinfo=ZoneInfo("America/New_York"))
    return make_run(starts_at=starts, title=title, **facts)


def row(answer, title):
    parts = [answer.context["everywhere"], answer.context["doors"], *answer.context["sites"]]
    [found] = [row for part in parts for row in part if row["title"] == title]
    return found


# --- the list


class TestTheList:
    def test_what_is_asked_of_everybody_in_order(self, desk):
        answer = desk.get(LIST)
        assert [row["title"] for row in answer.context["everywhere"]] == [
            "Driver briefing",
            "Driver's license",
            "Car insurance card",
            "Volunteer agreement, signed",
            "Starter kit",
            "Shadow ride",
        ]
        assert row(answer, "Driver briefing")["asks"] == "once, lasts 24 months"
        assert row(answer, "Driver's license")["asks"] == "until its own date"
        assert row(answer, "Starter kit")["asks"] == "once, for good"
        assert row(answer, "Shadow ride")["since"] == "from the start"

    def test_since_when_and_what_is_announced(self, desk, cora, ride):
        steps.ask(ride, times=2, from_day=TODAY, by=cora.user)
        steps.ask(ride, times=3, again=True, from_day=SOON, by=cora.user)
        shown = row(desk.get(LIST), "Shadow ride")
        assert (shown["asks"], shown["since"]) == ("2 times, for good", "since 6/2/2026")
        assert shown["announced"] == ["from 6/12/2026: 3 times, for good, to be done again by everybody"]
        steps.stop_asking(ride, from_day=SOON, by=cora.user)
        assert row(desk.get(LIST), "Shadow ride")["announced"] == ["asked no longer from 6/12/2026"]

    def test_a_site_has_its_own_and_its_door_notes_are_only_shown(self, desk, cora):
        mill = SiteFactory(name="Mill Street Grocery")
        publish(mill, {"entrance": "The blue door"}, by=cora.user)
        steps.add_step(kind="kit", title="Badge", site=mill, from_day=SOON, by=cora.user)
        answer = desk.get(LIST)
        [[badge]] = answer.context["sites"]
        assert (badge["title"], badge["site"], badge["since"]) == (
            "Badge",
            "Mill Street Grocery",
            "from 6/12/2026",
        )
        [doors] = answer.context["doors"]
        assert (doors["url"], doors["asks"]) == (
            reverse("desk_door_notes", args=[mill.pk]),
            "to be read once",
        )
        assert "up" not in doors
        step = mill.steps.get(kind="doors")
        assert desk.get(page_of(step)).headers["Location"] == doors["url"]
        assert desk.post(page_of(step), stop()).headers["Location"] == doors["url"]
        assert not step.terms.exclude(applies_until=None).exists()

    def test_those_asked_no_longer_stand_apart(self, desk, cora, ride):
        steps.stop_asking(ride, from_day=TODAY, by=cora.user)
        answer = desk.get(LIST)
        assert [one["title"] for one in answer.context["ended"]] == ["Shadow ride"]
        assert "No longer asked (1)" in text_of(answer)

    def test_nothing_asked_says_so(self, desk, cora):
        for step in Step.objects.all():
            steps.stop_asking(step, from_day=TODAY, by=cora.user)
        assert "whoever is on the roster may drive alone" in text_of(desk.get(LIST))

    def test_up_and_down(self, desk, cora, ride):
        answer = desk.post(LIST, {"move": ride.pk, "up": "yes"})
        assert answer.headers["Location"] == f"{LIST}#step-{ride.pk}"
        titles = [row["title"] for row in desk.get(LIST).context["everywhere"]]
        assert titles[-2:] == ["Shadow ride", "Starter kit"]
        desk.post(LIST, {"move": ride.pk, "up": "no"})
        assert desk.get(LIST).context["everywhere"][-1]["title"] == "Shadow ride"
        assert Event.objects.filter(verb="moved", by=cora.user).count() == 2

    def test_the_ends_have_one_button(self, desk):
        rows = desk.get(LIST).context["everywhere"]
        assert [(row["up"], row["down"]) for row in rows] == [
            (False, True), *[(True, True)] * 4, (True, False),
        ]  # fmt: skip

    @pytest.mark.parametrize("key", ["", "x", "0", "99999999999999999999", "٣"])
    def test_nothing_to_move(self, desk, key):
        before = all_rows()
        assert desk.post(LIST, {"move": key, "up": "yes"}).headers["Location"] == LIST
        assert all_rows() == before

    def test_queries_do_not_grow(self, desk, cora):
        """The steps, their terms, which are asked. Sites come with the steps."""
        for count in (1, 8):
            for number in range(count):
                site = SiteFactory(name=f"Site {count} {number}")
                step = steps.add_step(kind="form", title="x", site=site, from_day=SOON, by=None)
                steps.ask(step, times=2, from_day=LATE, by=None)
            number, queries = queries_of(desk, LIST)
            assert number == EVERY_PAGE + 3, queries

    def test_it_is_reached_from_the_settings(self, desk):
        assert f'href="{LIST}"' in desk.get("/desk/settings/").content.decode()
        assert desk.get(LIST).context["nav"] == desk.get(NEW).context["nav"] == "settings"


# --- a new one


class TestANewStep:
    def test_where_nobody_loses_it_is_saved_at_once(self, desk, form, cora):
        answer = desk.post(NEW, form)
        step = Step.objects.get(title="Photo release")
        assert answer.headers["Location"] == page_of(step)
        assert (step.kind, step.how, step.site) == ("form", "The coordinator has it.", None)
        assert Event.objects.about(step).get().by == cora.user
        assert "asked from 6/12/2026" in said(answer)

    def test_who_would_lose_is_shown_and_nothing_is_saved(self, desk, form):
        ready_person(name="Ana Reyes"), ready_person(name="Ben Holt"), PersonFactory(name="Not Ready")
        before = all_rows()
        answer = desk.post(NEW, form)
        assert looked_at(answer) == {
            "2 people are not ready to drive alone on 6/12/2026 any more": ["Ana Reyes", "Ben Holt"]
        }
        assert all_rows() == before
        assert "Nothing has been saved yet." in text_of(answer)
        confirm(desk, answer)
        assert Step.objects.filter(title="Photo release").exists()

    def test_booked_runs_that_would_be_flagged_are_shown_by_date(self, desk, form):
        ana = ready_person(name="Ana Reyes")
        put(ana, run_on(SOON + 5 * DAY, title="Second"))
        put(ana, run_on(SOON, title="First"))
        put(ana, run_on(SOON - DAY, title="Before it holds"))
        put(ready_person(name="Rides along"), run_on(SOON), Booking.Seat.SECOND)
        put(
            ready_person(name="Ben Holt"),
            run_on(SOON, title="Off", cancelled_at=NOW, cancel_cause="called off"),
        )
        shown = looked_at(desk.post(NEW, form))["2 booked runs would have a driver who is not ready"]
        assert shown == [
            "First, Fri, Jun 12, 8:00 a.m. | Ana Reyes",
            "Second, Wed, Jun 17, 8:00 a.m. | Ana Reyes",
        ]

    def test_nobody_is_unseated_and_the_desk_shows_it(self, desk, form):
        run = run_on(SOON)
        booking = put(ready_person(name="Ana Reyes"), run)
        save(desk, NEW, form)
        booking.refresh_from_db()
        assert booking.is_live
        assert [weak.why for weak in attention(weaknesses(at=NOW))] == [
            "Ana Reyes is not ready to drive alone on that date."
        ]
        assert "Ana Reyes is not ready to drive alone" in text_of(desk.get("/desk/"))

    def test_of_one_site_those_who_drive_there(self, desk, form):
        mill = SiteFactory(name="Mill Street")
        ana = ready_person(name="Ana Reyes")
        put(ana, run_on(SOON, title="There", sites=[mill, SiteFactory()]))
        put(ana, run_on(SOON + DAY, title="Elsewhere"))
        answer = desk.post(NEW, {**form, "step-site": mill.pk, "step-kind": "ride", "step-times": "2"})
        assert looked_at(answer) == {
            "1 booked run would have a driver who is not ready": [
                "There, Fri, Jun 12, 8:00 a.m. | Ana Reyes"
            ],
            "1 person is not ready to drive alone at Mill Street on 6/12/2026 any more": ["Ana Reyes"],
        }
        confirm(desk, answer)
        step = mill.steps.get()
        assert (step.kind, step.terms.get().times) == ("ride", 2)
        assert clearance.missing(ana, on=SOON) == []

    def test_the_site_may_be_named_by_a_link(self, desk):
        mill = SiteFactory()
        assert desk.get(f"{NEW}?site={mill.pk}").context["form"]["site"].value() == mill.pk
        assert desk.get(f"{NEW}?site=x").context["form"]["site"].value() is None

    def test_those_who_are_ready_may_have_it_already(self, desk, form, cora):
        ana = ready_person()
        answer = desk.post(NEW, {**form, "step-drivers_have_it": "on"})
        assert answer.status_code == 302, "nobody loses"
        done = Completion.objects.get(step__title="Photo release")
        assert (done.person, done.recorded_by) == (ana, cora.user)

    def test_it_can_be_undone_at_once(self, desk, form):
        ana = ready_person()
        answer = save(desk, NEW, form)
        page = desk.get(answer.headers["Location"])
        assert page.context["undo"]["words"] == "Undo: do not ask it"
        shown = press_undo(desk, page)
        assert looked_at(shown) == {"1 person becomes ready to drive alone": [ana.name]}
        confirm(desk, shown)
        assert clearance.missing(ana, on=SOON) == []
        assert Step.objects.get(title="Photo release") not in Step.objects.asked(TODAY)

    @pytest.mark.parametrize(
        ("change", "field", "words"),
        [
            ({"step-title": " "}, "title", "Write a name."),
            ({"step-kind": "doors"}, "kind", "Select a valid choice"),
            ({"step-from_day": "6/1/2026"}, "from_day", "is over"),
            ({"step-from_day": ""}, "from_day", "Give the date."),
            ({"step-times": "0"}, "times", "1"),
            ({"step-times": "21"}, "times", "20"),
            ({"step-lasts_months": "0"}, "lasts_months", "1"),
            ({"step-lasts_months": "121"}, "lasts_months", "120"),
            ({"step-kind": "paper", "step-times": "2"}, "times", "asked for once"),
            ({"step-kind": "briefing", "step-times": "2"}, "times", "asked for once"),
            ({"step-kind": "paper", "step-lasts_months": "2"}, "lasts_months", "own date"),
            ({"step-kind": "paper", "step-drivers_have_it": "on"}, "drivers_have_it", "date of each person"),
            ({"step-site": "999"}, "site", "Select a valid choice"),
        ],
    )
    def test_a_fault_is_named_and_what_was_typed_stays(self, desk, form, change, field, words):
        before = all_rows()
        answer = desk.post(NEW, {**form, **change})
        assert words in errors_of(answer)[field]
        assert answer.context["form"]["how"].value() == "The coordinator has it."
        assert "Error:" in text_of(answer)
        assert all_rows() == before

    def test_what_was_typed_can_be_changed_after_the_look(self, desk, form):
        ready_person()
        answer = desk.post(NEW, {**form, "edit": "yes"})
        assert answer.context["form"]["title"].value() == "Photo release"
        assert not Step.objects.filter(title="Photo release").exists()


# --- one step


class TestWords:
    def test_they_change_at_once(self, desk, cora, ride):
        ready_person()
        words = {"what": "words", "words-title": "Ride along", "words-how": "Ask Lee."}
        answer = desk.post(page_of(ride), words)
        ride.refresh_from_db()
        assert (ride.title, ride.how) == ("Ride along", "Ask Lee.")
        assert "Volunteers read the new words" in said(answer)
        assert "Ask Lee." in text_of(desk.get(page_of(ride)))

    def test_and_back(self, desk, ride):
        desk.post(page_of(ride), {"what": "words", "words-title": "Ride along", "words-how": ""})
        press_undo(desk, desk.get(page_of(ride)))
        ride.refresh_from_db()
        assert ride.title == "Shadow ride"
        assert ride.how.startswith("Take the second seat")

    def test_the_same_words(self, desk, ride):
        before = all_rows()
        words = {"what": "words", "words-title": ride.title, "words-how": ride.how}
        assert "already like this" in said(desk.post(page_of(ride), words))
        assert all_rows() == before

    def test_a_name_is_needed(self, desk, ride):
        answer = desk.post(page_of(ride), {"what": "words", "words-title": "", "words-how": "Ask Lee."})
        assert "Write a name." in errors_of(answer)["title"]
        assert answer.context["words_form"]["how"].value() == "Ask Lee."
        assert not answer.context["asks_form"].errors


class TestWhatItAsks:
    def test_from_a_date(self, desk, cora, ride):
        answer = desk.post(page_of(ride), asks(**{"asks-times": "2", "asks-lasts_months": "36"}))
        assert said(answer) == "Shadow ride: 2 times, lasts 36 months from 6/12/2026."
        term = ride.terms.get(applies_until=None)
        assert (term.applies_from, term.times, term.lasts_months, term.revision) == (SOON, 2, 36, 1)
        event = Event.objects.about(ride).get()
        assert (event.by, event.verb) == (cora.user, steps.ASKS)

    def test_who_would_lose_who_would_gain(self, desk, ride):
        once = make_ready(PersonFactory(name="Rode Once"))
        twice = make_ready(PersonFactory(name="Rode Twice"))
        complete(person=twice, step=ride, by=None)
        run = run_on(SOON, title="Friday run")
        put(once, run)
        shown = desk.post(page_of(ride), asks(**{"asks-times": "2"}))
        assert looked_at(shown) == {
            "1 booked run would have a driver who is not ready": [
                "Friday run, Fri, Jun 12, 8:00 a.m. | Rode Once"
            ],
            "1 person is not ready to drive alone on 6/12/2026 any more": ["Rode Once"],
        }
        assert not ride.terms.exclude(applies_until=None).exists()
        confirm(desk, shown)
        shown = desk.post(page_of(ride), asks(day=SOON))
        assert looked_at(shown) == {
            "1 person becomes ready to drive alone": ["Rode Once"],
            "1 booked run would be in order again": ["Friday run, Fri, Jun 12, 8:00 a.m. | Rode Once"],
        }

    def test_everybody_again(self, desk, ride):
        ana = ready_person(name="Ana Reyes")
        save(desk, page_of(ride), asks(**{"asks-again": "on"}))
        assert [term.step for term in clearance.missing(ana, on=SOON)] == [ride]
        assert clearance.missing(ana, on=SOON - DAY) == []

    def test_undone_it_is_as_it_was_though_it_was_changed_on_that_day_before(self, desk, form):
        save(desk, NEW, form)
        added = Step.objects.get(title="Photo release")
        save(desk, page_of(added), asks(**{"asks-times": "3", "asks-lasts_months": "12"}))
        save(desk, page_of(added), asks(**{"asks-times": "2"}))
        press_undo(desk, desk.get(page_of(added)))
        term = added.terms.get()
        assert (term.applies_from, term.times, term.lasts_months, term.applies_until) == (SOON, 3, 12, None)

    @pytest.mark.parametrize(
        ("before", "change"),
        [
            ({"times": 2, "from_day": SOON}, asks(**{"asks-again": "on"})),
            ({"times": 3, "from_day": LATE}, asks(**{"asks-times": "2"})),
            ({"times": 3, "from_day": LATE}, stop()),
            ({"again": True, "from_day": SOON}, stop()),
        ],
    )
    def test_no_undo_is_offered_that_would_not_bring_back_what_was_announced(
        self, desk, cora, ride, before, change
    ):
        steps.ask(ride, **before, by=cora.user)
        save(desk, page_of(ride), change)
        assert desk.get(page_of(ride)).context["undo"] is None

    def test_what_was_announced_and_falls_away_is_said(self, desk, cora, ride):
        steps.ask(ride, times=3, from_day=LATE, by=cora.user)
        answer = desk.post(page_of(ride), asks(**{"asks-times": "2"}))
        assert answer.context["look"].notes == [
            "A change was announced from 7/2/2026. It falls away: enter it again if it holds."
        ]
        steps.take_back(ride, from_day=LATE, by=cora.user)
        steps.stop_asking(ride, from_day=LATE, by=cora.user)
        answer = desk.post(page_of(ride), asks(**{"asks-times": "2"}))
        assert answer.context["look"].notes == [
            "It was to be asked no longer from 7/2/2026. That falls away; now it goes on."
        ]
        confirm(desk, answer)
        assert ride.terms.get(applies_until=None).times == 2

    def test_a_step_that_has_not_begun_may_begin_earlier(self, desk, cora):
        step = steps.add_step(kind="form", title="Photo release", from_day=LATE, by=cora.user)
        answer = desk.post(page_of(step), asks())
        assert answer.context["look"].notes == ["It was to be asked from 7/2/2026. This takes its place."]
        confirm(desk, answer)
        assert [term.applies_from for term in step.terms.all()] == [SOON]

    def test_just_this_already(self, desk, ride):
        before = all_rows()
        assert "just this already" in said(desk.post(page_of(ride), asks()))
        assert all_rows() == before

    def test_the_form_has_what_the_kind_has(self, desk):
        def fields(code):
            page = desk.get(page_of(Step.objects.get(code=code)))
            return list(page.context["asks_form"].fields)

        assert fields("ride") == ["times", "lasts_months", "again", "from_day"]
        assert fields("briefing") == ["lasts_months", "again", "from_day"]
        assert fields("license") == ["again", "from_day"]
        assert desk.get(page_of(Step.objects.get(code="briefing"))).context["asks_form"][
            "lasts_months"
        ].value() == 24  # fmt: skip

    def test_numbers_the_kind_has_not_are_not_taken(self, desk):
        license = Step.objects.get(code="license")
        desk.post(page_of(license), asks(**{"asks-times": "3", "asks-lasts_months": "3", "asks-again": "on"}))
        term = license.terms.get(applies_until=None)
        assert (term.times, term.lasts_months, term.revision) == (1, None, 2)

    @pytest.mark.parametrize(
        ("change", "field", "words"),
        [
            ({"asks-times": ""}, "times", "Write 1"),
            ({"asks-times": "two"}, "times", "whole number"),
            ({"asks-lasts_months": "-1"}, "lasts_months", "1"),
            ({"asks-from_day": "6/1/2026"}, "from_day", "is over"),
        ],
    )
    def test_a_fault_is_named_in_place(self, desk, ride, change, field, words):
        before = all_rows()
        answer = desk.post(page_of(ride), {**asks(), **change})
        assert words in errors_of(answer)[field]
        assert answer.context["asks_form"].is_bound
        assert all_rows() == before

    def test_confirmed_for_something_else_it_is_shown_anew(self, desk, ride):
        ready_person(name="Ana Reyes")
        shown = desk.post(page_of(ride), asks(**{"asks-times": "2"}))
        ready_person(name="Ben Holt")
        again = confirm(desk, shown)
        assert "Something has changed since you looked" in text_of(again)
        assert not ride.terms.exclude(applies_until=None).exists()


class TestNoLongerAsked:
    def test_who_would_gain(self, desk, cora, ride):
        ina = make_ready(PersonFactory(name="Ina Quell"), without=("ride",))
        shown = desk.post(page_of(ride), stop())
        assert looked_at(shown) == {"1 person becomes ready to drive alone": ["Ina Quell"]}
        answer = confirm(desk, shown)
        assert "no longer asked from 6/12/2026" in said(answer)
        assert clearance.missing(ina, on=SOON) == []
        assert clearance.missing(ina, on=SOON - DAY)
        assert Event.objects.about(ride).get().verb == steps.STOPS

    def test_undone(self, desk, ride):
        ina = make_ready(PersonFactory(name="Ina Quell"), without=("ride",))
        save(desk, page_of(ride), stop())
        shown = press_undo(desk, desk.get(page_of(ride)))
        assert looked_at(shown) == {
            "1 person is not ready to drive alone on 6/12/2026 any more": ["Ina Quell"]
        }
        confirm(desk, shown)
        assert ride.terms.get().applies_until is None
        assert clearance.missing(ina, on=SOON)

    def test_undone_it_is_asked_as_of_that_day(self, desk, cora, ride):
        steps.ask(ride, times=2, from_day=SOON, by=cora.user)
        save(desk, page_of(ride), stop())
        press_undo(desk, desk.get(page_of(ride)))
        assert list(ride.terms.order_by("applies_from").values_list("times", "applies_until")) == [
            (1, SOON),
            (2, None),
        ]

    def test_asked_again_on_the_day_of_its_end_no_undo_is_offered(self, desk, cora, ride):
        steps.stop_asking(ride, from_day=SOON, by=cora.user)
        save(desk, page_of(ride), asks())
        assert desk.get(page_of(ride)).context["undo"] is None

    def test_when_it_is_over_it_can_be_asked_again(self, desk, ride):
        desk.post(page_of(ride), stop(TODAY))
        page = desk.get(page_of(ride))
        assert page.context["is_asked"] is False
        assert "Ask it again, from a date on" in text_of(page)
        assert "No longer ask it" not in text_of(page)
        desk.post(page_of(ride), asks())
        assert ride in Step.objects.asked(SOON)

    def test_what_is_not_asked_then_cannot_end(self, desk, cora, ride):
        steps.stop_asking(ride, from_day=SOON, by=cora.user)
        answer = desk.post(page_of(ride), stop(LATE))
        assert "It is not asked from that day on already." in errors_of(answer)["__all__"]

    def test_what_was_announced_falls_away_with_it(self, desk, cora, ride):
        steps.ask(ride, times=3, from_day=LATE, by=cora.user)
        assert desk.post(page_of(ride), stop()).context["look"].notes == [
            "A change was announced from 7/2/2026. It falls away: enter it again if it holds."
        ]


class TestTakingBack:
    def back(self, day=TODAY + DAY):
        return {"what": "back", "from_day": day.isoformat()}

    def test_the_page_offers_it_for_what_is_announced(self, desk, cora, ride):
        assert "Take back what is announced" not in text_of(desk.get(page_of(ride)))
        steps.ask(ride, times=2, from_day=SOON, by=cora.user)
        page = desk.get(page_of(ride))
        assert "Take back what is announced" in text_of(page)
        assert page.context["row"]["announced"] == ["from 6/12/2026: 2 times, for good"]
        answer = desk.post(page_of(ride), self.back())
        assert "Taken back" in said(answer)
        assert ride.terms.get().applies_until is None
        assert Event.objects.about(ride).first().by == cora.user

    def test_who_would_gain(self, desk, cora, ride):
        ana = ready_person(name="Ana Reyes")
        steps.ask(ride, again=True, from_day=SOON, by=cora.user)
        shown = desk.post(page_of(ride), self.back(SOON))
        assert looked_at(shown) == {"1 person becomes ready to drive alone": ["Ana Reyes"]}
        confirm(desk, shown)
        assert clearance.missing(ana, on=SOON) == []

    @pytest.mark.parametrize(
        "change",
        [{"times": 2}, {"times": 3, "lasts_months": 12}, {"times": 1, "again": True}],
    )
    def test_it_can_be_announced_again_at_once(self, desk, cora, ride, change):
        steps.ask(ride, **change, from_day=SOON, by=cora.user)
        before = list(ride.terms.values_list("applies_from", "applies_until", "times", "lasts_months"))
        desk.post(page_of(ride), self.back())
        press_undo(desk, desk.get(page_of(ride)))
        after = list(ride.terms.values_list("applies_from", "applies_until", "times", "lasts_months"))
        assert after == before
        revisions = list(ride.terms.order_by("applies_from").values_list("revision", flat=True))
        assert (revisions[1] > revisions[0]) == change.get("again", False)

    def test_an_end_too(self, desk, cora, ride):
        steps.stop_asking(ride, from_day=SOON, by=cora.user)
        desk.post(page_of(ride), self.back())
        assert ride.terms.get().applies_until is None
        press_undo(desk, desk.get(page_of(ride)))
        assert ride.terms.get().applies_until == SOON

    @pytest.mark.parametrize("day", ["", "x", "6/1/2026", "2026-06-12"])
    def test_where_there_is_nothing_it_says_so(self, desk, ride, day):
        before = all_rows()
        answer = desk.post(page_of(ride), {"what": "back", "from_day": day})
        assert answer.headers["Location"] == page_of(ride)
        assert said(answer)
        assert all_rows() == before


def test_what_was_done_is_told_with_who_and_when(desk, cora, ride):
    desk.post(page_of(ride), {"what": "words", "words-title": "Ride along", "words-how": ""})
    save(desk, page_of(ride), asks(**{"asks-times": "2", "asks-again": "on"}))
    desk.post(page_of(ride), {"what": "back", "from_day": SOON.isoformat()})
    save(desk, page_of(ride), stop())
    desk.post(LIST, {"move": ride.pk, "up": "yes"})
    history = desk.get(page_of(ride)).context["history"]
    assert sorted(event["what"] for event in history) == [
        "asked it 2 times, for good, to be done again by everybody from 6/12/2026",
        "asked it no longer from 6/12/2026",
        "changed the words",
        "moved it up",
        "took back what was to change from 6/12/2026",
    ]
    assert {(event["who"], event["at"]) for event in history} == {("Cora Desk", NOW)}


def test_a_step_that_is_not_there(desk):
    assert desk.get("/desk/settings/steps/99999/").status_code == 404


# --- how much is asked of the database


def test_queries_of_a_step_do_not_grow(desk, cora, ride):
    """The step, its terms; its events, the people behind them."""
    desk.get(page_of(ride))
    for count in (1, 8):
        for number in range(count):
            steps.ask(ride, times=2 + number, from_day=TODAY + (count + number) * DAY, by=cora.user)
        number, queries = queries_of(desk, page_of(ride))
        assert number == EVERY_PAGE + 4, queries


def test_queries_of_a_look_do_not_grow_with_people_or_bookings(desk, form):
    def count():
        with CaptureQueriesContext(connection) as queries:
            answer = desk.post(NEW, form)
        assert answer.context["look"].groups
        return len(queries), answer

    put(ready_person(), run_on(SOON))
    few, _answer = count()
    for number in range(12):
        put(ready_person(), run_on(SOON + number * DAY))
    many, answer = count()
    assert [len(group.rows) for group in answer.context["look"].groups] == [13, 13]
    assert many == few


# --- nonsense


def test_every_form_survives_nonsense(desk, form, ride):
    ready_person()
    survives_nonsense(desk, NEW, [f"step-{name}" for name in NewStepForm().fields], form)
    survives_nonsense(desk, page_of(ride), [f"asks-{name}" for name in AsksForm().fields], asks())
    survives_nonsense(desk, page_of(ride), [f"stop-{name}" for name in StopForm().fields], stop())
    words = {"what": "words", "words-title": "x", "words-how": "x"}
    survives_nonsense(desk, page_of(ride), [f"words-{name}" for name in WordsForm().fields], words)
    survives_nonsense(desk, page_of(ride), ("from_day",), {"what": "back"})
    survives_nonsense(desk, page_of(ride), ("what",))
    survives_nonsense(desk, LIST, ("move", "up"))
    for address in (LIST, NEW, page_of(ride)):
        assert desk.get(address).status_code == 200
