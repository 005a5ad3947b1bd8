"""My regular run: taking one, its page, skipping, stopping, a crew's captain; what others see of it."""

import html
import re
from datetime import date, time, timedelta

import pytest
import time_machine

from shifts.models import Booking, Policy, Run, Skip, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats import standing as regular
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run
from sites.changes import close_site
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, make_ready, ready_person
from tests.shifts.pages.at_the_desk import NONSENSE, NOW, TODAY, queries_of, said
from tests.shifts.pages.at_the_desk import text_of as source_of
from volunteers.models import Completion
from volunteers.people import sign_in_for

pytestmark = pytest.mark.django_db
DRIVER, SECOND = Booking.Seat.DRIVER, Booking.Seat.SECOND
WEEK = timedelta(weeks=1)
FRIDAY = date(2026, 6, 5)  # the 1st Friday of its month


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ana(client):
    person = make_ready(PersonFactory(name="Ana Bell", sign_in=True))
    client.force_login(person.user)
    return person


@pytest.fixture
def ben():
    return ready_person(name="Ben Okoro")


def text_of(answer):
    """The page's source with its signs as people see them."""
    return html.unescape(source_of(answer))


def weekly(rule="FREQ=WEEKLY;BYDAY=FR", name="Friday run"):
    sites = [SiteFactory().pk, DropOffFactory().pk]
    plan = Plan(rule=rule, starts=time(8), minutes=60, stops=((sites[0], 0), (sites[1], 30)))
    return add_shift(name=name, from_day=TODAY, by=None, plan=plan)


@pytest.fixture
def fridays():
    return weekly()


def runs_of(shift):
    return list(shift.runs.ahead(NOW).order_by("starts_at"))


def begin(shift, person, **more):
    wish = regular.Wish(shift, person, runs_of(shift)[0].slot_date, **more)
    return regular.begin(wish, by=None, on_behalf=True)


def post(client, run, pattern="every"):
    return client.post(f"/runs/{run.pk}/regular/", {"pattern": pattern})


def lapse(person, last):
    """Their insurance card runs out."""
    Completion.objects.filter(person=person, step__code="insurance").update(valid_until=last)


def words_on(client, standing, day):
    """What the page says of one date."""
    rows = client.get(f"/regular/{standing.pk}/").context
    [row] = [row for row in [*rows["dates"], *rows["later"]] if row["day"] == day]
    return row


