"""A photograph of a paper from the volunteer's phone, and who may look at it."""

from io import BytesIO

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import Image

from shifts.models import Policy
from tests.factories import PersonFactory, SiteFactory, lead_driver, make_ready, picture
from tests.shifts.pages.at_the_desk import DAY, NONSENSE, NOW, TODAY, desk_client, said, text_of
from volunteers.models import PaperPhoto, Step, StepTerm
from volunteers.papers import LARGEST, send
from volunteers.people import sign_in_for

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ina(client):
    person = make_ready(PersonFactory(name="Ina Quell", sign_in=True), without=("license",))
    client.force_login(person.user)
    return person


@pytest.fixture
def _photos():
    Policy.current()
    Policy.objects.update(photos_on=True)


def license():
    return Step.objects.get(code="license")


def here(step=None):
    return reverse("paper", args=[(step or license()).pk])


def file(data=None, name="license.jpg", kind="image/jpeg"):
    return SimpleUploadedFile(name, picture() if data is None else data, kind)


def errors(answer):
    return {name: " ".join(said) for name, said in answer.context["form"].errors.items()}


class TestWherePhotographsAreNotTaken:
    """The default."""

    def test_the_page_says_how_to_show_it(self, client, ina):
        shown = text_of(client.get(here()))
        assert "text them a picture" in shown
        assert 'type="file"' not in shown

    def test_one_that_comes_all_the_same_is_not_kept(self, client, ina):
        answer = client.post(here(), {"photo": file()})
        assert answer.status_code == 409
        assert "No photos are taken here any more" in text_of(answer)
        assert not PaperPhoto.objects.exists()

    def test_nothing_leads_to_it_from_orientation(self, client, ina):
        assert here() not in text_of(client.get("/orientation/"))

    def test_one_that_was_sent_before_can_still_be_taken_back(self, client, ina):
        send(person=ina, step=license(), data=picture(), by=ina.user)
        client.post(here(), {"what": "take back"})
        assert not PaperPhoto.objects.exists()


