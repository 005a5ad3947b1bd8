"""A bad night: a worker that is killed, a mail server that is away for an hour, and the nights in which the
clocks change. Nothing is lost, nothing is said twice that could be said once, and nobody is woken."""

import email
import email.policy
import subprocess
import sys
from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone
from icalendar import Calendar

from shifts import worker
from shifts.cover.asking import start_search
from shifts.models import Ask, Booking, CalendarEntry, Policy, Search
from shifts.schedule.making import Plan, add_shift
from shifts.seats import days, requests
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run
from sites.models import Programme
from tests.factories import DropOffFactory, SiteFactory, coordinator, make_run, ready_person
from tests.volunteers.test_outbox import AnyPort, Postbox
from volunteers import outbox
from volunteers.models import Message

NEW_YORK = ZoneInfo("America/New_York")
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def local(*parts):
    """A moment by New York's clock."""
    return datetime(*parts, tzinfo=NEW_YORK)


@pytest.fixture(autouse=True)
def _programme(db):
    Programme.objects.update_or_create(pk=1, defaults={"time_zone": "America/New_York"})


# --- a worker that is killed


class SlowPostbox(Postbox):
    """Holds the line before a mail is handed over ("RCPT"), or having it and not saying so ("DATA")."""

    holds = ""

    async def hold(self, server, where):
        if self.holds == where:
            self.reached.set()
            await server.loop.run_in_executor(None, self.go_on.wait)

    async def handle_RCPT(self, server, session, envelope, address, options):
        await self.hold(server, "RCPT")
        return await super().handle_RCPT(server, session, envelope, address, options)

    async def handle_DATA(self, server, session, envelope):
        self.accepted.append(envelope)
        await self.hold(server, "DATA")
        return "250 OK"


@pytest.fixture
def postbox(settings):
    """A mail server that the test's own worker reaches, and a process that is told its `url`."""
    box = SlowPostbox()
    server = AnyPort(box)
    server.start()
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = server.hostname, server.port
    box.url = f"smtp://{server.hostname}:{server.port}"
    yield box
    box.go_on.set()
    server.stop()


def read(envelope):
    return email.message_from_bytes(envelope.original_content, policy=email.policy.default)


def ids_of(box):
    return [read(envelope)["Message-ID"] for envelope in box.accepted]


def kill_a_worker_in(box, environment, where):
    """SIGKILL, so that it can put nothing in order any more."""
    box.holds = where
    box.go_on.clear()
    command = [sys.executable, "manage.py", "worker", "--once"]
    process = subprocess.Popen(command, env=environment | {"EMAIL_URL": box.url})
    assert box.reached.wait(60)
    process.kill()
    assert process.wait() == -9
    box.holds = ""
    box.go_on.set()


@pytest.mark.django_db(transaction=True)
class TestAWorkerKilledWithARequestInItsHands:
    @pytest.fixture
    def ask(self):
        """Ana is asked about a run in ten days; the hour of this test is nobody's night."""
        Policy.objects.update_or_create(pk=1, defaults={"quiet_from": time(8), "quiet_until": time(8)})
        ready_person(name="Ana Bell")
        start_search(make_run(starts_at=timezone.now() + 10 * DAY), by=None)
        return Ask.objects.select_related("search__run", "person").get()

    @pytest.mark.parametrize(("where", "most"), [("RCPT", 1), ("DATA", 2)])
    def test_it_arrives_and_only_what_was_handed_over_twice_in_one_name(
        self, postbox, child_environment, ask, where, most
    ):
        kill_a_worker_in(postbox, child_environment, where)
        message = Message.objects.get(kind="request")
        assert message.state == Message.State.SENDING
        assert outbox.drain(message.lease_until - timedelta(seconds=1)) == 0
        self.still_asked(ask)

        assert outbox.drain(message.lease_until) == 1
        assert outbox.drain(message.lease_until + DAY) == 0
        assert ids_of(postbox) == most * [message.message_id]
        message.refresh_from_db()
        assert message.state == Message.State.SENT
        self.still_asked(ask)

    def test_whoever_read_it_before_the_worker_was_back_has_the_seat(self, postbox, child_environment, ask):
        """The mail was delivered and not marked: its link works, and the second copy says who drives."""
        kill_a_worker_in(postbox, child_environment, "DATA")
        said = requests.answer(ask, requests.YES, by=None)
        assert said.booking.is_live
        outbox.drain(Message.objects.get(kind="request").lease_until)
        assert Booking.objects.live().get().person == ask.person
        assert Search.objects.get().end == Search.End.FILLED
        arrived = Counter(read(envelope)["Subject"] for envelope in postbox.accepted)
        assert len(postbox.accepted) == 3  # the request twice, the invitation once
        assert sorted(arrived.values()) == [1, 2]

    def still_asked(self, ask):
        ask.refresh_from_db()
        assert (ask.answer, Ask.objects.count()) == ("", 1)
        search = Search.objects.get()
        assert (search.end, search.next_at) == ("", ask.search.next_at)
        assert not Booking.objects.exists()


