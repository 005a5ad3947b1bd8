"""People at the desk: the list, one person, steps ticked off and taken back, the roster."""

import io
from datetime import date, time

import pytest
import time_machine
from django.urls import reverse

from shifts.models import Booking, CalendarEntry
from shifts.seats.booking import seat
from sites.models import Event
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_ready,
    make_run,
    put,
    ready_person,
)
from tests.shifts.pages.at_the_desk import (
    DAY,
    EVERY_PAGE,
    NOW,
    TODAY,
    desk_client,
    errors_of,
    press_undo,
    queries_of,
    said,
    survives_nonsense,
    text_of,
)
from volunteers import clearance
from volunteers.doors import publish
from volunteers.models import Away, Car, Completion, Message, Person, SignOff, Step
from volunteers.people import set_hours

pytestmark = pytest.mark.django_db
TEXTS = dict.fromkeys(
    ("approach", "entrance", "parking", "ask_for", "carts", "spoiled", "leave_cart"), "By the wall."
)


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return desk_client()


def at(name, person):
    return reverse(name, args=[person.pk])


def step(code):
    return Step.objects.get(code=code)


def tick(desk, person, code, **post):
    return desk.post(reverse("desk_step_done", args=[person.pk, step(code).pk]), post)


def is_ready(person, on=TODAY):
    return not clearance.missing(person, on=on)


# --- the list


def test_the_list_says_who_is_ready_and_what_the_others_lack(desk):
    lead_driver(name="Lea Lead")
    ready_person(name="Ray Ready")
    make_ready(PersonFactory(name="Nia New"), without=("kit", "ride"))
    PersonFactory(name="Sol Sorts", drives=False)
    PersonFactory(name="Gone Girl", left_on=TODAY)
    answer = desk.get(reverse("desk_people"))
    shown = {
        section["key"]: [row["name"] for row in section["people"]] for section in answer.context["sections"]
    }
    assert shown == {
        "leads": ["Lea Lead"],
        "ready": ["Ray Ready"],
        "not-ready": ["Nia New"],
        "not-driving": ["Cora Desk", "Sol Sorts"],
    }
    assert "Starter kit, Shadow ride" in text_of(answer)
    left = desk.get(reverse("desk_people"), {"show": "left"})
    assert "Gone Girl" in text_of(left)
    assert "Ray Ready" not in text_of(left)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("ana", True),
        ("REYES ana", True),
        ("(614) 555-0177", True),
        ("5550177", True),
        ("ana@mail", True),
        ("6145550178", False),
        ("bob", False),
        ("%", False),
        ("💥", False),
    ],
)
def test_search_by_name_phone_and_address(desk, text, found):
    PersonFactory(name="Ana Reyes", phone="+16145550177", email="ana@mail.example")
    answer = desk.get(reverse("desk_people"), {"q": text})
    assert ("Ana Reyes" in text_of(answer)) is found


def test_search_finds_who_left_too(desk):
    PersonFactory(name="Ana Reyes", left_on=TODAY)
    assert "Ana Reyes" in text_of(desk.get(reverse("desk_people"), {"q": "reyes"}))


def test_search_with_nonsense_is_a_page(desk):
    for text in ("\0", "z" * 9_000, "<b>", "-"):
        assert desk.get(reverse("desk_people"), {"q": text}).status_code == 200


def test_queries_of_the_list_do_not_grow_with_the_people(desk):
    """People, today's programme, the steps in force, and who lacks it for each of the 6 shipped steps."""
    own = 1 + 1 + 1 + 6
    for count in (10, 190):
        for _ in range(count):
            PersonFactory()
        number, queries = queries_of(desk, reverse("desk_people"))
        assert number == EVERY_PAGE + own, queries


# --- adding and changing


def test_a_person_is_added_by_name_alone(desk):
    answer = desk.post(reverse("desk_new_person"), {"name": "Ann Smith", "language": "en", "drives": "on"})
    ann = Person.objects.get(name="Ann Smith")
    assert answer.headers["Location"] == at("desk_person", ann)
    assert (ann.reach, ann.drives, ann.joined_on, ann.user) == ("call", True, TODAY, None)
    assert Event.objects.filter(person_id=ann.pk, verb="added").exists()


