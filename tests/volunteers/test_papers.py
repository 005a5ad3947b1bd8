"""Photographs of papers: what is taken in, what is left of it, and when it is gone; which papers run out.

Markers of JPEG: ITU-T T.81, table B.1, from memory. Orientation: TIFF 6.0, tag 274, from memory.
"""

import struct
import zlib
from datetime import UTC, date, datetime, timedelta
from io import BytesIO

import pytest
from PIL import Image, ImageCms

from sites.models import Event
from tests.factories import PersonFactory, SiteFactory, coordinator, picture
from volunteers import papers
from volunteers.models import Completion, PaperPhoto, Step, StepTerm
from volunteers.papers import BadPhoto, confirm, discard, encoded_anew, running_out, send
from volunteers.people import leave
from volunteers.progress import NotPossible, complete, withdraw

AT = datetime(2027, 5, 4, 1, 0, tzinfo=UTC)  # still May 3 in New York
DAY = date(2027, 5, 3)
ONE = timedelta(days=1)


def step(code):
    return Step.objects.get(code=code)


def read(data):
    return Image.open(BytesIO(data))


def telling_picture():
    """A JPEG that tells where and when it was taken, by which camera, with a comment and more."""
    exif = Image.Exif()
    exif[0x010F] = "Camera of Ina"  # Make
    exif[0x0132] = "2027:05:01 08:00:00"  # DateTime
    exif[0x8825] = {1: "N", 2: (40.0, 2.0, 3.0), 3: "W", 4: (83.0, 1.0, 2.0)}  # GPS
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    return picture(
        exif=exif, comment=b"my kitchen table", icc_profile=profile, dpi=(72, 72),
        xmp=b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>Ina</x:xmpmeta>",
    )  # fmt: skip


def segments(data):
    """The markers of a JPEG in order, each with what it carries; then whatever stands behind its end."""
    assert data[:2] == b"\xff\xd8"  # SOI
    found, at = [], 2
    while True:
        assert data[at] == 0xFF
        marker, length = data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        found.append((marker, data[at + 4 : at + 2 + length]))
        if marker == 0xDA:  # SOS: the picture itself, up to EOI
            return found, data[data.index(b"\xff\xd9", at) + 2 :]
        at += 2 + length


