"""One of everything, and every address that leads to it: for tests that walk all pages."""

from datetime import timedelta

from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from shifts.calendar import feed as feeds
from shifts.models import Booking, HandOver, Pairing, Search, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats import own_links, pairing, requests
from shifts.seats.handover import token_of
from shifts.seats.replies import take
from sites.changes import close_site
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_ready,
    make_run,
    picture,
    put,
)
from volunteers import links, stopping
from volunteers.doors import publish
from volunteers.helping import note_help
from volunteers.models import Join, Message, PaperPhoto, Step
from volunteers.outbox import Mail, owe
from volunteers.people import add_away
from volunteers.progress import sign_off, today

WHO = ("visitor", "another volunteer", "the person", "the lead driver", "a coordinator")


def own_patterns(resolver=None):
    """Every address of ours; allauth's own live under /account/ and answer for themselves."""
    for pattern in (resolver or get_resolver()).url_patterns:
        if isinstance(pattern, URLResolver):
            if str(pattern.pattern) != "account/":
                yield from own_patterns(pattern)
        elif isinstance(pattern, URLPattern):
            yield pattern


def build_world():
    """Somebody riding along with a lead driver, a coordinator, another volunteer; what each address needs."""
    site, drop = SiteFactory(), DropOffFactory()
    publish(site, {"entrance": "The blue door"}, by=None)
    lead = lead_driver(sign_in=True)
    person = PersonFactory(sign_in=True)
    other = PersonFactory(sign_in=True)
    desk = coordinator()
    TOTP.activate(desk.user, generate_totp_secret())
    run = make_run(sites=[site, drop])
    driven = put(lead, run)
    put(person, run, Booking.Seat.SECOND)
    make_ready(lead)
    license = Step.objects.get(code="form")
    completion = person.completions.create(step=license, valid_from="2026-01-01", recorded_at=timezone.now())
    day = timezone.now().date()
    later = day + timedelta(days=90)
    shift = add_shift(
        name="Weekly", from_day=day, by=None,
        plan=Plan(
            rule="FREQ=WEEKLY;BYDAY=MO", starts=timezone.now().time(), minutes=60,
            stops=((site.pk, 0), (drop.pk, 30)),
        ),
    )  # fmt: skip
    owe(person=PersonFactory(by_phone=True), mail=Mail("Hello", "Hello", "Hello"), kind="booked", key="hello")
    later_run = make_run(sites=[site, drop], starts_at=run.starts_at + timedelta(days=1))
    put(lead, later_run)
    proposed = Pairing.objects.create(run=later_run, trainee=other, lead=lead, proposed_at=timezone.now())
    hand_over = HandOver.objects.create(booking=driven, to=other, asked_at=timezone.now())
    empty = shift.runs.ahead(timezone.now()).first()
    search = Search.objects.create(run=empty, opened_at=timezone.now())
    request = requests.ask_person(search, other, wave=1, by=None, at=timezone.now(), mailed=True)
    late = Booking.objects.create(
        run=empty,
        person=other,
        seat="driver",
        booked_at=timezone.now(),
        ended_at=timezone.now(),
        end="given back",
    )
    mine = Standing.objects.create(
        shift=shift, person=person, anchor=day, from_day=day, made_at=timezone.now()
    )  # fmt: skip
    crew = Standing.objects.create(
        shift=shift, person=lead, crew="Choir", anchor=day, from_day=later, made_at=timezone.now()
    )
    skip = mine.skips.create(first=later, last=later, at=timezone.now())
    letter = f"From: {person.email}\nSubject: Tuesday\n\nMay I bring my sister?\n".encode()
    asking = PersonFactory(name="Ida Newcomer", asking_since=day, joined_on=day, sign_in=True)
    join = Join.objects.create(person=asking, asked_at=timezone.now(), note="I know the market well.")
    help = note_help(person, day=today(), minutes=90, what="Sorting", by=person.user)
    signed = sign_off(trainee=person, lead=lead, ridden_on=today(), outcome="again", by=lead.user)
    card = Step.objects.get(code="insurance")
    photo = PaperPhoto.objects.create(person=person, step=card, image=picture(), at=timezone.now())
    keys = {
        "photo": photo.pk, "paper": card.pk,
        "signed": signed.pk,
        "join": join.pk, "help": help.pk,
        "reply": take(letter).pk,
        "message": Message.objects.get(key="hello").pk, "run": run.pk, "person": person.pk, "site": site.pk,
        "briefing": Step.objects.get(code="briefing").pk, "step": license.pk, "completion": completion.pk,
        "shift": shift.pk,
        "away": add_away(person, first=day, last=day + timedelta(days=1), by=None).pk,
        "closure": close_site(site, first=later, last=later, by=None).pk,
        "weekly_run": empty.pk, "late": late.pk, "regular": mine.pk,
        "crew": crew.pk, "skip": skip.pk,
        "hand_over": token_of(hand_over), "request_answer": requests.token_of(request),
        "ride_answer": pairing.token_of(proposed, other),
        "confirm": links.token(own_links.WORD, driven, ""),
        "sheet_by_link": links.day_token(own_links.SHEET, driven, run.local_date),
        "unsubscribe": stopping.token_of(person, stopping.REMINDERS),
        "token": feeds.path(person).removeprefix("/cal/").removesuffix(".ics"),
    }  # fmt: skip
    return keys, dict(zip(WHO, [None, other.user, person.user, lead.user, desk.user], strict=True))


# Which row an address's number means, by the beginning of its name.
MEANS = {
    "briefing_of": "briefing", "desk_briefing_text": "briefing",
    "desk_search": "weekly_run", "desk_seen": "late",
    "desk_told": "message", "desk_not_told": "message", "desk_try_again": "message", "doors": "site",
    "regular_begin": "weekly_run", "regular": "regular", "regular_skip": "regular",
    "regular_unskip": "regular", "regular_name": "regular", "regular_stop": "regular",
    "desk_join": "join", "my_help_back": "help", "desk_help_hours": "person",
    "my_away_end": "away", "desk_away_end": "away", "desk_lift": "closure", "desk_step_back": "completion",
    "desk_site": "site", "desk_site_list": "site", "desk_send_list": "site",
    "desk_door_notes": "site", "desk_contacts": "site", "desk_close": "site",
    "desk_doors_known": "site", "desk_reply_done": "reply", "desk_reply_open": "reply",
    "desk_sign_off_back": "signed", "desk_photo": "photo", "paper": "paper",
    "desk_shift": "shift", "desk_shift_end": "shift", "desk_person": "person", "desk_edit_person": "person",
    "desk_step_done": "person", "desk_appoint": "person", "desk_hello": "person",
    "desk_no_lead_now": "person",
    "desk_leave": "person", "desk_car": "person",
    "desk_hours": "person", "desk_away": "person", "desk_break": "person", "desk_safety": "person",
    "desk_not_at": "person", "desk_talked": "person",
    "desk_step": "step",
    "desk_new_regular": "shift", "desk_new_crew": "shift", "desk_crew": "crew", "desk_skip": "regular",
    "desk_stop": "regular", "desk_skip_back": "skip", "desk_name_driver": "weekly_run",
}  # fmt: skip


def address(name, keys):
    [pattern] = [pattern for pattern in own_patterns() if pattern.name == name]
    wanted = pattern.pattern.regex.groupindex
    values = {
        "pk": keys[MEANS.get(name, "run")],
        "step": keys["step"],
        "token": keys.get(name, keys["token"]),
    }
    return reverse(name, kwargs={key: values[key] for key in wanted})