def test_with_an_address_they_can_sign_in(desk):
    desk.post(
        reverse("desk_new_person"),
        {"name": "Ann Smith", "phone": "614.555.0177", "email": "Ann@Example.org", "language": "en"},
    )
    ann = Person.objects.get(name="Ann Smith")
    assert (str(ann.phone.as_e164), ann.email, ann.reach) == ("+16145550177", "ann@example.org", "mail")
    assert ann.user.email == "ann@example.org"
    assert not ann.drives


def test_a_second_person_of_the_same_name_is_asked_about_first(desk):
    PersonFactory(name="Ann Smith")
    post = {"name": "ann smith", "language": "en"}
    asked = desk.post(reverse("desk_new_person"), post)
    assert asked.status_code == 200
    assert "already somebody with this name" in text_of(asked)
    assert Person.objects.filter(name__iexact="ann smith").count() == 1
    desk.post(reverse("desk_new_person"), {**post, "again": "yes"})
    assert Person.objects.filter(name__iexact="ann smith").count() == 2


@pytest.mark.parametrize(
    ("facts", "field", "words"),
    [
        ({"name": ""}, "name", "Write the name."),
        ({"phone": "555-0123"}, "phone", "area code is missing"),
        ({"phone": "614-555-01"}, "phone", "digits missing"),
        ({"phone": "614-555-0123 x45"}, "phone", "extension"),
        ({"email": "ann at example"}, "email", "not an e-mail address"),
        ({"email": "ann@exämple.org"}, "email", "plain letters"),
        ({"reach": "mail", "email": ""}, "reach", "Without an e-mail address"),
        ({"reach": "text", "email": "ann@example.org", "phone": ""}, "reach", "Without a phone number"),
    ],
)
def test_a_fault_is_named_at_its_field_and_what_was_typed_stays(desk, facts, field, words):
    post = {"name": "Ann Smith", "language": "en", **facts}
    answer = desk.post(reverse("desk_new_person"), post)
    assert words in errors_of(answer)[field]
    assert answer.context["form"]["name"].value() == post["name"]
    assert answer.context["form"][field].value() == post[field]
    assert not Person.objects.filter(name="Ann Smith").exists()


def test_a_new_address_takes_the_invitations_along(desk):
    ana = ready_person(name="Ana Reyes", email="old@example.org")
    seat(run=make_run(), person=ana, seat="driver", by=None, on_behalf=True)
    desk.post(
        at("desk_edit_person", ana),
        {"name": "Ana Reyes", "email": "new@example.org", "reach": "mail", "language": "en", "drives": "on"},
    )
    old, new = CalendarEntry.objects.order_by("pk")
    assert old.cancelled_at
    assert (new.address, new.cancelled_at) == ("new@example.org", None)
    assert set(Message.objects.exclude(state="replaced").values_list("address", flat=True)) == {
        "old@example.org",
        "new@example.org",
    }


def test_notes_are_kept_on_the_page_of_the_desk(desk):
    ana = PersonFactory()
    desk.post(at("desk_person", ana), {"notes": "Knee, no heavy boxes."})
    ana.refresh_from_db()
    assert ana.notes == "Knee, no heavy boxes."
    assert "Knee, no heavy boxes." in text_of(desk.get(at("desk_person", ana)))


def test_the_page_names_the_household(desk):
    ana = PersonFactory(name="Ana Reyes", email="home@example.org")
    PersonFactory(name="Bo Reyes", email="home@example.org")
    PersonFactory(name="Cy Reyes", email="home@example.org", left_on=TODAY)
    assert [person.name for person in desk.get(at("desk_person", ana)).context["household"]] == ["Bo Reyes"]


def test_queries_of_a_person_do_not_grow_with_runs_and_history(desk):
    """Person; today's programme; steps in force, unmet, completions; sites; all completions; bookings not
    ready, ahead, lately; household; cars, hours, absences; events, their sign-ins' people, runs."""
    ana = lead_driver()
    numbers = []
    for count in (3, 40):
        for _ in range(count):
            put(ana, make_run())
            desk.post(at("desk_person", ana), {"notes": str(len(numbers))})
        numbers.append(queries_of(desk, at("desk_person", ana))[0])
    assert numbers[0] == numbers[1]


# --- steps