@pytest.mark.usefixtures("_photos")
class TestSending:
    def test_from_orientation_to_the_camera(self, client, ina):
        assert here() in text_of(client.get("/orientation/"))
        shown = text_of(client.get(here()))
        assert 'accept="image/*"' in shown
        assert 'capture="environment"' in shown
        assert 'enctype="multipart/form-data"' in shown
        assert "Only the coordinator sees it." in shown

    def test_it_is_kept_without_where_it_was_taken(self, client, ina):
        exif = Image.Exif()
        exif[0x8825] = {1: "N", 2: (40.0, 2.0, 3.0)}
        answer = client.post(here(), {"photo": file(picture(exif=exif))})
        assert answer.status_code == 302
        assert "The coordinator looks at it" in said(answer)
        kept = bytes(PaperPhoto.objects.get(person=ina, step=license()).image)
        assert dict(Image.open(BytesIO(kept)).getexif()) == {}

    def test_with_the_date_on_it(self, client, ina):
        client.post(here(), {"photo": file(), "until": "2027-03-31"})
        assert PaperPhoto.objects.get().said_until.isoformat() == "2027-03-31"

    def test_the_page_says_that_it_waits_and_when_it_was_sent(self, client, ina):
        client.post(here(), {"photo": file()})
        shown = text_of(client.get(here()))
        assert "Sent Tue, Jun 2, 10:00 a.m.; nothing more to do." in shown
        assert "Photo sent" in text_of(client.get("/orientation/"))

    def test_another_replaces_it(self, client, ina):
        for size in ((20, 10), (30, 20)):
            client.post(here(), {"photo": file(picture(size=size))})
        assert Image.open(BytesIO(bytes(PaperPhoto.objects.get().image))).size == (30, 20)

    def test_taken_back(self, client, ina):
        client.post(here(), {"photo": file()})
        answer = client.post(here(), {"what": "take back"})
        assert "deleted" in said(answer)
        assert not PaperPhoto.objects.exists()
        assert "gone already" in said(client.post(here(), {"what": "take back"}))

    @pytest.mark.parametrize(
        ("data", "words"),
        [
            (b"<html><script>1</script></html>", "not a picture"),
            (picture("GIF"), "not a picture"),
            (picture(size=(400, 300))[:-300], "damaged"),
            (b"", "empty"),
            (b"\0\0\0\x18ftypheic" + bytes(50), "HEIC"),
            (picture() + bytes(LARGEST), "larger than 8 MB"),
        ],
        ids=["html", "gif", "cut off", "empty", "heic", "large"],
    )
    def test_refused_with_the_date_kept(self, client, ina, data, words):
        answer = client.post(here(), {"photo": file(data), "until": "2027-03-31"})
        assert answer.status_code == 200
        assert words in errors(answer)["photo"]
        assert 'value="2027-03-31"' in text_of(answer)
        assert not PaperPhoto.objects.exists()

    def test_much_larger_than_is_kept_in_memory(self, client, ina):
        """The rest is dropped as it comes in; what was typed behind the file is there all the same."""
        sent = {"photo": file(picture() + bytes(3 * LARGEST)), "until": "2027-03-31"}
        answer = client.post(here(), sent)
        assert "larger than 8 MB" in errors(answer)["photo"]
        assert 'value="2027-03-31"' in text_of(answer)

    def test_it_never_touches_the_disk(self, client, ina, monkeypatch):
        def refuse(*args, **options):
            raise AssertionError("a temporary file")

        monkeypatch.setattr("tempfile.NamedTemporaryFile", refuse)
        monkeypatch.setattr("tempfile.TemporaryFile", refuse)
        large = picture() + bytes(LARGEST - 2000)
        assert client.post(here(), {"photo": file(large)}).status_code == 302

    def test_without_a_photograph(self, client, ina):
        assert "Take the photo first" in errors(client.post(here(), {"until": ""}))["photo"]

    def test_with_a_date_that_is_over(self, client, ina):
        answer = client.post(here(), {"photo": file(), "until": (TODAY - DAY).isoformat()})
        assert "date is over" in errors(answer)["until"]
        assert not PaperPhoto.objects.exists()

    def test_nonsense(self, client, ina):
        for piece in NONSENSE:
            answer = client.post(here(), {"photo": piece, "until": piece, "what": piece, "next": piece})
            assert answer.status_code == 200
        assert not PaperPhoto.objects.exists()

    @pytest.mark.parametrize("code", ["kit", "briefing", "form", "ride"])
    def test_only_of_papers(self, client, ina, code):
        assert client.get(here(Step.objects.get(code=code))).status_code == 404

    def test_of_none_that_nobody_asks_for_now(self, client, ina):
        StepTerm.objects.filter(step=license()).update(applies_until=TODAY)
        assert client.get(here()).status_code == 404

    @pytest.mark.usefixtures("_photos")
    def test_nor_is_a_photograph_of_one_kept(self, client, ina):
        StepTerm.objects.filter(step=license()).update(applies_until=TODAY)
        assert client.post(here(), {"photo": file()}).status_code == 404
        assert not PaperPhoto.objects.exists()

    def test_of_a_sites_own(self, client, ina):
        badge = Step.objects.create(kind="paper", site=SiteFactory(), title="Badge")
        StepTerm.objects.create(step=badge, applies_from="2020-01-01")
        assert client.post(here(badge), {"photo": file()}).status_code == 302

    def test_nothing_of_it_in_what_is_logged(self, client, ina, caplog):
        client.post(here(), {"photo": file(name="ina-quell-license-secret.jpg")})
        assert "secret" not in caplog.text
        assert not any("secret" in str(row) for row in PaperPhoto.objects.values_list("person", "step"))


@pytest.mark.usefixtures("_photos")
class TestLookingAtIt:
    @pytest.fixture
    def photo(self, ina):
        return send(person=ina, step=license(), data=picture(), by=ina.user)

    def at(self, photo):
        return reverse("desk_photo", args=[photo.pk])

    def test_a_coordinator_sees_it_and_no_browser_keeps_it(self, photo):
        answer = desk_client().get(self.at(photo))
        assert answer.content == bytes(photo.image)
        assert answer["Content-Type"] == "image/jpeg"
        assert answer["Cache-Control"] == "no-store"
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert answer["Content-Disposition"].startswith("inline")

    def test_nobody_else(self, client, photo, ina):
        lead = lead_driver(sign_in=True)
        stranger = sign_in_for("stranger@example.org")
        assert client.get(self.at(photo)).status_code == 403  # not even whoever sent it
        for user in (lead.user, stranger):
            other = Client()
            other.force_login(user)
            for answer in (other.get(self.at(photo)), other.post(self.at(photo))):
                assert answer.status_code == 403
        answer = Client().get(self.at(photo))
        assert answer.status_code == 302
        assert "/account/login/" in answer["Location"]
        assert PaperPhoto.objects.exists()

    def test_nobody_without_the_second_factor(self, client, photo):
        from tests.factories import coordinator

        cora = coordinator()
        client.force_login(cora.user)
        answer = client.get(self.at(photo))
        assert (answer.status_code, answer["Location"]) == (302, reverse("second_factor"))

    def test_gone_it_is_not_found(self, photo):
        desk = desk_client()
        PaperPhoto.objects.all().delete()
        assert desk.get(self.at(photo)).status_code == 404

    def test_no_page_of_a_volunteer_leads_to_it(self, client, photo):
        for page in ("/", "/orientation/", here(), "/me/"):
            assert "/desk/photos/" not in text_of(client.get(page))
