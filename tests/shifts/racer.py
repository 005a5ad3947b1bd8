"""A process of its own for the race tests: does what it is told on the test's database, line by line.

In comes a JSON list of tasks, each ["name", arguments...]; out goes a JSON list of what became of each:
"done" or where it stands, the code of a refusal, or "error: ..." for anything else. A task ["pause"] answers
["paused"] at once and waits for a line; between ["begin"] and ["commit"] lies one transaction.
"""

import json
import os
import sys
from contextlib import ExitStack
from datetime import date, datetime, time

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
django.setup()

from django.db import connection, transaction  # noqa: E402
from django.test import Client  # noqa: E402
from django.urls import reverse  # noqa: E402
from django.utils import timezone  # noqa: E402

from shifts.cover import asking, digest  # noqa: E402
from shifts.models import (  # noqa: E402
    Ask,
    Booking,
    HandOver,
    NoShow,
    Pairing,
    Run,
    Search,
    Shift,
    Standing,
)
from shifts.schedule import making  # noqa: E402
from shifts.seats import (  # noqa: E402
    booking,
    changes,
    consequences,
    cover_turns,
    days,
    expiring,
    handover,
    joins,
    no_shows,
    pairing,
    requests,
    rides,
    riding,
    standing,
    weekly,
)
from shifts.seats.refusals import Refusal  # noqa: E402
from sites.models import Site  # noqa: E402
from volunteers import joining, kits, progress  # noqa: E402
from volunteers.models import Completion, Join, Person, SignOff, User  # noqa: E402


def seat(run, person, place="driver"):
    booking.seat(
        run=Run.objects.get(pk=run),
        person=Person.objects.get(pk=person),
        seat=place,
        by=None,
        at=timezone.now(),
    )


def give_back(run, person):
    booking.give_back(Booking.objects.filter(run=run, person=person).latest("pk"), by=None)


def cancel(run):
    changes.cancel_run(Run.objects.get(pk=run), reason="Snow.", by=None)


def begin_regular(shift, person):
    wish = standing.Wish(
        shift=Shift.objects.get(pk=shift),
        person=Person.objects.get(pk=person),
        from_day=timezone.now().date(),
    )
    standing.begin(wish, by=None)


def skip(row, first, last):
    row = Standing.objects.get(pk=row)
    standing.skip(row, first=date.fromisoformat(first), last=date.fromisoformat(last), by=None)


def seat_regulars():
    standing.seat_regulars()


def withdraw(completion):
    progress.withdraw(Completion.objects.get(pk=completion), reason="By mistake.", by=None)


def change_days(changes):
    days.make([days.from_plain(change) for change in changes], by=None)


def make():
    making.make_runs_ahead()


def move_site(site, street):
    consequences.change_site(Site.objects.get(pk=site), by=None, street=street)


def move_person(person, email):
    consequences.change_person(Person.objects.get(pk=person), by=None, email=email)


def ask(run, person, to):
    mine = Booking.objects.live().get(run=run, person=person)
    handover.ask(mine, Person.objects.get(pk=to), by=None)


def accept(hand_over):
    row = HandOver.objects.select_related("booking__run", "to").get(pk=hand_over)
    handover.accept(row, starts_at=row.booking.run.starts_at, by=None)


def decline(hand_over):
    handover.decline(HandOver.objects.select_related("booking", "to").get(pk=hand_over), by=None)


def propose_ride(run, trainee, lead):
    people = Person.objects.in_bulk([trainee, lead])
    pairing.propose(run=Run.objects.get(pk=run), trainee=people[trainee], lead=people[lead], by=None)


def agree_to_ride(row, person):
    """Where it stands then."""
    row = Pairing.objects.select_related("trainee").get(pk=row)
    row = pairing.agree(row, Person.objects.get(pk=person), by=None)
    return str(pairing.state_of(row))


def decline_ride(row, person):
    pairing.decline(Pairing.objects.get(pk=row), Person.objects.get(pk=person), by=None)


def withdraw_ride(row):
    pairing.withdraw(Pairing.objects.get(pk=row), by=None)


def settle_rides():
    pairing.settle(at=timezone.now())
    riding.end_unled(at=timezone.now())


def change_shift(shift, name, hour):
    """Its name and its hour, for good, from today on."""
    shift = Shift.objects.get(pk=shift)
    [term] = shift.terms.filter(applies_until=None)
    stops = tuple(term.stops.values_list("site", "after_minutes"))
    plan = making.Plan(rule=term.rule, starts=time(hour), minutes=term.minutes, stops=stops)
    weekly.change_shift(shift, plan=plan, from_day=timezone.now().date(), name=name, by=None)


