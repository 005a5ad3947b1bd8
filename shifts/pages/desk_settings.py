"""Settings: the programme's facts, the schedule's numbers, mail that arrives, who coordinates."""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from shifts.models import Policy
from shifts.pages.access import Request, own_desk_only
from shifts.pages.forms_settings import CoordinatorForm, PolicyForm, ProgrammeForm
from shifts.pages.keys import key_of
from shifts.seats import weekly
from shifts.worker import is_late
from sites.models import Programme
from volunteers import outbox
from volunteers import people as writes
from volunteers.models import Message, User
from volunteers.progress import NotPossible

TEST = "test"
FILES = "django.core.mail.backends.filebased.EmailBackend"


@own_desk_only
@require_http_methods(["GET", "HEAD", "POST"])
def settings_page(request: Request) -> HttpResponse:
    """Four forms; the field `what` says which one was sent."""
    what = request.POST.get("what", "")
    page = {
        "programme_form": ProgrammeForm(sent(request, "programme"), instance=Programme.current()),
        "policy_form": PolicyForm(sent(request, "policy"), instance=Policy.current()),
        "coordinator_form": CoordinatorForm(sent(request, "coordinator")),
    }
    form: Any = page.get(f"{what}_form")
    if form is not None and form.is_valid():
        SAVES[what](request, form)
        return redirect("desk_settings")
    if what == "remove":
        remove_coordinator(request)
        return redirect("desk_settings")
    return render(request, "desk/settings.html", {**page, "form": form, **facts_of(request)})


def sent(request: Request, what: str) -> QueryDict | None:
    return request.POST if request.POST.get("what") == what else None


def facts_of(request: Request) -> dict[str, Any]:
    everybody = coordinators(request.user)
    return {
        "coordinators": everybody,
        "alone": len(everybody) == 1,
        "last_test": Message.objects.filter(kind=TEST).defer("raw").first(),
        "address": request.user.email,
        "worker_is_late": is_late(timezone.now()),
        "only_files": settings.EMAIL_BACKEND == FILES,
    }


def coordinators(you: User) -> list[dict[str, Any]]:
    found = User.objects.filter(is_coordinator=True).order_by("email").prefetch_related("people")
    return [
        {
            "pk": user.pk,
            "email": user.email,
            "name": ", ".join(person.name for person in user.people.all()),
            "is_you": user == you,
        }
        for user in found
    ]


# --- saving


def save_programme(request: Request, form: forms.ModelForm) -> None:
    zone = Programme.current().time_zone
    outcome = weekly.change_programme(by=request.user, **form.cleaned_data)
    messages.success(request, "The programme's facts are saved.")
    if form.cleaned_data["time_zone"] != zone:
        messages.warning(
            request,
            f"The time zone is new: {len(outcome.changed)} runs ahead are timed anew, and those booked on "
            f"{len(outcome.told)} of them are told. One-off runs and those changed by hand keep their "
            "moment: look at these.",
        )


def save_policy(request: Request, form: forms.ModelForm) -> None:
    weekly.change_policy(by=request.user, **form.cleaned_data)
    messages.success(request, "The numbers are saved.")


def add_coordinator(request: Request, form: forms.Form) -> None:
    person = writes.appoint_coordinator(by=request.user, **form.cleaned_data)
    messages.success(
        request,
        f"{person.name} is a coordinator and signs in with {form.cleaned_data['email']}. Tell them.",
    )


SAVES: dict[str, Any] = {"programme": save_programme, "policy": save_policy, "coordinator": add_coordinator}


def remove_coordinator(request: Request) -> None:
    user = User.objects.filter(pk=key_of(request.POST.get("user", ""))).first()
    if user is None or not user.is_coordinator:
        messages.info(request, "That address is no coordinator's any more.")
    elif user == request.user:
        messages.error(request, "Nobody takes the desk from themselves. Ask another coordinator to do it.")
    else:
        try:
            writes.end_coordinator(user, by=request.user)
        except NotPossible as reason:
            messages.error(request, str(reason))
        else:
            messages.success(request, f"{user.email} is a coordinator no longer.")


@own_desk_only
@require_POST
def test_mail(request: Request) -> HttpResponse:
    """Owes a mail to the coordinator's own address; the settings page shows what became of it."""
    text = (
        f"This is the test you asked for on the settings page of {request.programme.name}.\n\n"
        "It arrived, so mail works. If it lay in the spam folder, mark it as no spam, and tell whoever "
        "keeps the mail server.\n"
    )
    outbox.write(
        address=request.user.email,
        name=request.person.name if request.person else "",
        person=request.person,
        mail=outbox.Mail(subject="A test of the mail", text=text, html=outbox.html_from(text)),
        kind=TEST,
    )
    messages.success(
        request, f"A test is on its way to {request.user.email}. It shows below what became of it."
    )
    return redirect("desk_settings")
