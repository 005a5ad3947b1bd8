"""My own page: how to reach me, car, hours, absences; and how runs reach my calendar."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import segno
from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.safestring import mark_safe
from django.utils.translation import gettext as _
from django.utils.translation import ngettext, override
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from shifts.calendar import feed as feeds
from shifts.pages import forms_volunteer as forms
from shifts.pages.access import Request, volunteer_only
from shifts.pages.undo import back_to
from shifts.pages.volunteer import runs_ahead_of, who
from shifts.seats.consequences import change_person
from volunteers import helping, people
from volunteers.models import Away, HelpHours, Person
from volunteers.progress import NotPossible, today

HELP_SHOWN = 20  # the newest rows of help


@require_http_methods(["GET", "HEAD", "POST"])
@volunteer_only
def me(request: Request) -> HttpResponse:
    if request.method != "POST":
        return show(request)
    form = forms.MeForm(request.POST, instance=own_copy(request))
    if not form.is_valid():
        return show(request, me_form=form)
    person = change_person(who(request), by=request.user, **form.facts())
    with override(person.language):  # the answer is in the language just chosen
        messages.success(request, _("Saved."))
    return redirect("me")


def own_copy(request: Request) -> Person:
    """The person afresh: a form writes into its instance, also when it is refused."""
    return Person.objects.get(pk=who(request).pk)


def show(request: Request, **wrong: Any) -> HttpResponse:
    """The page; with the one form that was filled in and refused, where there is one."""
    person, day = who(request), today()
    copy = own_copy(request)
    context = {
        "me_form": forms.MeForm(instance=copy),
        "mails_form": forms.MailsForm(instance=copy),
        "cars": forms.car_rows(person),
        "hours": forms.hours_rows(person),
        "away_form": forms.AwayForm(),
        "absences": [
            {"pk": away.pk, "days": forms.days_of(away)} for away in person.absences.filter(last__gte=day)
        ],
        "household": [one for one in Person.objects.of(request.user) if one.pk != person.pk],
        "help_form": forms.HelpForm(initial={"day": day}),
        "help_rows": [
            {"pk": row.pk, "words": help_in_short(row)}
            for row in HelpHours.objects.live().filter(person=person)[:HELP_SHOWN]
        ],
        **wrong,
    }
    # For the summary at the top.
    refused = (wrong.get(name) for name in ("me_form", "mails_form", "away_form", "help_form"))
    context["form"] = next(filter(None, refused), None)
    context["formset"] = wrong.get("cars") or wrong.get("hours")
    return render(request, "volunteer/me.html", context)


@require_POST
@volunteer_only
def mails(request: Request) -> HttpResponse:
    """Which mails they want; a box that is not ticked is a no."""
    form = forms.MailsForm(request.POST, instance=own_copy(request))
    if not form.is_valid():
        return show(request, mails_form=form)
    change_person(who(request), by=request.user, **form.cleaned_data)
    messages.success(request, _("Saved."))
    return redirect("me")


@require_POST
@volunteer_only
def car(request: Request) -> HttpResponse:
    rows = forms.car_rows(who(request), request.POST)
    if not rows.is_valid():
        return show(request, cars=rows)
    people.set_cars(who(request), rows.values(), by=request.user)
    messages.success(request, _("Saved."))
    return redirect("me")


@require_POST
@volunteer_only
def hours(request: Request) -> HttpResponse:
    rows = forms.hours_rows(who(request), request.POST)
    if not rows.is_valid():
        return show(request, hours=rows)
    people.set_hours(who(request), rows.values(), by=request.user)
    messages.success(request, _("Saved."))
    return redirect("me")


@require_POST
@volunteer_only
def add_away(request: Request) -> HttpResponse:
    person = who(request)
    form = forms.AwayForm(request.POST)
    if not form.is_valid():
        return show(request, away_form=form)
    first, last = form.cleaned_data["first"], form.cleaned_data["last"]
    if not person.absences.filter(first=first, last=last).exists():  # the button pressed twice
        people.add_away(person, first=first, last=last, by=request.user)
    messages.success(request, _("Saved. Nobody asks you to drive on those days."))
    booked = list(runs_ahead_of(person, timezone.now()).on_days(first, last))
    if booked:
        names = ", ".join(run.title for run in booked)
        text = ngettext(
            "You still have a run then: %(runs)s. Open it and say “I can't make it”.",
            "You still have runs then: %(runs)s. Open each and say “I can't make it”.",
            len(booked),
        )
        messages.warning(request, text % {"runs": names})
    return redirect("me")


@require_POST
@volunteer_only
def end_away(request: Request, pk: int) -> HttpResponse:
    away = get_object_or_404(Away, pk=pk, person=who(request))
    people.end_away(away, by=request.user)
    messages.success(request, _("Taken off: %(days)s.") % {"days": forms.days_of(away)})
    return redirect("me")


# --- hours of help


@require_POST
@volunteer_only
def add_help(request: Request) -> HttpResponse:
    form = forms.HelpForm(request.POST)
    if form.is_valid():
        try:
            row = helping.note_help(who(request), by=request.user, **form.facts())
        except NotPossible as reason:
            form.add_error(None, str(reason))
        else:
            messages.success(request, _("Thank you! Noted: %(help)s.") % {"help": help_in_short(row)})
            return redirect("me")
    return show(request, help_form=form)


@require_POST
@volunteer_only
def take_back_help(request: Request, pk: int) -> HttpResponse:
    row = get_object_or_404(HelpHours, pk=pk, person=who(request))
    helping.take_back_help(row, by=request.user)
    messages.success(request, _("Taken back: %(help)s.") % {"help": help_in_short(row)})
    return redirect("me")


def help_in_short(row: HelpHours) -> str:
    words = {"day": date_format(row.day), "hours": helping.in_hours(row.minutes)}
    short = _("%(day)s, %(hours)s h") % words
    return f"{short}, {row.what}" if row.what else short


@require_POST
@volunteer_only
def act_for(request: Request) -> HttpResponse:
    """A household's sign-in goes on for another of its people."""
    wanted = request.POST.get("person", "")
    chosen = next((one for one in Person.objects.of(request.user) if str(one.pk) == wanted), None)
    if chosen is None:
        raise Http404
    request.session["person"] = chosen.pk
    messages.success(request, _("You are here for %(name)s now.") % {"name": chosen.name})
    return redirect(back_to(request, reverse("home")))


