"""The plan at the desk: whom to ask for each run without a driver, all at once; what would fill the others;
who is wanted or not wanted for a run. Nobody is seated here: they are asked, and their yes seats them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.timezone import localdate
from django.views.decorators.http import require_http_methods, require_POST

from shifts.cover import asking
from shifts.cover.asking import ask_by_hand, is_urgent, stop_search
from shifts.cover.candidates import Candidate
from shifts.cover.plan import Proposal, aims_in_words, made_until, proof_in_words, propose
from shifts.cover.ranking import WAITING
from shifts.cover.wishes import FORBID, NONE, PIN, wish
from shifts.models import Booking, Policy, Run, Search
from shifts.models.standing import monday_of
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_days import day_of
from shifts.pages.desk_parts import calls_of, card_of, sentence, title_and_time, when
from shifts.pages.desk_runs import row_posted
from shifts.pages.desk_search import NOT_BY_HAND
from shifts.pages.undo import back_to, offer_undo, undo_offered
from shifts.seats.requests import asked_this_week, requests_a_week
from volunteers.models import Person
from volunteers.progress import NotPossible

SHOWN = "plan"  # in the session: the plan that was shown last, as pairs of run and person
DRAWN = 60  # gaps with names and buttons; the others in a line each
NAMES = 3
WISHED = {PIN: "You want this person:", FORBID: "You do not want this person:"}
MOST_ASKED = 500  # pairs in one go
DRIVER = Booking.Seat.DRIVER


@coordinator_only
@require_http_methods(["GET", "HEAD", "POST"])
def plan(request: Request) -> HttpResponse:
    if request.method == "POST":
        act = ACTIONS.get(request.POST.get("do", ""))
        if act is None:
            messages.error(request, "Nothing was done: choose one of the buttons.")
        else:
            act(request)
        return redirect(back_to(request, reverse("desk_plan")))
    at, policy = timezone.now(), Policy.current()
    today = localdate(at)
    until = made_until(at, policy, today)
    asked = day_of(request.GET.get("from", "")) or today, day_of(request.GET.get("to", "")) or until
    first, last = (max(today, day) for day in sorted(asked))  # typed the wrong way round, it is the same span
    found = propose(first, last, at=at, shown=dict(request.session.get(SHOWN, [])))
    keep_shown(request, found)
    page = Page(request, found, at)
    runs = found.world.runs
    context = {
        "undo": undo_offered(request),
        "first": first,
        "last": last,
        "until": until,
        "weeks": page.weeks(runs[:DRAWN]),
        "more_gaps": [page.line(run) for run in runs[DRAWN:]],
        "count": len(runs),
        "covered": len(found.proposed),
        "kept": found.world.kept,
        "to_ask": [pair_of(one.run, one.person) for one in found.proposed if not one.is_asked],
        "unheld": [
            {
                "name": one.person.name,
                "run": title_and_time(one.run),
                "why": one.why,
                "url": page.url(one.run),
                "run_pk": one.run.pk,
                "pk": one.person.pk,
            }
            for one in found.unheld
        ],
        "proof": proof_in_words(found.plan),
        "aims": aims_in_words(found.plan),
        "here": request.get_full_path(),
    }
    return render(request, "desk/plan.html", context)


def keep_shown(request: Request, found: Proposal) -> None:
    """Remembers the plan, so that the next one changes no more of it than it must."""
    pairs = [[run, person] for run, person in sorted(found.by_run.items())]
    if request.session.get(SHOWN) != pairs:
        request.session[SHOWN] = pairs


def pair_of(run: Run, person: Person) -> str:
    """What a button sends back: whom it is about, as it was shown."""
    return f"{run.pk}-{person.pk}"


class Page:
    """What is drawn of each run."""

    def __init__(self, request: Request, found: Proposal, at: datetime) -> None:
        self.request, self.found, self.at = request, found, at
        self.proposed = {one.run.pk: one for one in found.proposed}
        self.unfilled = {one.run.pk: one for one in found.unfilled}
        self.able: dict[int, set[int]] = {run.pk: set() for run in found.world.runs}
        for run, person in found.world.option_of:
            self.able[run].add(person)

    def url(self, run: Run) -> str:
        return reverse("desk_run", args=[run.pk])

    def weeks(self, runs: Sequence[Run]) -> list[dict[str, Any]]:
        """The weeks from Monday on, each with its gaps; those of the next seven days are open."""
        found: dict[date, list[Run]] = {}
        for run in runs:
            found.setdefault(monday_of(run.local_date), []).append(run)
        return [
            {
                "first": theirs[0].local_date,
                "last": theirs[-1].local_date,
                "gaps": [self.gap(run) for run in theirs],
                "covered": sum(run.pk in self.proposed for run in theirs),
                "is_open": number == 0 or theirs[0].starts_at <= self.at + timedelta(days=7),
            }
            for number, theirs in enumerate(found.values())
        ]

    def gap(self, run: Run) -> dict[str, Any]:
        world = self.found.world
        card = card_of(run, at=self.at, policy=world.policy)
        one = self.proposed.get(run.pk)
        if one:
            note = "asked, no answer yet" if one.is_asked else "wanted by you" if one.is_pinned else "planned"
            card["seats"][0] |= {"state": "waiting", "word": one.person.name, "note": note}
        calls = self.calls(run)
        empty = self.unfilled.get(run.pk)
        return {
            "card": card,
            "pk": run.pk,
            "calls": calls,
            "called_url": reverse("desk_called", args=[run.pk]),
            "why": empty.why if empty else "",
            "ways": empty.ways if empty else [],
            "wishes": [
                {"pk": wish.person_id, "name": wish.person.name, "said": WISHED[wish.kind]}
                for wish in world.wished
                if wish.run_id == run.pk
            ],
            "choices": self.choices(run),
        }

    def calls(self, run: Run) -> list[dict[str, Any]]:
        """Three names: the planned person, and the next in the order of calling who could take it."""
        world, one = self.found.world, self.proposed.get(run.pk)
        order = world.known.order(run, among=self.able[run.pk])
        if one:
            order.sort(key=lambda ranked: ranked.person != one.person.pk)  # stable: otherwise as they were
        names = [
            Candidate(world.by_key[ranked.person], world.known.reasons(ranked, run)[:2])
            for ranked in order[:NAMES]
        ]
        rows = calls_of(names, run, seat=DRIVER, programme=self.request.programme)
        return [
            row
            | {
                "pair": pair_of(run, candidate.person),
                "planned": bool(one and one.person.pk == candidate.person.pk),
                "asked": self.is_waiting(run, candidate.person),
                "mailed": candidate.person.is_mailed and candidate.person.wants_requests,
            }
            for row, candidate in zip(rows, names, strict=True)
        ]

    def is_waiting(self, run: Run, person: Person) -> bool:
        said = self.found.world.known.said.get((run.pk, person.pk))
        return bool(said and said.place == WAITING)

    def choices(self, run: Run) -> list[tuple[int, str]]:
        world = self.found.world
        ready = sorted(world.cleared[run.pk], key=lambda pk: (world.by_key[pk].name, pk))
        return [(pk, world.by_key[pk].name) for pk in ready]

    def line(self, run: Run) -> dict[str, Any]:
        one, empty = self.proposed.get(run.pk), self.unfilled.get(run.pk)
        return {
            "name": title_and_time(run),
            "url": self.url(run),
            "who": one.person.name if one else "",
            "why": empty.why if empty else "",
        }


# --- asking


def ask(request: Request) -> None:
    """One person, as the page has shown them. A week's requests do not count: this is the coordinator's
    choice."""
    pairs = pairs_posted(request)[:1]
    if not pairs:
        messages.error(request, "Nobody was asked: choose one of the names on the page.")
        return
    [(run, person)] = pairs
    begun = not Search.objects.open().filter(run=run).exists()
    try:
        done = ask_by_hand(run, [person.pk], by=request.user)
    except NotPossible as reason:
        messages.error(request, f"{person.name} was not asked. {reason}")
        return
    for _person, why in done.not_asked:
        messages.warning(request, f"{person.name} {NOT_BY_HAND.get(why, why)}.")
    if done.asked:
        messages.success(request, sentence(f"{person.name} is asked by mail: {title_and_time(run)}"))
        offer_to_stop(request, [run] if begun else [], f"Undo: ask {person.first_name} no longer")


def ask_all(request: Request) -> None:
    """All whom the page has shown, the earliest run first, each for themselves; nobody more often than a
    week's requests allow: their other runs can be asked about next week."""
    at, policy = timezone.now(), Policy.current()
    pairs = sorted(pairs_posted(request), key=lambda pair: (pair[0].starts_at, pair[0].pk))
    counts = asked_this_week([person.pk for _run, person in pairs], at)
    open_before = set(Search.objects.open().values_list("run", flat=True))
    asked: list[tuple[Run, Person]] = []
    later: list[Person] = []
    others: dict[str, list[Person]] = {}
    for run, person in pairs:
        most = requests_a_week(person, policy)
        most += policy.urgent_requests_a_week if is_urgent(run, at, policy) else 0
        if counts.get(person.pk, 0) >= most:
            later.append(person)
            continue
        try:
            done = ask_by_hand(run, [person.pk], by=request.user, at=at)
        except NotPossible as reason:
            messages.error(request, f"{person.name} was not asked about {title_and_time(run)}. {reason}")
            continue
        if done.asked:
            asked.append((run, person))
            counts[person.pk] = counts.get(person.pk, 0) + 1
        for _person, why in done.not_asked:
            others.setdefault(why, []).append(person)
    if asked:
        count = len({person.pk for _run, person in asked})
        people = "1 person is" if count == 1 else f"{count} people are"
        runs = "1 run" if len(asked) == 1 else f"{len(asked)} runs"
        messages.success(request, f"{people} asked by mail about {runs}. The first yes has the seat.")
        begun = [run for run, _person in asked if run.pk not in open_before]
        offer_to_stop(request, begun, "Undo: ask about these runs no longer")
    else:
        messages.info(request, "Nobody was asked by mail.")
    for why, people_told in others.items():
        messages.warning(request, f"{names_of(people_told)}: {TOLD.get(why, why)}.")
    if later:
        messages.info(
            request,
            f"{names_of(later)}: asked as often as they are to be this week. Ask about the other runs "
            "next week, or call.",
        )