# --- a mail server that is away


def seated(person, run):
    """For a week, and settled, so that no question is due beside the reminder."""
    booking = seat(run=run, person=person, seat="driver", by=None, at=FIVE - 7 * DAY)
    Booking.objects.filter(pk=booking.pk).update(confirmed_at=booking.booked_at)


def forget(box):
    """What came before has arrived, and is not what the test is about."""
    outbox.drain(FIVE - 7 * DAY)
    assert not Message.objects.unsent().exists()
    box.accepted.clear()


def calendar_of(envelope):
    """The method, the UID and the version that a mail brings to a calendar (RFC 5546 2.1.4)."""
    part = next(part for part in read(envelope).walk() if part.get_content_type() == "text/calendar")
    [event] = Calendar.from_ical(part.get_content()).walk("VEVENT")
    return part.get_param("method"), str(event["UID"]), int(event["SEQUENCE"])


FIVE = local(2027, 3, 1, 17)  # a Monday, when people are reminded of Tuesday's runs
AWAY = HOUR
# When a mail that is owed as the server goes away is tried: after 1, 5 and 30 minutes more, then after two
# hours more, when the server is there again.
TRIES = [0, 1, 6, 36, 156]


def applied(envelopes):
    """What a calendar holds after these mails, by UID: of an entry each version is newer than the one before
    (RFC 5546 2.1.5)."""
    calendar = {}
    for envelope in envelopes:
        method, uid, version = calendar_of(envelope)
        assert uid not in calendar or version > calendar[uid][1]
        calendar[uid] = method, version
    return calendar


@pytest.mark.django_db
class TestAMailServerThatIsAwayForAnHour:
    @pytest.fixture
    def server(self, postbox, settings):
        """`server(False)`: nothing listens, and a connection is refused."""
        port = settings.EMAIL_PORT

        def is_there(there):
            settings.EMAIL_PORT = port if there else 1

        return is_there

    def work(self, first, last):
        """The worker, minute by minute, from the first moment to the last."""
        minutes = int((last - first) / MINUTE)
        for minute in range(minutes + 1):
            at = first + minute * MINUTE
            if minute % 10 == 0:
                worker.tick(at)
            outbox.drain(at)

    def test_requests_and_reminders_go_out_once_when_it_is_back(self, postbox, server):
        """Each is tried when the outbox's schedule says; a reminder that would be too late is not sent."""
        rae, rob = ready_person(name="Rae"), ready_person(name="Rob")
        for name in ("Lou", "Mia", "Ned"):
            ready_person(name=name)
        seated(rae, make_run(starts_at=local(2027, 3, 2, 8)))
        seated(rob, make_run(starts_at=FIVE + 45 * MINUTE, minutes=15))
        forget(postbox)

        server(False)
        search = start_search(make_run(starts_at=local(2027, 3, 3, 8)), by=None, at=FIVE)
        self.work(FIVE, FIVE + AWAY)
        assert postbox.accepted == []
        owed = list(Message.objects.filter(state=Message.State.OWED))
        assert Counter(one.kind for one in owed) == {"request": search.asks.count(), "reminder": 2}
        assert {one.attempts for one in owed} == {4}
        assert {one.next_try_at for one in owed} == {FIVE + TRIES[-1] * MINUTE}
        assert all("could not be reached" in one.error for one in owed)
        search.refresh_from_db()
        assert (search.end, set(search.asks.values_list("answer", flat=True))) == ("", {""})

        server(True)
        self.work(FIVE + AWAY + MINUTE, FIVE + (TRIES[-1] - 1) * MINUTE)
        assert not set(ids_of(postbox)) & {one.message_id for one in owed}
        self.work(FIVE + TRIES[-1] * MINUTE, FIVE + 220 * MINUTE)
        arrived = Counter(ids_of(postbox))
        assert set(arrived.values()) == {1}
        late = [one for one in owed if one.person == rob and one.kind == "reminder"]
        assert {one.message_id for one in owed} - set(arrived) == {one.message_id for one in late}
        [late] = Message.objects.failed()
        assert (late.person, late.expires_at) == (rob, FIVE + 45 * MINUTE)
        assert late.error == "It was not sent in time to be of use."

    def test_what_changes_a_calendar_goes_out_in_its_order(self, postbox, server):
        """Both runs are called off, put on again, and the first is off after all."""
        cal = ready_person(name="Cal Moss")
        runs = [make_run(title=f"Run {n}", starts_at=local(2027, 3, n, 8)) for n in (5, 6)]
        for run in runs:
            seated(cal, run)
        forget(postbox)

        server(False)
        off = [days.CallOff(run.pk, days.fingerprint(run), "Snow") for run in runs]
        outcome = days.make(off, by=None, at=FIVE)
        self.work(FIVE, FIVE + 5 * MINUTE)
        days.make(outcome.opposite, by=None, at=FIVE + 6 * MINUTE)
        self.work(FIVE + 6 * MINUTE, FIVE + 19 * MINUTE)
        cancel_run(runs[0], reason="Snow after all", by=None, at=FIVE + 20 * MINUTE)
        self.work(FIVE + 20 * MINUTE, FIVE + AWAY)
        assert postbox.accepted == []

        server(True)
        self.work(FIVE + AWAY + MINUTE, FIVE + 4 * HOUR)
        assert not Message.objects.unsent().exists()
        assert not Message.objects.failed().exists()
        assert len(ids_of(postbox)) == len(set(ids_of(postbox)))
        calendar = applied(postbox.accepted)
        live = CalendarEntry.objects.live().filter(person=cal)
        assert {uid for uid, (method, _version) in calendar.items() if method == "REQUEST"} == {
            entry.uid for entry in live
        }
        assert [entry.booking.run for entry in live] == [runs[1]]


