"""What becomes of an answer to a request: every word after every other; who is seated, who asked again."""

from datetime import timedelta

import pytest
from django.utils import timezone

from shifts.models import Ask, Booking, Policy, Search
from shifts.seats import refusals, requests, searches
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run
from sites.models import Event
from tests.factories import DropOffFactory, PersonFactory, coordinator, make_run, put, ready_person
from volunteers import progress
from volunteers.models import Message, Person

pytestmark = pytest.mark.django_db


def search_for(run, **more):
    return Search.objects.create(run=run, opened_at=timezone.now(), **more)


def request_to(person, search, **more):
    more = {"wave": 1, "by": None, "at": timezone.now(), "mailed": True} | more
    return requests.ask_person(search, person, **more)


@pytest.fixture
def run(db):
    return make_run(title="Market run")


@pytest.fixture
def search(run):
    return search_for(run)


def said(ask):
    return Ask.objects.get(pk=ask.pk).answer


def events(run, verb="request answered"):
    return Event.objects.about(run).filter(verb=verb)


def test_the_first_yes_is_seated_and_everybody_else_is_asked_no_more(search):
    ana, bo = ready_person(sign_in=True), ready_person()
    first, second = request_to(ana, search), request_to(bo, search)
    first = requests.answer(first, "yes", by=ana.user)
    booking = Booking.objects.live().get(run=search.run)
    assert (booking.person, booking.seat, first.booking) == (ana, "driver", booking)
    assert (said(first), said(second)) == ("yes", "closed")
    search.refresh_from_db()
    assert search.end == "filled"
    event = events(search.run).get()
    assert (event.person_id, event.by, event.after) == (ana.pk, ana.user, {"answer": "yes"})
    assert Message.objects.filter(kind="booked", person=ana).count() == 1
    assert Message.objects.get(kind="request", person=bo).state == Message.State.REPLACED


def test_a_later_yes_is_thanked_and_may_stay_as_back_up(search):
    first, second = (request_to(ready_person(), search) for _ in range(2))
    requests.answer(first, "yes", by=None)
    late = requests.answer(second, "yes", by=None)
    assert (late.answer, late.booking) == ("late", None)
    assert requests.answer(late, "back up", by=None).is_back_up
    assert events(search.run, "back-up").get().person_id == second.person_id
    requests.answer(late, "no back up", by=None)
    assert not Ask.objects.get(pk=late.pk).is_back_up
    assert Booking.objects.live().filter(run=search.run).count() == 1


def test_a_second_tap_changes_nothing(search):
    ask = request_to(ready_person(), search)
    for word in ("no", "no", "yes", "yes"):
        requests.answer(ask, word, by=None)
    assert events(search.run).count() == 2
    assert Message.objects.filter(kind="booked").count() == 1


ANSWERED = ["", "silent", "no", "not week", "less", "closed", "late"]


@pytest.mark.parametrize("before", ANSWERED)
@pytest.mark.parametrize("word", ["yes", "no", "not week", "less"])
def test_a_mind_may_change(search, before, word):
    ask = request_to(ready_person(), search)
    if before:
        Ask.objects.filter(pk=ask.pk).update(answer=before, answered_at=timezone.now())
    after = requests.answer(ask, word, by=None)
    assert after.answer == word
    assert Booking.objects.live().filter(run=search.run).exists() == (word == "yes")
    if before != word:
        assert events(search.run).get().before == {"answer": before}


@pytest.mark.parametrize("word", ["no", "not week", "less", "back up", "silent"])
def test_a_yes_is_given_back_and_not_answered_away(search, word):
    ask = requests.answer(request_to(ready_person(), search), "yes", by=None)
    with pytest.raises(requests.Settled) as refused:
        requests.answer(ask, word, by=None)
    assert "give the seat back" in refused.value.next
    give_back(ask.booking, by=None)
    with pytest.raises(requests.Settled) as refused:
        requests.answer(ask, "yes", by=None)
    assert "not yours any more" in refused.value.why


@pytest.mark.parametrize("before", ["", "no", "closed"])
@pytest.mark.parametrize("word", ["back up", "no back up"])
def test_a_back_up_has_said_yes_first(search, before, word):
    ask = request_to(ready_person(), search)
    if before:
        Ask.objects.filter(pk=ask.pk).update(answer=before, answered_at=timezone.now())
    with pytest.raises(requests.NoBackUp):
        requests.answer(ask, word, by=None)
    assert said(ask) == before


