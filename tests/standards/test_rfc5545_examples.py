"""The worked rules of RFC 5545 3.8.5.3, each with the instances the RFC prints."""

from datetime import datetime
from itertools import islice
from zoneinfo import ZoneInfo

import pytest

from shifts.schedule.recurrence import expand
from tests.standards.published import rfc5545_examples

# Erratum 3883: the RFC prints 09:00, 12:00 and 15:00 New York time beside UNTIL=17:00Z, which is 13:00 there.
DEFECT = "Every 3 hours from 9:00 AM to 5:00 PM on a specific day"

EXAMPLES = {example["name"]: example for example in rfc5545_examples()}
SOUND = [example for name, example in EXAMPLES.items() if name != DEFECT]


def times(example):
    return expand(
        example["rrule"],
        datetime.fromisoformat(example["dtstart"]),
        zone=ZoneInfo(example["tzid"]),
        exdates=[datetime.fromisoformat(text) for text in example["exdate"]],
    )


def printed(example):
    return [datetime.fromisoformat(text) for text in example["expected"]]


def test_only_the_known_defect_is_left_out():
    assert len(SOUND) == 42
    assert f"{DEFECT} (UNTIL corrected to 21:00Z)" in [example["name"] for example in SOUND]


@pytest.mark.parametrize("example", SOUND, ids=lambda example: example["name"])
def test_gives_the_printed_instances(example):
    assert list(islice(times(example), len(printed(example)))) == printed(example)


ENDING = [example for example in SOUND if not example["infinite"]]


@pytest.mark.parametrize("example", ENDING, ids=lambda example: example["name"])
def test_ends_where_the_rfc_ends(example):
    found = list(times(example))
    assert len(found) == example["total"]
    assert found[-1] == datetime.fromisoformat(example["last"])


ENDLESS = [example for example in SOUND if example["infinite"]]


@pytest.mark.parametrize("example", ENDLESS, ids=lambda example: example["name"])
def test_goes_on_for_ever_where_the_rfc_does(example):
    beyond = next(islice(times(example), len(printed(example)), None))
    assert beyond > printed(example)[-1]


def test_the_defect_is_one_of_until_in_utc():
    assert list(times(EXAMPLES[DEFECT])) == printed(EXAMPLES[DEFECT])[:2]
