"""The pages on which a stranger joins: nothing is written before the code, nothing is lost on the way, and no
page shows whether an address is known."""

import email
import re
from datetime import timedelta

import pytest
import time_machine
from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret
from django.test import Client

from shifts.models import Shift, ShiftTerm
from shifts.pages.forms_join import TRAP
from shifts.seats import joins
from sites.models import Programme
from tests.factories import PersonFactory, coordinator
from tests.shifts.pages.at_the_desk import DAY, NOW, TODAY, errors_of, said, survives_nonsense, text_of
from volunteers.models import Join, Message, Person, User
from volunteers.people import leave, sign_in_for

pytestmark = pytest.mark.django_db

CONTACT = {
    "name": "Ida Newcomer",
    "phone": "555-555-0134",
    "email": "Ida@Example.org",
    "language": "en",
}
HOURS = {"hours-TOTAL_FORMS": "2", "hours-INITIAL_FORMS": "0"}
MORE = HOURS | {
    "age": "adult",
    "label": "Blue wagon",
    "crates": "14",
    "note": "I know Oak Street.",
    "hours-0-weekday": "0",
    "hours-0-begins": "08:00",
    "hours-0-ends": "12:00",
    "hours-1-weekday": "5",
}
MINUTE = timedelta(minutes=1)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def cora():
    return coordinator()


def code_mails(address="ida@example.org"):
    return list(Message.objects.filter(address=address, kind="sign-in").order_by("pk"))


def digits(message):
    return re.search(r"^\d{6}$", message.text, re.MULTILINE)[0]


def wrong(message):
    return f"{(int(digits(message)) + 1) % 10**6:06}"


def ask_for_code(client, contact=CONTACT, more=MORE):
    client.post("/join/", contact)
    return client.post("/join/more/", more)


def join(client, contact=CONTACT, more=MORE):
    ask_for_code(client, contact, more)
    return client.post("/join/code/", {"code": digits(code_mails(contact["email"].lower())[-1])})


