"""Steps recorded, renewed, waived, told, taken back, signed off."""

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sites.models import Event
from tests.factories import PersonFactory, coordinator, lead_driver
from volunteers.models import Completion, SignOff, Step, StepTerm
from volunteers.progress import NotPossible, add_months, complete, sign_off, today, withdraw

AT = datetime(2027, 5, 4, 1, 0, tzinfo=UTC)  # still May 3 in New York
DAY = date(2027, 5, 3)
RIDDEN = DAY - timedelta(days=1)
pytestmark = pytest.mark.django_db


@pytest.fixture
def ina():
    return PersonFactory(name="Ina Quell")


def step(code):
    return Step.objects.get(code=code)


def record(person, code, **how):
    return complete(person=person, step=step(code), by=None, at=AT, **how)


def refuses(words):
    return pytest.raises(NotPossible, match=words)


class TestAddMonths:
    @pytest.mark.parametrize(
        ("day", "months", "expected"),
        [
            (date(2027, 5, 3), 24, date(2029, 5, 3)),
            (date(2027, 1, 31), 1, date(2027, 2, 28)),
            (date(2028, 1, 31), 1, date(2028, 2, 29)),
            (date(2028, 2, 29), 12, date(2029, 2, 28)),
            (date(2027, 12, 15), 1, date(2028, 1, 15)),
            (date(2027, 11, 30), 1, date(2027, 12, 30)),
        ],
    )
    def test_by_hand(self, day, months, expected):
        assert add_months(day, months) == expected

    @given(st.dates(date(2000, 1, 1), date(2100, 1, 1)), st.integers(0, 240))
    def test_lands_in_the_right_month_as_late_as_it_can(self, day, months):
        landed = add_months(day, months)
        assert (landed.year * 12 + landed.month) - (day.year * 12 + day.month) == months
        assert landed.day == day.day or (landed + timedelta(days=1)).day == 1 < day.day


class TestDone:
    def test_counts_from_today_in_the_programmes_zone(self, ina):
        assert today(AT) == DAY
        assert record(ina, "kit").valid_from == DAY

    def test_a_briefing_lasts_its_months_and_a_kit_for_good(self, ina):
        assert record(ina, "briefing").valid_until == date(2029, 5, 3)
        assert record(ina, "kit").valid_until is None

    def test_a_paper_needs_its_date(self, ina):
        with refuses("Give the date"):
            record(ina, "license")
        assert record(ina, "license", valid_until=DAY).valid_until == DAY

    def test_a_date_that_is_over_is_refused(self, ina):
        with refuses("is over"):
            record(ina, "license", valid_until=DAY - timedelta(days=1))

    def test_papers_seen_give_thirty_days(self, ina):
        """30 days for the date to follow: common practice, no published source."""
        assert record(ina, "insurance", how="seen").valid_until == DAY + timedelta(days=30)

    @pytest.mark.parametrize(("days", "stands"), [(29, False), (30, True)])
    def test_the_date_of_the_paper_ends_the_thirty_days_where_it_is_earlier(self, ina, days, stands):
        seen = record(ina, "insurance", how="seen")
        record(ina, "insurance", valid_until=DAY + timedelta(days=days))
        seen.refresh_from_db()
        assert (seen.withdrawn_at is None) == stands

    def test_it_has_the_revision_in_force_unless_said(self, ina):
        StepTerm.objects.filter(step=step("form")).update(applies_until=DAY)
        StepTerm.objects.create(step=step("form"), applies_from=DAY, revision=7)
        assert record(ina, "form", on=DAY - timedelta(days=1)).revision == 1
        assert record(ina, "form").revision == 7
        assert record(ina, "form", revision=9).revision == 9

    def test_who_and_when(self, ina):
        cora = coordinator()
        completion = complete(person=ina, step=step("kit"), by=cora.user, reason="At the door.", at=AT)
        assert (completion.recorded_by, completion.recorded_at) == (cora.user, AT)
        event = Event.objects.about(completion).get()
        assert (event.verb, event.by, event.at, event.person_id) == ("step done", cora.user, AT, ina.pk)
        assert event.after["step"] == "Starter kit"

    def test_a_step_without_terms_is_not_in_use(self, ina):
        unused = Step.objects.create(kind="form", title="Old form")
        with refuses("not in use"):
            complete(person=ina, step=unused, by=None)