# --- the nights of the clock changes


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("sunday", "week"),
    [
        # Clocks in New York go back on November 1, 2026, and forward on March 14, 2027 (15 U.S.C. 260a).
        (date(2026, 11, 1), 169),
        (date(2027, 3, 14), 167),
    ],
)
class TestANightInWhichTheClocksChange:
    @pytest.fixture
    def night(self, sunday):
        """From Saturday noon to Monday at eight, the worker every half hour of UTC. At 1:30 on Sunday, an
        hour that comes twice in November, Dan gives back his run of that morning."""
        before = on(sunday - 8 * DAY, 12)
        coordinator()
        plan = Plan(rule="FREQ=WEEKLY;BYDAY=SU", starts=time(8), minutes=60, stops=two_sites())
        shift = add_shift(name="Dawn run", from_day=sunday - 7 * DAY, by=None, plan=plan, at=before)
        given_back = make_run(title="Late run", starts_at=on(sunday, 10))
        drivers = {
            "Ana": shift.runs.get(local_date=sunday),
            "Ben": make_run(title="Monday run", starts_at=on(sunday + DAY, 8)),
            "Dan": given_back,
        }
        for name, run in drivers.items():
            person = ready_person(name=name, wants_requests=False)
            seat(run=run, person=person, seat="driver", by=None, at=before)
        Booking.objects.update(confirmed_at=before)
        ready_person(name="Eve", early_requests=True)
        ready_person(name="Sam")
        outbox.drain(before)
        at, ill = on(sunday - DAY, 12), on(sunday, 1, 30)
        while at <= on(sunday + DAY, 8):
            if at == ill:
                give_back(Booking.objects.get(person__name="Dan"), by=None, at=at)
            worker.tick(at)
            outbox.drain(at)
            at += HOUR / 2
        return shift

    def test_everything_comes_once_at_its_hour_on_the_wall(self, night, sunday, week):
        """One test, since a night takes long."""
        self.nobody_is_woken(sunday)
        self.each_reminder_at_five(sunday)
        self.each_digest_at_its_hour(sunday)
        self.eight_stays_eight(night, sunday, week)

    def nobody_is_woken(self, sunday):
        assert Search.objects.get().opened_at == on(sunday, 1, 30)
        assert said("request") == [("Eve", on(sunday, 6)), ("Sam", on(sunday, 8))]

    def each_reminder_at_five(self, sunday):
        assert said("reminder") == [
            ("Ana", on(sunday - DAY, 17)),
            ("Ben", on(sunday, 17)),
            ("Dan", on(sunday - DAY, 17)),
        ]

    def each_digest_at_its_hour(self, sunday):
        """In the morning of Sunday, since Dan's run fell empty; not of Monday, where nothing has changed."""
        hours = [on(sunday - DAY, 16), on(sunday, 6), on(sunday, 16)]
        assert said("digest") == [("Cora Desk", at) for at in hours]

    def eight_stays_eight(self, shift, sunday, week):
        runs = list(shift.runs.order_by("starts_at"))
        assert len(runs) >= 3
        assert {run.starts_at.astimezone(NEW_YORK).time() for run in runs} == {time(8)}
        weekly = [sunday + (n - 1) * 7 * DAY for n in range(len(runs))]
        assert [run.local_date for run in runs] == weekly  # none is made twice, and none left out
        assert runs[1].starts_at - runs[0].starts_at == week * HOUR
        assert runs[2].starts_at - runs[1].starts_at == 168 * HOUR
        assert Booking.objects.live().get(person__name="Ana").run == runs[1]


def on(day, hour, minute=0):
    """A moment in UTC by New York's clock; of two, the first."""
    return datetime.combine(day, time(hour, minute), NEW_YORK).astimezone(UTC)


def two_sites():
    return (SiteFactory().pk, 0), (DropOffFactory().pk, 30)


def said(kind):
    """Who was mailed that, and when it went out; it was owed at the same moment."""
    found = Message.objects.filter(kind=kind).order_by("person__name", "pk")
    assert all(one.state == Message.State.SENT and one.done_at == one.created_at for one in found)
    return [(one.person.name, one.done_at) for one in found]
