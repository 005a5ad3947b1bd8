"""Writes to people: adding, changing, appointing, leaving."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from allauth.account.models import EmailAddress
from django.db import transaction
from django.utils import timezone

from sites.log import changes, record
from volunteers.models import Availability, Away, Car, Person, User
from volunteers.models.person import new_nonce
from volunteers.progress import NotPossible, today


def sign_in_for(email: str) -> User:
    """The sign-in at an address, made if there is none. Both of allauth's rows are made here and only
    here: without its EmailAddress a person would be asked for two codes."""
    email = email.strip().lower()
    user = User.objects.filter(email=email).first() or User.objects.create_user(email)
    EmailAddress.objects.update_or_create(
        user=user, email=email, defaults={"verified": True, "primary": True}
    )
    return user


@transaction.atomic
def add_person(*, by: Any, at: datetime | None = None, **facts: Any) -> Person:
    """A new volunteer. With an e-mail address they can sign in; `reach` defaults to what is possible."""
    at = at or timezone.now()
    facts["email"] = facts.get("email", "").strip().lower()
    facts.setdefault("reach", Person.Reach.MAIL if facts["email"] else Person.Reach.CALL)
    facts.setdefault("joined_on", today(at))
    user = sign_in_for(facts["email"]) if facts["email"] else None
    person = Person.objects.create(user=user, **facts)
    record(verb="added", subject=person, person=person, by=by, after=facts, at=at)
    return person


@transaction.atomic
def change_person(person: Person, *, by: Any, at: datetime | None = None, **facts: Any) -> Person:
    """Changes facts of a person. A new address becomes their sign-in from now on."""
    person = Person.objects.locked().get(pk=person.pk)
    if "email" in facts:
        facts["email"] = facts["email"].strip().lower()
    before, after = changes(person, facts)
    if not after:
        return person
    for name, value in after.items():
        setattr(person, name, value)
    if not person.is_adult and (person.drives or person.lead_since):
        raise NotPossible(
            f"{person.name} is under 18: nobody under 18 drives. Their page says who is an adult."
        )
    if "email" in after:
        person.user = sign_in_at_new_address(person)
    person.feed_good_until = None  # their feed shows some of it: name, language, its own address
    person.save()
    record(verb="changed", subject=person, person=person, by=by, before=before, after=after, at=at)
    return person


def sign_in_at_new_address(person: Person) -> User | None:
    """The sign-in for an address a person has just been given; None where they have none now.

    A sign-in that is theirs alone moves along, so that passkeys and the desk are not left behind. One
    that others of the household use stays with them.
    """
    user = person.user
    if not person.email:
        return None
    taken = User.objects.filter(email=person.email).exists()
    if user and not taken and not user.people.exclude(pk=person.pk).exists():
        EmailAddress.objects.filter(user=user).delete()
        user.email = person.email
        user.save(update_fields=["email"])
    return sign_in_for(person.email)


@transaction.atomic
def set_cars(person: Person, cars: list[dict[str, Any]], *, by: Any) -> None:
    """Replaces the person's cars by label and crates (16-quart; None where nobody has counted)."""
    before = [f"{car}: {car.crates}" for car in person.cars.all()]
    after = [f"{car.get('label') or 'car'}: {car.get('crates')}" for car in cars]
    if before == after:
        return
    person.cars.all().delete()
    Car.objects.bulk_create(Car(person=person, **car) for car in cars)
    record(
        verb="cars changed",
        subject=person,
        person=person,
        by=by,
        before={"cars": before},
        after={"cars": after},
    )


@transaction.atomic
def set_hours(person: Person, hours: list[tuple], *, by: Any) -> None:
    """Replaces the hours the person can usually drive: (weekday, begins, ends), 0 is Monday."""
    before = [str(hour) for hour in person.hours.all()]
    rows = [Availability(person=person, weekday=day, begins=begins, ends=ends) for day, begins, ends in hours]
    after = [str(row) for row in rows]
    if before == after:
        return
    person.hours.all().delete()
    Availability.objects.bulk_create(rows)
    record(
        verb="hours changed",
        subject=person,
        person=person,
        by=by,
        before={"hours": before},
        after={"hours": after},
    )


@transaction.atomic
def add_away(person: Person, *, first: date, last: date, by: Any) -> Away:
    away = Away.objects.create(person=person, first=first, last=last)
    record(verb="away", subject=person, person=person, by=by, after={"first": first, "last": last})
    return away


@transaction.atomic
def end_away(away: Away, *, by: Any) -> None:
    record(
        verb="not away",
        subject=away.person,
        person=away.person,
        by=by,
        before={"first": away.first, "last": away.last},
    )
    away.delete()


def appoint_lead(person: Person, *, by: Any, since: date | None = None) -> Person:
    """Makes a lead driver of a person, trusted to take trainees along and sign them off. As a roster says;
    who may become one at the desk, and who is told, is in shifts/cover/leads.py."""
    return change_person(person, by=by, lead_since=person.lead_since or since or today())


def end_lead(person: Person, *, by: Any) -> Person:
    return change_person(person, by=by, lead_since=None)


@transaction.atomic
def appoint_coordinator(*, email: str, name: str, by: Any) -> Person:
    """Gives the desk to an address, and makes the person if nobody has it yet."""
    user = sign_in_for(email)
    user.is_coordinator = True
    user.save(update_fields=["is_coordinator"])
    person = user.people.order_by("pk").first() or add_person(name=name, email=email, drives=False, by=by)
    record(verb="coordinator appointed", subject=person, person=person, by=by)
    return person


@transaction.atomic
def end_coordinator(user: User, *, by: Any) -> None:
    """Takes the desk from a sign-in; the person stays. Raises NotPossible for the last coordinator."""
    others = User.objects.select_for_update(no_key=True).filter(is_coordinator=True).order_by("pk")
    coordinators = list(others)  # held, so that two cannot take the desk from each other at once
    if user not in coordinators:
        return
    if len(coordinators) == 1:
        raise NotPossible("This is the last coordinator. Add another one first.")
    User.objects.filter(pk=user.pk).update(is_coordinator=False)
    person = user.people.order_by("pk").first()
    record(verb="coordinator ended", subject=person or user, person=person, by=by)


@transaction.atomic
def leave(person: Person, *, by: Any, on: date | None = None) -> Person:
    """The person has left, from a date on (today when None), and may come back. Nothing is deleted but
    photographs of their papers."""
    left = change_person(person, by=by, left_on=max(on or today(), person.joined_on), paused_on=None)
    left.photos.all().delete()  # after the lock, so that none comes in behind it
    return left


def come_back(person: Person, *, by: Any, on: date | None = None, at: datetime | None = None) -> Person:
    """They are here again from a date on (today when None), after a break or after leaving."""
    return change_person(person, by=by, at=at, left_on=None, paused_on=None, back_on=on or today(at))


@transaction.atomic
def new_feed_link(person: Person, *, by: Any) -> Person:
    """A new private calendar link, not fetched yet; the old one answers 404 from now on."""
    person = change_person(person, by=by, feed_nonce=new_nonce())
    person.feed_fetched_at = None
    person.save(update_fields=["feed_fetched_at"])
    return person
