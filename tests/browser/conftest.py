"""A real browser, on a phone and at a desk, with and without JavaScript.

`phone` and `desk` are Playwright pages that stand at the live server: `phone.goto("/runs/")`. A test marked
`with_and_without_javascript` runs twice. Every page is watched: a script error, a refusal by the content
security policy, a missing style sheet or a request that leaves this machine fails the test.
"""

from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.system import chromium

expect.set_options(timeout=20_000)  # milliseconds; a slow machine is not a fault
FLAGS = [
    "--no-sandbox",  # the sandbox does not start for root, as in most containers
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE localhost, EXCLUDE 127.0.0.1",
]
PHONE = {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True}
DESK = {"viewport": {"width": 1280, "height": 900}}
# Asked for by tag, because target size (WCAG 2.2) is off unless its tag is named.
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
# What can differ between light and dark: their rules are colours alone.
OF_COLOURS = {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}


def pytest_generate_tests(metafunc):
    if metafunc.definition.get_closest_marker("with_and_without_javascript"):
        metafunc.parametrize("javascript", [True, False], ids=["javascript", "no-javascript"])


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args):
    return browser_type_launch_args | {"executable_path": chromium(), "args": FLAGS}


@pytest.fixture(scope="session")
def base_url(live_server):
    """Where `page.goto("/runs/")` starts from."""
    return live_server.url


@pytest.fixture
def javascript():
    """Whether pages run scripts; the mark `with_and_without_javascript` sets it."""
    return True


@pytest.fixture
def open_page(base_url, settings, new_context, javascript):
    """A function that opens a watched page in a context of its own (own cookies): `open_page(PHONE)`."""
    settings.BASE_URL = base_url  # links in mails lead to the server under test
    faults = []

    def open_one(device):
        context = new_context(java_script_enabled=javascript, **device)
        page = context.new_page()
        watch(page, faults)
        return page

    yield open_one
    assert not faults, "\n".join(faults)


@pytest.fixture
def phone(open_page):
    """A page as wide as a phone, 390 by 844, touched with a finger."""
    return open_page(PHONE)


@pytest.fixture
def desk(open_page):
    """A page on a screen, 1280 by 900."""
    return open_page(DESK)


@pytest.fixture
def axe(javascript):
    """A function that fails when axe finds a fault of WCAG 2.2 A or AA on the page as it is now.

    axe is a script itself: in the half of a test that has no JavaScript it is not run.
    """

    def check(page, only=WCAG):
        if not javascript:
            return
        results = Axe().run(page, options={"runOnly": only, "resultTypes": ["violations"]})
        assert not results.violations_count, f"{page.url}\n{results.generate_report()}"

    return check


@pytest.fixture
def axe_in_light_and_dark(axe):
    """As `axe`, in both; the page is left in light."""

    def check(page):
        page.emulate_media(color_scheme="dark")
        axe(page, OF_COLOURS)
        page.emulate_media(color_scheme="light")
        axe(page)

    return check


def watch(page, faults):
    """Adds to `faults` what goes wrong on a page without showing on it."""

    def console(message):
        # The answer's own status is judged below, where a refused page may well be what the test wants.
        if message.type == "error" and not message.text.startswith("Failed to load resource"):
            faults.append(f"{page.url}: {message.text}")

    def request(request):
        if urlsplit(request.url).hostname not in ("localhost", "127.0.0.1", None):
            faults.append(f"{page.url} asks for {request.url}")

    def response(response):
        # What a script asks for is an answer, which may well be a refusal.
        part_of_page = response.request.resource_type not in ("document", "fetch")
        if response.status >= 500 or (part_of_page and response.status >= 400):
            faults.append(f"{page.url}: {response.status} for {response.url}")

    page.on("pageerror", lambda error: faults.append(f"{page.url}: {error}"))
    page.on("console", console)
    page.on("request", request)
    page.on("response", response)
