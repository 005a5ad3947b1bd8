"""Papers: photographs of them, and which of a person's steps run out.

A photograph is somebody's license or insurance card. It is checked by what it holds and not by its name,
encoded anew without metadata, seen by coordinators only, and gone once they have noted the date. Nothing
of it is written to the log.
"""

from __future__ import annotations

from datetime import date, datetime
from io import BytesIO
from typing import Any

from django.db import models, transaction
from django.db.models import Exists, F, Func, OuterRef
from django.utils import timezone
from django.utils.translation import gettext as _
from PIL import Image, ImageOps

from sites.log import record
from sites.models import Site
from volunteers.models import Completion, PaperPhoto, Person, Step, StepTerm
from volunteers.models.steps import CompletionQuerySet
from volunteers.progress import NotPossible, complete, today

# Limits of what is taken in, beyond any telephone's ordinary picture; common practice, no published source.
LARGEST_MB = 8
LARGEST = LARGEST_MB * 1024 * 1024  # bytes
MOST_PIXELS = 40_000_000
LONGEST_SIDE = 2000  # pixels of what is kept; small print on a card is read at half of it
QUALITY = 85  # of JPEG, 1 to 95
READ = ("JPEG", "PNG", "WEBP")
# The brands of HEIF and AVIF pictures, which stand behind "ftyp" (ISO/IEC 14496-12, 4.3; 23008-12, 10).
HEIF = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"avif", b"avis")


class BadPhoto(NotPossible):
    """A file that is no photograph we take in; the text says why and what to do."""


def encoded_anew(data: bytes) -> bytes:
    """The picture as JPEG, upright, at most LONGEST_SIDE on its longer side, with nothing of the file that
    came: no place, no time, no camera, no comment, no thumbnail, no color profile.

    Raises BadPhoto for what is not a whole JPEG, PNG or WEBP picture within the limits.
    """
    if not data:
        raise BadPhoto(_("This file is empty. Take the picture again."))
    if len(data) > LARGEST:
        raise BadPhoto(
            _("This picture is larger than %(limit)d MB. Take it again in a smaller size.")
            % {"limit": LARGEST_MB}
        )
    if data[4:8] == b"ftyp" and data[8:12] in HEIF:
        raise BadPhoto(
            _(
                "This is a HEIC picture, which cannot be read here. Take the photo anew from this "
                "page, or send a screenshot of it."
            )
        )
    try:
        # Pillow itself refuses at twice a limit of its own; ours is lower, and asked before anything is read.
        picture = Image.open(BytesIO(data), formats=READ)
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise too_many_pixels() from None
    except Exception:  # whatever Pillow stumbles over in somebody's bytes, they are no picture
        raise BadPhoto(_("This is not a picture. Send a photo as JPEG, PNG or WEBP.")) from None
    if picture.width * picture.height > MOST_PIXELS:
        raise too_many_pixels()
    try:
        picture.thumbnail((LONGEST_SIDE, LONGEST_SIDE))  # a large JPEG is not even read in its full size
        return as_jpeg(ImageOps.exif_transpose(picture))  # upright, as its notes say
    except Exception:  # cut off on its way, or made to mislead
        raise BadPhoto(_("This picture is damaged or not whole. Take it again.")) from None


def too_many_pixels() -> BadPhoto:
    return BadPhoto(_("This picture has too many pixels. Take it again in a smaller size."))


def as_jpeg(picture: Image.Image) -> bytes:
    """Its pixels on white, in a new picture that knows nothing else."""
    fresh = Image.new("RGB", picture.size, "white")
    seen = picture.convert("RGBA")
    fresh.paste(seen, mask=seen.getchannel("A"))
    out = BytesIO()
    fresh.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


# --- sent, confirmed, set aside