class TestBeginning:
    def test_offered_below_the_seat_to_whoever_may_drive(self, client, ana, fridays):
        run = runs_of(fridays)[0]
        assert f'href="/runs/{run.pk}/regular/"' in text_of(client.get(f"/runs/{run.pk}/"))
        seat(run=run, person=ana, seat=DRIVER, by=None)
        assert f'href="/runs/{run.pk}/regular/"' in text_of(client.get(f"/runs/{run.pk}/"))

    def test_not_offered_to_who_is_not_ready_nor_where_it_is_somebody_s(self, client, ana, ben, fridays):
        first, second = runs_of(fridays)[:2]
        standing = begin(fridays, ben)
        regular.skip(standing, first=second.slot_date, last=second.slot_date, by=None)
        for run in (first, second):
            page = text_of(client.get(f"/runs/{run.pk}/"))
            assert "Make it my regular run" not in page
        stranger = PersonFactory(sign_in=True)
        client.force_login(stranger.user)
        other = runs_of(weekly(name="Other run"))[0]
        assert "Make it my regular run" not in text_of(client.get(f"/runs/{other.pk}/"))

    def test_the_first_dates_of_each_choice_and_who_has_them(self, client, ana, ben, fridays):
        runs = runs_of(fridays)
        seat(run=runs[1], person=ben, seat=DRIVER, by=None)
        close_site(runs[2].ordered_stops[0].site, first=runs[2].local_date, last=runs[2].local_date, by=None)
        lapse(ana, runs[3].local_date - timedelta(days=1))
        page = client.get(f"/runs/{runs[0].pk}/regular/")
        dates = {
            choice["value"]: [(date["day"], date["note"]) for date in choice["dates"]]
            for choice in page.context["choices"]
        }
        assert dates["every"] == [
            (FRIDAY, ""), (FRIDAY + WEEK, "Ben has it"), (FRIDAY + 2 * WEEK, "closed"),
            (FRIDAY + 3 * WEEK, "kept"),
        ]  # fmt: skip
        assert [day for day, _note in dates["other"]] == [FRIDAY + n * WEEK for n in (0, 2, 4, 6)]
        assert [day.day for day, _note in dates["1st 3rd"]] == [5, 19, 3, 17]
        assert [day.day for day, _note in dates["2nd 4th"]] == [12, 26, 10, 24]
        assert "It is yours, every run until you stop. Skip a date any time with one tap." in text_of(page)

    @pytest.mark.parametrize(
        ("rule", "offered"),
        [
            ("FREQ=WEEKLY;BYDAY=FR", ["every", "other", "1st 3rd", "2nd 4th"]),
            ("FREQ=WEEKLY;INTERVAL=2;BYDAY=FR", ["every"]),
            ("FREQ=MONTHLY;BYDAY=1FR,3FR", ["every"]),
        ],
    )
    def test_only_patterns_that_have_a_meaning(self, client, ana, rule, offered):
        run = runs_of(weekly(rule))[0]
        page = client.get(f"/runs/{run.pk}/regular/")
        assert [choice["value"] for choice in page.context["choices"]] == offered

    def test_one_button_and_it_is_theirs(self, client, ana, fridays):
        run = runs_of(fridays)[1]
        answer = post(client, run, "other")
        standing = Standing.objects.get()
        assert answer["Location"] == f"/regular/{standing.pk}/"
        assert "It is your regular run now." in said(answer)
        assert (standing.person, standing.from_day, standing.pattern) == (ana, run.slot_date, "other")
        assert [booking.run.slot_date for booking in standing.bookings.live().order_by("run")] == [
            run.slot_date + 2 * n * WEEK for n in range(4)
        ]

    def test_refused_in_place_with_the_choice_kept(self, client, ana, fridays):
        lapse(ana, TODAY)
        answer = post(client, runs_of(fridays)[0], "1st 3rd")
        assert answer.status_code == 409
        page = text_of(answer)
        assert "Not ready to drive this run alone yet." in page
        assert re.search(r'value="1st 3rd"[^>]* checked', page)
        assert not Standing.objects.exists()

    def test_tapped_twice_it_is_one(self, client, ana, fridays):
        run = runs_of(fridays)[0]
        post(client, run)
        assert post(client, run)["Location"] == f"/regular/{Standing.objects.get().pk}/"

    @pytest.mark.parametrize("pattern", NONSENSE)
    def test_nonsense_is_asked_again(self, client, ana, fridays, pattern):
        assert post(client, runs_of(fridays)[0], pattern).status_code == 400
        assert not Standing.objects.exists()

    def test_not_for_a_run_of_no_weekly_run(self, client, ana):
        run = Run.objects.create(
            title="Once", local_date=TODAY, starts_at=NOW + WEEK, ends_at=NOW + WEEK + timedelta(hours=1)
        )
        assert client.get(f"/runs/{run.pk}/regular/").status_code == 404


