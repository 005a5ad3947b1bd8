"""The check of understanding that a volunteer answers, and a coordinator's own words and questions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from shifts.pages.forms_fields import FURTHEST, DayField, LineField
from volunteers.briefing_check import Question
from volunteers.models import BriefingText
from volunteers.progress import today
from volunteers.reading import LONGEST_TEXT

MOST_QUESTIONS = 5
TIME_TO_READ = timedelta(days=14)  # until a rewritten briefing counts; common practice, no published source
CHOOSE = gettext_lazy("Choose an answer.")


class AnswerField(forms.ChoiceField):
    """One question. Any answer but the right one is an error, which the page explains."""

    def __init__(self, question: Question) -> None:
        super().__init__(
            label=question.ask,
            choices=question.shown,
            widget=forms.RadioSelect,
            error_messages={"required": CHOOSE, "invalid_choice": CHOOSE},
        )
        self.question = question

    def clean(self, value: Any) -> Any:
        value = super().clean(value)
        if value != self.question.right:
            raise ValidationError(gettext_lazy("Not this one."), code="wrong")
        return value


class CheckForm(forms.Form):
    """The questions of a briefing. It is valid once every answer is right."""

    def __init__(self, questions: Iterable[Question], *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        for question in questions:
            self.fields[question.key] = AnswerField(question)

    def sections_to_read(self) -> set[str]:
        """The sections in which the answers stand that are not right yet."""
        fields = (self.fields[name] for name in self.errors)
        return {field.question.section for field in fields if isinstance(field, AnswerField)}


def kept(questions: Iterable[Question], answers: Mapping[str, str]) -> CheckForm:
    """Questions that are asked anew: answered as before where the question is the same, not judged yet."""
    return CheckForm(questions, initial={one.key: answers.get(one.key, "") for one in questions})


# --- at the desk


def plain(value: str) -> str:
    """A browser sends line ends as two signs."""
    return value.replace("\r\n", "\n").strip()


class BriefingTextForm(forms.Form):
    AGAIN, CORRECTION = "again", "correction"

    text = forms.CharField(
        label="Text",
        required=False,
        max_length=LONGEST_TEXT,
        widget=forms.Textarea(attrs={"rows": 14, "class": "wide"}),
        help_text="An empty line begins a new paragraph. A line that begins with “- ” is a point of a list.",
    )
    matters = forms.ChoiceField(
        label="Who reads it?",
        choices=(
            (AGAIN, "Everybody, also whoever has read it before"),
            (CORRECTION, "A small correction: nobody reads it again"),
        ),
        widget=forms.RadioSelect,
        error_messages={"required": "Choose one of the two.", "invalid_choice": "Choose one of the two."},
    )
    from_day = DayField(
        label="Read again by",
        required=False,
        past=False,
        furthest=FURTHEST,
        help_text="Only if everybody reads it again: from this day on, nobody drives alone who has not. "
        "Give them some days.",
    )
    based_on = forms.IntegerField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, is_alone: bool, **options: Any) -> None:
        """`is_alone`: there are no other words, so that these cannot be left empty."""
        super().__init__(*args, **options)
        self.fields["text"].required = is_alone
        self.fields["text"].error_messages["required"] = "Write what they are to read."

    def clean_text(self) -> str:
        return plain(self.cleaned_data["text"])

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        if facts.get("matters") == self.AGAIN and not facts.get("from_day") and "from_day" not in self.errors:
            self.add_error("from_day", "Give the day by which they have read it.")
        return facts

    @property
    def again_from(self) -> date | None:
        """The day from which only the new words count; None for a small correction."""
        return self.cleaned_data["from_day"] if self.cleaned_data["matters"] == self.AGAIN else None


def line(label: str, longest: int) -> LineField:
    wide = forms.TextInput(attrs={"class": "wide"})
    return LineField(label=label, required=False, max_length=longest, widget=wide)


class QuestionForm(forms.Form):
    """A question with its right answer and one or two wrong ones; a row left empty is none."""

    ask = line("Question", 200)
    right = line("Right answer", 160)
    wrong = line("Wrong answer", 160)
    wrong_too = line("Another wrong answer", 160)
    because = line("Why it is right", 300)
    NEEDED = {
        "ask": "Write the question, or clear the answers.",
        "right": "Write the right answer.",
        "wrong": "Write a wrong answer as well.",
        "because": "Say why, for whoever chooses a wrong answer.",
    }

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        if not any(facts.get(name) for name in self.fields):
            return facts
        for name, words in self.NEEDED.items():
            if not facts.get(name) and name not in self.errors:
                self.add_error(name, words)
        answers = self.answers()
        if len({answer.casefold() for answer in answers}) < len(answers):
            self.add_error("wrong", "Two answers are the same.")
        return facts

    def answers(self) -> list[str]:
        """The right one first."""
        return [
            self.cleaned_data[name] for name in ("right", "wrong", "wrong_too") if self.cleaned_data.get(name)
        ]


class QuestionRows(forms.BaseFormSet):
    def clean(self) -> None:
        asked = [form.cleaned_data["ask"].casefold() for form in self.forms if form.cleaned_data.get("ask")]
        if len(set(asked)) < len(asked):
            raise ValidationError("The same question is asked twice. Clear one of them.")

    def questions(self) -> list[dict[str, Any]]:
        """As BriefingText keeps them."""
        return [
            {
                "ask": form.cleaned_data["ask"],
                "answers": form.answers(),
                "because": form.cleaned_data["because"],
            }
            for form in self.forms
            if isinstance(form, QuestionForm) and form.cleaned_data.get("ask")
        ]


def question_rows(written: BriefingText | None, data: Any = None) -> Any:
    """The questions as rows, with empty ones below them."""
    known = [
        dict(zip(("right", "wrong", "wrong_too"), one["answers"], strict=False))
        | {"ask": one["ask"], "because": one["because"]}
        for one in (written.questions if written else [])
    ]
    made = forms.formset_factory(
        QuestionForm,
        formset=QuestionRows,
        extra=0,
        min_num=MOST_QUESTIONS,
        max_num=MOST_QUESTIONS,
        absolute_max=MOST_QUESTIONS,
    )
    return made(data, initial=known, prefix="q")


def text_form(data: Any, *, written: BriefingText | None, newest: int, is_alone: bool) -> BriefingTextForm:
    known = {
        "text": written.text if written else "",
        "from_day": today() + TIME_TO_READ,
        "based_on": newest,
    }
    return BriefingTextForm(data, initial=known, is_alone=is_alone)