class TestTheWay:
    def test_from_a_stranger_to_the_steps_ahead(self, client, cora):
        assert 'href="/join/"' in text_of(client.get("/"))
        assert client.post("/join/", CONTACT)["Location"] == "/join/more/"
        assert client.post("/join/more/", MORE)["Location"] == "/join/code/"
        assert "ida@example.org" in text_of(client.get("/join/code/"))
        answer = client.post("/join/code/", {"code": digits(code_mails()[0])})
        assert (answer.status_code, answer["Location"]) == (302, "/orientation/")
        ida = Person.objects.get(name="Ida Newcomer")
        assert client.session["_auth_user_id"] == str(ida.user_id)
        assert "join" not in client.session
        assert "Your request is with the coordinator" in text_of(client.get("/orientation/"))
        assert "Your request is with the coordinator" in text_of(client.get("/"))
        assert (str(ida.phone), ida.drives, ida.join.note) == ("(555) 555-0134", True, "I know Oak Street.")
        assert [str(hour) for hour in ida.hours.all()] == ["0 08:00:00-12:00:00", "5 00:00:00-23:59:00"]
        assert [(car.label, car.crates) for car in ida.cars.all()] == [("Blue wagon", 14)]
        assert Message.objects.filter(person=cora, kind="join asked").exists()

    def test_nothing_is_written_before_the_code(self, client, cora):
        people, users = Person.objects.count(), User.objects.count()
        ask_for_code(client)
        client.post("/join/code/", {"code": wrong(code_mails()[0])})
        assert (Person.objects.count(), User.objects.count(), Join.objects.count()) == (people, users, 0)
        assert not Message.objects.filter(person=cora).exists()

    def test_the_session_holds_no_code_that_could_be_read(self, client):
        ask_for_code(client)
        assert digits(code_mails()[0]) not in str(dict(client.session.items()))

    def test_a_sign_in_lasts_as_long_as_any(self, client):
        join(client)
        assert client.session.get_expiry_age() > 364 * 24 * 3600

    def test_what_was_typed_and_left_lasts_a_day(self, client):
        ask_for_code(client)
        assert client.session.get_expiry_age() == 24 * 3600

    def test_pages_out_of_turn_lead_to_the_one_that_comes_first(self, client):
        assert client.get("/join/more/")["Location"] == "/join/"
        assert client.get("/join/code/")["Location"] == "/join/more/"
        client.post("/join/", CONTACT)
        assert client.get("/join/code/")["Location"] == "/join/more/"

    def test_back_keeps_what_was_typed_on_both_pages(self, client):
        client.post("/join/", CONTACT)
        assert client.post("/join/more/", MORE | {"back": "yes"})["Location"] == "/join/"
        assert code_mails() == []
        page = text_of(client.get("/join/"))
        for value in ("Ida Newcomer", "555-555-0134", "Ida@Example.org"):
            assert f'value="{value}"' in page
        page = text_of(client.get("/join/more/"))
        for value in ("Blue wagon", "14", "08:00", "12:00"):
            assert f'value="{value}"' in page
        assert "I know Oak Street." in page
        assert re.search(r'value="adult"[^>]* checked', page)
        assert re.search(r'value="5" selected', page)
        assert "Error:" not in page

    def test_a_refused_page_keeps_it_too_and_says_why(self, client):
        answer = client.post("/join/", CONTACT | {"phone": "12"})
        assert "area code" in errors_of(answer)["phone"]
        assert 'value="Ida Newcomer"' in text_of(answer)
        client.post("/join/", CONTACT)
        answer = client.post("/join/more/", {**MORE, "age": "", "hours-0-ends": "07:00"})
        assert errors_of(answer) == {"age": "Choose one of the two."}
        assert "The end must be later than the start." in text_of(answer)
        assert 'value="Blue wagon"' in text_of(answer)
        assert code_mails() == []

    @pytest.mark.parametrize(
        ("field", "value"),
        [("name", ""), ("phone", ""), ("phone", "555-555-0134 ext 9"), ("email", "ida"), ("language", "xx")],
    )
    def test_what_is_needed_to_reach_somebody(self, client, field, value):
        assert field in errors_of(client.post("/join/", CONTACT | {field: value}))

    def test_nonsense(self, client):
        survives_nonsense(client, "/join/", ["name", "phone", "email", "language", TRAP], CONTACT)
        client.post("/join/", CONTACT)
        fields = ["age", "rather_not", "label", "crates", "note", "hours-0-weekday", "hours-TOTAL_FORMS"]
        survives_nonsense(client, "/join/more/", fields, MORE)
        survives_nonsense(client, "/join/code/", ["code"])

    def test_in_the_language_chosen_on_the_first_page(self, client):
        ask_for_code(client, CONTACT | {"language": "es"})
        assert '<html lang="es"' in client.get("/join/more/").content.decode()
        [mail] = code_mails()
        parts = email.message_from_bytes(bytes(mail.raw)).walk()
        html = [part.get_payload(decode=True) for part in parts if part.get_content_type() == "text/html"]
        assert b'<html lang="es">' in html[0]
        client.post("/join/code/", {"code": digits(code_mails()[0])})
        assert Person.objects.get().language == "es"
        assert '<html lang="es"' in client.get("/").content.decode()


class TestWhoTheyAre:
    def test_under_18_is_told_so_and_never_drives(self, client):
        client.post("/join/", CONTACT)
        page = text_of(client.get("/join/more/"))
        assert "Under 18 you may only ride along, beside your parent or guardian" in page
        join(client, more=MORE | {"age": "minor"})
        ida = Person.objects.get()
        assert (ida.is_adult, ida.drives, ida.cars.count()) == (False, False, 0)
        assert "Under 18 you ride along only beside" in text_of(client.get("/"))

    def test_rather_not_driving(self, client):
        join(client, more=MORE | {"rather_not": "on"})
        assert Person.objects.get().drives is False

    def test_no_car_and_no_hours(self, client):
        join(client, more=HOURS | {"age": "adult"})
        ida = Person.objects.get()
        assert (ida.drives, ida.cars.count(), ida.hours.count()) == (True, 0, 0)