# --- calendar


@never_cache  # it shows a private link
@require_http_methods(["GET", "HEAD", "POST"])
@volunteer_only
def calendar(request: Request) -> HttpResponse:
    """How runs come into the person's calendar: by mail, by their private link, or by both."""
    person = who(request)
    posted = request.POST if request.method == "POST" else None
    form = forms.CalendarForm(posted, initial={"calendar": person.calendar})
    if form.is_bound and form.is_valid():
        chosen = form.cleaned_data["calendar"]
        if chosen != person.calendar:
            change_person(person, by=request.user, calendar=chosen)
        messages.success(request, said_of(chosen))
        return redirect("calendar")
    return render(request, "volunteer/calendar.html", {"form": form, **link_facts(person)})


def said_of(chosen: str) -> str:
    """What follows from a choice."""
    if chosen == Person.Calendar.MAIL:
        return _("Saved. Your runs come as invitations. Take the link out of your calendar.")
    if chosen == Person.Calendar.LINK:
        return _("Saved. No more invitations. Add the link below to your calendar.")
    return _("Saved. Invitations and the link: each run shows twice.")


def link_facts(person: Person) -> dict[str, Any]:
    link = settings.BASE_URL + feeds.path(person)
    subscribe = "webcal://" + link.partition("://")[2]
    fetched = person.feed_fetched_at
    return {
        "link": link,
        "subscribe": subscribe,
        "code": code_of(subscribe),
        "fetched": moment_in_words(fetched) if fetched else _("never yet"),
        "mailed": person.is_mailed,
        "by_link": person.calendar != Person.Calendar.MAIL,
    }


def code_of(link: str) -> str:
    """The link as a QR code: SVG without styles, which the content-security policy would refuse."""
    return mark_safe(segno.make_qr(link).svg_inline(omitsize=True, light="white", svgclass="", lineclass=""))


def moment_in_words(moment: datetime) -> str:
    """Such as "today, 7:40 a.m.", else with its day."""
    local = timezone.localtime(moment)
    day = _("today") if local.date() == timezone.localdate() else date_format(local)
    return f"{day}, {time_format(local)}"


@require_http_methods(["GET", "HEAD", "POST"])
@volunteer_only
def new_link(request: Request) -> HttpResponse:
    """Asks first: the old link ends in the person's own calendar too."""
    if request.method != "POST":
        return render(request, "volunteer/new_link.html")
    people.new_feed_link(who(request), by=request.user)
    messages.success(request, _("Here is your new link. The old one shows nothing any more."))
    return redirect("calendar")
