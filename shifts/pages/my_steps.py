"""What lies between a volunteer and driving alone, as their own pages show it: every step with its state, and
the one thing to do next, which is decided here and nowhere else."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any

from django.db.models import OuterRef, Subquery
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from shifts.models import Booking, Pairing, Policy, Run
from shifts.pages import volunteer_parts as parts
from shifts.seats.pairing import asked_of, other_of, token_of
from sites.models import Programme
from volunteers import clearance
from volunteers.clearance import StepState
from volunteers.models import Completion, Join, Person, Step, StepTerm
from volunteers.progress import today
from volunteers.reading import SHIPPED

SIGN_OFF_REMINDER = timedelta(weeks=4)  # a ride so old waits for nobody's word any more
Task = dict[str, Any]


@dataclass(frozen=True)
class NextThing:
    """What to do next: what it is, why, how, how long it takes, and its one button. `state` is that of a
    task: "missing" is theirs to do, "waiting" somebody else's, "done" stands where nothing is missing."""

    name: str
    state: str = "missing"
    word: str = ""  # for whom or what it waits, and since when
    why: str = ""
    how: str = ""
    takes: str = ""
    url: str = ""
    action: str = ""


class MySteps:
    """One volunteer's steps at a moment. What is not asked for is not read; each list is a query."""

    def __init__(self, person: Person, *, programme: Programme, at: datetime, back: str = "") -> None:
        """`back` is the page to return to after something was read."""
        self.person, self.programme, self.at, self.back = person, programme, at, back
        self.today = today(at)

    # --- what is known

    @cached_property
    def policy(self) -> Policy:
        return Policy.current()

    @cached_property
    def states(self) -> list[StepState]:
        """The programme's own steps."""
        return clearance.standing(self.person, on=self.today)

    @cached_property
    def announced(self) -> dict[int, StepState]:
        """By the step's key, what is announced for a later day, is met today, and will not be then."""
        coming = StepTerm.objects.filter(step__site=None, applies_from__gt=self.today)
        last = coming.order_by("applies_from").last()
        if last is None:
            return {}
        lacking_now = {state.step.pk for state in self.lacking}
        then = clearance.standing(self.person, on=last.applies_from)
        return {
            state.step.pk: state
            for state in then
            if not state.met and state.term.applies_from > self.today and state.step.pk not in lacking_now
        }

    @property
    def lacking(self) -> list[StepState]:
        return [state for state in self.states if not state.met]

    @cached_property
    def earlier(self) -> dict[int, Completion]:
        """By the step's key, the newest completion, even where it counts no longer."""
        newest: dict[int, Completion] = {}
        for completion in self.person.completions.standing():
            newest.setdefault(completion.step_id, completion)
        return newest

    @cached_property
    def rides(self) -> list[Any]:
        """Second seats ahead, and those of the last weeks on which a lead driver has said nothing yet, by
        start. Bookings, each with `lead_name`, the driver's where it is a lead driver, else None."""
        lead = Booking.objects.live().led().filter(run=OuterRef("run")).values("person__name")[:1]
        mine = Booking.objects.live().of(self.person).unsigned().filter(seat=Booking.Seat.SECOND)
        recent = mine.filter(run__cancelled_at=None, run__ends_at__gt=self.at - SIGN_OFF_REMINDER)
        return list(
            recent.annotate(lead_name=Subquery(lead)).select_related("run").order_by("run__starts_at")
        )

    @cached_property
    def to_answer(self) -> Pairing | None:
        """The first proposed ride that waits for their own answer, as trainee or as lead driver."""
        return next(iter(asked_of(self.person, self.at)), None)

    @cached_property
    def agreed_to(self) -> Pairing | None:
        """The ride that they have said yes to, while the lead driver has not answered."""
        open_ones = self.person.pairings.open().filter(run__starts_at__gt=self.at, lead_agreed_at=None)
        return open_ones.exclude(trainee_agreed_at=None).select_related("run", "lead").first()

    @cached_property
    def photos(self) -> dict[int, datetime]:
        """By the step's key, when they sent a photograph that nobody has looked at yet."""
        return dict(self.person.photos.values_list("step", "at"))

    @cached_property
    def ride_with_room(self) -> Run | None:
        """The first run on which they could ride along."""
        runs = Run.objects.on_the_books().ahead(self.at).with_ride().without_closed()
        open_now = runs.filter(starts_at__lte=self.policy.opens_until(self.at)).not_barring(self.person)
        return open_now.order_by("starts_at").first()

    # --- every step

    @cached_property
    def rows(self) -> list[tuple[StepState, Task]]:
        """The programme's own steps in their order, then those that are asked only from a later day on."""
        known = {state.step.pk for state in self.states}
        later = [state for pk, state in self.announced.items() if pk not in known]
        return [
            *((state, self.task_of(state)) for state in self.states),
            *((state, self.announced_task(state)) for state in later),
        ]

    @property
    def tasks(self) -> list[Task]:
        return [task for _state, task in self.rows]

    def task_of(self, state: StepState) -> Task:
        if state.met:
            return self.done_task(state)
        step, earlier = state.step, self.earlier.get(state.term.step_id)
        task: Task = parts.missing_task(step, back=self.back)
        if state.done:
            task["word"] = _("%(done)s of %(times)s done") % {"done": state.done, "times": state.term.times}
        elif earlier and earlier.valid_until and earlier.valid_until < self.today:
            task["word"] = _("Ran out %(day)s") % {"day": long_day(earlier.valid_until)}
        elif earlier and earlier.revision < state.term.revision:
            task["word"] = _("Changed since you did it")
        if step.kind == Step.Kind.RIDE and not step.site_id:
            return task | self.ride_facts(task["word"])
        if step.kind == Step.Kind.PAPER:
            return task | self.paper_facts(step)
        return task

    def done_task(self, state: StepState) -> Task:
        """A step that is met: until when, and how to renew it where it soon runs out."""
        step, until = state.step, state.valid_until
        task: Task = {"name": parts.title_of(step), "state": "done", "hint": "", "url": "", "action": ""}
        if step.kind == Step.Kind.BRIEFING:
            task["url"], _action = parts.link_to(step)
        elif step.kind == Step.Kind.PAPER and self.policy.photos_on:
            task["url"] = reverse("paper", args=[step.pk])  # whoever has the new card early
        if step.pk in self.announced:
            return self.announced_task(self.announced[step.pk])
        if until is None:
            task["word"] = _("Done")
        elif state.completion and state.completion.how == Completion.How.SEEN:
            day = {"day": date_format(until)}
            task |= {"state": "expiring", "word": _("Seen; we need its date by %(day)s") % day}
            task |= {"hint": parts.how_to_get(step)} | self.paper_facts(step)
        elif clearance.expires_soon(until, self.today):
            url, action = parts.link_to(step, back=self.back)
            task |= {"state": "expiring", "word": _("Runs out %(day)s") % {"day": date_format(until)}}
            task |= {"hint": parts.how_to_get(step), "url": url, "action": action}
            task |= self.paper_facts(step) if step.kind == Step.Kind.PAPER else {}
        else:
            task["word"] = _("Done, until %(day)s") % {"day": long_day(until)}
        return task

    def announced_task(self, state: StepState) -> Task:
        """What is asked, or asked again, only from a later day on, and can be done before it."""
        day = {"day": date_format(state.term.applies_from)}
        again = state.step.pk in self.earlier
        word = _("Changed: once more by %(day)s") if again else _("Asked from %(day)s on")
        return parts.missing_task(state.step, back=self.back) | {"state": "expiring", "word": word % day}

    def paper_facts(self, step: Step) -> Task:
        """A photograph that waits, or the page to send one, where the programme takes photographs."""
        if step.pk in self.photos:
            sent = {"day": date_format(localtime(self.photos[step.pk]))}
            word = _("Photo sent %(day)s; the coordinator looks at it") % sent
            page = {"url": reverse("paper", args=[step.pk]), "action": _("Send another, or take it back")}
            return {"state": "waiting", "word": word, "hint": "", **page}
        if self.policy.photos_on:
            return {"url": reverse("paper", args=[step.pk]), "action": _("Send a photo")}
        return {}

    def ride_facts(self, word: str) -> Task:
        """How far they are with a ride: booked, ridden, proposed, to be found, or waited for."""
        ridden = next((ride for ride in self.rides if ride.run.ends_at <= self.at and ride.lead_name), None)
        ahead = next((ride for ride in self.rides if ride.run.ends_at > self.at), None)
        if ridden:
            return self.waits_for_word(ridden)
        if ahead and ahead.lead_name:
            return {
                "state": "waiting",
                "word": _("You ride along: %(when)s") % {"when": parts.when(ahead.run.starts_at)},
                "url": reverse("run", args=[ahead.run_id]),
                "action": _("Look at the run"),
            }
        if self.person.asking_since or self.person.paused_on:
            return {"url": "", "action": ""}  # no seat for them now
        if self.to_answer and self.to_answer.trainee_id == self.person.pk:
            return self.proposed_facts(self.to_answer)
        if self.agreed_to:
            return self.agreed_facts(self.agreed_to)
        if ahead:
            return {
                "state": "waiting",
                "word": _("No lead driver now: %(when)s") % {"when": parts.when(ahead.run.starts_at)},
                "hint": _("You keep the seat in case one takes the run, and we look for another ride."),
                "url": reverse("run", args=[ahead.run_id]),
                "action": _("Look at the run"),
            }
        if self.ride_with_room:
            first = self.ride_with_room.local_date
            return {"word": word, "url": reverse("runs") + f"?from={first.isoformat()}"}
        return {"state": "waiting", "url": "", "action": "", **self.waits_for_ride()}

    def waits_for_word(self, ridden: Any) -> Task:
        names = {"name": first_word(ridden.lead_name), "day": date_format(ridden.run.local_date)}
        return {
            "state": "waiting",
            "word": _("Ridden on %(day)s; %(name)s's word is awaited") % names,
            "hint": _("%(name)s says whether you are ready; remind them if you meet.") % names,
            "url": reverse("run", args=[ridden.run_id]),
            "action": _("Look at the run"),
        }

    def proposed_facts(self, pairing: Pairing) -> Task:
        run = pairing.run
        words = {"name": pairing.lead.first_name, "when": parts.when(run.starts_at), "run": run.title}
        return {
            "word": _("A ride is proposed: %(when)s") % words,
            "hint": _("Beside %(name)s: %(run)s.") % words,
            "url": answer_page(pairing, self.person),
            "action": _("Answer, yes or no"),
        }

    def agreed_facts(self, pairing: Pairing) -> Task:
        words = {
            "name": pairing.lead.first_name,
            "when": parts.when(pairing.run.starts_at),
            "day": date_format(localtime(pairing.trainee_agreed_at)),
        }
        return {
            "state": "waiting",
            "word": _("Waits for %(name)s's answer since %(day)s") % words,
            "hint": _("You said yes to %(when)s.") % words,
            "url": answer_page(pairing, self.person),
            "action": _("Look at the ride"),
        }

    def waits_for_ride(self) -> Task:
        """No run has room; since when nothing else is missing, where nothing is."""
        others = [state for state in self.states if state.step.kind != Step.Kind.RIDE]
        hint = _("No run has room just now. The coordinator proposes one; new runs show under Runs.")
        word = _("Waits for a run with room")
        if all(state.met for state in others):
            since = max((state.completion.valid_from for state in others if state.completion), default=None)
            if since:
                word = _("Waits for a run with room since %(day)s") % {"day": date_format(since)}
        return {"word": word, "hint": hint}

    def site_tasks(self, sites: Iterable[int]) -> list[Task]:
        """What these sites ask for beside their door notes."""
        found = clearance.standing(self.person, on=self.today, sites=sites)
        return [
            {**task, "name": f"{task['name']} ({state.step.site.name})"}
            for state in found
            if state.step.site and state.step.kind != Step.Kind.DOORS
            for task in [self.task_of(state)]
        ]

    # --- the next thing

    @property
    def is_under_way(self) -> bool:
        """Whether something is missing before they drive alone."""
        return self.person.drives and bool(self.lacking)

    def next_thing(self, doors: Iterable[Task] = ()) -> NextThing:
        """The one thing to do next. `doors` are the tasks of reading door notes, those of their own runs
        marked with `own`."""
        person = self.person
        if person.asking_since:
            return self.request_waits(person.asking_since)
        if person.paused_on:
            return self.on_a_break(person.paused_on)
        if self.to_answer:
            return self.ride_to_answer(self.to_answer)
        if not person.drives:
            return NextThing(
                name=_("Nothing to do"),
                state="done",
                how=_(
                    "You are on the list as somebody who does not drive. These steps are for the day you "
                    "want to; tell the coordinator then."
                ),
            )
        missing = [row for row in self.rows if row[1]["state"] == "missing"]
        own = [row for row in missing if row[1]["url"]]
        return (
            self.first_of(own)  # what they can do themselves, then what only the coordinator can
            or self.first_of(missing)
            or self.next_door(doors)
            or self.first_of(row for row in self.rows if row[1]["state"] == "expiring")
            or self.first_of(row for row in self.rows if row[1]["state"] == "waiting")
            or self.next_drive()
        )

    def first_of(self, rows: Iterable[tuple[StepState, Task]]) -> NextThing | None:
        return next((self.of_step(state.step, task) for state, task in rows), None)

    def request_waits(self, since: date) -> NextThing:
        """Of somebody whom no coordinator has taken in yet. What can be read, can be read meanwhile."""
        join = getattr(self.person, "join", None)
        if join and join.state == Join.State.ASKED_BACK:
            return NextThing(
                name=_("The coordinator has a question"),
                how=join.question,
                takes=_("A minute."),
                url=reverse("join_answer"),
                action=_("Answer the question"),
            )
        word = _("Your request is with the coordinator since %(day)s.") % {"day": date_format(since)}
        for state, task in self.rows:
            if task["state"] == "missing" and state.step.kind == Step.Kind.BRIEFING:
                meanwhile = self.of_step(state.step, task)
                return replace(meanwhile, word=" ".join([word, _("You can read this meanwhile.")]))
        return NextThing(
            name=_("Your request is with the coordinator"),
            state="waiting",
            word=_("Since %(day)s") % {"day": date_format(since)},
            how=_("They get in touch and say what comes first. Nothing is asked of you until then."),
            **self.contact(),
        )

    def on_a_break(self, since: date) -> NextThing:
        return NextThing(
            name=_("You are taking a break"),
            state="waiting",
            word=_("Since %(day)s") % {"day": date_format(since)},
            how=_("Nobody asks you for anything. Come back when you like: then this page says what is next."),
            url=reverse("my_break"),
            action=_("I am back"),
        )

    def ride_to_answer(self, pairing: Pairing) -> NextThing:
        other = other_of(pairing, self.person)
        run = pairing.run
        words = {"name": other.first_name, "run": run.title, "when": parts.when(run.starts_at)}
        if other == pairing.lead:
            name = _("Will you ride along with %(name)s?") % words
            why = why_of(Step.Kind.RIDE)
        else:
            name = _("Will you take %(name)s along?") % words
            why = _("Everybody rides with somebody who knows the docks before they drive alone.")
        return NextThing(
            name=name,
            word=_("%(run)s, %(when)s") % words,
            why=why,
            how=_("Nothing is fixed until both of you have said yes."),
            takes=_("Half a minute."),
            url=answer_page(pairing, self.person),
            action=_("Answer, yes or no"),
        )

    def of_step(self, step: Step, task: Task) -> NextThing:
        button = {"url": task["url"], "action": task["action"]}
        return NextThing(
            name=task["name"],
            state=task["state"],
            word="" if task["word"] == _("Missing") else task["word"],
            why="" if task["state"] == "waiting" else why_of(step.kind),
            how="" if step.code == SHIPPED else task["hint"],  # its button says it
            takes="" if task["state"] == "waiting" else self.takes(step),
            **(button if task["url"] else self.contact()),
        )

    def takes(self, step: Step) -> str:
        """How long the step takes; of a ride, the first that has room."""
        if step.kind == Step.Kind.RIDE:
            run = self.ride_with_room
            minutes = {"n": round((run.ends_at - run.starts_at).total_seconds() / 60)} if run else {}
            return _("One run: about %(n)s minutes.") % minutes if run else ""
        return {
            Step.Kind.BRIEFING.value: _("About ten minutes, with a few questions at the end.")
            if step.code == SHIPPED
            else _("A few minutes."),
            Step.Kind.PAPER.value: _("Two minutes."),
            Step.Kind.FORM.value: _("Five minutes."),
            Step.Kind.KIT.value: _("A minute, when you meet."),
        }.get(step.kind, "")

    def next_door(self, doors: Iterable[Task]) -> NextThing | None:
        for task in doors:
            if task["state"] == "missing" and task["own"]:
                return NextThing(
                    name=_("Door notes: %(site)s") % {"site": task["name"]},
                    word=task["word"],
                    why=why_of(Step.Kind.DOORS),
                    how=_("You have a run there."),
                    takes=_("A minute."),
                    url=task["url"],
                    action=task["action"],
                )
        return None

    def next_drive(self) -> NextThing:
        mine = Booking.objects.live().of(self.person).filter(run__ends_at__gt=self.at, run__cancelled_at=None)
        booked = mine.select_related("run").order_by("run__starts_at").first()
        if booked:
            return NextThing(
                name=_("You are ready to drive alone."),
                state="done",
                word=_("Next: %(run)s, %(when)s")
                % {"run": booked.run.title, "when": parts.when(booked.run.starts_at)},
                url=reverse("run", args=[booked.run_id]),
                action=_("Look at the run"),
            )
        return NextThing(
            name=_("You are ready to drive alone."),
            state="done",
            how=_("Take a run that needs a driver, whenever it suits you."),
            url=reverse("runs"),
            action=_("Find a run"),
        )

    def contact(self) -> dict[str, str]:
        """The button that reaches the coordinator; nothing where the programme has no contact."""
        name = self.programme.contact_name
        if self.programme.contact_phone:
            call = _("Call %(name)s") % {"name": name} if name else _("Call the coordinator")
            return {"url": f"tel:{self.programme.contact_phone.as_e164}", "action": call}
        if self.programme.contact_email:
            write = _("Write to %(name)s") % {"name": name} if name else _("Write to the coordinator")
            return {"url": f"mailto:{self.programme.contact_email}", "action": write}
        return {}


def answer_page(pairing: Pairing, person: Person) -> str:
    return reverse("ride_answer", args=[token_of(pairing, person)])


def why_of(kind: str) -> str:
    return {
        Step.Kind.BRIEFING.value: _("It keeps you, the people at the docks and those who eat the food safe."),
        Step.Kind.PAPER.value: _("Nobody drives for us past the date on it."),
        Step.Kind.FORM.value: _("We need it signed before you drive alone."),
        Step.Kind.KIT.value: _("It protects you and the food from the first run on."),
        Step.Kind.RIDE.value: _(
            "Somebody who knows the docks shows you everything once. Nobody drives alone before that."
        ),
        Step.Kind.DOORS.value: _("So that you find the right door, and know whom to ask for."),
    }[str(kind)]


def first_word(name: str) -> str:
    return name.split()[0] if name.strip() else ""


def long_day(day: Any) -> str:
    """A day that may be years off, with its year."""
    return date_format(day, "SHORT_DATE_FORMAT")