def test_silence_is_not_noted_over_an_answer(search):
    ask = requests.answer(request_to(ready_person(), search), "no", by=None)
    with pytest.raises(requests.NoLonger):
        requests.answer(ask, "silent", by=None)


def test_nobody_says_another_word(search):
    with pytest.raises(ValueError, match="moved"):
        requests.answer(request_to(ready_person(), search), "moved", by=None)


def test_a_yes_to_a_run_that_has_moved_is_asked_again(search):
    ask = request_to(ready_person(), search)
    run = search.run
    run.starts_at += timedelta(hours=1)
    run.ends_at += timedelta(hours=1)
    run.save()
    again = requests.answer(ask, "yes", by=None)
    assert (said(ask), again.answer, again.starts_at) == ("moved", "", run.starts_at)
    assert not Booking.objects.live().filter(run=run).exists()
    assert requests.newest(requests.with_run().get(pk=ask.pk)) == again
    with pytest.raises(requests.Overtaken):
        requests.answer(ask, "yes", by=None)
    assert requests.answer(again, "yes", by=None).booking.run == run
    assert requests.asked_this_week([ask.person_id], timezone.now()) == {ask.person_id: 1}
    assert Message.objects.filter(kind="request").count() == 1  # they were on the page


def test_other_stops_are_another_run(search):
    ask = request_to(ready_person(), search)
    search.run.stops.filter(position=2).update(site=DropOffFactory())
    assert requests.answer(ask, "yes", by=None).pk != ask.pk
    assert not Booking.objects.live().exists()


def test_a_yes_to_the_run_as_the_page_shows_it_now_is_a_yes(search):
    ask, run = request_to(ready_person(), search), search.run
    before = requests.shown_of(run)
    run.starts_at -= timedelta(hours=1)
    run.save()
    assert not requests.answer(ask, "yes", shown=before, by=None).booking
    newest = requests.newest(requests.with_run().get(pk=ask.pk))
    run.starts_at -= timedelta(hours=1)
    run.save()
    yes = requests.answer(newest, "yes", shown=requests.shown_of(run), by=None)
    assert (yes.answer, yes.starts_at) == ("yes", run.starts_at)
    assert Ask.objects.filter(answer="moved").count() == 2


def test_the_gate_has_its_say_and_the_question_stays_open(search):
    person = ready_person()
    ask = request_to(person, search)
    insurance = person.completions.get(step__code="insurance")
    progress.withdraw(insurance, reason="Another card.", by=None)
    with pytest.raises(refusals.NotReady):
        requests.answer(ask, "yes", by=None)
    assert said(ask) == ""
    search.refresh_from_db()
    assert not search.end


def test_elsewhere_at_that_time(search):
    person = ready_person()
    put(person, make_run(starts_at=search.run.starts_at))
    with pytest.raises(refusals.Elsewhere):
        requests.answer(request_to(person, search), "yes", by=None)


def test_what_is_over_needs_no_answer(search):
    ask, run = request_to(ready_person(), search), search.run
    for word in ("yes", "no", "less"):
        with pytest.raises(refusals.Over):
            requests.answer(ask, word, by=None, at=run.starts_at)
    cancel_run(run, reason="Snow.", by=None)
    with pytest.raises(refusals.Cancelled):
        requests.answer(ask, "yes", by=None)


def test_a_yes_after_the_coordinator_has_stopped_is_refused_with_the_way_on(search):
    ask = request_to(ready_person(), search)
    searches.end(search, Search.End.STOPPED, by=None, at=timezone.now())
    with pytest.raises(requests.NoLonger) as refused:
        requests.answer(ask, "yes", by=None)
    assert "run's page" in refused.value.next
    assert requests.answer(ask, "less", by=None).answer == "less"  # a wish holds all the same


def test_an_old_link_takes_a_seat_that_is_empty_again(search):
    first, second = (request_to(ready_person(), search) for _ in range(2))
    booking = requests.answer(first, "yes", by=None).booking
    give_back(booking, by=None)
    yes = requests.answer(second, "yes", by=None)
    assert (yes.answer, yes.booking.person) == ("yes", second.person)
    assert not Search.objects.open().exists()


def test_a_seat_taken_by_any_other_way_is_the_yes_of_whoever_was_asked(search):
    asked, other = ready_person(), ready_person()
    first, second = request_to(asked, search), request_to(other, search)
    booking = seat(run=search.run, person=asked, seat="driver", by=None)
    assert (said(first), said(second)) == ("yes", "closed")
    assert Ask.objects.get(pk=first.pk).booking == booking