@pytest.mark.parametrize(
    ("typed", "until"),
    [
        ("3/31/2027", date(2027, 3, 31)),
        ("2027-03-31", date(2027, 3, 31)),
        ("March 31, 2027", date(2027, 3, 31)),
        ("6/2/2026", TODAY),
    ],
)
def test_a_paper_counts_until_the_date_on_it(desk, typed, until):
    ana = make_ready(PersonFactory(), without=("license",))
    answer = tick(desk, ana, "license", valid_until=typed)
    assert answer.status_code == 302
    assert "ready to drive alone" in said(answer)
    assert is_ready(ana, until)
    assert not is_ready(ana, until + DAY)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("", "Give the date on it"),
        ("2/30/2027", "has no day 30"),
        ("31/3/2027", "no month 31"),
        ("soon", "not a date"),
        ("6/1/2026", "is over"),
        ("1/1/2525", "year looks wrong"),
    ],
)
def test_an_impossible_or_past_date_is_named_and_kept(desk, typed, words):
    ana = make_ready(PersonFactory(), without=("license",))
    answer = tick(desk, ana, "license", valid_until=typed)
    assert words in errors_of(answer)["valid_until"]
    assert f'value="{typed}"' in text_of(answer) or not typed
    assert not is_ready(ana)


def test_papers_seen_count_for_30_days(desk):
    ana = make_ready(PersonFactory(), without=("license",))
    tick(desk, ana, "license", seen="on")
    assert is_ready(ana, TODAY + 30 * DAY)
    assert not is_ready(ana, TODAY + 31 * DAY)
    assert "Date to follow by 7/2/2026" in text_of(desk.get(at("desk_person", ana)))


def test_a_paper_is_never_waived(desk):
    ana = make_ready(PersonFactory(), without=("license",))
    tick(desk, ana, "license", waived="on", reason="Trust me.")
    assert not ana.completions.filter(step__code="license").exists()


def test_a_kit_is_handed_over_or_waived_with_a_reason(desk):
    ana, bo, cy = (make_ready(PersonFactory(), without=("kit",)) for _ in range(3))
    tick(desk, ana, "kit", on="2026-05-30")
    assert ana.completions.get(step__code="kit").valid_from == date(2026, 5, 30)
    assert "Say why" in errors_of(tick(desk, bo, "kit", on="2026-05-30", waived="on"))["reason"]
    assert not is_ready(bo)
    tick(desk, bo, "kit", waived="on", reason="Has a vest of their own.")
    done = bo.completions.get(step__code="kit")
    assert (done.how, done.reason) == ("waived", "Has a vest of their own.")
    assert "Tick this as well" in errors_of(tick(desk, cy, "kit", on="2026-05-30", reason="Why."))["waived"]
    assert "still to come" in errors_of(tick(desk, cy, "kit", on="2026-06-03"))["on"]
    assert not is_ready(cy)


def test_a_ride_as_told_by_the_lead_is_signed_off(desk):
    lea, ana = lead_driver(name="Lea Lead"), make_ready(PersonFactory(), without=("ride",))
    run = make_run(starts_at=NOW - 2 * DAY)
    put(lea, run)
    riding = put(ana, run, "second")
    bad = tick(desk, ana, "ride", lead=lea.pk, on="2026-05-31")
    assert "Say how you know" in errors_of(bad)["told"]
    assert SignOff.objects.count() == 0
    tick(desk, ana, "ride", lead=lea.pk, on="2026-05-31", told="By phone, calm at the dock.")
    riding.refresh_from_db()
    assert riding.sign_off.lead == lea
    assert ana.completions.get(step__code="ride").how == "told"
    assert is_ready(ana)


def test_a_ride_outside_any_run_can_be_recorded_and_only_by_somebody_who_leads(desk):
    lea, ana = lead_driver(), make_ready(PersonFactory(), without=("ride",))
    other = ready_person()
    assert (
        "no lead driver"
        in errors_of(tick(desk, ana, "ride", lead=other.pk, on="2026-05-31", told="x"))["lead"]
    )
    lea.lead_since = TODAY
    lea.save()
    early = tick(desk, ana, "ride", lead=lea.pk, on="2026-05-31", told="x")
    assert "was not a lead driver on that day" in errors_of(early)["__all__"]
    tick(desk, ana, "ride", lead=lea.pk, on="2026-06-02", told="In person.")
    assert is_ready(ana)


def test_door_notes_are_gone_through_together(desk):
    ana, dock = ready_person(), SiteFactory()
    publish(dock, TEXTS, by=None)
    doors = Step.objects.get(site=dock)
    assert clearance.missing(ana, on=TODAY, sites=[dock.pk])
    desk.post(reverse("desk_step_done", args=[ana.pk, doors.pk]), {})
    assert not clearance.missing(ana, on=TODAY, sites=[dock.pk])