class TestItsPage:
    def test_each_date_says_what_it_is(self, client, ana, ben, fridays):
        Policy.objects.update(keep_days=4)
        runs = runs_of(fridays)
        standing = begin(fridays, ana)
        regular.skip(standing, first=runs[1].slot_date, last=runs[1].slot_date, by=None)
        regular.skip(standing, first=runs[2].slot_date, last=runs[2].slot_date, by=None)
        seat(run=runs[2], person=ben, seat=DRIVER, by=None)
        close_site(runs[3].ordered_stops[0].site, first=runs[3].local_date, last=runs[3].local_date, by=None)
        cancel_run(runs[4], reason="Snow.", by=None)
        give_back(runs[5].bookings.live().get(), by=None, end=Booking.End.LAPSED)
        lapse(ana, runs[4].local_date)
        found = [words_on(client, standing, run.slot_date) for run in runs[:6]]
        assert [row["word"] for row in found] == [
            "", "skipped", "Ben has it", "closed that day", "cancelled", "kept for you until Mon, Jul 6",
        ]  # fmt: skip
        assert found[5]["hint"] == "Still missing: Car insurance card"
        assert [row["can_skip"] for row in found] == [True, False, False, False, False, True]
        assert [row["skipped"] is not None for row in found] == [False, True, False, False, False, False]
        assert found[5]["card"]["seats"][0] == {
            "kind": "driver", "label": "Driver's seat", "state": "waiting", "word": "kept for you",
            "note": "regular",
        }  # fmt: skip

    def test_in_words_what_it_is(self, client, ana, fridays):
        page = text_of(client.get(f"/regular/{begin(fridays, ana, pattern='2nd 4th').pk}/"))
        assert "My regular run: the 2nd and 4th Friday of the month, 8:00 a.m." in page

    def test_nobody_else_s(self, client, ana, ben, fridays):
        standing = begin(fridays, ben)
        for path in ("", "stop/"):
            assert client.get(f"/regular/{standing.pk}/{path}").status_code == 404
        for path in ("skip/", "unskip/", "name/", "stop/"):
            fields = {"first": FRIDAY, "last_day": TODAY, "skip": 1, "run": runs_of(fridays)[0].pk}
            assert client.post(f"/regular/{standing.pk}/{path}", fields).status_code == 404
        assert Booking.objects.live().filter(person=ben).count() == len(runs_of(fridays))

    def test_a_household_acts_for_each_of_its_people(self, client, ana, ben, fridays):
        standing = begin(fridays, ben)
        ben.user = ana.user
        ben.save()
        assert client.get(f"/regular/{standing.pk}/").status_code == 404, "acting for Ana now"
        client.post("/me/act-for/", {"person": ben.pk})
        assert client.get(f"/regular/{standing.pk}/").status_code == 200

    def test_after_its_end_it_says_so(self, client, ana, fridays):
        standing = begin(fridays, ana)
        regular.stop(standing, last_day=TODAY, by=None)
        page = text_of(client.get(f"/regular/{standing.pk}/"))
        assert "This regular run has ended." in page
        assert "Skip several dates" not in page

    @pytest.mark.parametrize("crew", ["", "Choir"])
    def test_queries_do_not_grow_with_dates(self, client, ana, crew):
        one, many = (weekly(rule, name) for rule, name in (
            ("FREQ=MONTHLY;BYDAY=1FR", "Once a month"), ("FREQ=WEEKLY;BYDAY=MO,WE,FR", "Often"),
        ))  # fmt: skip
        counts = []
        for shift in (one, many):
            standing = begin(shift, ana, crew=crew)
            standing.members.set([ready_person()])
            lapse(ana, runs_of(shift)[0].local_date)
            regular.skip(standing, first=FRIDAY, last=FRIDAY, by=None)
            counts.append(queries_of(client, f"/regular/{standing.pk}/"))
        assert counts[0][0] == counts[1][0], counts[1][1]