@transaction.atomic
def send(
    *,
    person: Person,
    step: Step,
    data: bytes,
    by: Any,
    said_until: date | None = None,
    at: datetime | None = None,
) -> PaperPhoto:
    """Keeps a photograph for the coordinator; a newer one replaces it. `said_until` is the date on the paper
    as the volunteer typed it, or None. Raises NotPossible, and BadPhoto as `encoded_anew` does."""
    at = at or timezone.now()
    if step.kind != Step.Kind.PAPER:
        raise NotPossible(_("Only papers are shown in a photo."))
    if said_until and said_until < today(at):
        raise NotPossible(_("That date is over. Send a photo of the new one."))
    image = encoded_anew(data)  # before the lock: it takes a while
    person = Person.objects.locked().get(pk=person.pk)
    if person.left_on:
        raise NotPossible(_("You have left the programme, so nothing of yours is kept any more."))
    PaperPhoto.objects.filter(person=person, step=step).delete()
    photo = PaperPhoto.objects.create(person=person, step=step, image=image, said_until=said_until, at=at)
    record(verb="photo sent", subject=photo, person=person, by=by, at=at, after={"step": step})
    return photo


@transaction.atomic
def confirm(
    *,
    person: Person,
    step: Step,
    by: Any,
    shown: int | None = None,
    at: datetime | None = None,
    **facts: Any,
) -> Completion:
    """Records a paper that a coordinator has seen. `shown` is the key of the photograph they looked at; a
    newer one that has come in since is not confirmed unseen. Raises NotPossible."""
    Person.objects.locked().get(pk=person.pk)
    waiting = PaperPhoto.objects.filter(person=person, step=step).first()
    if shown and waiting and waiting.pk != shown:
        raise NotPossible(_("A newer photo has come in meanwhile. Look at it before you tick off."))
    return complete(person=person, step=step, by=by, at=at, **facts)


@transaction.atomic
def discard(photo: PaperPhoto, *, by: Any, why: str, at: datetime | None = None) -> bool:
    """Deletes a photograph that is of no use. False when it is gone already."""
    Person.objects.locked().get(pk=photo.person_id)
    deleted, _models = PaperPhoto.objects.filter(pk=photo.pk).delete()
    if deleted:
        record(
            verb="photo deleted", subject=photo, person=photo.person, by=by, at=at,
            after={"step": photo.step, "note": why},
        )  # fmt: skip
    return bool(deleted)


def prune(at: datetime) -> int:
    """Deletes photographs of papers that are asked of nobody any more, since no page shows them; how many."""
    here = models.Q(site=None) | models.Q(site__in=Site.objects.in_use())
    idle = PaperPhoto.objects.exclude(step__in=Step.objects.asked(today(at)).filter(here))
    rows = idle.defer("image").select_related("person", "step")
    return sum(discard(photo, by=None, why="asked of nobody any more", at=at) for photo in rows)


# --- what runs out


class DayAfter(Func):
    """The day after a date, reckoned by the database."""

    output_field = models.DateField()
    template = "(%(expressions)s + 1)"

    def as_sqlite(self, compiler: Any, connection: Any, **context: Any) -> Any:
        return self.as_sql(compiler, connection, template="date(%(expressions)s, '+1 day')", **context)


def running_out(*, first: date, last: date) -> CompletionQuerySet:
    """Completions whose last day lies in the span (both included) and that decide: on that day the gate lets
    their step pass, on the next it does not. What a newer one covers is not among them. Soonest first."""
    sites = Site.objects.in_use().values("pk")
    of_step = StepTerm.objects.filter(step=OuterRef("step"))
    passes = of_step.unmet(person=OuterRef("person"), on=OuterRef("valid_until"), sites=sites)
    fails = of_step.unmet(person=OuterRef("person"), on=OuterRef("after"), sites=sites)
    return (
        Completion.objects.standing()
        .filter(valid_until__gte=first, valid_until__lte=last)
        .annotate(after=DayAfter(F("valid_until")))
        .filter(~Exists(passes), Exists(fails))
        .select_related("step", "step__site", "person")
        .order_by("valid_until", "step__position", "step_id", "-pk")
    )