def test_taking_back_names_the_bookings_and_drops_none(desk):
    ana = ready_person(name="Ana Reyes")
    run = make_run(title="Bread run")
    seat(run=run, person=ana, seat="driver", by=None, on_behalf=True)
    card = ana.completions.get(step__code="insurance")
    address = reverse("desk_step_back", args=[card.pk])
    assert "Say why" in errors_of(desk.post(address, {"reason": " "}))["reason"]
    assert is_ready(ana)
    answer = desk.post(address, {"reason": "The card was an old one."})
    assert "Bread run" in said(answer)
    assert Booking.objects.live().get().person == ana
    page = desk.get(at("desk_person", ana))
    assert "Booked, but not ready on the date" in text_of(page)
    assert reverse("desk_run", args=[run.pk]) in text_of(page)
    assert "The card was an old one." in text_of(page)  # in the history
    assert "already" in said(desk.post(address, {"reason": "Again."}))


# --- what they are, and whether they are here


def test_lead_drivers_are_appointed_and_end(desk):
    ana = ready_person()
    desk.post(at("desk_appoint", ana), {"lead": "yes"})
    ana.refresh_from_db()
    assert ana.lead_since == TODAY
    trainee = PersonFactory()
    run = make_run(title="Training run")
    put(ana, run)
    put(trainee, run, "second")
    answer = desk.post(at("desk_appoint", ana), {"lead": "no"})
    ana.refresh_from_db()
    assert ana.lead_since is None
    assert "Training run" in said(answer)


def test_leaving_gives_back_what_is_ticked_and_coming_back_is_one_tap(desk):
    ana = ready_person(name="Ana Reyes")
    first, second = make_run(starts_at=NOW + DAY), make_run(starts_at=NOW + 2 * DAY)
    for run in (first, second):
        seat(run=run, person=ana, seat="driver", by=None, on_behalf=True)
    form = desk.get(at("desk_leave", ana)).context["form"]
    assert len(form["give_up"].value()) == 2
    for _tap in range(2):
        left = desk.post(at("desk_leave", ana), {"give_up": [first.bookings.get().pk]})
    ana.refresh_from_db()
    assert ana.left_on == TODAY, "the second tap brings nobody back"
    undo = press_undo(desk, desk.get(left["Location"]))
    assert "seat them there anew" in said(undo)
    ana.refresh_from_db()
    assert ana.left_on is None
    desk.post(at("desk_leave", ana))
    assert first.bookings.get().end == Booking.End.TAKEN_OUT
    assert second.bookings.get().is_live
    assert Message.objects.filter(person=ana, kind="ended").count() == 1
    desk.post(at("desk_leave", ana), {"back": "yes"})
    ana.refresh_from_db()
    assert ana.left_on is None


def test_nobody_elses_run_is_given_back_by_leaving(desk):
    ana, bo = ready_person(), ready_person()
    theirs = put(bo, make_run())
    put(ana, make_run(starts_at=NOW + 5 * DAY))
    answer = desk.post(at("desk_leave", ana), {"give_up": [theirs.pk]})
    assert "theirs no longer" in errors_of(answer)["give_up"]
    ana.refresh_from_db()
    assert ana.left_on is None


def test_cars_hours_and_days_away(desk):
    ana = ready_person()
    rows = {"form-TOTAL_FORMS": "3", "form-INITIAL_FORMS": "0"}
    desk.post(
        at("desk_car", ana), {**rows, "form-0-label": "Van", "form-0-crates": "40", "form-1-label": "Bike"}
    )
    assert list(Car.objects.values_list("label", "crates")) == [("Van", 40), ("Bike", None)]
    answer = desk.post(at("desk_car", ana), {**rows, "form-0-crates": "-3"})
    assert "0" in answer.context["formset"].errors[0]["crates"][0]
    assert Car.objects.count() == 2
    desk.post(at("desk_hours", ana), {"hours": "Mon, Wed 8am-12pm; Sat"})
    assert ana.hours.count() == 3
    assert "not understood" in errors_of(desk.post(at("desk_hours", ana), {"hours": "blursday"}))["hours"]
    assert ana.hours.count() == 3
    put(ana, make_run(title="Bread run", starts_at=NOW + 2 * DAY))
    gone = desk.post(at("desk_away", ana), {"first": "6/3/2026", "last": "2026-06-05"})
    assert "Bread run" in said(gone)
    absence = Away.objects.get()
    wrong = desk.post(at("desk_away", ana), {"first": "6/9/2026", "last": "6/8/2026"})
    assert "before the first" in errors_of(wrong)["last"]
    desk.post(reverse("desk_away_end", args=[absence.pk]))
    assert not Away.objects.exists()
    assert "already" in said(desk.post(reverse("desk_away_end", args=[absence.pk])))