class TestSkipping:
    @pytest.fixture
    def mine(self, ana, fridays):
        return begin(fridays, ana)

    def test_one_date_by_one_tap_and_undone(self, client, mine, fridays, ana):
        run = runs_of(fridays)[1]
        answer = client.post(f"/regular/{mine.pk}/skip/", {"first": run.slot_date})
        assert "Skipped: Fri, Jun 12. Your other dates stay yours." in said(answer)
        assert not run.bookings.live().exists()
        assert Booking.objects.live().count() == len(runs_of(fridays)) - 1
        undo = client.get(f"/regular/{mine.pk}/").context["undo"]
        answer = client.post(undo["url"], undo["fields"])
        assert "Yours again: Fri, Jun 12." in said(answer)
        assert run.bookings.live().get().standing == mine

    def test_tapped_twice_one_undo_is_enough(self, client, mine, fridays):
        run = runs_of(fridays)[1]
        for _tap in range(2):
            client.post(f"/regular/{mine.pk}/skip/", {"first": run.slot_date})
        client.post(f"/regular/{mine.pk}/unskip/", {"skip": Skip.objects.get().pk})
        assert run.bookings.live().exists()

    def test_a_range_goes_beyond_the_runs_that_are_made(self, client, mine):
        first, last = TODAY + 20 * WEEK, TODAY + 24 * WEEK
        fields = {"first": first, "last": last, "reason": "Family visit"}
        client.post(f"/regular/{mine.pk}/skip/", fields)
        [skip] = Skip.objects.standing()
        assert (skip.first, skip.last, skip.reason) == (first, last, "Family visit")
        page = text_of(client.get(f"/regular/{mine.pk}/"))
        assert "Skipped: Tue, Oct 20 to Tue, Nov 17" in page
        assert "Family visit" in page
        client.post(f"/regular/{mine.pk}/unskip/", {"skip": skip.pk})
        assert "Family visit" not in text_of(client.get(f"/regular/{mine.pk}/"))

    def test_one_date_of_a_longer_skip_can_be_taken_back(self, client, mine, fridays):
        runs = runs_of(fridays)
        client.post(f"/regular/{mine.pk}/skip/", {"first": runs[1].slot_date, "last": runs[3].slot_date})
        answer = client.post(f"/regular/{mine.pk}/unskip/", {"run": runs[2].pk})
        assert "Yours again: Fri, Jun 19." in said(answer)
        assert [run.bookings.live().exists() for run in runs[:5]] == [True, False, True, False, True]

    def test_what_somebody_else_has_taken_stays_theirs(self, client, mine, fridays, ben):
        run = runs_of(fridays)[1]
        client.post(f"/regular/{mine.pk}/skip/", {"first": run.slot_date})
        seat(run=run, person=ben, seat=DRIVER, by=None)
        answer = client.post(f"/regular/{mine.pk}/unskip/", {"skip": Skip.objects.get().pk})
        assert "What somebody else has taken stays theirs." in said(answer)
        answer = client.post(f"/regular/{mine.pk}/unskip/", {"run": run.pk})
        assert answer.status_code == 409
        assert "Just taken" in text_of(answer)
        assert run.bookings.live().get().person == ben

    @pytest.mark.parametrize(
        ("fields", "words"),
        [
            ({}, "Give the first day."),
            ({"first": "2026-06-20", "last": "2026-06-10"}, "The last day is before the first."),
            ({"first": "2026-05-01"}, "These days are over."),
            ({"first": "soon"}, "Enter a valid date."),
        ],
    )
    def test_bad_dates_are_refused_with_what_was_typed_kept(self, client, mine, fields, words):
        answer = client.post(f"/regular/{mine.pk}/skip/", fields | {"reason": "Trip to the lake"})
        assert words in text_of(answer)
        assert 'value="Trip to the lake"' in text_of(answer)
        assert not Skip.objects.exists()

    @pytest.mark.parametrize("text", NONSENSE)
    def test_nonsense(self, client, mine, text):
        for path in ("skip", "unskip", "name", "stop"):
            fields = dict.fromkeys(("first", "last", "reason", "skip", "run", "person", "last_day"), text)
            status = client.post(f"/regular/{mine.pk}/{path}/", fields).status_code
            assert status in (200, 302, 404, 409)

    def test_giving_a_date_back_says_that_the_others_stay(self, client, mine, fridays):
        run = runs_of(fridays)[0]
        page = text_of(client.get(f"/runs/{run.pk}/give-back/"))
        assert "Only this date; the other dates stay yours" in page
        assert f'href="/regular/{mine.pk}/#skip"' in page
        assert f'href="/regular/{mine.pk}/stop/"' in page
        assert "regular" in text_of(client.get(f"/runs/{run.pk}/"))


