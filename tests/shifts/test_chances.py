"""How likely somebody says yes, held to published posteriors and to scipy's."""

from datetime import UTC, datetime, timedelta

import pytest
from scipy import stats

from shifts.cover.chances import (
    FIRST_GUESS,
    GUESS_WEIGHS,
    KEPT,
    PROGRAMME_WEIGHS,
    TIME_TO_ANSWER,
    shrunk,
    yes_chances,
)
from shifts.models import Ask, Booking, Search
from tests.factories import PersonFactory, make_run, put

AT = datetime(2027, 5, 3, 15, tzinfo=UTC)
SECOND = timedelta(seconds=1)


class TestTheFormula:
    @pytest.mark.parametrize(("weighs", "published"), [(2, 0.446), (10, 0.446), (100, 0.450), (200, 0.453)])
    def test_placenta_previa(self, weighs, published):
        """437 girls of 980 births, prior mean 0.485: Gelman et al., Bayesian Data Analysis, 3rd edition,
        table 2.1 (from memory; it prints medians, which lie within 0.001 of the means here)."""
        assert shrunk(437, 980, toward=0.485, weighs=weighs) == pytest.approx(published, abs=0.001)

    @pytest.mark.parametrize(("yes", "asked"), [(0, 0), (0, 4), (3, 3), (2, 9), (40, 90)])
    @pytest.mark.parametrize(("toward", "weighs"), [(0.3, 6), (0.5, 2), (0.05, 40)])
    def test_is_the_mean_of_the_posterior(self, yes, asked, toward, weighs):
        """scipy.stats.beta with the conjugate parameters."""
        a, b = toward * weighs, (1 - toward) * weighs
        assert shrunk(yes, asked, toward=toward, weighs=weighs) == pytest.approx(
            stats.beta(a + yes, b + asked - yes).mean()
        )


@pytest.fixture
def person(db):
    return PersonFactory()


def asked(person, answer="", ago=timedelta(days=10)):
    run = make_run()
    search = Search.objects.create(run=run, opened_at=AT)
    booking = None
    if answer == Ask.Answer.YES:
        booking = put(person, run, Booking.Seat.DRIVER)
    return Ask.objects.create(
        search=search,
        person=person,
        wave=1,
        starts_at=run.starts_at,
        ends_at=run.ends_at,
        asked_at=AT - ago,
        answer=answer,
        answered_at=AT if answer else None,
        booking=booking,
    )


def chance(person):
    return yes_chances([person.pk], AT)[person.pk]


def test_before_anybody_was_asked(person):
    assert chance(person) == FIRST_GUESS


@pytest.mark.parametrize(
    ("answer", "yes"),
    [
        (Ask.Answer.YES, 1),
        (Ask.Answer.LATE, 1),
        (Ask.Answer.MOVED, 1),
        (Ask.Answer.NO, 0),
        (Ask.Answer.NOT_THIS_WEEK, 0),
        (Ask.Answer.LESS, 0),
        (Ask.Answer.NO_ANSWER, 0),
        ("", 0),
    ],
)
def test_each_answer(person, answer, yes):
    asked(person, answer)
    mean = (GUESS_WEIGHS * FIRST_GUESS + yes) / (GUESS_WEIGHS + 1)
    assert chance(person) == pytest.approx((PROGRAMME_WEIGHS * mean + yes) / (PROGRAMME_WEIGHS + 1))
    assert (chance(person) > FIRST_GUESS) == bool(yes)


@pytest.mark.parametrize(
    ("answer", "ago", "counts"),
    [
        ("", TIME_TO_ANSWER - SECOND, False),
        ("", TIME_TO_ANSWER, True),
        (Ask.Answer.CLOSED, timedelta(days=10), False),
        (Ask.Answer.NO, KEPT - SECOND, True),
        (Ask.Answer.NO, KEPT, False),
        (Ask.Answer.NO, -SECOND, False),
    ],
)
def test_what_counts_for_nothing(person, answer, ago, counts):
    asked(person, answer, ago)
    assert (chance(person) != FIRST_GUESS) == counts


def test_a_few_answers_move_it_a_little_and_many_move_it_far(person):
    asked(person, Ask.Answer.YES)
    once = chance(person)
    for _ in range(19):
        asked(person, Ask.Answer.YES)
    assert FIRST_GUESS < once < 0.5 < 0.8 < chance(person) < 1


def test_strangers_have_the_mean_of_the_others(person, django_assert_num_queries):
    stranger = PersonFactory()
    for _ in range(30):
        asked(person, Ask.Answer.NO)
    with django_assert_num_queries(1):
        found = yes_chances([person.pk, stranger.pk], AT)
    assert found[stranger.pk] == pytest.approx(GUESS_WEIGHS * FIRST_GUESS / (GUESS_WEIGHS + 30))
    assert found[person.pk] < found[stranger.pk] < FIRST_GUESS