@pytest.mark.parametrize(
    "hours",
    [
        [(0, time(8), time(12)), (2, time(8), time(12)), (5, time(0), time(23, 59))],
        [(day, time(0), time(12)) for day in range(7)],
        [(6, time(17), time(23, 59)), (1, time(12), time(17, 30))],
    ],
)
def test_hours_saved_as_they_are_shown_stay_the_same(desk, hours):
    ana = PersonFactory()
    set_hours(ana, sorted(hours), by=None)
    shown = desk.get(at("desk_hours", ana)).context["form"]["hours"].value()
    desk.post(at("desk_hours", ana), {"hours": shown})
    assert sorted(ana.hours.values_list("weekday", "begins", "ends")) == sorted(hours)


def test_history_is_in_words_and_shows_no_link(desk):
    ana = ready_person(name="Ana Reyes", email="old@example.org")
    seat(run=make_run(title="Bread run"), person=ana, seat="driver", by=None, on_behalf=True)
    desk.post(
        at("desk_edit_person", ana), {"name": "Ana Reyes", "email": "new@example.org", "language": "en"}
    )
    words = [event["what"] for event in desk.get(at("desk_person", ana)).context["history"]]
    assert any("took the driver's seat, as agreed by phone: Bread run" in said for said in words)
    assert any("the e-mail address from old@example.org to new@example.org" in said for said in words)
    assert all(ana.feed_nonce not in said for said in words)


# --- the roster

GOOD = (
    "Name,E-mail,Phone,License expires\n"
    "Ann Smith,ann@example.org,614-555-0177,3/31/2027\n"
    "Bo Fields,,614-555-0178,\n"
)
BAD = "Name,E-mail,Phone\nAnn Smith,ann@example.org,614-555-0177\nBo Fields,bo at example,614\n"


def roster(desk, text, **more):
    return desk.post(reverse("desk_import"), {"text": text, **more})


def test_a_pasted_roster_is_shown_first_and_then_brought_in(desk):
    shown = roster(desk, GOOD)
    assert "Ann Smith" in text_of(shown)
    assert "Nothing has been written yet" in text_of(shown)
    assert not Person.objects.filter(name="Ann Smith").exists()
    answer = desk.post(reverse("desk_import"), {"looked_at": shown.context["seal"]})
    assert answer.headers["Location"] == reverse("desk_people")
    assert "2 people" in said(answer)
    assert Person.objects.get(name="Ann Smith").completions.get().valid_until == date(2027, 3, 31)
    again = roster(desk, GOOD)
    assert not again.context["seal"]
    assert "nothing to bring in" in text_of(again)


def test_bad_rows_are_named_with_line_cell_and_reason_and_the_text_stays(desk):
    shown = roster(desk, BAD)
    page = text_of(shown)
    assert "bo at example" in page
    assert "not an e-mail address" in page
    assert {(problem.line, problem.column) for problem in shown.context["looked_at"].problems} == {
        (3, "E-mail"),
        (3, "Phone"),
    }
    assert not shown.context["seal"]
    assert shown.context["form"]["text"].value() == BAD
    assert not Person.objects.filter(name="Ann Smith").exists()


def test_what_was_shown_is_what_is_brought_in(desk):
    seal = roster(desk, GOOD).context["seal"]
    PersonFactory(name="Ann Smith", email="ann@example.org")
    answer = desk.post(reverse("desk_import"), {"looked_at": seal})
    assert "people have changed meanwhile" in text_of(answer)
    assert not Person.objects.filter(name="Bo Fields").exists()
    assert desk.post(reverse("desk_import"), {"looked_at": answer.context["seal"]}).status_code == 302
    assert Person.objects.filter(name="Bo Fields").exists()


@pytest.mark.parametrize("seal", ["", "x", "a:b:c"])
def test_a_seal_that_is_none_brings_nobody_in(desk, seal):
    before = Person.objects.count()
    answer = desk.post(reverse("desk_import"), {"looked_at": seal, "text": GOOD})
    assert "Nothing was brought in" in said(answer)
    assert Person.objects.count() == before


