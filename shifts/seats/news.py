"""One change, one notice to each person it concerns, and one calendar message for each entry it touches."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime

from shifts.calendar import entries
from shifts.calendar.entries import Touched
from shifts.models import Booking
from shifts.seats import notices
from volunteers.models import Person


@dataclass
class Item:
    """One thing a person is told. `kind` is that of a notice about a booking ("booked", "changed",
    "ended"), or "words" for sentences of their own, "begun" for those of somebody who drives from now on.
    `what` are sentences in the person's language."""

    kind: str
    booking: Booking | None = None
    what: list[str] = field(default_factory=list)
    on_behalf: bool = False


class News:
    """Collects what a change means to everybody; `settle` tells each once and makes calendars follow.

    `headline` gives the subject, in the active language, where there is more to tell than one booking.
    `agreed` is whether a seat taken on somebody's behalf was agreed with them, as it is said to be.
    The caller holds the locks of all whom it names.
    """

    def __init__(
        self, *, at: datetime, headline: Callable[[], str] = notices.runs_changed, agreed: bool = True
    ) -> None:
        self.at, self.headline, self.agreed = at, headline, agreed
        self.people: dict[int, Person] = {}
        self.items: dict[int, list[Item]] = {}

    def follow(self, person: Person) -> None:
        """Their calendar may have to follow; nothing is said beside it."""
        self.people.setdefault(person.pk, person)

    def tell(
        self,
        person: Person,
        kind: str,
        *,
        booking: Booking | None = None,
        what: list[str] | None = None,
        on_behalf: bool = False,
    ) -> None:
        self.follow(person)
        item = Item(kind, booking, what or [], on_behalf and self.agreed)
        self.items.setdefault(person.pk, []).append(item)

    def say(self, person: Person, *words: Callable[[], str], kind: str = "words") -> None:
        """Sentences, each made in the person's language and on the programme's clock."""
        with notices.in_words_of(person):
            self.tell(person, kind, what=[make() for make in words])

    def settle(self) -> None:
        """Tells everybody. It may be called once."""
        for pk in sorted(self.people):
            person = self.people[pk]
            touched = entries.follow(person, at=self.at)
            items = self.items.get(pk, [])
            if len(items) == 1 and self.is_plain(items[0], touched):
                self.tell_of_booking(items[0], touched)
            elif items or touched:
                notices.news(person, items, touched, headline=self.headline, at=self.at)

    def is_plain(self, item: Item, touched: list[Touched]) -> bool:
        """Whether one booking and its own entry are all there is to tell, as it is most of the time."""
        booking = item.booking
        return (
            booking is not None
            and len(touched) == 1
            and touched[0].entry.booking_id == booking.pk
            and (touched[0].method == "CANCEL") == (item.kind == "ended")
        )

    def tell_of_booking(self, item: Item, touched: list[Touched]) -> None:
        booking, entry = item.booking, touched[0].entry
        assert booking is not None
        entry.booking = booking
        if item.kind == "booked":
            notices.booked(booking, entry, on_behalf=item.on_behalf, at=self.at)
        elif item.kind == "changed":
            notices.changed(booking, entry, what=item.what, at=self.at)
        else:
            notices.ended(booking, entry, at=self.at)
