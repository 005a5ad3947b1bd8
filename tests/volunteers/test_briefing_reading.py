"""Who has read which revision of a briefing, and what becomes of that when its words change."""

from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine

from sites.models import Event
from tests.factories import DropOffFactory, PersonFactory, SiteFactory
from volunteers import reading
from volunteers.clearance import missing
from volunteers.models import BriefingText, Completion, Step
from volunteers.progress import NotPossible
from volunteers.steps import add_step, require_revision, stop_asking

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 2, 14, 0, tzinfo=UTC)
TODAY = NOW.date()
DAY = timedelta(days=1)
ASKED = [{"ask": "Which gate?", "answers": ["The north gate", "The south gate"], "because": "South is shut."}]


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def nia():
    return PersonFactory(name="Nia Newcomb", sign_in=True)


@pytest.fixture
def shipped():
    return reading.shipped_step()


@pytest.fixture
def local():
    """A briefing of one site."""
    site = SiteFactory(name="Plum Dock")
    return add_step(kind="briefing", title="Forklifts", site=site, from_day=TODAY, by=None)


def write(step, text="Our own words", *, again_from=None, questions=(), by=None, **more):
    return reading.write(step, text=text, questions=questions, again_from=again_from, by=by, **more)


def read(person, step, revision=None):
    return reading.read(person, step, revision=revision or reading.newest_revision(step), by=person.user)


def met(person, step, *, on=TODAY):
    return step not in [term.step for term in missing(person, on=on, sites=[step.site_id or 0])]


class TestRead:
    def test_the_revision_is_recorded_with_who_and_when(self, nia, shipped):
        write(shipped)
        done = read(nia, shipped)
        assert (done.step, done.person, done.revision) == (shipped, nia, 2)
        assert (done.recorded_by, done.recorded_at) == (nia.user, NOW)
        assert done.valid_until == date(2028, 6, 2)  # 24 months; common practice, no published source
        event = Event.objects.get(verb="step done")
        assert (event.by, event.at, event.person_id) == (nia.user, NOW, nia.pk)

    def test_an_older_revision_is_refused(self, nia, shipped):
        write(shipped)
        with pytest.raises(reading.Rewritten, match="has changed since you opened it"):
            read(nia, shipped, revision=1)
        assert not Completion.objects.exists()

    @pytest.mark.parametrize("revision", [0, -1, 3, 999])
    def test_one_that_was_never_written_is_refused(self, nia, shipped, revision):
        write(shipped)
        with pytest.raises(reading.Rewritten):
            reading.read(nia, shipped, revision=revision, by=None)

    def test_twice_is_once(self, nia, shipped):
        assert read(nia, shipped)
        assert read(nia, shipped) is None
        assert Completion.objects.count() == 1

    def test_what_nobody_asks_for_is_refused(self, nia, shipped, local):
        stop_asking(local, from_day=TODAY, by=None)
        with pytest.raises(NotPossible, match="asks for no briefing"):
            read(nia, local)
        with pytest.raises(NotPossible, match="asks for no briefing"):
            reading.read(nia, None, revision=0, by=None)

    def test_a_site_s_briefing_is_asked_there_alone(self, nia, local):
        elsewhere = DropOffFactory()
        assert local in [term.step for term in missing(nia, on=TODAY, sites=[local.site_id])]
        assert local not in [term.step for term in missing(nia, on=TODAY, sites=[elsewhere.pk])]
        read(nia, local)
        assert met(nia, local)

    def test_what_is_asked_only_later_can_be_read_before(self, nia):
        step = add_step(kind="briefing", title="Winter", from_day=TODAY + 9 * DAY, by=None)
        assert reading.reading(nia, step, on=TODAY).is_due
        read(nia, step)
        assert not reading.reading(nia, step, on=TODAY).is_due
        assert met(nia, step, on=TODAY + 9 * DAY)


