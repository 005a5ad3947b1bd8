"""What somebody said on the phone, in one tap beside their name: yes, no, or nobody answered."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.views.decorators.http import require_POST

from shifts.models import Ask, Run
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_parts import sentence, title_and_time
from shifts.pages.desk_runs import how_told_off, not_seated, page_of, row_posted, run_or_404, seated_by_phone
from shifts.pages.undo import back_to, offer_undo
from shifts.seats import requests
from shifts.seats.calls import take_back_call
from shifts.seats.refusals import Refusal
from volunteers.models import Person

SAID = {requests.YES: "agreed", requests.NO: "said no", requests.SILENT: "did not answer"}


@coordinator_only
@require_POST
def called(request: Request, pk: int) -> HttpResponse:
    """Notes the `answer` of a `person`; a yes seats them, and they are told. `back` takes a note back."""
    run = run_or_404(pk)
    back = back_to(request, page_of(run))  # at its top: what was noted, and its undo, stand there
    if "back" in request.POST:
        return take_back(request, run, back)
    person = row_posted(request, "person", Person.objects.all())
    said = request.POST.get("answer", "")
    if said not in SAID:
        messages.error(request, f"Nothing was noted of {person.name}: choose yes, no, or no answer.")
        return redirect(back)
    try:
        ask = requests.called(run, person, said, by=request.user)
    except Refusal as refusal:
        not_seated(request, person, run, refusal)
        return redirect(back)
    if ask.booking:
        seated_by_phone(request, ask.booking, back, ask=ask.pk)
    elif ask.answer == requests.LATE:
        messages.warning(request, f"{person.name} was not seated: somebody else drives {run.title} now.")
    else:
        messages.success(request, f"Noted: {person.name} {SAID[said]}, {title_and_time(run)}")
        undo = f"Undo: {person.first_name} was not called"
        offer_undo(request, undo, reverse("desk_called", args=[run.pk]), back=ask.pk, next=back)
    return redirect(back)


def take_back(request: Request, run: Run, back: str) -> HttpResponse:
    asks = Ask.objects.filter(search__run=run).select_related("person")
    value = request.POST["back"]
    ask = get_object_or_404(asks, pk=int(value) if value.isascii() and value.isdecimal() else 0)
    drove = ask.answer == requests.YES
    if not take_back_call(ask, by=request.user):
        messages.info(request, f"{ask.person.name} has answered since, or that was taken back already.")
    elif drove:
        done = sentence(f"{ask.person.name} is out of {title_and_time(run)}")
        messages.success(request, f"{done} {how_told_off(ask.person)}")
    else:
        messages.success(request, f"Taken back: nothing is noted of a call with {ask.person.name}.")
    return redirect(back)
