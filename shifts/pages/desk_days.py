"""A span of days on one page: every run kept, cancelled, moved or taken elsewhere, as one change."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.db.models import Exists, OuterRef, Q
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.dateparse import parse_date, parse_datetime
from django.utils.formats import date_format
from django.utils.timezone import localdate
from django.views.decorators.http import require_http_methods, require_POST

from shifts.cover.regulars import Absent, absent_regulars
from shifts.cover.weaknesses import marks, weaknesses
from shifts.models import Booking, Policy, Run, Stop
from shifts.pages import drop_offs
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_parts import card_of, contact_of, mark_of, phone_of, sentence, title_and_time
from shifts.pages.desk_runs import page_of, row_posted, run_or_404
from shifts.pages.forms_days import CANCEL, FIELD_OF, KEEP, DayForm, MessageForm, RunForm
from shifts.pages.undo import offer_undo
from shifts.schedule.federal_holidays import Holiday, federal_holidays
from shifts.seats import days
from sites.models import Closure, Contact, Site
from volunteers.models import Person
from volunteers.progress import NotPossible

MOST_DAYS = 31
USUAL_DAYS = 7
HOLIDAYS_AHEAD = timedelta(weeks=6)
UNDO_SHOWN = timedelta(hours=1)
DONE = "days_done"  # in the session: what was done last, and what takes it back


# --- the days


def span_asked(request: Request) -> tuple[date, date, bool]:
    """The first and last day in the address, else a week from today; and whether it was cut to a page."""
    first = day_of(request.GET.get("from", "")) or localdate()
    last = day_of(request.GET.get("to", "")) or first + timedelta(days=USUAL_DAYS - 1)
    most = first + timedelta(days=MOST_DAYS - 1)
    return first, min(max(first, last), most), last > most


def day_of(text: str) -> date | None:
    """A date that a calendar has; None for anything else."""
    try:
        day = parse_date(text)
    except ValueError:
        return None
    return day if day and 2000 <= day.year <= 2200 else None


def page_at(first: date, last: date) -> str:
    return reverse("desk_days") + "?" + urlencode({"from": first.isoformat(), "to": last.isoformat()})


def holidays_shown(today: date) -> list[dict[str, str]]:
    """Federal holidays of the next weeks with a run on which some site has not been asked; suggested only."""
    last = today + HOLIDAYS_AHEAD
    found = federal_holidays(today, last)
    if not found:
        return []
    unasked = Stop.objects.filter(run=OuterRef("pk"), confirmed_at=None)
    runs = Run.objects.on_days(today, last + timedelta(days=1)).on_the_books().filter(Exists(unasked))
    dates = set(runs.order_by().values_list("local_date", flat=True))
    return [
        {"words": holiday_words(one), "url": page_at(one.first, one.last)}
        for one in found
        if any(one.covers(day) for day in dates)
    ]


def holiday_words(holiday: Holiday) -> str:
    """As in "Thanksgiving Day, Thu, Nov 26"."""
    kept = date_format(holiday.first)
    if holiday.last != holiday.first:
        kept += f" and {date_format(holiday.last)}"
    return f"{holiday.name}, {kept}"


# --- the page


@coordinator_only
@require_http_methods(["GET", "HEAD", "POST"])
def span(request: Request) -> HttpResponse:
    """Every run of the days asked for; posted, a look at what changes, and confirmed, the change."""
    page = Page(request, *span_asked(request), at=timezone.now())
    return page.answer() if request.method == "POST" else page.shown()


class Page:
    """One request for the page: what its runs are, what was typed for them, and what becomes of it."""

    def __init__(self, request: Request, first: date, last: date, cut: bool, *, at: datetime) -> None:
        self.request, self.first, self.last, self.cut, self.at = request, first, last, cut, at
        wanted = set(changes_posted(request)) if request.method == "POST" else set()
        in_span = Q(local_date__range=(first, last))
        # A run that somebody else has moved out of the span is shown all the same, where a choice was made.
        runs = Run.objects.filter(in_span | Q(pk__in=wanted)).not_dropped().with_closed().with_people()
        self.runs = list(runs)
        self.gone = bool(wanted - {run.pk for run in self.runs})
        dates = {first, last, *(run.local_date for run in self.runs)}
        self.closures = drop_offs.closed_on(min(dates), max(dates))
        self.sites = drop_offs.taking()

    # --- what was typed

    def forms(self, *, judge: bool, message: str = "") -> dict[int, RunForm]:
        """A form for each run that is not over, with what was typed for it; judged, or as it stands."""
        posted = self.request.POST
        found = {}
        for run in self.runs:
            if run.ends_at <= self.at and f"{run.pk}-seen" not in posted:
                continue
            was_shown = f"{run.pk}-seen" in posted
            found[run.pk] = RunForm(
                posted if judge and was_shown else None,
                run=run,
                sites=self.sites,
                closures=self.closures,
                at=self.at,
                programme=self.request.programme,
                typed=typed_for(run, posted) if was_shown and not judge else None,
                message=message,
            )
        return found

    def answer(self) -> HttpResponse:
        posted = self.request.POST
        if "cancel_day" in posted:
            return self.cancel_day()
        if "edit" in posted:
            return self.shown(self.forms(judge=False), MessageForm(initial=posted.dict()))
        message_form = MessageForm(posted)
        message = message_form.cleaned_data["message"] if message_form.is_valid() else ""
        forms = self.forms(judge=True, message=message)
        bound = [form for form in forms.values() if form.is_bound]
        valid = [form.is_valid() for form in [message_form, *bound]]
        if not all(valid) or self.gone:
            return self.shown(forms, message_form)
        by_key = {site.pk: site for site in self.sites}
        changes = [change for form in bound if (change := form.change(by_key))]
        ticks = {form.run.pk: ticked for form in bound if (ticked := form.ticks())}
        try:
            if changes and "confirm" not in posted:
                return self.look(days.look(changes, message=message, at=self.at))
            outcome = days.make(changes, by=self.request.user, message=message, ticks=ticks, at=self.at)
        except days.NotSaved as refused:
            for pk, problem in refused.problems.items():
                forms[pk].add_error(FIELD_OF[problem.about], problem.why)
            return self.shown(forms, message_form)
        return self.done(outcome, sum(len(of_run) for of_run in ticks.values()))

    def cancel_day(self) -> HttpResponse:
        """Sets every run of one day to be cancelled, and leaves the rest as it was typed."""
        posted = self.request.POST
        day, forms = day_of(posted.get("cancel_day", "")), self.forms(judge=False)
        message_form = MessageForm(initial=posted.dict())
        if day is None:
            return self.shown(forms, message_form)
        day_form = DayForm(posted, prefix=day.isoformat())
        if not day_form.is_valid() and (day_form["reason"].value() or not posted.get("message", "").strip()):
            return self.shown(forms, message_form, {day: day_form})
        for run in self.runs:
            if run.local_date == day and run.pk in forms and not run.is_cancelled:
                forms[run.pk].initial.update(act=CANCEL, reason=day_form.cleaned_data.get("reason", ""))
        messages.info(
            self.request, f"Every run of {date_format(day)} is set to be cancelled. Nothing is saved yet."
        )
        return self.shown(forms, message_form)

    # --- what is shown

    def shown(
        self,
        forms: dict[int, RunForm] | None = None,
        message_form: MessageForm | None = None,
        day_forms: Mapping[date, DayForm] | None = None,
    ) -> HttpResponse:
        forms = self.forms(judge=False) if forms is None else forms
        absent = absent_regulars(self.runs, at=self.at, policy=Policy.current())
        marked = marks(weaknesses(at=self.at, runs=self.runs))
        rows = [row_of(run, forms.get(run.pk), self.closures, absent.get(run.pk)) for run in self.runs]
        for row in rows:
            row["card"] |= mark_of(row["run"], marked)
        shown = self.days_shown(rows, day_forms or {})
        length = self.last - self.first + timedelta(days=1)
        context = {
            "first": self.first,
            "last": self.last,
            "cut": self.cut,
            "most_days": MOST_DAYS,
            "gone": self.gone,
            "days": shown,
            "has_forms": bool(forms),
            "message_form": message_form or MessageForm(),
            "wrong": [row for row in rows if row["form"] and row["form"].errors],
            "wrong_days": [day for day in shown if day["form"].errors],
            "earlier": page_at(self.first - length, self.last - length),
            "later": page_at(self.first + length, self.last + length),
            "holidays": holidays_shown(localdate(self.at)),
            "done": done_shown(self.request, self.at),
        }
        return render(self.request, "desk/days.html", context)

    def days_shown(self, rows: list[dict[str, Any]], forms: Mapping[date, DayForm]) -> list[dict[str, Any]]:
        """The days that have runs, and what is to be known of each."""
        feasts = federal_holidays(self.first, self.last)
        found: dict[date, list[dict[str, Any]]] = {}
        for row in rows:
            found.setdefault(row["run"].local_date, []).append(row)
        posted = self.request.POST
        return [
            {
                "date": day,
                "rows": found[day],
                "holidays": [one.name for one in feasts if one.covers(day)],
                "can_cancel": any(row["form"] and not row["run"].is_cancelled for row in found[day]),
                "form": forms.get(day)
                or DayForm(prefix=day.isoformat(), initial={"reason": posted.get(f"{day}-reason", "")}),
            }
            for day in sorted(found)
        ]

    def look(self, outcome: days.Outcome) -> HttpResponse:
        """What would change, and who would be told what; it carries all that was typed."""
        names = site_names(outcome)
        typed = [
            (name, value)
            for name in self.request.POST
            if name not in ("csrfmiddlewaretoken", "look", "edit")
            for value in self.request.POST.getlist(name)
        ]
        context = {
            "first": self.first,
            "last": self.last,
            "rows": [changed_row(change, outcome.runs[change.run], names) for change in outcome.changes],
            "told": [told_row(person, lines) for person, lines in outcome.told],
            "doubtful": [doubtful_row(booking, why) for booking, why in outcome.doubtful],
            "left_out": [left_out_row(*one) for one in outcome.left_out],
            "to_call": to_call(outcome),
            "fields": typed,
            "action": page_at(self.first, self.last),
        }
        return render(self.request, "desk/days_look.html", context)

    def done(self, outcome: days.Outcome, ticked: int) -> HttpResponse:
        if outcome.changes:
            remember(self.request, outcome, self.first, self.last, self.at)
        say_done(self.request, outcome, ticked)
        return redirect(page_at(self.first, self.last))


def changes_posted(request: Request) -> list[int]:
    """The keys of runs for which something else than keeping was chosen."""
    found = [(re.fullmatch(r"(\d{1,15})-act", name), name) for name in request.POST]
    return [int(match[1]) for match, name in found if match and request.POST[name] != KEEP]


def typed_for(run: Run, posted: Any) -> dict[str, Any]:
    """What was typed for a run, to stand in its form unjudged."""
    names = ("act", "reason", "day", "time", "site")
    typed = {name: posted[f"{run.pk}-{name}"] for name in names if f"{run.pk}-{name}" in posted}
    return typed | {"said": posted.getlist(f"{run.pk}-said")}


# --- rows


def row_of(
    run: Run, form: RunForm | None, closures: Mapping[int, list[Closure]], absent: Absent | None
) -> dict[str, Any]:
    closed = [
        stop.site.name
        for stop in run.ordered_stops
        if drop_offs.is_closed(stop.site_id, run.local_date, closures)
    ]
    return {
        "run": run,
        "name": title_and_time(run),
        "card": card_of(run, absent=absent) | {"note": ""},
        "form": form,
        "closed": closed,
        "reason": run.cancel_reason,
        # A browser keeps to `seen` what was shown, so what is shown now has the newest.
        "seen": form.seen_now if form else "",
        "was": form.was_now if form else "",
    }


def changed_row(change: days.Change, run: Run, names: Mapping[int, str]) -> dict[str, Any]:
    return {
        "url": page_of(run),
        "name": title_and_time(run),
        "becomes": becomes(change, run, names),
        "who": [
            f"{booking.person.name} {'drives' if booking.seat == Booking.Seat.DRIVER else 'rides along'}"
            for booking in run.seated
        ],
    }


def becomes(change: days.Change, run: Run, names: Mapping[int, str]) -> str:
    """What the change makes of the run, in words."""
    if isinstance(change, days.CallOff):
        return f"is cancelled: {change.reason}" if change.reason else "is cancelled"
    if isinstance(change, days.PutOn):
        return "is put on again"
    said = []
    shape, old = change.shape, days.shape_of(run)
    if shape.starts_at != run.starts_at:
        start = timezone.localtime(shape.starts_at)
        said.append(f"moves to {date_format(start)}, {date_format(start, 'TIME_FORMAT')}")
    if shape.stops[-1][0] != old.stops[-1][0]:
        said.append(f"goes to {names[shape.stops[-1][0]]} instead of {names[old.stops[-1][0]]}")
    return " and ".join(said) or "is as it was"


def site_names(outcome: days.Outcome) -> dict[int, str]:
    keys = {site for run in outcome.runs.values() for site in run.site_ids}
    for change in outcome.changes:
        if isinstance(change, days.Reshape):
            keys |= {site for site, _after in change.shape.stops}
    return dict(Site.objects.filter(pk__in=keys).values_list("pk", "name"))


def told_row(person: Person, lines: Sequence[str]) -> dict[str, Any]:
    how = "by mail" if person.is_mailed else "by phone: it comes onto the list on the desk"
    return {**contact_of(person), "lines": lines, "language": person.language, "how": how}


def doubtful_row(booking: Booking, why: str) -> dict[str, Any]:
    return {**contact_of(booking.person), "why": why, "run": title_and_time(booking.run)}


def left_out_row(run: Run, person: Person, refusal: Any) -> dict[str, Any]:
    return {**contact_of(person), "why": refusal.why, "run": title_and_time(run)}


def to_call(outcome: days.Outcome) -> list[dict[str, Any]]:
    """The sites that the change concerns, with whom to call: nobody tells them but the coordinator."""
    names = site_names(outcome)
    contacts: dict[int, list[dict[str, str]]] = {}
    for contact in Contact.objects.filter(site__in=names):
        if contact.phone:
            row = {"name": contact.name, **phone_of(contact.phone)}
            contacts.setdefault(contact.site_id, []).append(row)
    return [
        {"name": name, "contacts": contacts.get(key, [])}
        for key, name in sorted(names.items(), key=lambda one: one[1])
    ]


# --- what was done, and undoing it


def remember(request: Request, outcome: days.Outcome, first: date, last: date, at: datetime) -> None:
    names = site_names(outcome)
    request.session[DONE] = {
        "at": at.isoformat(),
        "lines": [
            f"{title_and_time(outcome.runs[change.run])} {becomes(change, outcome.runs[change.run], names)}"
            for change in outcome.changes
        ],
        "opposite": [days.plain(change) for change in outcome.opposite],
        "span": [first.isoformat(), last.isoformat()],
    }


def done_shown(request: Request, at: datetime) -> dict[str, Any] | None:
    """What was done last on this page, for as long as it is likely to be looked for."""
    kept = request.session.get(DONE)
    done_at = parse_datetime(kept["at"]) if kept else None
    if kept is None or done_at is None or at - done_at > UNDO_SHOWN:
        return None
    return {"at": done_at, "lines": kept["lines"]}


def say_done(request: Request, outcome: days.Outcome, ticked: int = 0) -> None:
    said = []
    if outcome.changes:
        said.append(
            f"{counted(len(outcome.changes), 'run')} changed, {counted(len(outcome.told), 'person')} told."
        )
    if ticked:
        said.append(f"{counted(ticked, 'tick')} saved.")
    if said:
        messages.success(request, " ".join(said))
    else:
        messages.info(request, "Nothing was changed: every run is kept as it is.")
    for run, person, refusal in outcome.left_out:
        messages.warning(
            request,
            f"{person.name} could not be seated again on {sentence(title_and_time(run))} {refusal.why}",
        )
    for booking, why in outcome.doubtful:
        messages.warning(
            request,
            f"{booking.person.name}, {sentence(title_and_time(booking.run))} Keeps the seat, but {why}.",
        )


def counted(number: int, what: str) -> str:
    many = {"person": "people"}.get(what, f"{what}s")
    return f"1 {what}" if number == 1 else f"{number} {many}"


@coordinator_only
@require_POST
def undo(request: Request) -> HttpResponse:
    """Takes back the last change of this page as a whole, each person told once; or nothing of it."""
    kept = request.session.pop(DONE, None)
    if kept is None:
        messages.info(request, "There is nothing to undo any more.")
        return redirect("desk_days")
    first, last = (date.fromisoformat(day) for day in kept["span"])
    at = timezone.now()
    changes = [days.from_plain(change) for change in kept["opposite"]]
    try:
        outcome = days.make(changes, by=request.user, at=at)
    except days.NotSaved as refused:
        runs = Run.objects.in_bulk(refused.problems)
        for pk, problem in refused.problems.items():
            name = title_and_time(runs[pk]) if pk in runs else "A run"
            messages.error(request, f"Not undone. {sentence(name)} {problem.why}")
        return redirect(page_at(first, last))
    remember(request, outcome, first, last, at)
    say_done(request, outcome)
    return redirect(page_at(first, last))


# --- another drop-off while the run is on


@coordinator_only
@require_POST
def reroute(request: Request, pk: int) -> HttpResponse:
    """The agency is closed or full: the food goes elsewhere. Before the run, that is a change like others."""
    run = run_or_404(pk)
    at = timezone.now()
    if not days.is_on(run, at):
        if run.is_cancelled or run.ends_at <= at:
            messages.error(request, "A run that is cancelled or over has no drop-off to change.")
            return redirect(page_of(run))
        messages.info(
            request, "The run is not on yet: choose its drop-off here, with a look at what that changes."
        )
        return redirect(page_at(run.local_date, run.local_date) + f"#run-{run.pk}")
    site = row_posted(request, "site", Site.objects.all())
    old, back = run.ordered_stops[-1].site, drop_offs.way_back(request, run, at)
    shape = back["shape"] if back and back["site"] == site else None
    try:
        after = days.reroute(run, site, by=request.user, shape=shape, at=at)
    except NotPossible as impossible:
        messages.error(request, str(impossible))
        return redirect(page_of(run))
    drop_offs.remember(request, run, after)
    names = " and ".join(booking.person.name for booking in run.seated)
    told = f" {names} will be told; call as well, they may be driving." if names else ""
    messages.success(request, f"The food goes to {site.name} instead of {old.name}.{told}")
    offer_undo(request, f"Undo: to {old.name} after all", reverse("desk_reroute", args=[run.pk]), site=old.pk)
    return redirect(page_of(run))