class TestWrite:
    def test_a_small_correction_asks_nobody_again(self, nia, shipped):
        read(nia, shipped)
        write(shipped)
        write(shipped, "Better words")
        assert met(nia, shipped)
        assert not reading.reading(nia, shipped, on=TODAY).is_due
        assert [text.text for text in shipped.texts.all()] == ["Better words", "Our own words"]

    def test_read_again_counts_from_its_day_on(self, nia, shipped):
        read(nia, shipped)
        day = TODAY + 14 * DAY
        write(shipped, again_from=day)
        assert met(nia, shipped, on=day - DAY)
        assert not met(nia, shipped, on=day)
        assert reading.reading(nia, shipped, on=TODAY).is_due  # from now on, so that nobody is late
        done = read(nia, shipped)
        assert done.revision == 2
        assert met(nia, shipped, on=day)

    def test_the_newer_satisfies_what_was_asked_before(self, nia, shipped):
        write(shipped, again_from=TODAY + 5 * DAY)
        write(shipped, "A correction of it")
        assert read(nia, shipped).revision == 3
        assert met(nia, shipped, on=TODAY + 5 * DAY)

    def test_months_of_the_step_stay(self, shipped):
        write(shipped, again_from=TODAY + 5 * DAY)
        assert set(shipped.terms.values_list("lasts_months", flat=True)) == {24}

    def test_a_revision_raised_elsewhere_is_newer_too(self, nia, shipped):
        write(shipped)
        require_revision(shipped, 7, TODAY)
        assert reading.newest_revision(shipped) == 7
        assert read(nia, shipped).revision == 7
        assert write(shipped, "After that").revision == 8

    def test_who_wrote_it_and_when_is_logged(self, nia, shipped):
        written = write(shipped, again_from=TODAY + 5 * DAY, by=nia.user, questions=ASKED)
        assert (written.written_by, written.written_at) == (nia.user, NOW)
        event = Event.objects.get(verb="briefing written")
        assert (event.by, event.at) == (nia.user, NOW)
        assert event.after == {"revision": 2, "read again from": "2026-06-07"}

    def test_two_who_write_at_once(self, shipped):
        write(shipped, based_on=1)
        with pytest.raises(reading.Overtaken):
            write(shipped, "From the other desk", based_on=1)
        assert [text.text for text in BriefingText.objects.all()] == ["Our own words"]
        write(shipped, "From the other desk", based_on=2)

    def test_where_it_is_asked_no_longer_the_words_are_kept_and_nothing_is_asked(self, local, nia):
        stop_asking(local, from_day=TODAY, by=None)
        write(local, again_from=TODAY)
        assert local.texts.count() == 1
        assert met(nia, local)


class TestBriefingOf:
    def test_the_shipped_one(self, shipped):
        here = reading.briefing_of(shipped)
        assert (here.revision, here.own, here.written_at) == (1, [], None)
        assert (len(here.sections), len(here.questions)) == (8, 6)
        assert here.minutes == 10

    def test_with_own_words_and_questions_before_it(self, shipped):
        write(shipped, "Ours", questions=ASKED)
        here = reading.briefing_of(shipped)
        assert here.own[0].text == "Ours"
        assert here.questions[0].ask == "Which gate?"
        assert len(here.questions) == 7
        assert len(here.sections) == 8

    def test_another_one_has_only_its_own(self, local):
        assert reading.briefing_of(local).is_empty
        write(local, "Mind the forklifts.\n\n- Wear the vest", questions=ASKED)
        here = reading.briefing_of(local)
        assert [block.text or block.points for block in here.own] == [
            "Mind the forklifts.",
            ["Wear the vest"],
        ]
        assert (here.sections, len(here.questions), here.minutes) == ([], 1, 5)

    def test_the_words_alone_where_there_is_no_step(self):
        here = reading.briefing_of(None)
        assert (here.step, len(here.sections)) == (None, 8)

    def test_it_names_what_the_programme_lets_one_person_lift(self, shipped, db):
        from sites.models import Programme

        Programme.current()
        Programme.objects.update(lift_pounds=25)
        here = reading.briefing_of(shipped)
        assert any("25 lb" in part.limit for part in here.sections)

    def test_a_step_of_another_kind_is_none(self):
        Step.objects.filter(code="briefing").update(kind="form")
        assert reading.shipped_step() is None