class TestTheCode:
    def test_it_expires_after_ten_minutes(self, client, clock):
        ask_for_code(client)
        clock.shift(10 * MINUTE)
        answer = client.post("/join/code/", {"code": digits(code_mails()[0])})
        assert "too old" in errors_of(answer)["code"]
        assert not Join.objects.exists()

    def test_just_before_it_still_works(self, client, clock):
        ask_for_code(client)
        clock.shift(10 * MINUTE - timedelta(seconds=1))
        client.post("/join/code/", {"code": digits(code_mails()[0])})
        assert Join.objects.exists()

    def test_the_mail_is_not_sent_later_than_it_is_of_use(self, client):
        ask_for_code(client)
        [mail] = code_mails()
        assert mail.expires_at == NOW + 10 * MINUTE
        assert digits(mail) not in mail.subject

    def test_guessing_ends(self, client):
        ask_for_code(client)
        [mail] = code_mails()
        for _ in range(5):
            answer = client.post("/join/code/", {"code": wrong(mail)})
            assert "not the code" in errors_of(answer)["code"]
        answer = client.post("/join/code/", {"code": digits(mail)})
        assert "Too many wrong codes" in errors_of(answer)["code"]
        assert not Join.objects.exists()

    def test_guessing_does_not_begin_again_in_another_session(self, client):
        """The code is the session's own: another one has none to try."""
        ask_for_code(client)
        other = Client()
        other.post("/join/", CONTACT)
        assert other.post("/join/code/", {"code": digits(code_mails()[0])})["Location"] == "/join/more/"

    def test_as_it_is_pasted(self, client):
        ask_for_code(client)
        code = digits(code_mails()[0])
        client.post("/join/code/", {"code": f" {code[:3]} {code[3:]} "})
        assert Join.objects.exists()

    def test_another_one_makes_the_earlier_void(self, client):
        ask_for_code(client)
        answer = client.post("/join/code/", {"action": "resend"})
        assert (answer["Location"], said(answer)) == (
            "/join/code/",
            "Another code is on its way. The earlier one works no longer.",
        )
        first, second = code_mails()
        if digits(first) != digits(second):
            assert errors_of(client.post("/join/code/", {"code": digits(first)}))
        client.post("/join/code/", {"code": digits(second)})
        assert Join.objects.exists()

    def test_going_back_and_forth_sends_no_second_one(self, client):
        ask_for_code(client)
        ask_for_code(client)
        assert len(code_mails()) == 1

    def test_a_code_proves_the_address_it_was_sent_to_and_no_other(self, client):
        ask_for_code(client)
        code = digits(code_mails()[0])
        client.post("/join/", CONTACT | {"email": "victim@example.org"})
        answer = client.post("/join/code/", {"code": code})
        assert "too old" in errors_of(answer)["code"]
        assert not Person.objects.filter(email="victim@example.org").exists()

    def test_five_mails_a_day_to_an_address_whoever_asks(self, client, clock):
        for _ in range(5):
            assert ask_for_code(Client())["Location"] == "/join/code/"
        answer = ask_for_code(client)
        assert "Enough codes were sent to this address" in errors_of(answer)["__all__"]
        assert 'value="Blue wagon"' in text_of(answer)
        assert len(code_mails()) == 5
        assert ask_for_code(client, CONTACT | {"email": "else@example.org"})["Location"] == "/join/code/"
        assert "Enough codes" not in said(client.post("/join/code/", {"action": "resend"}))
        clock.shift(DAY + MINUTE)
        assert ask_for_code(client)["Location"] == "/join/code/"

    def test_asking_again_is_limited_as_well(self, client):
        ask_for_code(client)
        for _ in range(4):
            client.post("/join/code/", {"action": "resend"})
        assert "Enough codes" in said(client.post("/join/code/", {"action": "resend"}))
        assert len(code_mails()) == 5

    def test_from_one_place_so_many_an_hour(self, client, settings):
        settings.ACCOUNT_RATE_LIMITS = {"join_from": "2/h/ip"}
        for name in ("a", "b"):
            ask_for_code(Client(), CONTACT | {"email": f"{name}@example.org"})
        answer = ask_for_code(client)
        assert "Too many people asked from here" in errors_of(answer)["__all__"]
        other = ask_for_code(Client(REMOTE_ADDR="192.0.2.7"), CONTACT | {"email": "c@example.org"})
        assert other["Location"] == "/join/code/"

    def test_behind_a_proxy_the_place_is_the_visitors(self, settings):
        settings.ALLAUTH_TRUSTED_PROXY_COUNT = 1
        settings.ACCOUNT_RATE_LIMITS = {"join_from": "1/h/ip"}
        for number in (1, 2):
            client = Client(HTTP_X_FORWARDED_FOR=f"192.0.2.{number}")
            answer = ask_for_code(client, CONTACT | {"email": f"{number}@example.org"})
            assert answer["Location"] == "/join/code/"

    def test_programs_that_fill_in_everything_are_refused_and_people_can_go_on(self, client):
        page = client.get("/join/").content.decode()
        [trap] = re.findall(r"<div hidden>.*?</div>", page, re.DOTALL)
        assert f'name="{TRAP}"' in trap  # hidden from eyes, screen readers and the Tab key
        assert 'tabindex="-1"' in trap
        answer = client.post("/join/", CONTACT | {TRAP: "https://spam.example"})
        assert "press the button once more" in errors_of(answer)["__all__"]
        assert "spam.example" not in text_of(answer)
        assert client.post("/join/", CONTACT | {TRAP: ""})["Location"] == "/join/more/"

    def test_search_engines_keep_it_out_and_browsers_keep_no_copy(self, client):
        ask_for_code(client)
        page = client.get("/join/code/")
        assert page["X-Robots-Tag"] == "noindex"
        assert "no-store" in page["Cache-Control"]
        assert 'autocomplete="one-time-code"' in page.content.decode()
        assert "X-Robots-Tag" not in client.get("/join/")


