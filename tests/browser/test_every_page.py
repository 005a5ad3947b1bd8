"""Every page in a real browser: WCAG 2.2 A and AA by axe, one h1, no sideways scrolling, light and dark."""

import pytest
from django.conf import settings
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore

from tests.test_who_gets_what import GET, TABLE
from tests.world import address, build_world

pytestmark = pytest.mark.django_db(transaction=True)

NO_PAGES = {"desk_photo", "feed", "healthz", "offline_token", "service_worker"}
PAGES = [name for name, method in TABLE if method == GET and name not in NO_PAGES]
OF_THE_DESK = [name for name in PAGES if name.startswith(("desk", "second"))]
OF_VOLUNTEERS = [name for name in PAGES if name not in OF_THE_DESK]
OF_SIGNING_IN = ["/account/login/", "/account/login/code/", "/account/signup/", "/no/such/page/"]
OF_SECURITY = ["/account/2fa/", "/account/sessions/", "/account/logout/", "/account/email/"]


def sign_in(page, user):
    """A session without the code, which tests/volunteers/test_sign_in.py holds."""
    session = SessionStore()
    session[SESSION_KEY] = str(user.pk)
    session[BACKEND_SESSION_KEY] = settings.AUTHENTICATION_BACKENDS[0]
    session[HASH_SESSION_KEY] = user.get_session_auth_hash()
    session.create()
    page.goto("/healthz")
    page.context.add_cookies(
        [{"name": settings.SESSION_COOKIE_NAME, "value": session.session_key, "url": page.url}]
    )


def look_at(page, axe_in_light_and_dark, path):
    """The page as it is in light and in dark."""
    page.goto(path)
    assert page.locator("h1").count() == 1, path
    assert page.title(), path
    too_wide = page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth")
    assert not too_wide, f"{path} scrolls sideways"
    axe_in_light_and_dark(page)


@pytest.mark.parametrize("width", ["phone", "desk"])
class TestEveryPage:
    @pytest.fixture
    def page_at(self, request, width):
        return request.getfixturevalue(width)

    def test_of_volunteers(self, page_at, axe_in_light_and_dark):
        keys, users = build_world()
        sign_in(page_at, users["the person"])
        for name in OF_VOLUNTEERS:
            look_at(page_at, axe_in_light_and_dark, address(name, keys))

    def test_of_the_desk(self, page_at, axe_in_light_and_dark):
        keys, users = build_world()
        sign_in(page_at, users["a coordinator"])
        for name in OF_THE_DESK:
            look_at(page_at, axe_in_light_and_dark, address(name, keys))

    def test_of_signing_in(self, page_at, axe_in_light_and_dark):
        for path in ["/", *OF_SIGNING_IN]:
            look_at(page_at, axe_in_light_and_dark, path)

    def test_of_ones_own_security(self, page_at, axe_in_light_and_dark):
        _keys, users = build_world()
        sign_in(page_at, users["a coordinator"])
        for path in OF_SECURITY:
            look_at(page_at, axe_in_light_and_dark, path)
