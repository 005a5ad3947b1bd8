"""Why a seat cannot be taken. Each refusal has a name, says why, and what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from shifts.models import Booking, Run, Standing
from sites.models import Site
from volunteers.models import Person, StepTerm


def sentence(text: str) -> str:
    """The text with one full stop at its end, also after a time such as "8:00 a.m."."""
    return text[:-1] if text.endswith("..") else text


class Refusal(Exception):
    """`why` and `next` are whole sentences for the person, in the active language and time zone."""

    code = "refused"

    def __init__(self, why: str, next: str) -> None:
        self.why, self.next = sentence(why), sentence(next)
        super().__init__(self.why)


class NotReady(Refusal):
    code = "not ready"

    def __init__(self, terms: Sequence[StepTerm]) -> None:
        self.missing = [term.step for term in terms]
        names = ", ".join(_(step.title) for step in self.missing)
        super().__init__(
            _("Not ready to drive this run alone yet. Still missing: %(steps)s.") % {"steps": names},
            _("The orientation page says how to get each one."),
        )


class Taken(Refusal):
    code = "taken"

    def __init__(self) -> None:
        super().__init__(
            _("Just taken: somebody else has this seat now."), _("Look at the other runs that have room.")
        )


class Kept(Refusal):
    code = "kept"

    def __init__(self, standing: Standing, until: date) -> None:
        who = standing.crew or standing.person.first_name
        super().__init__(
            _("Kept for its regular driver, %(name)s, until %(day)s.")
            % {"name": who, "day": date_format(until)},
            _("Come back then, or look at the other runs that have room."),
        )


class AlreadyOn(Refusal):
    code = "already on"

    def __init__(self) -> None:
        super().__init__(_("Already has a seat on this run."), _("To change seats, give the first one back."))


class Elsewhere(Refusal):
    code = "elsewhere"

    def __init__(self, other: Run) -> None:
        self.other = other
        start = localtime(other.starts_at)
        super().__init__(
            _("Elsewhere at that time: %(run)s, %(day)s at %(time)s, with the drive between.")
            % {"run": other.title, "day": date_format(start), "time": time_format(start)},
            _("Give that run back first, or choose another one."),
        )


class Over(Refusal):
    code = "over"

    def __init__(self, *, ended: bool) -> None:
        if ended:
            super().__init__(_("This run is over."), _("Choose a run that is still to come."))
        else:
            super().__init__(
                _("This run has started, so its seats are no longer open."), _("Call the coordinator.")
            )


class Cancelled(Refusal):
    code = "cancelled"

    def __init__(self, reason: str) -> None:
        super().__init__((_("This run is cancelled.") + " " + reason).strip(), _("Look at the other runs."))


class Closed(Refusal):
    code = "closed"

    def __init__(self, sites: Sequence[Site]) -> None:
        names = ", ".join(site.name for site in sites)
        super().__init__(_("Closed that day: %(sites)s.") % {"sites": names}, _("Look at the other runs."))


class NotOpen(Refusal):
    code = "not open yet"

    def __init__(self, opens_at: datetime) -> None:
        opens = localtime(opens_at)
        super().__init__(
            _("This run is not open yet. It opens on %(day)s at %(time)s.")
            % {"day": date_format(opens), "time": time_format(opens)},
            _("Come back then, or look at the runs that are open now."),
        )


class NoSecondSeat(Refusal):
    code = "no second seat"

    def __init__(self) -> None:
        super().__init__(_("This run has no second seat."), _("Choose a run that has one."))


class NoLead(Refusal):
    code = "no lead driver"

    def __init__(self) -> None:
        super().__init__(
            _("A shadow ride needs a lead driver at the wheel, and this run has none now."),
            _("Choose a run that a lead driver drives."),
        )


class Left(Refusal):
    code = "left"

    def __init__(self, person: Person) -> None:
        super().__init__(
            _("%(name)s has left the programme or does not drive.") % {"name": person.name},
            _("The coordinator can change that."),
        )


class NotTakenIn(Refusal):
    code = "not taken in"

    def __init__(self, person: Person) -> None:
        super().__init__(
            _("%(name)s has asked to join, and the coordinator has not said yes so far.")
            % {"name": person.name},
            _("The coordinator answers soon; runs open to them then."),
        )


class OnABreak(Refusal):
    code = "on a break"

    def __init__(self, person: Person) -> None:
        super().__init__(
            _("%(name)s is on a break since %(day)s.")
            % {"name": person.name, "day": date_format(person.paused_on or "")},
            _("“I am back” on the first page ends the break; then take a seat."),
        )


class Under18(Refusal):
    """Somebody under 18 only rides, beside the guardian who drives, with a coordinator's consent."""

    code = "under 18"

    @classmethod
    def driving(cls) -> Under18:
        return cls(
            _("Nobody under 18 drives."),
            _("They may ride along in the second seat of a run that their guardian drives."),
        )

    @classmethod
    def without_consent(cls, person: Person) -> Under18:
        return cls(
            _("%(name)s is under 18, and the coordinator has not agreed so far that they ride along.")
            % {"name": person.name},
            _("Ask the coordinator."),
        )

    @classmethod
    def without_guardian(cls, person: Person) -> Under18:
        return cls(
            _("%(name)s is under 18 and rides only beside their guardian, who does not drive this run.")
            % {"name": person.name},
            _("Choose a run that their guardian drives."),
        )


