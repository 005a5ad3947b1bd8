"""The demo's own pages: look in as somebody, read the mail that was sent."""

from __future__ import annotations

import email
import email.policy
from typing import Any

from django.conf import settings
from django.contrib.auth import login
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.timezone import localtime
from django.views.decorators.http import require_POST
from icalendar import Calendar

from shifts.demo.cast import LOOK_IN
from volunteers.models import Message, Person

SHOWN = 60

ROLES = {
    "coordinator": ("coordinator", "Sees what needs a driver, calls people, seats them."),
    "lead": ("lead driver", "Takes trainees along and signs them off."),
    "volunteer": ("volunteer, ready to drive alone", "Books a run in two taps, gives it back when ill."),
    "trainee": ("trainee", "Waits for a shadow ride: refused the driver's seat, may take a second seat."),
    "newcomer": ("newcomer", "Asked to join today and waits for the coordinator's answer."),
}


def front(request: HttpRequest) -> HttpResponse:
    people = {person.name: person for person in Person.objects.filter(name__in=LOOK_IN.values())}
    cast = [
        {"who": who, "person": people[name], "role": ROLES[who][0], "does": ROLES[who][1]}
        for who, name in LOOK_IN.items()
        if name in people
    ]
    messages = Message.objects.select_related("person").order_by("-pk")[:SHOWN]
    return render(request, "demo/front.html", {"cast": cast, "mails": messages})


@require_POST
def look_in(request: HttpRequest, who: str) -> HttpResponse:
    """Signs in as one of the cast, without a code. Exists only in the demo."""
    person = Person.objects.filter(name=LOOK_IN.get(who, "")).select_related("user").first()
    if not settings.DEMO or person is None or person.user is None:
        raise Http404
    login(request, person.user, backend=settings.AUTHENTICATION_BACKENDS[0])
    return redirect("desk" if person.user.is_coordinator else "home")


def mail(request: HttpRequest, pk: int) -> HttpResponse:
    message = get_object_or_404(Message.objects.select_related("person"), pk=pk)
    calendar = calendar_part(bytes(message.raw))
    return render(
        request,
        "demo/mail.html",
        {
            "mail": message,
            "headers": headers(bytes(message.raw)),
            "calendar_lines": unfolded(calendar),
            "calendar_words": in_words(calendar) if calendar else [],
        },
    )


def headers(raw: bytes) -> list[tuple[str, str]]:
    parsed = email.message_from_bytes(raw, policy=email.policy.default)
    return [(name, str(parsed[name])) for name in ("From", "To", "Subject", "Date") if parsed[name]]


def calendar_part(raw: bytes) -> bytes:
    """The calendar object in a mail; empty when there is none."""
    for part in email.message_from_bytes(raw, policy=email.policy.default).walk():
        if part.get_content_type() == "text/calendar":
            return part.get_content().encode()
    return b""


def unfolded(calendar: bytes) -> list[str]:
    """The content lines, each whole (RFC 5545 3.1)."""
    return calendar.decode().replace("\r\n ", "").split("\r\n")


def in_words(calendar: bytes) -> list[tuple[str, Any]]:
    """The invitation as a calendar program would show it."""
    parsed = Calendar.from_ical(calendar)
    event = parsed.walk("VEVENT")[0]
    start, end = localtime(event.decoded("dtstart")), localtime(event.decoded("dtend"))
    kinds = {"REQUEST": "Invitation", "CANCEL": "Cancelled"}
    return [
        (kinds.get(str(parsed["method"]), str(parsed["method"])), str(event["summary"])),
        ("When", f"{start:%a, %b} {start.day}, {start:%I:%M %p} to {end:%I:%M %p}"),
        ("Where", str(event.get("location", ""))),
        ("Version", str(event["sequence"])),
        ("Notes", str(event.get("description", ""))),
    ]