class TestKnownAlready:
    @pytest.fixture
    def ana(self):
        return PersonFactory(name="Ana Bell", email="ida@example.org", sign_in=True)

    def pages(self, contact):
        """What the browser is shown up to a wrong code, without what differs every time."""
        client, shown = Client(), []
        for address, post in [("/join/", contact), ("/join/more/", MORE), ("/join/code/", {"code": "x"})]:
            answer = client.post(address, post)
            shown += [answer.status_code, answer.get("Location"), client.get("/join/code/").content]
        texts = [re.sub(rb'(value=")\w{64}"', rb'\1"', part) if isinstance(part, bytes) else part
                 for part in shown]  # fmt: skip
        return [part.replace(contact["email"].encode(), b"*") if isinstance(part, bytes) else part
                for part in texts]  # fmt: skip

    def test_no_page_shows_it(self, ana):
        known = self.pages(CONTACT | {"email": "ida@example.org"})
        assert known == self.pages(CONTACT | {"email": "new@example.org"})

    def test_the_mail_does(self, client, ana):
        ask_for_code(client)
        [mail] = code_mails()
        assert mail.subject.startswith("You are with ")
        assert "The coordinator adds them" in mail.text

    def test_the_code_signs_them_in_and_makes_nobody(self, client, ana):
        answer = join(client)
        assert answer["Location"] == "/"
        assert "known here already" in said(answer)
        assert client.session["_auth_user_id"] == str(ana.user_id)
        assert list(Person.objects.all()) == [ana]
        assert not Join.objects.exists()

    def test_a_coordinators_second_factor_is_still_asked(self, client):
        cora = coordinator(email="ida@example.org")
        TOTP.activate(cora.user, generate_totp_secret())
        assert join(client)["Location"] == "/account/2fa/authenticate/"
        assert "_auth_user_id" not in client.session

    def test_who_left_is_told_whom_to_ask(self, client, ana):
        leave(ana, by=None)
        assert join(client)["Location"] == "/"
        assert "Ask the coordinator" in text_of(client.get("/"))

    def test_the_same_request_sent_twice(self, client):
        """The second of two taps finds the first one's person."""
        ask_for_code(client)
        code, draft = digits(code_mails()[0]), client.session["join"]
        client.post("/join/code/", {"code": code})
        other = Client()
        session = other.session
        session["join"] = draft
        session.save()
        other.cookies["sessionid"] = session.session_key
        assert other.post("/join/code/", {"code": code})["Location"] == "/"
        assert Join.objects.count() == 1

    def test_whoever_is_signed_in_is_told_how_others_join(self, client, ana):
        client.force_login(ana.user)
        page = text_of(client.get("/join/"))
        assert "You are signed in already" in page
        assert 'name="email"' not in page
        client.post("/join/", CONTACT)
        assert "join" not in client.session


