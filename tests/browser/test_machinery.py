"""The watch over every page, and axe: each notices what it is there for."""

import pytest

from tests.browser.conftest import watch

FINE = "<!doctype html><html lang=en><title>Title</title><main><h1>Heading</h1>{}</main></html>"


@pytest.mark.parametrize(
    ("body", "rule"),
    [
        ("<img src='data:,'>", "image-alt"),
        ("<input>", "label"),
        # WCAG 2.2, success criterion 2.5.8: targets of at least 24 by 24 CSS pixels
        ("<button style='all:unset;width:9px;height:9px'>a</button>" * 2, "target-size"),
    ],
)
def test_axe_finds_a_fault(phone, axe, body, rule):
    phone.set_content(FINE.format(body))
    with pytest.raises(AssertionError, match=rule):
        axe(phone)


def test_axe_finds_none(phone, axe):
    phone.set_content(FINE.format("<p>Nothing wrong.</p>"))
    axe(phone)


@pytest.fixture
def watched(context):
    """A page and the list of its faults, empty so far."""
    page, faults = context.new_page(), []
    watch(page, faults)
    page.goto("/healthz")
    assert faults == []
    return page, faults


@pytest.mark.parametrize(
    ("element", "attributes", "event", "fault"),
    [
        ("script", {"textContent": "1"}, "console", "Content Security Policy"),
        ("img", {"src": "http://elsewhere.example/"}, "request", "asks for http://elsewhere.example/"),
        ("img", {"src": "/static/no-such-picture.png"}, "response", "404 for"),
    ],
)
def test_a_fault_of_the_page_is_noticed(watched, element, attributes, event, fault):
    page, faults = watched
    add = "([name, facts]) => document.body.append(Object.assign(document.createElement(name), facts))"
    with page.expect_event(event):
        page.evaluate(add, [element, attributes])
    assert any(fault in line for line in faults), faults


@pytest.mark.with_and_without_javascript
def test_javascript_is_on_or_off(phone, javascript):
    phone.set_content("<title>before</title><script>document.title = 'after'</script>")
    assert phone.title() == ("after" if javascript else "before")
