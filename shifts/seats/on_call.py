"""Whom volunteers reach, and who is told what the desk must know: during a turn of cover, whoever keeps the
desk instead of the coordinators."""

from __future__ import annotations

from copy import copy
from datetime import datetime
from typing import Any, NamedTuple

from shifts.models import CoverTurn
from shifts.schedule.clock import local_date
from sites.models import Programme
from volunteers.models import Person
from volunteers.models.person import PersonQuerySet


class OnCall(NamedTuple):
    name: str  # both empty where the programme names nobody
    phone: Any  # a PhoneNumber, or empty


def turn_now(at: datetime, programme: Programme | None = None) -> CoverTurn | None:
    """The turn of cover on the day that it is in the programme's zone; None when the coordinators are there.
    Whoever has left, or lost their sign-in, covers for nobody."""
    day = local_date(at, (programme or Programme.current()).zone)
    turns = CoverTurn.objects.on(day).filter(person__left_on=None, person__user__isnull=False)
    return turns.select_related("person").first()


def covering(at: datetime, programme: Programme | None = None) -> Person | None:
    """Who covers for the coordinators then; None when they are there."""
    turn = turn_now(at, programme)
    return turn.person if turn else None


def on_call(at: datetime, programme: Programme | None = None) -> OnCall:
    """Name and number for whoever is ill, late or stuck at the moment `at`. A cover coordinator without a
    phone is no help on one: then the programme's own contact stands."""
    programme = programme or Programme.current()
    return contact_of(programme, covering(at, programme))


def contact_of(programme: Programme, cover: Person | None) -> OnCall:
    if cover and cover.phone:
        return OnCall(cover.name, cover.phone)
    return OnCall(programme.contact_name, programme.contact_phone)


def coordinators(at: datetime) -> PersonQuerySet:
    """Who gets alerts and the digest at the moment `at`."""
    cover = covering(at)
    return Person.objects.filter(pk=cover.pk) if cover else Person.objects.coordinators()


def as_reached(programme: Programme, cover: Person | None) -> Programme:
    """The programme with whoever is on call as its contact, for pages and mails. A copy, never to be saved:
    the settings keep the programme's own."""
    if cover is None:
        return programme
    shown = copy(programme)
    shown.contact_name, shown.contact_phone = contact_of(programme, cover)
    return shown