class TestStopping:
    @pytest.fixture
    def mine(self, ana, fridays):
        return begin(fridays, ana)

    def test_asked_first_with_today(self, client, mine, fridays):
        page = text_of(client.get(f"/regular/{mine.pk}/stop/"))
        assert f'value="{TODAY}"' in page
        assert f"{len(runs_of(fridays))} runs ahead are yours now." in page
        assert Standing.objects.get().until_day is None

    def test_the_last_day_is_still_theirs(self, client, mine, fridays):
        runs = runs_of(fridays)
        answer = client.post(f"/regular/{mine.pk}/stop/", {"last_day": runs[1].slot_date})
        assert "Its last day is Fri, Jun 12." in said(answer)
        assert [booking.run for booking in Booking.objects.live().order_by("run__starts_at")] == runs[:2]

    def test_what_was_skipped_after_its_end_is_no_longer_listed(self, client, mine, fridays):
        first, *_others, last = runs_of(fridays)
        regular.skip(mine, first=last.slot_date, last=last.slot_date + 4 * WEEK, by=None)
        assert len(client.get(f"/regular/{mine.pk}/").context["skips"]) == 1
        client.post(f"/regular/{mine.pk}/stop/", {"last_day": first.slot_date.isoformat()})
        assert client.get(f"/regular/{mine.pk}/").context["skips"] == []

    @pytest.mark.parametrize("day", ["", "yesterday", "2026-06-01", "2031-01-01"])
    def test_a_day_that_cannot_be_meant(self, client, mine, day):
        answer = client.post(f"/regular/{mine.pk}/stop/", {"last_day": day})
        assert answer.status_code == 200
        assert answer.context["form"].errors["last_day"]
        assert Standing.objects.get().until_day is None

    def test_once_ended_there_is_nothing_to_stop(self, client, mine):
        client.post(f"/regular/{mine.pk}/stop/", {"last_day": TODAY})
        assert client.get(f"/regular/{mine.pk}/stop/").status_code == 302


class TestCrew:
    @pytest.fixture
    def crew(self, ana, ben, fridays):
        standing = begin(fridays, ana, crew="Harbor Choir")
        standing.members.set([ben, PersonFactory(name="New Comer")])
        return standing

    def test_the_captain_sees_who_can_be_named_for_each_run(self, client, crew, fridays, ana, ben):
        runs = runs_of(fridays)
        regular.name_driver(crew, runs[0], ben, by=None)
        assert words_on(client, crew, runs[0].slot_date)["card"]["seats"][0]["word"] == "Ben"
        row = words_on(client, crew, runs[1].slot_date)
        assert row["word"] == "needs a driver of the crew"
        assert row["crew"] == [ana, ben]

    def test_naming_one(self, client, crew, fridays, ben):
        run = runs_of(fridays)[0]
        answer = client.post(f"/regular/{crew.pk}/name/", {"run": run.pk, "person": ben.pk})
        assert "Ben drives on Fri, Jun 5, and is told." in said(answer)
        assert run.bookings.live().get().person == ben

    def test_refused_in_place(self, client, crew, fridays):
        run = runs_of(fridays)[0]
        outsider = ready_person()
        for person, words in [
            (outsider, "is not of this crew"),
            (crew.members.get(name="New Comer"), "Not ready to drive this run alone yet."),
        ]:
            answer = client.post(f"/regular/{crew.pk}/name/", {"run": run.pk, "person": person.pk})
            assert answer.status_code == 409
            assert words in text_of(answer)
        assert not run.bookings.exists()

    def test_members_see_its_runs_others_do_not(self, client, crew, fridays, ben):
        ben.user = sign_in_for(ben.email)
        ben.save()
        client.force_login(ben.user)
        assert "Friday run" in text_of(client.get("/runs/?from=2026-06-12"))
        assert client.get(f"/regular/{crew.pk}/").status_code == 404, "the captain's page"
        stranger = ready_person(sign_in=True)
        client.force_login(stranger.user)
        assert "Friday run" not in text_of(client.get("/runs/?from=2026-06-12"))