def test_a_changed_seal_and_an_old_one_bring_nobody_in(desk):
    seal = roster(desk, GOOD).context["seal"]
    assert desk.post(reverse("desk_import"), {"looked_at": seal[:-2] + "xx"}).status_code == 302
    with time_machine.travel(NOW + 2 * DAY, tick=False):
        assert "too old" in said(
            desk_client(coordinator(email="c2@example.org")).post(reverse("desk_import"), {"looked_at": seal})
        )
    assert not Person.objects.filter(name="Ann Smith").exists()


def test_current_drivers_papers_are_seen(desk):
    text = "Name,Driver\nAnn Smith,yes\nBo Fields,no\n"
    seal = roster(desk, text, papers_seen="on").context["seal"]
    desk.post(reverse("desk_import"), {"looked_at": seal})
    ann = Person.objects.get(name="Ann Smith")
    assert is_ready(ann, TODAY + 30 * DAY)
    assert not is_ready(ann, TODAY + 31 * DAY)
    assert not is_ready(Person.objects.get(name="Bo Fields"))


def test_a_file_is_read_and_can_be_corrected_on_the_page(desk):
    file = io.BytesIO(BAD.encode("cp1252"))
    file.name = "roster.csv"
    shown = desk.post(reverse("desk_import"), {"file": file})
    assert shown.context["form"]["text"].value() == BAD
    assert not shown.context["seal"]


def test_a_workbook_is_refused_in_place(desk):
    file = io.BytesIO(b"PK\x03\x04rest")
    file.name = "roster.xlsx"
    answer = desk.post(reverse("desk_import"), {"file": file})
    assert "workbook" in errors_of(answer)["file"]


def test_text_and_file_together_are_asked_about(desk):
    file = io.BytesIO(GOOD.encode())
    file.name = "roster.csv"
    answer = desk.post(reverse("desk_import"), {"file": file, "text": BAD})
    assert "Clear one of the two" in errors_of(answer)["file"]
    assert "Paste the cells" in errors_of(desk.post(reverse("desk_import"), {}))["text"]


def test_a_question_about_columns_is_asked_and_answered(desk):
    text = "Name,Phone,Phone\nAnn Smith,614-555-0177,614-555-0199\n"
    asked = roster(desk, text)
    (question,) = asked.context["looked_at"].questions
    assert f'name="column-{question.field}"' in text_of(asked)
    shown = roster(desk, text, **{f"column-{question.field}": "3"})
    desk.post(reverse("desk_import"), {"looked_at": shown.context["seal"]})
    assert Person.objects.get(name="Ann Smith").phone.as_e164 == "+16145550199"


# --- nonsense


def test_every_form_survives_nonsense(desk):
    ana = ready_person(name="Ana Reyes")
    lead_driver()
    site = DropOffFactory()
    publish(site, TEXTS, by=None)
    rows = {"form-TOTAL_FORMS": "3", "form-INITIAL_FORMS": "0"}
    person = ("name", "phone", "email", "reach", "language", "drives", "again")
    survives_nonsense(desk, reverse("desk_new_person"), person)
    survives_nonsense(desk, at("desk_edit_person", ana), person)
    survives_nonsense(desk, at("desk_person", ana), ("notes",))
    for one in Step.objects.all():
        survives_nonsense(
            desk,
            reverse("desk_step_done", args=[ana.pk, one.pk]),
            ("on", "valid_until", "seen", "waived", "reason", "lead", "told"),
        )
    survives_nonsense(
        desk, reverse("desk_step_back", args=[Completion.objects.standing().first().pk]), ("reason",)
    )
    survives_nonsense(desk, at("desk_car", ana), ("form-0-label", "form-0-crates"), rows)
    survives_nonsense(desk, at("desk_car", ana), ("form-TOTAL_FORMS", "form-INITIAL_FORMS"))
    survives_nonsense(desk, at("desk_hours", ana), ("hours",))
    survives_nonsense(desk, at("desk_away", ana), ("first", "last"))
    survives_nonsense(desk, at("desk_appoint", ana), ("lead",))
    survives_nonsense(
        desk, reverse("desk_import"), ("text", "file", "papers_seen", "area_code", "column-phone")
    )
    survives_nonsense(desk, reverse("desk_import"), ("looked_at",))
    survives_nonsense(desk, at("desk_leave", ana), ("give_up",))
    for person in Person.objects.all():
        assert desk.get(at("desk_person", person)).status_code == 200
    assert desk.get(reverse("desk_people")).status_code == 200
