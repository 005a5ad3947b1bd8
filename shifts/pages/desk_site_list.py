"""Who comes to a site in a week: one page to print, and where it is mailed every Friday."""

from __future__ import annotations

from datetime import date, timedelta

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.timezone import localdate
from django.views.decorators.http import require_http_methods, require_POST

from shifts.models.standing import monday_of
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk import day_asked, neighbours
from shifts.seats.site_lists import mail_list, week_of
from sites.changes import change_site
from sites.models import Site


class ListMailForm(forms.Form):
    list_email = forms.EmailField(
        label="Mail this list every Friday at 3 p.m. to",
        required=False,
        max_length=254,
        help_text="It then holds the coming week. Leave it empty to mail nothing.",
    )


@coordinator_only
@require_http_methods(["GET", "HEAD", "POST"])
def site_list(request: Request, pk: int) -> HttpResponse:
    """Monday to Sunday around the date asked for, else around today. Posting saves the address."""
    site = get_object_or_404(Site, pk=pk)
    form = ListMailForm(
        request.POST if request.method == "POST" else None, initial={"list_email": site.list_email}
    )
    if form.is_bound and form.is_valid():
        address = form.cleaned_data["list_email"]
        change_site(site, by=request.user, list_email=address)
        follows = f"The list goes to {address} every Friday." if address else "Nothing is mailed."
        messages.success(request, f"Saved. {follows}")
        return redirect(page_of(site, asked(request)))
    return render(request, "desk/site_list.html", facts_of(site, asked(request), form))


def asked(request: Request) -> date:
    return day_asked(request) or localdate()


def page_of(site: Site, day: date) -> str:
    return f"{reverse('desk_site_list', args=[site.pk])}?from={day:%Y-%m-%d}"


def facts_of(site: Site, day: date, form: ListMailForm) -> dict:
    days = week_of(site, day)
    first, last = days[0].date, days[-1].date
    return {
        "where": site,
        "form": form,
        "days": days,
        "first": first,
        "last": last,
        "is_now": first <= localdate() <= last,
        **neighbours(first),
    }


@coordinator_only
@require_POST
def send_list(request: Request, pk: int) -> HttpResponse:
    """Mails the list of the week shown, now."""
    site, day = get_object_or_404(Site, pk=pk), asked(request)
    if not site.list_email:
        messages.error(request, "Nothing was sent: there is no address yet. Enter one below.")
    elif monday_of(day) + timedelta(days=6) < localdate():
        messages.error(request, "Nothing was sent: that week is over.")
    else:
        mail_list(site, day, at=timezone.now())
        messages.success(request, f"The list goes to {site.list_email} in a moment.")
    return redirect(page_of(site, day))