TOLD = {
    asking.NO_MAIL: "no mail, so call or text",
    asking.WANTS_NONE: "no requests by mail wanted, so call or text",
    asking.ASKED: "asked already",
    asking.QUIET: "these are quiet hours; ask in the morning, or call",
    asking.MAY_NOT: "may not drive it any more, look at the plan anew",
}


def names_of(people: list[Person]) -> str:
    return ", ".join(sorted({person.name for person in people}))


def offer_to_stop(request: Request, runs: list[Run], words: str) -> None:
    """Of runs that nobody was asked about before; what went on already goes on."""
    if runs:
        here = back_to(request, reverse("desk_plan"))
        fields = {"do": "stop", "run": [run.pk for run in runs], "next": here}
        offer_undo(request, words, reverse("desk_plan"), **fields)


def pairs_posted(request: Request) -> list[tuple[Run, Person]]:
    """The runs and people that the form names, as far as there are such: two queries."""
    keys = [
        (int(run), int(person))
        for run, dash, person in (text.partition("-") for text in request.POST.getlist("pair")[:MOST_ASKED])
        if dash and is_key(run) and is_key(person)
    ]
    runs = Run.objects.in_bulk({run for run, _person in keys})
    people = Person.objects.in_bulk({person for _run, person in keys})
    return [(runs[run], people[person]) for run, person in keys if run in runs and person in people]