def test_the_second_seat_ends_no_search(search):
    helper = ready_person()
    seat(run=search.run, person=helper, seat="second", by=None)
    assert Search.objects.open().exists()


# --- ask me less, not this week


def test_ask_me_less_is_one_less_and_never_below_none(search, run):
    person = ready_person()
    requests.answer(request_to(person, search), "less", by=None)
    person.refresh_from_db()
    assert person.requests_a_week == Policy.current().requests_a_week - 1 == 1
    event = Event.objects.about(person).get(verb="changed")
    assert (event.before, event.after) == ({"requests_a_week": None}, {"requests_a_week": 1})
    for _ in range(2):
        other = search_for(make_run())
        requests.answer(request_to(person, other), "less", by=None)
    assert Person.objects.get(pk=person.pk).requests_a_week == 0


def test_not_this_week_is_the_week_of_the_run(run, search):
    person, other = ready_person(), ready_person()
    requests.answer(request_to(person, search), "not week", by=None)
    monday = run.local_date - timedelta(days=run.local_date.weekday())
    both = [person.pk, other.pk]
    for day in (0, 6):
        assert requests.not_in_the_week_of(monday + timedelta(days=day), both) == {person.pk}
    for day in (-1, 7):
        assert requests.not_in_the_week_of(monday + timedelta(days=day), both) == set()


# --- by phone


def test_a_call_that_nobody_took_and_one_with_a_no(run):
    cora, person = coordinator(), ready_person(by_phone=True)
    first = requests.called(run, person, "silent", by=cora.user)
    assert (first.wave, first.answer, first.search.next_at) == (0, "silent", None)
    second = requests.called(run, person, "no", by=cora.user)
    assert (second.pk, second.answered_by) == (first.pk, cora.user)
    assert events(run).get().by == cora.user
    assert not Message.objects.exists()  # it was said


def test_a_yes_by_phone_is_seated_and_ends_the_search_of_the_mails(search):
    cora, mailed, person = coordinator(), ready_person(), ready_person()
    ask = request_to(mailed, search)
    yes = requests.called(search.run, person, "yes", by=cora.user)
    assert (yes.booking.person, yes.booking.booked_by) == (person, cora.user)
    assert said(ask) == "closed"


def test_a_yes_by_phone_of_somebody_who_may_not_drive_is_refused_and_leaves_nothing(run):
    with pytest.raises(refusals.NotReady):
        requests.called(run, PersonFactory(), "yes", by=None)
    assert not Ask.objects.exists()


# --- private links, what is told


def test_a_private_link_leads_to_its_request_alone(search):
    ask, other = (request_to(ready_person(), search) for _ in range(2))
    token = requests.token_of(ask)
    assert requests.found_by(token) == ask
    assert requests.found_by(token.replace(str(ask.pk), str(other.pk), 1)) is None
    Ask.objects.filter(pk=ask.pk).update(nonce="new")
    assert requests.found_by(token) is None
    assert requests.found_by("x") is None


def test_whoever_has_left_has_no_link(search):
    ask = request_to(ready_person(), search)
    Person.objects.filter(pk=ask.person_id).update(left_on="2026-01-01")
    assert requests.found_by(requests.token_of(ask)) is None


def test_the_mail_says_what_is_asked_in_their_language(search):
    person = ready_person(name="Ana Bell")
    ask = request_to(person, search)
    mail = Message.objects.get(kind="request")
    run = search.run
    assert mail.subject.startswith("Can you take this run? Market run")
    for stop in run.ordered_stops:
        assert stop.site.name in mail.text
    assert requests.path_of(ask) in mail.text
    assert requests.asked_of(person, timezone.now()) == [ask]


def test_the_coordinators_hear_that_a_run_given_back_late_has_a_driver(run):
    cora, gone, person = coordinator(), ready_person(), ready_person()
    at = run.starts_at - timedelta(hours=20)
    booking = put(gone, run)
    give_back(booking, by=None, at=at)
    search = Search.objects.get(run=run)
    requests.answer(request_to(person, search, at=at), "yes", by=None, at=at)
    assert Message.objects.get(kind="filled", person=cora).subject.startswith(f"{person.name} drives")


def test_nobody_hears_of_a_run_that_was_filled_in_good_time(search):
    coordinator()
    requests.answer(request_to(ready_person(), search), "yes", by=None)
    assert not Message.objects.filter(kind="filled").exists()
