"""A stranger becomes a volunteer: two pages, then the code that proves the address. Only then is anything
written. No page shows whether an address is known here; the mail does."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps

from allauth.account.internal.flows.login import record_authentication
from allauth.account.utils import perform_login
from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone, translation
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.cache import never_cache

from shifts.models import ShiftTerm
from shifts.pages.access import Request, page, volunteer_only
from shifts.pages.forms_join import TRAP, AnswerForm, CodeForm, ContactForm, HoursRows, MoreForm
from shifts.pages.join_draft import Draft, NoCode
from shifts.pages.volunteer import who
from shifts.seats import joins
from volunteers import joining
from volunteers.models import Join
from volunteers.progress import NotPossible, today


def for_strangers(view: Callable[[Request, Draft], HttpResponse]) -> Callable[[Request], HttpResponse]:
    """A page of joining, in the language chosen on the first one; whoever is signed in needs none of it."""

    @never_cache
    @page
    @wraps(view)
    def inner(request: Request) -> HttpResponse:
        if is_signed_in(request):
            return render(request, "join/signed_in.html", run_facts())
        draft = Draft(request)
        language = draft.contact.get("language")
        if language in dict(settings.LANGUAGES):
            translation.activate(language)
            request.LANGUAGE_CODE = translation.get_language()
        return view(request, draft)

    return inner


def is_signed_in(request: HttpRequest) -> bool:
    return request.user.is_authenticated


@for_strangers
def join(request: Request, draft: Draft) -> HttpResponse:
    """What a run is like, and how to reach them."""
    if request.method == "POST":
        form = ContactForm(request.POST)
        if form.is_valid():
            draft.keep_contact(request.POST)
            return redirect("join_more")
    else:
        form = ContactForm(initial=draft.contact or {"language": translation.get_language()})
    return render(request, "join/join.html", {"form": form, "trap": TRAP, **run_facts()})


def run_facts() -> dict[str, str]:
    return {"length": length_of_runs()}


def length_of_runs() -> str:
    """How long the weekly runs take, in words; about an hour where there are none yet."""
    minutes = sorted(ShiftTerm.objects.going_on(today()).values_list("minutes", flat=True))
    if not minutes:
        return _("about an hour")
    shortest, longest = minutes[0], minutes[-1]
    if shortest == longest:
        return ngettext("about %(n)s minute", "about %(n)s minutes", longest) % {"n": longest}
    return _("%(shortest)s to %(longest)s minutes") % {"shortest": shortest, "longest": longest}


@for_strangers
def more(request: Request, draft: Draft) -> HttpResponse:
    """When and how they can help; the code is sent from here."""
    if not draft.email:
        return redirect("join")
    if request.method != "POST":
        form, hours = MoreForm(initial=draft.more), HoursRows(initial=draft.hours_typed())
        return render(request, "join/more.html", {"form": form, "formset": hours})
    draft.keep_more(request.POST)
    if "back" in request.POST:
        return redirect("join")
    form, hours = draft.more_forms()
    if form.is_valid() and hours.is_valid():
        at = timezone.now()
        try:
            if not draft.has_code(at):  # else it was sent a moment ago, and still works
                draft.send_code(programme=request.programme, at=at)
        except NoCode as reason:
            form.add_error(None, str(reason))
        else:
            return redirect("join_code")
    return render(request, "join/more.html", {"form": form, "formset": hours})


@for_strangers
def code(request: Request, draft: Draft) -> HttpResponse:
    """The code last; the right one writes everything and signs them in."""
    if not (draft.email and draft.has_more):
        return redirect("join_more")
    at = timezone.now()
    if request.method == "POST" and request.POST.get("action") == "resend":
        return send_again(request, draft)
    form = CodeForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        try:
            draft.check_code(form.cleaned_data["code"], at=at)
        except NoCode as reason:
            form.add_error("code", str(reason))
        else:
            return come_in(request, draft)
    response = render(request, "join/code.html", {"form": form, "email": draft.email})
    response["X-Robots-Tag"] = "noindex"
    return response


def send_again(request: Request, draft: Draft) -> HttpResponse:
    try:
        draft.send_code(programme=request.programme, at=timezone.now())
    except NoCode as reason:
        messages.error(request, str(reason))
    else:
        messages.success(request, _("Another code is on its way. The earlier one works no longer."))
    return redirect("join_code")


def come_in(request: Request, draft: Draft) -> HttpResponse:
    """Signs them in: new, with their request written; or as whoever the address belongs to already."""
    email = draft.email
    try:
        user = joins.ask(**draft.facts()).person.user
        goal = reverse("orientation")
    except joining.KnownAlready as known:
        user, goal = known.user, reverse("home")
        messages.info(
            request,
            _(
                "This address is known here already, so nothing new was written. Somebody else of your "
                "household would like to join with it? The coordinator adds them."
            ),
        )
    draft.forget()
    record_authentication(request, user, method="code", email=email)
    return perform_login(request, user, redirect_url=goal, email=email)


@page
@volunteer_only
def answer(request: Request) -> HttpResponse:
    """What a coordinator asked back, and their answer; the mail leads here."""
    asked = Join.objects.open().filter(person=who(request), state=Join.State.ASKED_BACK).first()
    if asked is None:
        messages.info(request, _("There is no question to answer now."))
        return redirect("home")
    form = AnswerForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        try:
            joins.answer(asked, form.cleaned_data["reply"], by=request.user)
        except NotPossible as reason:
            messages.info(request, str(reason))
        else:
            messages.success(request, _("Thank you. Your answer is with the coordinator."))
        return redirect("home")
    return render(request, "join/answer.html", {"form": form, "join": asked})
