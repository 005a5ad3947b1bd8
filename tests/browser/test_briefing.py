"""A briefing in a browser, with JavaScript and without: a wrong answer is explained where it stands, the
right ones stay, and only then is it recorded; printed it is a page to sign. Its text at the desk."""

import pytest
from allauth.mfa.models import Authenticator
from playwright.sync_api import expect

from tests.browser.test_every_page import sign_in
from tests.factories import PersonFactory, coordinator
from volunteers import reading
from volunteers.models import BriefingText, Completion

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.with_and_without_javascript]


def choose(page, question, answer):
    page.get_by_role("group", name=question).get_by_label(answer, exact=True).check()


def test_a_wrong_answer_then_the_right_one(phone, axe, live_server):
    nia = PersonFactory(name="Nia Newcomb", sign_in=True)
    sign_in(phone, nia.user)
    phone.goto("/orientation/")
    expect(phone.get_by_text("Your next step")).to_be_visible()
    axe(phone)
    phone.get_by_role("link", name="Read it now").first.click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("Driver briefing")
    axe(phone)
    questions = reading.briefing_of(reading.shipped_step()).questions
    for one in questions[:-1]:
        choose(phone, one.ask, one.answers[0])
    last = questions[-1]
    choose(phone, last.ask, last.answers[1])
    phone.get_by_role("button", name="I have read it").click()

    expect(phone.locator("#error-summary")).to_be_focused()
    expect(phone.get_by_text(last.because)).to_be_visible()
    expect(phone.get_by_text("That is right.")).to_have_count(len(questions) - 1)
    for one in questions[:-1]:
        group = phone.get_by_role("group", name=one.ask)
        expect(group.get_by_label(one.answers[0], exact=True)).to_be_checked()
    axe(phone)
    assert not Completion.objects.exists()
    phone.get_by_role("link", name="Read it again").click()
    expect(phone.locator(f"#{last.section}")).to_be_in_viewport()
    phone.locator(f"#{last.section}").get_by_role("link", name="Back to the questions").click()
    choose(phone, last.ask, last.answers[0])
    phone.get_by_role("button", name="I have read it").click()
    expect(phone.get_by_text("It is noted that you have read: Driver briefing.")).to_be_visible()
    axe(phone)
    assert Completion.objects.get().person == nia


def test_printed_it_is_a_page_to_sign(desk, javascript, live_server):
    sign_in(desk, PersonFactory(sign_in=True).user)
    desk.goto("/orientation/briefing/")
    expect(desk.get_by_text("Signature")).to_be_hidden()
    button = desk.get_by_role("button", name="Print this page")
    if javascript:
        desk.evaluate("window.print = () => { document.title = 'printed' }")
        button.click()
        expect(desk).to_have_title("printed")
    else:
        expect(button).to_have_count(0)
    desk.emulate_media(media="print")
    expect(desk.get_by_text("Signature")).to_be_visible()
    expect(desk.get_by_text("I have read this briefing and understood it.")).to_be_visible()
    expect(desk.get_by_text("☐", exact=False).first).to_be_visible()
    expect(desk.get_by_role("button", name="I have read it")).to_be_hidden()


def test_its_text_is_written_at_the_desk(desk, axe, live_server):
    cora = coordinator()
    Authenticator.objects.create(user=cora.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    sign_in(desk, cora.user)
    step = reading.shipped_step()
    desk.goto(f"/desk/settings/steps/{step.pk}/")
    desk.get_by_role("link", name="What is read, and the questions at its end").click()
    axe(desk)
    desk.get_by_label("Text").fill("Call Ann first.\n\n- She has the keys")
    first = desk.get_by_role("group", name="Question 1")
    first.get_by_label("Question", exact=True).fill("Who has the keys?")
    first.get_by_label("Right answer").fill("Ann")
    desk.get_by_role("button", name="Look at it").click()

    expect(desk.locator("#error-summary")).to_be_focused()
    axe(desk)
    first = desk.get_by_role("group", name="Question 1")
    expect(first.get_by_label("Right answer")).to_have_value("Ann")
    first.get_by_label("Wrong answer", exact=True).fill("Nobody")
    first.get_by_label("Why it is right").fill("She is there at six.")
    desk.get_by_label("Everybody, also whoever has read it before").check()
    desk.get_by_role("button", name="Look at it").click()
    expect(desk.get_by_text("Nothing has been saved yet.")).to_be_visible()
    axe(desk)
    assert not BriefingText.objects.exists()
    desk.get_by_role("button", name="Save it").click()
    expect(desk.get_by_text("It must be read again by")).to_be_visible()
    expect(desk.get_by_role("button", name="Undo: nobody has to read it again")).to_be_visible()
    axe(desk)
    assert BriefingText.objects.get().questions[0]["ask"] == "Who has the keys?"
