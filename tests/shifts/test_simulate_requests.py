"""The simulation asks with the product's own size of a group, and says what asking in groups is for."""

from io import StringIO

import pytest
from django.core.management import call_command

from shifts.management.commands import simulate_requests


def table(**options):
    """The printed lines by way, as numbers."""
    out = StringIO()
    call_command("simulate_requests", weeks=60, stdout=out, **options)
    _head, *lines = out.getvalue().splitlines()
    return {line[:16].strip(): [float(word.strip("%")) for word in line[16:].split()] for line in lines}


FILLED, ASKED, IN_VAIN, HOURS, A_WEEK, MOST = range(6)


@pytest.mark.parametrize("rate", [0.2, 0.3, 0.5])
def test_groups_fill_nearly_as_often_as_everybody_and_ask_far_fewer(rate):
    found = table(rate=rate)
    groups, everybody, one = (found[name] for name in ("in groups", "everybody", "one at a time"))
    assert one[FILLED] < groups[FILLED]
    assert groups[FILLED] > everybody[FILLED] - 4  # percent
    assert groups[ASKED] < 0.8 * everybody[ASKED]
    assert groups[IN_VAIN] < everybody[IN_VAIN]
    assert groups[HOURS] < one[HOURS]
    assert groups[MOST] <= 3  # two requests a week, and an urgent one


def test_the_same_seed_says_the_same():
    assert table(seed=5) == table(seed=5) != table(seed=6)


def test_it_is_the_size_that_the_product_asks_with(monkeypatch):
    before = table()
    monkeypatch.setattr(simulate_requests, "group_size", lambda chances, **facts: min(1, len(chances)))
    after = table()
    assert after["in groups"] != before["in groups"]
    assert after["everybody"] == before["everybody"]


def test_it_touches_no_data():
    """There is no database in this test: a query would fail."""
    assert table(people=4, gaps=1)