def is_key(text: str) -> bool:
    return text.isascii() and text.isdecimal() and len(text) < 19


def stop(request: Request) -> None:
    keys = [int(key) for key in request.POST.getlist("run")[:MOST_ASKED] if is_key(key)]
    stopped = 0
    for search in Search.objects.open().filter(run__in=keys).order_by("run"):
        try:
            stop_search(search, by=request.user)
            stopped += 1
        except NotPossible:
            continue  # somebody has said yes meanwhile
    runs = "1 run" if stopped == 1 else f"{stopped} runs"
    if stopped:
        messages.success(request, f"Nobody is asked any more about {runs}. Mail that has gone out says so.")
    else:
        messages.info(request, "Nobody was being asked any more.")


ACTIONS: dict[str, Callable[[Request], None]] = {"ask": ask, "ask all": ask_all, "stop": stop}


# --- wanted, or not wanted


@coordinator_only
@require_POST
def want(request: Request) -> HttpResponse:
    """`kind` is pin, forbid or none, for a `run` and a `person`; with `also`, the same of others, each as
    person-kind, by which an undo brings back everything."""
    back = back_to(request, reverse("desk_plan"))
    run = row_posted(request, "run", Run.objects.all())
    kind = request.POST.get("kind", "")
    if not is_key(request.POST.get("person", "")) or kind not in (PIN, FORBID, NONE):
        messages.error(request, f"Nothing was changed for {title_and_time(run)}: choose a name.")
        return redirect(back)
    person = row_posted(request, "person", Person.objects.all())
    try:
        before = wish(run=run, person=person, kind=kind, by=request.user)
        for text in request.POST.getlist("also")[:10]:
            other, _dash, again = text.partition("-")
            if is_key(other) and again in (PIN, FORBID, NONE):
                for one in Person.objects.filter(pk=int(other)):
                    wish(run=run, person=one, kind=again, by=request.user)
    except NotPossible as reason:
        messages.error(request, f"Nothing was changed. {reason}")
        return redirect(back)
    messages.success(request, sentence(f"{SAID[kind].format(name=person.name)}: {run.title}, {when(run)}"))
    fields: dict[str, Any] = {"run": run.pk, "person": person.pk, "kind": before.pop(person.pk), "next": back}
    if before:
        fields["also"] = [f"{key}-{kind}" for key, kind in before.items()]
    offer_undo(request, "Undo: as it was", reverse("desk_plan_wish"), **fields)
    return redirect(back)


SAID = {
    PIN: "{name} is planned for it, if all rules hold",
    FORBID: "{name} is not planned for it",
    NONE: "The plan decides about {name} again",
}