def move_programme(zone):
    weekly.change_programme(time_zone=zone, by=None)


def stop(row, last_day):
    standing.stop(Standing.objects.get(pk=row), last_day=date.fromisoformat(last_day), by=None)


def set_contacts(site, name):
    rows = [{"name": name, "role": "dock", "phone": "+15555550100"}]
    consequences.set_contacts(Site.objects.get(pk=site), rows, by=None)


def publish_doors(site, text, *, must_read_again=False):
    consequences.publish_door_notes(
        Site.objects.get(pk=site),
        {"entrance": text},
        by=None,
        drivers_know_it=True,
        must_read_again=must_read_again,
    )


def close_and_open(site, first, last):
    site, first, last = Site.objects.get(pk=site), date.fromisoformat(first), date.fromisoformat(last)
    closure = consequences.close_site(site, first=first, last=last, by=None)
    consequences.lift_closure(closure, by=None)


def ask_to_join(email):
    joins.ask(email=email, name="Ida", phone="", language="en", is_adult=True, drives=True)


def settle_join(join, act):
    words = ["No."] if act == "decline" else []
    getattr(joins, act)(Join.objects.get(pk=join), *words, by=None)


def send_sign_off(run, user, key, outcome="ready"):
    """As a phone sends it; what it was answered."""
    phone = Client(SERVER_NAME="localhost")
    phone.force_login(User.objects.get(pk=user))
    answer = phone.post(f"/runs/{run}/sign-off/", {"outcome": outcome, "sent_key": key})
    assert answer.json()["key"] == key, answer.content
    return f"{answer.status_code} {answer.json().get('said') or answer.json()['why']}"


def take_back(signed):
    rides.take_back(SignOff.objects.get(pk=signed), reason="By mistake.", by=None)


def hand_kit(person):
    kits.hand_over(Person.objects.get(pk=person), by=None)


def remind(at):
    expiring.remind_ahead(datetime.fromisoformat(at))


def say_digest(at):
    digest.owe_digests(datetime.fromisoformat(at))


def miss(run, person):
    no_shows.did_not_come(Booking.objects.filter(run=run, person=person).earliest("pk"), by=None)


def came(run):
    no_shows.came_after_all(NoShow.objects.get(booking__run=run), by=None)


def cover(person, first, last):
    first, last = date.fromisoformat(first), date.fromisoformat(last)
    cover_turns.begin(Person.objects.get(pk=person), first=first, last=last, by=None)


def answer_request(row, said):
    """What stands there then."""
    return str(requests.answer(Ask.objects.get(pk=row), said, by=None).answer)


def ask_around(at):
    """How many were asked."""
    return f"asked {asking.ask_around(datetime.fromisoformat(at))}"


def stop_search(row):
    asking.stop_search(Search.objects.get(pk=row), by=None)


TASKS = {
    task.__name__: task
    for task in (
        seat,
        give_back,
        cancel,
        change_days,
        withdraw,
        make,
        move_site,
        move_person,
        begin_regular,
        skip,
        stop,
        seat_regulars,
        change_shift,
        move_programme,
        set_contacts,
        publish_doors,
        close_and_open,
        ask,
        accept,
        decline,
        propose_ride,
        agree_to_ride,
        decline_ride,
        withdraw_ride,
        settle_rides,
        ask_to_join,
        settle_join,
        send_sign_off,
        take_back,
        hand_kit,
        remind,
        answer_request,
        ask_around,
        stop_search,
        say_digest,
        miss,
        came,
        cover,
    )
}


def outcome(name, *arguments):
    try:
        said = TASKS[name](*arguments)
    except Refusal as refusal:
        return refusal.code
    except days.NotSaved:
        return "not saved"
    except joining.KnownAlready:
        return "known already"
    except progress.NotPossible:
        return "not possible"
    except Exception as error:
        return f"error: {type(error).__name__}: {error}"
    return said or "done"


def answer(value):
    print(json.dumps(value), flush=True)  # noqa: T201


def work(tasks):
    results = []
    with ExitStack() as stack:
        for name, *arguments in tasks:
            if name == "begin":
                stack.enter_context(transaction.atomic())
            elif name == "commit":
                stack.close()
            elif name == "pause":
                answer(["paused"])
                sys.stdin.readline()
            else:
                results.append(outcome(name, *arguments))
    return results


if __name__ == "__main__":
    connection.ensure_connection()
    reverse("home")  # loads the addresses now and not during a race
    answer(["ready"])
    for line in sys.stdin:
        answer(work(json.loads(line)))
