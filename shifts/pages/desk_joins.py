"""Who asks to join, at the desk: taken in, asked back, declined; each can be undone. And hours of help."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from shifts.pages.access import Request, coordinator_only, page, posted
from shifts.pages.desk_parts import contact_of
from shifts.pages.desk_people import page_of, person_or_404
from shifts.pages.forms_fields import DayField
from shifts.pages.forms_volunteer import HelpForm
from shifts.pages.keys import key_of
from shifts.pages.undo import offer_undo, undo_offered
from shifts.seats import joins as requests
from sites.dates import us
from volunteers import helping
from volunteers.models import HelpHours, Join, Person, User
from volunteers.progress import NotPossible, today
from volunteers.roster.days import in_words

LATELY = timedelta(days=30)  # answered requests still listed
SHOWN = 60  # the newest rows of help


class AskForm(forms.Form):
    question = forms.CharField(
        label="What you want to know",
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="They get it by mail and on their page, and answer there or by mail.",
        error_messages={"required": "Write what you want to know."},
    )


class DeclineForm(forms.Form):
    words = forms.CharField(
        label="What the mail says",
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 6}),
        help_text="It begins with “Dear” and their first name. Change it, add a word of your own.",
        error_messages={"required": "Write what the mail shall say."},
    )


# --- the list


@coordinator_only
@require_safe
def joins(request: Request) -> HttpResponse:
    waiting = Join.objects.open().with_people()
    lately = Join.objects.filter(settled_at__gt=timezone.now() - LATELY).order_by("-settled_at")
    context = {
        "undo": undo_offered(request),
        "waiting": [row_of(one) for one in waiting],
        "answered": [row_of(one) for one in lately.with_people()],
    }
    return render(request, "desk/joins.html", context)


def row_of(join: Join) -> dict[str, Any]:
    person = join.person
    return {
        **contact_of(person),
        "url": reverse("desk_join", args=[join.pk]),
        "join": join,
        "is_asked": join.state == Join.State.ASKED_BACK,
        "how": how_they_help(person),
        "hours": in_words((hour.weekday, hour.begins, hour.ends) for hour in person.hours.all()),
    }


def how_they_help(person: Person) -> str:
    if not person.is_adult:
        return "under 18, beside a guardian"
    return "wants to drive" if person.drives else "would rather not drive"


# --- one request


@coordinator_only
@page
def join(request: Request, pk: int) -> HttpResponse:
    """What they said of themselves, and the answer to them: `act` says which."""
    asked = get_object_or_404(Join.objects.with_people(), pk=pk)
    act = request.POST.get("act", "") if request.method == "POST" else ""
    ask = AskForm(posted(request) if act == "ask" else None, initial={"question": asked.question})
    words = {"words": requests.kind_words(asked.person)}
    no = DeclineForm(posted(request) if act == "decline" else None, initial=words)
    try:
        if act == "accept":
            return accepted(request, asked)
        if act == "ask" and ask.is_valid():
            requests.ask_back(asked, ask.cleaned_data["question"], by=request.user)
            messages.success(request, f"{asked.person.name} is asked, by mail and on their page.")
            return redirect("desk_joins")
        if act == "decline" and no.is_valid():
            return declined(request, asked, no.cleaned_data["words"])
        if act == "undo":
            return undone(request, asked)
    except NotPossible as reason:
        messages.error(request, str(reason))
        return redirect("desk_join", pk=pk)
    return render(request, "desk/join.html", facts_of(request, asked, ask, no))


def accepted(request: Request, asked: Join) -> HttpResponse:
    who = requests.accept(asked, by=request.user).person
    messages.success(request, f"{who.name} is taken in, and gets a welcome mail with the steps ahead.")
    if not who.is_adult:
        messages.warning(request, "Under 18: name the guardian beside whom they ride, on their page.")
    offer_undo(request, "Undo: not taken in yet", reverse("desk_join", args=[asked.pk]), act="undo")
    return redirect("desk_joins")


def declined(request: Request, asked: Join, words: str) -> HttpResponse:
    who = requests.decline(asked, words, by=request.user).person
    messages.success(request, f"{who.name} is declined, and gets your mail.")
    offer_undo(request, "Undo: not declined", reverse("desk_join", args=[asked.pk]), act="undo")
    return redirect("desk_joins")


def undone(request: Request, asked: Join) -> HttpResponse:
    was = asked.get_state_display()
    kept_back = requests.undo(asked, by=request.user)
    messages.success(request, f"{asked.person.name} waits for your answer again.")
    if kept_back:
        messages.info(request, "The mail had not gone out yet, and does not.")
    else:
        messages.warning(request, f"The mail that they are {was} has gone out: call or write to them.")
    return redirect("desk_join", pk=asked.pk)


def facts_of(request: Request, asked: Join, ask: AskForm, no: DeclineForm) -> dict[str, Any]:
    who = asked.person
    return {
        "undo": undo_offered(request),
        "join": asked,
        "who": who,
        "contact": contact_of(who),
        "is_open": asked.settled_at is None and who.left_on is None,
        "how": how_they_help(who),
        "cars": list(who.cars.all()),
        "hours": in_words((hour.weekday, hour.begins, hour.ends) for hour in who.hours.all()),
        "settled_by": name_of(asked.settled_by),
        "same": same_people(who),
        "done": [one.step.title for one in who.completions.standing().select_related("step")],
        "ask": ask,
        "no": no,
        "form": ask if ask.errors else no if no.errors else None,  # for the summary at the top
    }


def same_people(who: Person) -> list[Person]:
    """Others who are here under the same name or number: perhaps added by hand before."""
    alike = Q(name__iexact=who.name)
    if who.phone:
        alike |= Q(phone=who.phone)
    return list(Person.objects.active().filter(alike).exclude(pk=who.pk))


# --- hours of help


class DeskHelpForm(HelpForm):
    """The same at the desk, where a day is read in any way it is written."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["day"] = DayField(label="Day", future=False)
        self.fields["what"].label = "What they did"


