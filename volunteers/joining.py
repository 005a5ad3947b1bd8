"""Asking to join: the request, what may become of it, what is kept. Who is told: shifts/seats/joins.py."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, time, timedelta
from typing import Any

from allauth.account.models import EmailAddress
from allauth.mfa.models import Authenticator
from allauth.usersessions.models import UserSession
from django.contrib.sessions.backends.db import SessionStore
from django.db import IntegrityError, transaction
from django.db.models import ProtectedError, Q, QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _

from sites.log import record
from sites.models import Event
from volunteers.models import Availability, Car, Join, Person, User
from volunteers.people import sign_in_for
from volunteers.progress import NotPossible, today

KEPT = timedelta(days=90)  # a declined request; common practice, no published source: confirm with counsel

State = Join.State
# What may be done to a request, and from which states.
ALLOWED: dict[str, set[str]] = {
    "accept": {State.WAITING, State.ASKED_BACK},
    "decline": {State.WAITING, State.ASKED_BACK},
    "ask back": {State.WAITING, State.ASKED_BACK},
    "answer": {State.ASKED_BACK},
    "undo": {State.ACCEPTED, State.DECLINED},
}


class KnownAlready(Exception):
    """Somebody is here with this address, or was: `user` is the sign-in at it, and nothing was written."""

    def __init__(self, user: User) -> None:
        super().__init__(user.email)
        self.user = user


def sign_in_in_use(email: str) -> User | None:
    """The sign-in at an address, where it is or was somebody's; None where a stranger may ask with it."""
    user = User.objects.filter(email=email.strip().lower()).first()
    return user if user and is_in_use(user) else None


def is_in_use(user: User) -> bool:
    return user.is_coordinator or user.people.exists()


def ask(*, email: str, **facts: Any) -> Join:
    """A stranger whose address a code has proved asks to join: their sign-in, person and request. `facts`
    are those of `write_request`. Raises KnownAlready where the address has a sign-in in use."""
    email = email.strip().lower()
    try:
        return write_request(email=email, **facts)
    except IntegrityError:  # the same request a moment ago, from a button tapped twice
        user = sign_in_in_use(email)
        if user is None:
            raise
        raise KnownAlready(user) from None


@transaction.atomic
def write_request(
    *,
    email: str,
    name: str,
    phone: Any,
    language: str,
    is_adult: bool,
    drives: bool,
    hours: Iterable[tuple[int, time, time]] = (),
    car: dict[str, Any] | None = None,
    note: str = "",
    at: datetime | None = None,
) -> Join:
    """Nobody under 18 drives, whatever `drives` says. `hours`: weekday (0 is Monday), from, until. `car`:
    label and crates (16-quart; None: not counted), or None."""
    at = at or timezone.now()
    user = User.objects.select_for_update(no_key=True).get(pk=sign_in_for(email).pk)
    if is_in_use(user):
        raise KnownAlready(user)
    day = today(at)
    person = Person.objects.create(
        name=name,
        phone=phone,
        email=email,
        language=language,
        user=user,
        is_adult=is_adult,
        drives=drives and is_adult,
        joined_on=day,
        asking_since=day,
    )
    Availability.objects.bulk_create(
        Availability(person=person, weekday=weekday, begins=begins, ends=ends)
        for weekday, begins, ends in hours
    )
    if car and is_adult:
        Car.objects.create(person=person, **car)
    said = {"drives": person.drives, "is_adult": is_adult}  # nothing that names them: the log outlives them
    record(verb="asked to join", subject=person, person=person, by=user, after=said, at=at)
    return Join.objects.create(person=person, asked_at=at, note=note)


# --- what becomes of it


def move(join: Join, act: str, to: str, *, at: datetime, settled_by: Any = None, **said: str) -> Join:
    """The request in another state, where ALLOWED says so; its person is locked, both are saved. Raises
    NotPossible."""
    person = Person.objects.locked().get(pk=join.person_id)
    join = Join.objects.get(pk=join.pk)
    if join.state not in ALLOWED[act]:
        raise NotPossible(
            _("This is not possible any more: the request is %(state)s.")
            % {"state": join.get_state_display()}
        )
    if person.left_on and join.settled_at is None:
        raise NotPossible(f"{person.name} has left meanwhile. Their own page brings them back.")
    settled = to in (State.ACCEPTED, State.DECLINED)
    join.state = to
    join.settled_at, join.settled_by = (at, settled_by) if settled else (None, None)
    for name, text in said.items():
        setattr(join, name, text)
    asked_on = today(join.asked_at)
    # "Here since" begins with the yes, so that a request that waited makes nobody late with their steps.
    person.joined_on = today(at) if to == State.ACCEPTED else asked_on
    person.asking_since = None if settled else asked_on
    person.left_on = today(at) if to == State.DECLINED else None  # who has left acts for nobody
    person.save(update_fields=["joined_on", "asking_since", "left_on"])
    join.person = person
    join.save()
    return join