class NotThere(Refusal):
    """A coordinator does not send them to one of its sites. Why is never said here."""

    code = "not there"

    def __init__(self) -> None:
        super().__init__(_("The coordinator plans this site with other people."), _("Choose another run."))


class KeptToLearn(Refusal):
    code = "kept to learn"

    def __init__(self, until: date) -> None:
        super().__init__(
            _("The second seat is for people who are learning, until %(day)s.") % {"day": date_format(until)},
            _("Come back then, or look at the other runs."),
        )


def who_may_not(person: Person, seat: str, *, driver: Person | None) -> Refusal | None:
    """What keeps a person out of such a seat whatever the run, but for who drives it: they have left, pause,
    are not taken in, or are under 18. None when nothing does."""
    if person.left_on:
        return Left(person)
    if person.asking_since:
        return NotTakenIn(person)
    if person.paused_on:
        return OnABreak(person)
    if not person.is_adult:
        return under_18(person, seat, driver=driver)
    return None if person.drives else Left(person)


def under_18(person: Person, seat: str, *, driver: Person | None) -> Under18 | None:
    if seat == Booking.Seat.DRIVER:
        return Under18.driving()
    if person.consent_on is None:
        return Under18.without_consent(person)
    if driver is None or driver.pk != person.guardian_id:
        return Under18.without_guardian(person)
    return None


class AlreadyRegular(Refusal):
    code = "already regular"

    def __init__(self) -> None:
        super().__init__(
            _("This is a regular run of theirs already."), _("Stop that one first to choose other weeks.")
        )


class NoDates(Refusal):
    code = "no dates"

    def __init__(self) -> None:
        super().__init__(_("This weekly run has no dates from that day on."), _("Choose another one."))


class NoPattern(Refusal):
    code = "no pattern"

    def __init__(self) -> None:
        super().__init__(
            _("This run does not go every week, so it cannot be shared by weeks."), _("Take every run of it.")
        )


class RegularTaken(Refusal):
    code = "regular taken"

    def __init__(self, standing: Standing) -> None:
        who = standing.crew or standing.person.first_name
        super().__init__(
            _("%(name)s is the regular driver on all these dates.") % {"name": who},
            _("Choose other weeks, or another run."),
        )


class KeptFree(Refusal):
    code = "kept free"

    def __init__(self) -> None:
        super().__init__(
            _("The programme keeps some weekly runs free of regular drivers, for newcomers."),
            _("Take single runs, or ask the coordinator."),
        )


class NotTheirs(Refusal):
    code = "not theirs"

    def __init__(self) -> None:
        super().__init__(_("This run is not kept for this crew."), _("Look at the crew's runs."))


class NotOfTheCrew(Refusal):
    code = "not of the crew"

    def __init__(self, person: Person) -> None:
        super().__init__(
            _("%(name)s is not of this crew.") % {"name": person.name},
            _("The coordinator can add them to it."),
        )