@coordinator_only
@page
def help_hours(request: Request, pk: int) -> HttpResponse:
    """Hours somebody gave beside driving; `back` names an entry to take back."""
    who = person_or_404(pk)
    if "back" in request.POST:
        return take_back(request, who)
    form = DeskHelpForm(posted(request), initial={"day": today()})
    if form.is_bound and form.is_valid():
        try:
            row = helping.note_help(who, by=request.user, **form.facts())
        except NotPossible as reason:
            form.add_error(None, str(reason))
        else:
            messages.success(request, f"Noted: {in_short(row)}.")
            return redirect("desk_help_hours", pk=pk)
    rows = HelpHours.objects.live().filter(person=who).select_related("by").prefetch_related("by__people")
    context = {
        "who": who,
        "form": form,
        "undo": undo_offered(request),
        "rows": [{"pk": row.pk, "words": in_short(row), "by": name_of(row.by)} for row in rows[:SHOWN]],
        "page_of": page_of(who),
    }
    return render(request, "desk/help_hours.html", context)


def take_back(request: Request, who: Person) -> HttpResponse:
    row = HelpHours.objects.filter(person=who, pk=key_of(request.POST["back"])).first()
    here = reverse("desk_help_hours", args=[who.pk])
    if row and helping.take_back_help(row, by=request.user):
        messages.success(request, f"Taken back: {in_short(row)}.")
        facts = {"day": row.day.isoformat(), "hours": helping.in_hours(row.minutes), "what": row.what}
        offer_undo(request, "Undo: note it again", here, **facts)
    else:
        messages.info(request, "That was taken back already.")
    return redirect(here)


def in_short(row: HelpHours) -> str:
    what = f", {row.what}" if row.what else ""
    return f"{us(row.day)}, {helping.in_hours(row.minutes)} h{what}"


def name_of(user: User | None) -> str:
    """Who acted by a sign-in; empty for none."""
    return ", ".join(person.name for person in user.people.all()) or user.email if user else ""