class TestWhatOthersSee:
    def test_a_run_kept_for_somebody_is_not_offered(self, client, ana, ben, fridays):
        runs = runs_of(fridays)
        lapse(ben, TODAY)
        begin(fridays, ben)
        assert client.get(f"/runs/?from={runs[2].local_date}").context["days"] == []
        page = text_of(client.get(f"/runs/{runs[2].pk}/"))
        assert "Kept for its regular driver, Ben, until Mon, Jun 15." in page
        assert "kept for Ben" in page
        assert not re.search("Take the (driver's|second) seat", page)
        answer = client.post(f"/runs/{runs[2].pk}/book/", {"seat": "driver"})
        assert answer.status_code == 409
        assert not runs[2].bookings.exists()

    def test_near_or_skipped_it_is_everybody_s(self, client, ana, ben, fridays):
        runs = runs_of(fridays)
        lapse(ben, TODAY)
        standing = begin(fridays, ben)
        regular.skip(standing, first=runs[2].slot_date, last=runs[2].slot_date, by=None)
        assert "Friday run" in text_of(client.get("/runs/")), "Jun 5 is nearer than four days"
        assert "Friday run" in text_of(client.get(f"/runs/?from={runs[2].local_date}"))
        assert "Take the driver's seat" in text_of(client.get(f"/runs/{runs[2].pk}/"))

    def test_its_regular_sees_that_it_is_kept_and_what_is_missing(self, client, ana, fridays):
        runs = runs_of(fridays)
        lapse(ana, TODAY)
        begin(fridays, ana)
        page = text_of(client.get(f"/runs/{runs[2].pk}/"))
        assert "Your regular run: kept for you until Mon, Jun 15." in page
        assert "Still missing: Car insurance card." in page

    def test_queries_of_the_list_do_not_grow_with_kept_runs(self, client, ana):
        def one_more():
            shift = weekly("FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR", "Daily run")
            person = ready_person()
            lapse(person, TODAY)
            begin(shift, person)

        one_more()
        weekly("FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR", "Open run")
        few, _sql = queries_of(client, "/runs/?from=2026-06-15")
        for _n in range(4):
            one_more()
        many, sql = queries_of(client, "/runs/?from=2026-06-15")
        assert many == few, sql


class TestHome:
    def test_my_regular_runs_with_the_next_date(self, client, ana, fridays):
        standing = begin(fridays, ana)
        regular.skip(standing, first=FRIDAY, last=FRIDAY, by=None)
        assert client.get("/").context["regular_runs"] == [
            {
                "url": f"/regular/{standing.pk}/", "name": "Friday run", "crew": "", "often": "every Friday",
                "next": "Fri, Jun 12, 8:00 a.m.",
            }
        ]  # fmt: skip
        assert "My regular runs" in text_of(client.get("/"))

    def test_its_seats_say_regular(self, client, ana, fridays):
        begin(fridays, ana)
        page = client.get("/").context
        seats = [page["next_run"]["seats"], *(card["seats"] for card in page["later"])]
        assert {driver["note"] for driver, _second in seats} == {"regular"}

    def test_where_the_weekly_run_changes_it_is_one_to_them(self, client, ana, fridays):
        standing = begin(fridays, ana)
        regular.succeed(fridays, FRIDAY + 3 * WEEK, rule="FREQ=WEEKLY;BYDAY=FR", by=None, at=NOW)
        [row] = client.get("/").context["regular_runs"]
        assert row["url"] == f"/regular/{standing.pk}/"
        page = text_of(client.get(row["url"]))
        assert "From Fri, Jun 26 on the weekly run is another, and yours goes on with it." in page

    def test_queries_do_not_grow_with_regular_runs(self, client, ana):
        counts = []
        for n in range(4):
            begin(weekly(f"FREQ=WEEKLY;BYDAY={['MO', 'WE', 'TH', 'FR'][n]}", f"Run {n}"), ana)
            counts.append(queries_of(client, "/"))
        assert counts[0][0] == counts[-1][0], counts[-1][1]
