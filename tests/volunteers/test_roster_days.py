"""Days and hours as people write them. Wordings: common practice, no published source."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from volunteers.roster.cells import Unclear
from volunteers.roster.days import hours, hours_on, in_words


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("Mon", "Mon"),
        ("Mon, Wed", "Mon, Wed"),
        ("M/W/F", "Mon, Wed, Fri"),
        ("MWF", "Mon, Wed, Fri"),
        ("T/Th", "Tue, Thu"),
        ("Tues. & Thurs.", "Tue, Thu"),
        ("Mondays and Fridays only", "Mon, Fri"),
        ("Mon-Wed", "Mon, Tue, Wed"),
        ("Fri to Mon", "Mon, Fri, Sat, Sun"),
        ("weekdays", "Mon, Tue, Wed, Thu, Fri"),
        ("Weekends", "Sat, Sun"),
        ("any day", "Mon, Tue, Wed, Thu, Fri, Sat, Sun"),
        ("flexible", "Mon, Tue, Wed, Thu, Fri, Sat, Sun"),
        ("Sat mornings", "Sat until 12:00 pm"),
        ("Mon, Wed mornings", "Mon, Wed until 12:00 pm"),
        ("Mon mornings, Tue", "Mon until 12:00 pm; Tue"),
        ("mornings Mon, Wed; afternoons Tue", "Mon, Wed until 12:00 pm; Tue 12:00 pm to 5:00 pm"),
        ("Mon am/pm", "Mon until 12:00 pm; Mon after 12:00 pm"),
        ("Mon 8-12", "Mon 8:00 am to 12:00 pm"),
        ("Mon 8:30am - 11", "Mon 8:30 am to 11:00 am"),
        ("Mon 8-12pm", "Mon 8:00 am to 12:00 pm"),
        ("Mon 10-2", "Mon 10:00 am to 2:00 pm"),
        ("Mon 10am-2pm", "Mon 10:00 am to 2:00 pm"),
        ("Mon 1-4", "Mon 1:00 pm to 4:00 pm"),
        ("Mon 1-4pm", "Mon 1:00 pm to 4:00 pm"),
        ("Mon 8-8", "Mon 8:00 am to 8:00 pm"),
        ("Mon 11-1pm", "Mon 11:00 am to 1:00 pm"),
        ("Mon 13:00–15:30", "Mon 1:00 pm to 3:30 pm"),
        ("Tue after 3", "Tue after 3:00 pm"),
        ("Tue until noon", "Tue until 12:00 pm"),
        ("Tue before 10 a.m.", "Tue until 10:00 am"),
        ("Mon 8-10, Tue Wed 9-11", "Mon 8:00 am to 10:00 am; Tue, Wed 9:00 am to 11:00 am"),
        ("all day Saturday", "Sat"),
        ("", ""),
        ("n/a", ""),
    ],
)
def test_days_and_hours(cell, words):
    assert in_words(hours(cell)) == words


def test_hours_without_days_are_every_day():
    assert [day for day, *_ in hours("mornings")] == list(range(7))


@pytest.mark.parametrize(
    "cell",
    [
        "not Mondays",
        "every other Tue",
        "Mon except holidays",
        "ask",
        "Mon 25-26",
        "Mon 8",
        "S",
        "1st Monday",
        "Mon 11am-9am",
        "no Fridays",
        "Mon, maybe Tue",
    ],
)
def test_what_could_mean_the_opposite_is_not_used(cell):
    with pytest.raises(Unclear, match=r"\."):
        hours(cell)


def test_a_column_for_one_day():
    assert in_words(hours_on(2, "8-12")) == "Wed 8:00 am to 12:00 pm"
    assert in_words(hours_on(5, "am")) == "Sat until 12:00 pm"
    assert hours_on(5, "Mon") == []


@given(cell=st.text(alphabet="montuewdhfrisa 0123456789:-,/&+.()apm", max_size=25))
def test_what_is_understood_can_be_stored(cell):
    """The constraints of the table: weekdays 0 to 6, and an end after the beginning."""
    try:
        found = hours(cell)
    except Unclear:
        return
    assert all(0 <= day <= 6 and begins < ends for day, begins, ends in found)