@transaction.atomic
def accept(join: Join, *, by: Any, at: datetime | None = None) -> Join:
    """They are taken in from today on."""
    at = at or timezone.now()
    join = move(join, "accept", State.ACCEPTED, settled_by=by, at=at)
    record(verb="taken in", subject=join.person, person=join.person, by=by, at=at)
    return join


@transaction.atomic
def ask_back(join: Join, question: str, *, by: Any, at: datetime | None = None) -> Join:
    """A question to them; it takes the place of an earlier one."""
    at = at or timezone.now()
    if not question.strip():
        raise NotPossible("Write what you want to know.")
    join = move(join, "ask back", State.ASKED_BACK, question=question.strip(), reply="", at=at)
    record(verb="asked something back", subject=join.person, person=join.person, by=by, at=at)
    return join


@transaction.atomic
def answer(join: Join, reply: str, *, by: Any, at: datetime | None = None) -> Join:
    """Their answer to what was asked back."""
    at = at or timezone.now()
    if not reply.strip():
        raise NotPossible(_("Write your answer."))
    join = move(join, "answer", State.WAITING, reply=reply.strip(), at=at)
    record(verb="answered what was asked", subject=join.person, person=join.person, by=by, at=at)
    return join


@transaction.atomic
def decline(join: Join, *, by: Any, at: datetime | None = None) -> Join:
    """They are not taken in: their sign-in acts for nobody from now on, and no photograph of theirs stays."""
    at = at or timezone.now()
    join = move(join, "decline", State.DECLINED, settled_by=by, at=at)
    join.person.photos.all().delete()  # after the lock, so that none comes in behind it
    record(verb="request declined", subject=join.person, person=join.person, by=by, at=at)
    return join


@transaction.atomic
def undo(join: Join, *, by: Any, at: datetime | None = None) -> Join:
    """A yes or no taken back: the request is where it was before. Raises NotPossible where somebody has
    left or come back since by their own page, which says more."""
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=join.person_id)
    join = Join.objects.get(pk=join.pk)
    if join.state == State.ACCEPTED and person.left_on:
        raise NotPossible(f"{person.name} has left since. Their own page brings them back.")
    if join.state == State.DECLINED and not person.left_on:
        raise NotPossible(f"{person.name} was brought back on their own page, and is here now.")
    verb = "yes taken back" if join.state == State.ACCEPTED else "no taken back"
    unanswered = bool(join.question and not join.reply)
    join = move(join, "undo", State.ASKED_BACK if unanswered else State.WAITING, at=at)
    record(verb=verb, subject=join.person, person=join.person, by=by, at=at)
    return join


# --- what is kept


def prune(at: datetime) -> int:
    """Forgets those who were declined long ago, or left before they had an answer, and what visitors typed
    who never came to the code."""
    SessionStore.clear_expired()
    return sum(forget(join, at=at) for join in list(to_forget(at)))


def to_forget(at: datetime) -> QuerySet[Join]:
    before = at - KEPT
    gone = Q(state=State.DECLINED, settled_at__lt=before) | Q(
        settled_at=None, person__left_on__lt=today(before)
    )
    return Join.objects.filter(gone).exclude(person__left_on=None)


@transaction.atomic
def forget(join: Join, *, at: datetime) -> bool:
    """Nothing of such a request stays but its events, without what they said. A person with records of
    another kind, such as a run they drove, stays as one who left; only the request goes. False where it was
    opened again at that moment."""
    person = Person.objects.locked().select_related("user").get(pk=join.person_id)
    if not to_forget(at).filter(pk=join.pk).exists():
        return False
    user = person.user
    record(verb="request forgotten", subject=person, person=person, by=None, at=at)
    try:
        with transaction.atomic():
            Person.objects.filter(pk=person.pk).delete()
    except ProtectedError:
        join.delete()
        return True
    Event.objects.blank(person.pk)
    if user and not is_in_use(user):
        forget_sign_in(user)
    return True


def forget_sign_in(user: User) -> None:
    """The row stays, without a name or an address, since the log says who did what by it."""
    for model in (EmailAddress, UserSession, Authenticator):
        model.objects.filter(user=user).delete()
    user.email = f"forgotten-{user.pk}@second-seat.invalid"  # a domain that never is (RFC 2606)
    user.is_active = False
    user.save(update_fields=["email", "is_active"])