class TestWhatARunIsLike:
    def term(self, minutes, **facts):
        shift = Shift.objects.create(name=f"Weekly {minutes}")
        return ShiftTerm.objects.create(
            shift=shift, applies_from=TODAY - 30 * DAY, anchor=TODAY, rule="FREQ=WEEKLY;BYDAY=MO",
            starts="08:00", minutes=minutes, **facts,
        )  # fmt: skip

    def test_about_an_hour_where_there_are_no_runs_yet(self, client):
        assert "It takes about an hour," in text_of(client.get("/join/"))

    def test_as_long_as_the_weekly_runs_are(self, client):
        self.term(45)
        assert "It takes about 45 minutes," in text_of(client.get("/join/"))
        self.term(75)
        self.term(200, applies_until=TODAY)  # over
        assert "It takes 45 to 75 minutes," in text_of(client.get("/join/"))

    def test_what_is_lifted_with_the_caution(self, client):
        programme = Programme.current()
        programme.lift_pounds = 35
        programme.save()
        page = text_of(client.get("/join/"))
        assert "You lift boxes of up to 35 lb" in page
        for words in ("ask your doctor first", "Your own car insurance comes first", "Food stays cold"):
            assert words in page
        assert "Nobody drives alone before orientation" in page


class TestAskedBack:
    @pytest.fixture
    def ida(self, client, cora):
        join(client)
        ida = Person.objects.get(name="Ida Newcomer")
        joins.ask_back(ida.join, "Which days?", by=cora.user)
        return ida

    @pytest.mark.parametrize("address", ["/", "/orientation/", "/join/answer/"])
    def test_the_question_stands_on_their_own_pages(self, client, ida, address):
        assert "Which days?" in text_of(client.get(address))

    def test_answered_there(self, client, ida, cora):
        answer = client.post("/join/answer/", {"reply": "Mondays"})
        assert answer["Location"] == "/"
        assert "Your answer is with the coordinator." in said(answer)
        ida.join.refresh_from_db()
        assert (ida.join.state, ida.join.reply) == ("waiting", "Mondays")
        assert "Your request is with the coordinator" in text_of(client.get("/"))

    def test_an_empty_answer_is_refused(self, client, ida):
        assert errors_of(client.post("/join/answer/", {"reply": " "})) == {"reply": "Write your answer."}

    def test_nothing_to_answer_after_that(self, client, ida, cora):
        joins.accept(ida.join, by=cora.user)
        answer = client.post("/join/answer/", {"reply": "Mondays"})
        assert answer["Location"] == "/"
        assert "There is no question to answer now." in said(answer)

    def test_nobody_answers_for_another(self, ida):
        other = Client()
        other.force_login(sign_in_for("other@example.org"))
        assert other.post("/join/answer/", {"reply": "Mondays"}).status_code == 403