class TestOnSomebodysBehalf:
    @pytest.mark.parametrize("code", ["kit", "ride"])
    def test_a_kit_or_a_ride_may_be_waived(self, ina, code):
        assert record(ina, code, how="waived", reason="Has her own.").how == Completion.How.WAIVED

    @pytest.mark.parametrize("code", ["license", "insurance", "briefing", "form"])
    def test_nothing_else_may(self, ina, code):
        with refuses("Only a starter kit or a shadow ride"):
            record(ina, code, how="waived", reason="Trust me.", valid_until=DAY)

    @pytest.mark.parametrize("how", ["waived", "told"])
    def test_with_a_reason(self, ina, how):
        with refuses("Say why"):
            record(ina, "ride", how=how, reason="  ")
        assert record(ina, "ride", how=how, reason=" She rang. ").reason == "She rang."

    def test_a_long_reason_is_kept_as_far_as_it_fits(self, ina):
        assert record(ina, "ride", how="told", reason="x" * 500).reason == "x" * 200


class TestTakenBack:
    def test_it_stays_readable_with_who_when_and_why(self, ina):
        cora = coordinator()
        completion = record(ina, "kit")
        withdraw(completion, reason="Wrong person.", by=cora.user, at=AT)
        completion.refresh_from_db()
        assert (completion.withdrawn_at, completion.withdrawn_by) == (AT, cora.user)
        assert completion.withdrawn_reason == "Wrong person."
        assert Event.objects.about(completion).first().verb == "step taken back"

    def test_with_a_reason(self, ina):
        completion = record(ina, "kit")
        with refuses("Say why"):
            withdraw(completion, reason=" ", by=None)
        completion.refresh_from_db()
        assert completion.withdrawn_at is None

    def test_twice_changes_nothing(self, ina):
        completion = record(ina, "kit")
        withdraw(completion, reason="Wrong person.", by=None, at=AT)
        withdraw(completion, reason="Again.", by=None, at=AT + timedelta(hours=1))
        completion.refresh_from_db()
        assert (completion.withdrawn_reason, completion.withdrawn_at) == ("Wrong person.", AT)
        assert Event.objects.about(completion).filter(verb="step taken back").count() == 1


class TestSigningOff:
    def sign(self, trainee, lead, outcome="ready", on=RIDDEN, **how):
        return sign_off(trainee=trainee, lead=lead, ridden_on=on, outcome=outcome, by=None, at=AT, **how)

    def test_ready_completes_the_ride_from_its_day(self, ina):
        signed = self.sign(ina, lead_driver())
        assert (signed.completion.step, signed.completion.valid_from) == (step("ride"), RIDDEN)
        assert signed.completion.how == Completion.How.DONE

    def test_again_completes_nothing(self, ina):
        assert self.sign(ina, lead_driver(), outcome=SignOff.Outcome.AGAIN).completion is None
        assert not ina.completions.exists()

    def test_as_told_by_the_lead_driver(self, ina):
        completion = self.sign(ina, lead_driver(), told_reason="Lee rang at noon.").completion
        assert (completion.how, completion.reason) == (Completion.How.TOLD, "Lee rang at noon.")

    def test_nobody_signs_off_themselves(self):
        lead = lead_driver()
        with refuses("own ride"):
            self.sign(lead, lead)

    def test_only_a_lead_driver_of_that_day(self, ina):
        with refuses("was not a lead driver"):
            self.sign(ina, PersonFactory())
        with refuses("was not a lead driver"):
            self.sign(ina, lead_driver_since(RIDDEN + timedelta(days=1)))
        assert self.sign(ina, lead_driver_since(RIDDEN))

    def test_not_a_ride_to_come(self, ina):
        with refuses("still to come"):
            self.sign(ina, lead_driver(), on=DAY + timedelta(days=1))
        assert self.sign(ina, lead_driver(), on=DAY)

    def test_a_programme_without_rides(self, ina):
        StepTerm.objects.filter(step__kind="ride").delete()
        Step.objects.filter(kind="ride").delete()
        with refuses("asks for no shadow ride"):
            self.sign(ina, lead_driver())
        assert not SignOff.objects.exists()


def lead_driver_since(day):
    person = lead_driver()
    person.lead_since = day
    person.save()
    return person
