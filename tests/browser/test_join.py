"""A stranger becomes a driver on a phone, with JavaScript and without: what a run is like, two pages, the
code of the mail, the steps ahead; the coordinator asks back, they answer, and are taken in."""

import re

import pytest
from allauth.mfa.models import Authenticator
from playwright.sync_api import expect

from tests.browser.conftest import DESK
from tests.browser.test_every_page import sign_in
from tests.factories import coordinator
from volunteers.models import Message, Person

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.with_and_without_javascript]


def test_a_stranger_joins_on_a_phone(phone, open_page, axe):
    cora = coordinator(name="Cora Desk")
    Authenticator.objects.create(user=cora.user, type=Authenticator.Type.TOTP, data={"secret": "x"})

    phone.goto("/")
    phone.get_by_role("link", name="Ask to join").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("Join us")
    expect(phone.get_by_text("ask your doctor first")).to_be_visible()
    expect(phone.locator("input[name=fax]")).to_be_hidden()
    axe(phone)
    phone.get_by_label("Your name").fill("Ida Newcomer")
    phone.get_by_label("Phone").fill("12")
    phone.get_by_label("E-mail").fill("ida@example.org")
    phone.get_by_role("button", name="Next").click()
    expect(phone.get_by_text("Write the number with its area code").first).to_be_visible()
    axe(phone)
    phone.get_by_label("Phone").fill("555-555-0134")
    phone.get_by_role("button", name="Next").click()

    expect(phone.get_by_role("heading", level=1)).to_have_text("How you can help")
    axe(phone)
    phone.get_by_label("I am 18 or over").check()
    phone.get_by_role("group", name="Row 1").get_by_label("Day").select_option("Monday")
    phone.get_by_label("Your car").fill("Blue wagon")
    phone.get_by_role("button", name="Back").click()  # nothing is lost on the way
    expect(phone.get_by_label("Your name")).to_have_value("Ida Newcomer")
    phone.get_by_role("button", name="Next").click()
    expect(phone.get_by_label("Your car")).to_have_value("Blue wagon")
    expect(phone.get_by_label("I am 18 or over")).to_be_checked()
    phone.get_by_role("button", name="Send me the code").click()

    expect(phone.get_by_role("heading", level=1)).to_have_text("Enter the code")
    axe(phone)
    code = re.search(r"\b\d{6}\b", Message.objects.get(kind="sign-in").text)[0]
    phone.get_by_label("Code", exact=True).fill(f"{(int(code) + 1) % 10**6:06}")
    phone.get_by_role("button", name="Ask to join").click()
    expect(phone.get_by_text("That is not the code of the newest mail.").first).to_be_visible()
    axe(phone)
    assert not Person.objects.filter(name="Ida Newcomer").exists()
    phone.get_by_label("Code", exact=True).fill(code)
    phone.get_by_role("button", name="Ask to join").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("Orientation")
    expect(phone.get_by_text("Your request is with the coordinator")).to_be_visible()
    axe(phone)

    desk = open_page(DESK)
    sign_in(desk, cora.user)
    desk.goto("/desk/")
    desk.get_by_role("link", name="1 asks to join").click()
    axe(desk)
    desk.get_by_role("link", name="Answer Ida Newcomer").click()
    axe(desk)
    desk.get_by_text("Ask something first").click()
    desk.get_by_label("What you want to know").fill("Which days suit you best?")
    desk.get_by_role("button", name="Send the question").click()
    expect(desk.get_by_text("is asked, by mail and on their page")).to_be_visible()

    phone.goto("/")
    axe(phone)
    phone.get_by_role("link", name="Answer the question").click()
    axe(phone)
    phone.get_by_label("Your answer").fill("Mondays, mornings")
    phone.get_by_role("button", name="Send the answer").click()
    expect(phone.get_by_text("Your answer is with the coordinator.")).to_be_visible()

    desk.get_by_role("link", name="Answer Ida Newcomer").click()
    expect(desk.get_by_text("Mondays, mornings")).to_be_visible()
    desk.get_by_role("button", name="Take Ida in").click()
    expect(desk.get_by_text("is taken in")).to_be_visible()
    expect(desk.get_by_role("button", name="Undo: not taken in yet")).to_be_visible()
    axe(desk)
    phone.goto("/")
    expect(phone.get_by_text("Your request is with the coordinator")).to_have_count(0)
    assert Person.objects.drivers().filter(name="Ida Newcomer").exists()
