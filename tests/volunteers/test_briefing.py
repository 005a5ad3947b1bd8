"""The shipped briefing's words and the check at its end, held to what is published; and how a coordinator's
own words are read."""

import re

import pytest

from volunteers import briefing
from volunteers.briefing_check import own, shipped
from volunteers.reading import blocks

LIFT = 40  # a full banana box; common practice, no published source

QUESTIONS = {question.key: question for question in shipped(lift_pounds=LIFT)}
SECTIONS = {section.slug: section for section in briefing.sections(lift_pounds=LIFT)}


def words(section):
    return " ".join([section.title, *section.points, section.limit])


def right(key):
    return QUESTIONS[key].answers[0]


class TestNumbers:
    def test_cold(self):
        # FDA Food Code 2022, 3-501.16 and 3-202.11: cold food at or below 41 °F (5 °C)
        assert right("thermometer") == "When the thermometer reads 41 °F or below"
        assert "only when it is 41 °F or below" in words(SECTIONS["cold"])
        wrong = int(re.findall(r"\d+", QUESTIONS["thermometer"].answers[1])[0])
        assert wrong > 41

    def test_hot(self):
        # the same sections: hot food at or above 135 °F (57 °C)
        assert "Hot food is 135 °F or above" in words(SECTIONS["cold"])

    def test_the_clock(self):
        # USDA, food left out: 2 hours, 1 hour when the air is above 90 °F. The programme's own lie inside.
        assert briefing.MINUTES < 120
        assert briefing.MINUTES_IN_HEAT < 60
        assert briefing.HEAT_F == 90
        assert right("clock") == f"{briefing.MINUTES_IN_HEAT} minutes after it left the cold at the dock"
        asked = int(re.findall(r"(\d+) °F", QUESTIONS["clock"].ask)[0])
        assert asked > 90  # so that the shorter time is the right one
        assert "above 90 °F" in QUESTIONS["clock"].because

    def test_staying_home(self):
        # FDA Food Code 2022, 2-201.13: 24 hours after vomiting or diarrhea has ended
        assert right("stay-home") == "24 hours after it has ended"
        assert "wait until 24 hours after it has ended" in words(SECTIONS["stay-home"])

    def test_washing_hands(self):
        # FDA Food Code 2-301.12: 20 seconds (from memory)
        assert "at least 20 seconds" in words(SECTIONS["hands"])

    def test_lifting_is_the_programme_s_own_number(self):
        # the default of 40 lb: common practice, no published source
        assert right("lifting") == "40 lb"
        light = {one.key: one for one in shipped(lift_pounds=25)}["lifting"]
        assert light.answers[0] == "25 lb"
        assert "At most 25 lb alone" in light.because
        text = words({one.slug: one for one in briefing.sections(lift_pounds=25)}["lifting"])
        assert "At most 25 lb alone" in text

    def test_a_number_that_changes_changes_in_both(self, monkeypatch):
        monkeypatch.setattr(briefing, "COLD_F", 39)
        monkeypatch.setattr(briefing, "WAIT_HOURS", 48)
        asked = {one.key: one for one in shipped(lift_pounds=LIFT)}
        assert "39 °F" in asked["thermometer"].answers[0]
        assert "39 °F" in asked["thermometer"].because
        assert asked["stay-home"].answers[0].startswith("48 hours")
        told = " ".join(words(one) for one in briefing.sections(lift_pounds=LIFT))
        assert "39 °F" in told
        assert "41" not in told

    def test_what_is_right_stands_in_the_section_it_leads_to(self):
        for question in QUESTIONS.values():
            numbers = re.findall(r"\d+", question.answers[0])
            assert all(number in words(SECTIONS[question.section]) for number in numbers), question.key

    def test_every_section_names_its_source_or_says_that_there_is_none(self):
        assert all(section.source for section in SECTIONS.values())


class TestQuestions:
    def test_there_are_six_with_three_different_answers_and_a_reason(self):
        assert len(QUESTIONS) == len(shipped(lift_pounds=LIFT)) == 6
        for question in QUESTIONS.values():
            assert len(set(question.answers)) == 3
            assert question.because

    def test_the_order_of_the_answers_is_always_the_same_and_gives_nothing_away(self):
        again = {one.key: one for one in shipped(lift_pounds=LIFT)}
        assert {key: one.shown for key, one in QUESTIONS.items()} == {
            key: one.shown for key, one in again.items()
        }
        places = [one.right for one in QUESTIONS.values()]
        assert set(places) == {"1", "2", "3"}

    @pytest.mark.parametrize("count", [2, 3])
    def test_of_one_s_own_too(self, count):
        found = own(
            {"ask": f"Question {n}?", "answers": ["yes", "no", "never"][:count], "because": "So."}
            for n in range(20)
        )
        assert {one.right for one in found} == {str(n) for n in range(1, count + 1)}
        for one in found:
            assert dict(one.shown)[one.right] == "yes"
            assert {shown for _value, shown in one.shown} == set(one.answers)

    def test_a_question_of_one_s_own_is_the_same_while_it_and_its_answers_are(self):
        def key(**other):
            (found,) = own([{"ask": "Which gate?", "answers": ["north", "south"], "because": "So."} | other])
            return found.key

        assert key() == key(because="For another reason.")
        assert key() != key(ask="Which door?")
        assert key() != key(answers=["south", "north"])


class TestOwnWords:
    def read(self, text):
        return [block.points or block.text for block in blocks(text)]

    def test_paragraphs_and_lists(self):
        text = "First line\nsecond line\n\nNext paragraph\n- a point\n-  another\nafter it\n\n\n- alone\n"
        assert self.read(text) == [
            "First line\nsecond line",
            "Next paragraph",
            ["a point", "another"],
            "after it",
            ["alone"],
        ]

    def test_line_ends_of_any_kind(self):
        assert self.read("One\r\n\r\nTwo\rstill two") == ["One", "Two\nstill two"]

    def test_lists_with_an_empty_line_between_are_one(self):
        assert self.read("- one\n\n- two") == [["one", "two"]]

    @pytest.mark.parametrize("text", ["", "   ", "\n\n\n"])
    def test_nothing(self, text):
        assert self.read(text) == []

    @pytest.mark.parametrize("text", ["-5 °F is cold", "-", "—dash", "* star"])
    def test_what_is_no_point(self, text):
        assert self.read(text) == [text]
