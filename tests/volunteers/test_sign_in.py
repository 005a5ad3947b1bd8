"""Signing in by a mailed code, without a password; coordinators with a second factor."""

import re

import pytest
from allauth.mfa.totp.internal.auth import (
    TOTP,
    format_hotp_value,
    generate_totp_secret,
    hotp_value,
    yield_hotp_counters_from_time,
)
from django.core.management import CommandError, call_command

from tests.factories import PersonFactory, coordinator
from volunteers.models import Message, Person, User

pytestmark = pytest.mark.django_db


def ask_for_code(client, email):
    return client.post("/account/login/code/", {"email": email})


def code_from_mail(email):
    message = Message.objects.filter(kind="sign-in", address=email).latest("pk")
    return re.search(r"\b\d{6}\b", message.text).group()


def sign_in(client, email):
    ask_for_code(client, email)
    return client.post("/account/login/code/confirm/", {"code": code_from_mail(email)})


def signed_in_as(client):
    pk = client.session.get("_auth_user_id")
    return User.objects.get(pk=pk) if pk else None


class TestByCode:
    def test_a_code_signs_in_whatever_the_case_of_the_address(self, client):
        person = PersonFactory(email="ana@example.org", sign_in=True)
        ask_for_code(client, "Ana@Example.ORG")
        response = client.post("/account/login/code/confirm/", {"code": code_from_mail("ana@example.org")})
        assert (response.status_code, response["Location"]) == (302, "/")
        assert signed_in_as(client) == person.user

    def test_one_code_is_enough_for_whoever_the_coordinator_added(self, client):
        """A sign-in without a verified address would be asked for two."""
        PersonFactory(email="ana@example.org", sign_in=True)
        sign_in(client, "ana@example.org")
        assert Message.objects.filter(kind="sign-in").count() == 1

    def test_a_wrong_code_does_not(self, client):
        PersonFactory(email="ana@example.org", sign_in=True)
        ask_for_code(client, "ana@example.org")
        right = code_from_mail("ana@example.org")
        wrong = str((int(right) + 1) % 1_000_000).zfill(6)
        response = client.post("/account/login/code/confirm/", {"code": wrong})
        assert response.status_code == 200
        assert signed_in_as(client) is None

    def test_guessing_ends(self, client):
        PersonFactory(email="ana@example.org", sign_in=True)
        ask_for_code(client, "ana@example.org")
        right = code_from_mail("ana@example.org")
        for number in range(5):
            client.post(
                "/account/login/code/confirm/", {"code": str((int(right) + 1 + number) % 1_000_000).zfill(6)}
            )
        client.post("/account/login/code/confirm/", {"code": right})
        assert signed_in_as(client) is None

    def test_the_page_says_the_same_for_an_unknown_address(self, client):
        PersonFactory(email="ana@example.org", sign_in=True)
        known, unknown = ask_for_code(client, "ana@example.org"), ask_for_code(client, "who@example.org")
        assert (known.status_code, known["Location"]) == (unknown.status_code, unknown["Location"])
        assert not User.objects.filter(email="who@example.org").exists()

    def test_the_mail_goes_through_the_outbox_and_expires(self, client):
        PersonFactory(email="ana@example.org", sign_in=True)
        ask_for_code(client, "ana@example.org")
        message = Message.objects.get()
        assert 590 < (message.expires_at - message.created_at).total_seconds() <= 600
        assert code_from_mail("ana@example.org") not in message.subject

    def test_nobody_signs_up_by_themselves(self, client):
        response = client.post("/account/signup/", {"email": "new@example.org"})
        assert response.status_code == 200
        assert not User.objects.exists()


class TestHowLongItLasts:
    def test_a_year_for_volunteers_thirty_days_for_coordinators(self, client):
        PersonFactory(email="ana@example.org", sign_in=True)
        sign_in(client, "ana@example.org")
        assert client.session.get_expiry_age() > 364 * 24 * 3600
        client.logout()
        coordinator(email="cora@example.org")
        sign_in(client, "cora@example.org")
        assert 29 * 24 * 3600 < client.session.get_expiry_age() <= 30 * 24 * 3600


class TestSecondFactor:
    def test_the_desk_asks_for_one(self, client):
        client.force_login(coordinator().user)
        assert client.get("/desk/")["Location"] == "/desk/second-factor/"
        assert client.get("/desk/second-factor/").status_code == 200

    @pytest.mark.urls("tests.demo_urls")
    def test_the_demo_does_without(self, client, settings):
        settings.DEMO = True
        client.force_login(coordinator().user)
        assert client.get("/desk/").status_code == 200

    def test_the_mailed_code_alone_does_not_sign_in_who_has_one(self, client):
        cora = coordinator(email="cora@example.org")
        secret = generate_totp_secret()
        TOTP.activate(cora.user, secret)
        response = sign_in(client, "cora@example.org")
        assert response["Location"] == "/account/2fa/authenticate/"
        assert signed_in_as(client) is None
        counter = next(iter(yield_hotp_counters_from_time()))
        code = format_hotp_value(hotp_value(secret, counter))  # RFC 6238, as the authenticator app counts
        response = client.post("/account/2fa/authenticate/", {"code": code})
        client.post(response["Location"], {"action": "trust"})  # this device is remembered for 30 days
        assert signed_in_as(client) == cora.user
        assert client.get("/desk/").status_code == 200
        client.post("/account/logout/")
        sign_in(client, "cora@example.org")
        assert signed_in_as(client) == cora.user

    def test_a_volunteer_is_refused_at_the_desk(self, client):
        client.force_login(PersonFactory(sign_in=True).user)
        assert client.get("/desk/").status_code == 403


class TestAddCoordinator:
    def test_the_first_one(self, client):
        call_command("add_coordinator", "Cora@Example.org", "Cora", "Desk")
        person = Person.objects.get()
        assert (person.name, person.email, person.user.is_coordinator) == (
            "Cora Desk",
            "cora@example.org",
            True,
        )
        sign_in(client, "cora@example.org")
        assert signed_in_as(client) == person.user

    def test_no_address(self):
        with pytest.raises(CommandError, match="not an e-mail address"):
            call_command("add_coordinator", "cora", "Cora")