def huge_png(width, height):
    """A PNG of a few bytes that claims to be huge."""

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(bytes(1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


class TestWhatIsLeftOfIt:
    def test_nothing_but_the_picture(self):
        came = telling_picture()
        assert read(came).getexif().get_ifd(0x8825)
        assert read(came).info["comment"]
        for private in (b"Camera of Ina", b"2027:05:01", b"my kitchen table", b"xmpmeta", b"ICC_PROFILE"):
            assert private in came
        kept = encoded_anew(came)
        assert dict(read(kept).getexif()) == {}
        assert set(read(kept).info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
        for private in (b"Exif", b"Camera", b"2027", b"kitchen", b"xmp", b"ICC"):
            assert private not in kept

    def test_by_the_markers_of_the_standard(self):
        """APP0 (JFIF), tables, one frame, one scan: no APP1 (Exif, XMP), APP2 (color profile, further
        pictures), APP13 (captions), COM; and nothing behind the end."""
        came, _behind = segments(telling_picture())
        assert {0xE1, 0xE2, 0xFE} <= {marker for marker, _data in came}
        kept, behind = segments(encoded_anew(telling_picture() + b"<script>alert(1)</script>PK\x03\x04"))
        assert {marker for marker, _data in kept} == {0xE0, 0xDB, 0xC0, 0xC4, 0xDA}
        [jfif] = [data for marker, data in kept if marker == 0xE0]
        assert jfif[:5] == b"JFIF\0"
        assert jfif[12:14] == b"\0\0"  # no thumbnail
        assert behind == b""

    @pytest.mark.parametrize("kind", ["PNG", "WEBP", "JPEG"])
    @pytest.mark.parametrize("mode", ["RGB", "L", "RGBA", "P", "CMYK", "1"])
    def test_every_kind_becomes_jpeg(self, kind, mode):
        if (kind, mode) in {("JPEG", "RGBA"), ("JPEG", "P"), ("PNG", "CMYK"), ("WEBP", "CMYK")}:
            mode = "RGB"  # these do not exist
        kept = read(encoded_anew(picture(kind, mode=mode)))
        assert (kept.format, kept.mode, kept.size) == ("JPEG", "RGB", (60, 40))

    def test_what_is_clear_becomes_white(self):
        out = BytesIO()
        Image.new("RGBA", (8, 8), (0, 0, 0, 0)).save(out, "PNG")
        assert read(encoded_anew(out.getvalue())).getpixel((4, 4)) == (255, 255, 255)

    @pytest.mark.parametrize("size", [(3000, 1500), (1500, 3000)])
    def test_at_most_2000_pixels_on_the_longer_side(self, size):
        kept = read(encoded_anew(picture(size=size)))
        assert sorted(kept.size) == [1000, 2000]
        assert (kept.width > kept.height) == (size[0] > size[1])

    def test_a_small_one_is_not_blown_up(self):
        assert read(encoded_anew(picture(size=(300, 200)))).size == (300, 200)

    # Where row 0 and column 0 of what is stored are seen, by the value of the tag.
    @pytest.mark.parametrize(
        ("value", "row", "column"),
        [
            (1, "top", "left"), (2, "top", "right"), (3, "bottom", "right"), (4, "bottom", "left"),
            (5, "left", "top"), (6, "right", "top"), (7, "right", "bottom"), (8, "left", "bottom"),
        ],
    )  # fmt: skip
    def test_it_stands_upright(self, value, row, column):
        stored = Image.new("RGB", (64, 32), "white")
        stored.paste("red", (0, 0, 16, 16))  # row 0, column 0
        stored.paste("blue", (48, 0, 64, 16))  # row 0, last column
        exif, out = Image.Exif(), BytesIO()
        exif[0x0112] = value
        stored.save(out, "JPEG", exif=exif, quality=95)
        seen = read(encoded_anew(out.getvalue()))
        other = {"top": "bottom", "bottom": "top", "left": "right", "right": "left"}[column]
        assert corner(seen, {row, column}) == "red"
        assert corner(seen, {row, other}) == "blue"

    @pytest.mark.filterwarnings("ignore::UserWarning")  # Pillow says that the notes are corrupt
    @pytest.mark.parametrize("notes", [b"garbage!", b"MM\0\x2a\0\0\0\x08\xff\xff\x01\x12", b"II"])
    def test_notes_that_cannot_be_read_turn_nothing(self, notes):
        assert read(encoded_anew(picture(exif=b"Exif\0\0" + notes))).size == (60, 40)


def corner(image, sides):
    x = 4 if "left" in sides else image.width - 5
    y = 4 if "top" in sides else image.height - 5
    red, _green, blue = image.getpixel((x, y))
    return "red" if red > 200 > blue else "blue" if blue > 200 > red else "neither"


class TestRefused:
    @pytest.mark.parametrize(
        "data",
        [
            b"<!doctype html><script>alert(1)</script>",
            b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>",
            b"GIF89a" + bytes(100),
            b"%PDF-1.7\n" + bytes(100),
            b"\xff\xd8\xff<script>alert(1)</script>",
            bytes(5000),
            picture("GIF"),
            picture("TIFF"),
            picture("BMP"),
        ],
        ids=range(9),
    )
    def test_no_picture_of_ours(self, data):
        with pytest.raises(BadPhoto, match="not a picture"):
            encoded_anew(data)

    @pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
    def test_cut_off(self, kind):
        out = BytesIO()
        Image.effect_noise((300, 300), 90).convert("RGB").save(out, kind)
        with pytest.raises(BadPhoto, match=r"damaged|not a picture"):
            encoded_anew(out.getvalue()[: len(out.getvalue()) // 2])

    def test_nothing(self):
        with pytest.raises(BadPhoto, match="empty"):
            encoded_anew(b"")

    @pytest.mark.parametrize("brand", [b"heic", b"mif1", b"hevx", b"avif"])
    def test_heic_is_called_by_its_name(self, brand):
        with pytest.raises(BadPhoto, match="HEIC"):
            encoded_anew(b"\0\0\0\x18ftyp" + brand + bytes(200))

    def test_too_many_bytes(self):
        with pytest.raises(BadPhoto, match="larger than 8 MB"):
            encoded_anew(picture() + bytes(papers.LARGEST))
        assert encoded_anew(picture() + bytes(papers.LARGEST - len(picture())))

    @pytest.mark.parametrize("size", [(8000, 5001), (12_000, 9000), (60_000, 60_000)])
    def test_too_many_pixels_are_not_even_read(self, size):
        """Beyond ours; beyond the one at which Pillow warns; beyond the one at which it refuses."""
        with pytest.raises(BadPhoto, match="too many pixels"):
            encoded_anew(huge_png(*size))

    def test_forty_million_are_taken(self):
        assert read(encoded_anew(picture("PNG", size=(8000, 5000), mode="1"))).size == (2000, 1250)


@pytest.fixture
def ina(db):
    return PersonFactory(name="Ina Quell", sign_in=True)


def photos_of(person):
    return PaperPhoto.objects.filter(person=person)


def events(person, verb):
    return list(Event.objects.filter(person_id=person.pk, verb=verb))


@pytest.mark.django_db
class TestSent:
    def sent(self, person, code="license", **facts):
        return send(person=person, step=step(code), data=picture(), by=person.user, at=AT, **facts)

    def test_it_is_kept_for_the_coordinator(self, ina):
        photo = self.sent(ina, said_until=DAY)
        assert read(bytes(photo.image)).size == (60, 40)
        assert (photo.at, photo.said_until) == (AT, DAY)

    def test_who_and_when_but_nothing_of_it(self, ina):
        self.sent(ina, said_until=DAY)
        [event] = events(ina, "photo sent")
        assert (event.by, event.at, event.before, event.after) == (
            ina.user, AT, None, {"step": "Driver's license"},
        )  # fmt: skip

    def test_a_newer_one_replaces_it_under_a_key_of_its_own(self, ina):
        first, other = self.sent(ina), self.sent(ina, "insurance")
        newer = self.sent(ina)
        assert newer.pk != first.pk
        assert set(photos_of(ina)) == {newer, other}

    def test_only_of_a_paper(self, ina):
        with pytest.raises(NotPossible, match="Only papers"):
            self.sent(ina, "kit")

    def test_not_with_a_date_that_is_over(self, ina):
        with pytest.raises(NotPossible, match="date is over"):
            self.sent(ina, said_until=DAY - ONE)
        assert not photos_of(ina).exists()

    def test_what_is_no_picture_replaces_nothing(self, ina):
        kept = self.sent(ina)
        with pytest.raises(BadPhoto):
            send(person=ina, step=step("license"), data=b"<html>", by=ina.user)
        assert list(photos_of(ina)) == [kept]

    def test_not_by_somebody_who_left(self, ina):
        leave(ina, by=None)
        with pytest.raises(NotPossible, match="left the programme"):
            self.sent(ina)


@pytest.mark.django_db
class TestGone:
    @pytest.fixture
    def photo(self, ina):
        return send(person=ina, step=step("license"), data=picture(), by=ina.user, at=AT)

    def confirmed(self, photo, **facts):
        facts = {"valid_until": DAY + 30 * ONE, "by": None, "at": AT, **facts}
        return confirm(person=photo.person, step=photo.step, shown=photo.pk, **facts)

    def test_when_its_date_is_noted(self, ina, photo):
        other = send(person=ina, step=step("insurance"), data=picture(), by=ina.user)
        assert self.confirmed(photo).valid_until == DAY + 30 * ONE
        assert list(photos_of(ina)) == [other]

    def test_when_the_card_itself_was_shown(self, ina, photo):
        complete(person=ina, step=photo.step, valid_until=DAY, by=None, at=AT)
        assert not photos_of(ina).exists()

    def test_not_while_the_date_is_to_follow(self, ina, photo):
        self.confirmed(photo, valid_until=None, how=Completion.How.SEEN)
        assert photos_of(ina).exists()

    def test_not_where_the_date_is_refused(self, ina, photo):
        with pytest.raises(NotPossible, match="is over"):
            self.confirmed(photo, valid_until=DAY - ONE)
        assert photos_of(ina).exists()

    def test_not_a_newer_one_that_nobody_has_seen(self, ina, photo):
        newer = send(person=ina, step=photo.step, data=picture(), by=ina.user)
        with pytest.raises(NotPossible, match="A newer photo"):
            self.confirmed(photo)
        assert list(photos_of(ina)) == [newer]
        assert not ina.completions.exists()

    def test_set_aside_with_who_and_why(self, ina, photo):
        cora = coordinator()
        assert discard(photo, by=cora.user, why="not readable", at=AT)
        assert not photos_of(ina).exists()
        [event] = events(ina, "photo deleted")
        assert (event.by, event.at, event.after) == (
            cora.user, AT, {"step": "Driver's license", "note": "not readable"},
        )  # fmt: skip

    def test_set_aside_once(self, ina, photo):
        discard(photo, by=None, why="not readable")
        photo.pk = photo.pk or 1
        assert not discard(photo, by=None, why="not readable")
        assert len(events(ina, "photo deleted")) == 1

    def test_when_the_person_leaves(self, ina, photo):
        send(person=ina, step=step("insurance"), data=picture(), by=ina.user)
        other = send(person=PersonFactory(), step=photo.step, data=picture(), by=None)
        leave(ina, by=None)
        assert list(PaperPhoto.objects.all()) == [other]

    def test_when_it_is_asked_of_nobody_any_more(self, ina, photo):
        own = Step.objects.create(kind="paper", title="Dock pass", site=SiteFactory())
        StepTerm.objects.create(step=own, applies_from=DAY)
        kept = send(person=ina, step=own, data=picture(), by=ina.user, at=AT)
        assert papers.prune(AT) == 0
        StepTerm.objects.filter(step=photo.step).update(applies_until=DAY + ONE)
        assert papers.prune(AT) == 0, "until tomorrow it is asked"
        assert papers.prune(AT + ONE) == 1
        assert list(photos_of(ina)) == [kept]
        assert [event.by for event in events(ina, "photo deleted")] == [None]
        own.site.ended_on = DAY
        own.site.save()
        assert papers.prune(AT + ONE) == 1

    def test_nothing_of_it_is_in_the_log(self, ina, photo):
        self.confirmed(photo)
        leave(ina, by=None)
        logged = str(list(Event.objects.values_list("verb", "before", "after")))
        assert "image" not in logged
        assert "JFIF" not in logged


@pytest.mark.django_db
class TestRunningOut:
    def recorded(self, person, code, until, **how):
        return complete(
            person=person, step=step(code), on=DAY - 10 * ONE, valid_until=until, by=None, at=AT, **how
        )

    def found(self, first=DAY, last=DAY + 30 * ONE):
        return list(running_out(first=first, last=last))

    @pytest.mark.parametrize(("days", "is_found"), [(-1, False), (0, True), (30, True), (31, False)])
    def test_its_last_day_lies_in_the_span(self, ina, days, is_found):
        one = self.recorded(ina, "license", DAY + days * ONE)
        assert self.found() == ([one] if is_found else [])

    def test_what_a_newer_one_covers_does_not_run_out(self, ina):
        self.recorded(ina, "license", DAY + 5 * ONE)
        self.recorded(ina, "license", DAY + 400 * ONE)
        assert self.found() == []

    def test_of_two_the_later(self, ina):
        self.recorded(ina, "license", DAY + 5 * ONE)
        later = self.recorded(ina, "license", DAY + 9 * ONE)
        assert self.found() == [later]

    def test_what_was_taken_back_covers_nothing(self, ina):
        first = self.recorded(ina, "license", DAY + 5 * ONE)
        withdraw(self.recorded(ina, "license", DAY + 400 * ONE), reason="Wrong year.", by=None)
        assert self.found() == [first]

    def test_a_briefing_too(self, ina):
        one = complete(person=ina, step=step("briefing"), on=date(2025, 5, 10), by=None, at=AT)
        assert self.found() == [one]
        assert one.valid_until == date(2027, 5, 10)

    def test_date_to_follow_too(self, ina):
        seen = complete(person=ina, step=step("license"), how="seen", on=DAY, by=None, at=AT)
        assert self.found() == [seen]

    def test_of_rides_that_count_together_the_one_that_breaks_the_count(self, ina):
        StepTerm.objects.filter(step=step("ride")).update(times=2, lasts_months=12)
        first = complete(person=ina, step=step("ride"), on=date(2026, 5, 10), by=None, at=AT)
        complete(person=ina, step=step("ride"), on=date(2026, 5, 20), by=None, at=AT)
        assert self.found() == [first]

    def test_not_of_a_step_that_ends_by_then(self, ina):
        self.recorded(ina, "license", DAY + 5 * ONE)
        StepTerm.objects.filter(step=step("license")).update(applies_until=DAY + 6 * ONE)
        assert self.found() == []

    def test_a_sites_own_while_the_site_is_in_use(self, ina):
        site = SiteFactory()
        badge = Step.objects.create(kind="paper", site=site, title="Badge")
        StepTerm.objects.create(step=badge, applies_from=date(2020, 1, 1))
        one = complete(person=ina, step=badge, valid_until=DAY + ONE, on=DAY, by=None, at=AT)
        assert self.found() == [one]
        site.ended_on = DAY
        site.save()
        assert self.found() == []

    def test_in_one_query_soonest_first(self, ina, django_assert_num_queries):
        late = self.recorded(ina, "license", DAY + 5 * ONE)
        soon = self.recorded(PersonFactory(), "insurance", DAY + ONE)
        with django_assert_num_queries(1):
            assert self.found() == [soon, late]
