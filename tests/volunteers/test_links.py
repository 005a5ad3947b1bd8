"""Private links: each opens one row for one purpose until its nonce changes."""

from datetime import date

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from volunteers import links
from volunteers.models import Person

ROW = Person(pk=7)
NONCE = "spoon"
TOKEN = links.token("feed", ROW, NONCE)
DAY = date(2027, 5, 11)
urls = st.text(st.characters(codec="utf-8"))


def test_a_link_can_be_shown_again_and_is_the_same():
    assert links.token("feed", ROW, NONCE) == TOKEN
    assert links.row_number(TOKEN) == 7
    assert links.is_valid(TOKEN, "feed", ROW, NONCE)


@pytest.mark.parametrize(
    ("purpose", "pk", "nonce"),
    [("ask", 7, NONCE), ("feed", 8, NONCE), ("feed", 7, "fork"), ("feed", 71, NONCE)],
)
def test_it_opens_nothing_else(purpose, pk, nonce):
    assert not links.is_valid(TOKEN, purpose, Person(pk=pk), nonce)


def test_it_hangs_on_this_installations_key(settings):
    settings.SECRET_KEY = "another one, of another installation"
    assert not links.is_valid(TOKEN, "feed", ROW, NONCE)


def test_it_fits_an_address_and_a_phone_and_cannot_be_guessed():
    """160 bits; RFC 4648 section 5 letters only, so that nothing in it needs quoting in an address."""
    _number, _, secret = TOKEN.partition("-")
    assert len(secret) * 6 >= 160
    assert set(TOKEN) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")


@given(position=st.integers(0, len(TOKEN) - 1), letter=st.characters(codec="utf-8"))
def test_one_letter_changed_opens_nothing(position, letter):
    assume(TOKEN[position] != letter)
    # The last letter of a base64 text has bits that mean nothing: compared as text, they count as well.
    assert not links.is_valid(TOKEN[:position] + letter + TOKEN[position + 1 :], "feed", ROW, NONCE)


@given(text=urls)
def test_any_text_is_a_number_or_none_and_opens_nothing(text):
    number = links.row_number(text)
    assert number is None or 0 <= number < 2**63
    assert text == TOKEN or not links.is_valid(text, "feed", ROW, NONCE)


@pytest.mark.parametrize(
    "text", ["", "-", "7", "7-", "-abc", "x-abc", "７-abc", "+7-abc", " 7-abc", "9" * 19 + "-abc"]
)
def test_what_names_no_row(text):
    assert links.row_number(text) is None


def test_another_spelling_of_the_number_is_another_link():
    assert not links.is_valid("0" + TOKEN, "feed", ROW, NONCE)


def test_a_link_with_a_day_says_which():
    token = links.day_token("sheet", ROW, DAY)
    assert token.startswith("7-20270511-")
    assert links.row_number(token) == 7
    assert links.day_in(token, "sheet", ROW) == DAY


@pytest.mark.parametrize(("purpose", "pk"), [("feed", 7), ("sheet", 8), ("sheet", 71)])
def test_and_opens_nothing_else(purpose, pk):
    assert links.day_in(links.day_token("sheet", ROW, DAY), purpose, Person(pk=pk)) is None


def test_nor_on_another_day():
    token = links.day_token("sheet", ROW, DAY)
    for other in ("20270512", "2027-05-11", "2027131", "2027W193", "", "0", "٢٠٢٧٠٥١١"):
        assert links.day_in(token.replace("20270511", other), "sheet", ROW) is None


@given(urls)
def test_whatever_an_address_holds_has_no_day(text):
    assume(text != links.day_token("sheet", ROW, DAY))
    assert links.day_in(text, "sheet", ROW) is None
