"""The small cast of the tests. Invented people and sites; phones 555-01xx."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from io import BytesIO
from typing import Any

import factory
from django.utils import timezone
from PIL import Image

from shifts.models import Booking, Run, Stop
from sites.models import Programme, Site
from volunteers.models import Completion, Person, Step, User
from volunteers.people import sign_in_for

LONG_AGO = date(2020, 1, 1)


class SiteFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Site

    name = factory.Sequence(lambda n: f"Site {n}")
    street = factory.Sequence(lambda n: f"{n + 1} Test Street")
    town = "Fernhollow"
    gives = True
    takes = False
    latitude = 40.0
    longitude = factory.Sequence(lambda n: -83.0 - (n % 50) / 1000)


class DropOffFactory(SiteFactory):
    gives = False
    takes = True


class PersonFactory(factory.django.DjangoModelFactory):
    """A stranger to the gate: on the roster, nothing done yet. `sign_in=True` gives them a sign-in."""

    class Meta:
        model = Person
        skip_postgeneration_save = True

    name = factory.Sequence(lambda n: f"Person{n} Example")
    phone = factory.Sequence(lambda n: f"+1555555{n % 100 + 100:04d}")
    email = factory.Sequence(lambda n: f"person{n}@example.org")
    reach = "mail"
    joined_on = LONG_AGO

    class Params:
        by_phone = factory.Trait(email="", reach="call")

    @factory.post_generation
    def sign_in(self, create: bool, wanted: Any, **kwargs: Any) -> None:
        if wanted:
            self.user = sign_in_for(self.email)
            self.save()


def coordinator(name: str = "Cora Desk", email: str = "cora@example.org") -> Person:
    """A coordinator with a sign-in; they do not drive."""
    person = PersonFactory(name=name, email=email, sign_in=True, drives=False)
    User.objects.filter(pk=person.user_id).update(is_coordinator=True)
    person.refresh_from_db()
    return person


def make_ready(person: Person, *, until: date | None = None, without: tuple[str, ...] = ()) -> Person:
    """Completes every programme step and every site's door notes, but the steps whose code is in `without`.

    `until` is the date on the license and the insurance card; None: ten years from now.
    """
    until = until or timezone.now().date() + timedelta(days=3650)
    for step in Step.objects.exclude(code__in=without) if without else Step.objects.all():
        paper = step.kind == Step.Kind.PAPER
        Completion.objects.create(
            step=step,
            person=person,
            revision=1000,
            valid_from=LONG_AGO,
            valid_until=until if paper else None,
            recorded_at=timezone.now(),
        )
    return person


def ready_person(**facts: Any) -> Person:
    return make_ready(PersonFactory(**facts))


def lead_driver(**facts: Any) -> Person:
    return make_ready(PersonFactory(lead_since=LONG_AGO, **facts))


def make_run(
    *, starts_at: datetime | None = None, minutes: int = 60, sites: list[Site] | None = None, **facts: Any
) -> Run:
    """A run, three days ahead unless said, from a new pickup to a new drop-off."""
    starts_at = starts_at or timezone.now().replace(microsecond=0) + timedelta(days=3)
    zone = Programme.current().zone
    run = Run.objects.create(
        title=facts.pop("title", "Morning run"),
        starts_at=starts_at,
        ends_at=starts_at + timedelta(minutes=minutes),
        local_date=starts_at.astimezone(zone).date(),
        **facts,
    )
    for position, site in enumerate(sites or [SiteFactory(), DropOffFactory()], start=1):
        Stop.objects.create(run=run, position=position, site=site, after_minutes=(position - 1) * 30)
    return run


def put(person: Person, run: Run, seat: str = Booking.Seat.DRIVER) -> Booking:
    """A bare booking row, without the rules: for tests that begin after the booking."""
    return Booking.objects.create(run=run, person=person, seat=seat, booked_at=timezone.now())


def picture(
    kind: str = "JPEG", *, size: tuple[int, int] = (60, 40), mode: str = "RGB", **options: Any
) -> bytes:
    """The bytes of a gray picture; `options` go to Pillow's save."""
    out = BytesIO()
    Image.new(mode, size, "gray").save(out, kind, **options)
    return out.getvalue()
