"""The command that brings a roster in: it shows first, names every bad row, and writes all or nothing."""

from datetime import UTC, date, datetime
from io import StringIO
from pathlib import Path

import pytest
import time_machine
from django.core.management import CommandError, call_command

from sites.models import Event
from tests.factories import coordinator
from volunteers.clearance import cleared
from volunteers.models import Person

ROSTERS = Path(__file__).parent.parent / "volunteers" / "rosters"
TODAY = date(2026, 11, 25)
NOON = datetime(2026, 11, 25, 17, tzinfo=UTC)  # noon in New York, the programme's zone unless changed

pytestmark = pytest.mark.django_db


def ready():
    return {person.name for person in cleared(Person.objects.drivers(), on=TODAY)}


def run(*arguments):
    """(exit code, standard output, standard error)."""
    out, err = StringIO(), StringIO()
    try:
        with time_machine.travel(NOON, tick=False):
            call_command("import_people", *map(str, arguments), stdout=out, stderr=err)
    except SystemExit as end:
        return end.code, out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


def test_the_command_shows_first_and_writes_only_when_told():
    path = ROSTERS / "tabs-utf16-mark.txt"
    code, out, err = run(path, "--papers-seen")
    assert (code, err) == (0, "")
    assert "Read as UTF-16, tabs between cells." in out
    assert "DL exp.: driver's license, valid until" in out
    assert "Not used: T-shirt" in out
    assert "Line 2: Odalys Marsh. New: lead driver; Blue wagon, 12 crates;" in out
    assert "new: 5" in out
    assert "--apply" in out
    assert not Person.objects.exists()

    by = coordinator()
    code, out, _ = run(path, "--papers-seen", "--apply", "--by", "Cora@example.org")
    assert (code, Person.objects.count()) == (0, 6)
    assert "5 people added or changed" in out
    assert Event.objects.get(verb="roster brought in").by == by.user
    assert ready() == {"Odalys Marsh", "TOBIN REYES", "Inés Quill", "Lena Ott"}

    code, out, _ = run(path, "--papers-seen", "--apply")
    assert (code, Person.objects.count()) == (0, 6)
    assert "0 people added or changed" in out


@pytest.mark.parametrize("more", [(), ("--apply",)])
def test_the_command_names_every_bad_row_and_ends_with_1(tmp_path, more):
    path = tmp_path / "roster.csv"
    path.write_text("Name,E-mail,DL exp\nAnn Marsh,ann@example.org,2/30/2027\nBo Ray,bo,\nCy Holm,,\n")
    code, out, err = run(path, *more)
    assert code == 1
    assert "Line 2, DL exp: “2/30/2027” February 2027 has no day 30." in err
    assert "Line 3, E-mail: “bo” This is not an e-mail address." in err
    assert "Nothing was brought in" in err
    assert "Line 4: Cy Holm. New" in out
    assert not Person.objects.exists()


def test_the_command_asks_which_column_counts(tmp_path):
    path = tmp_path / "roster.csv"
    path.write_text("Name,Phone,Cell\nAnn Marsh,555-0123,555-0188\n")
    code, _, err = run(path, "--area-code", "555", "--apply")
    assert code == 1
    assert "Answer with --column phone=2" in err
    code, _, _ = run(path, "--area-code", "555", "--apply", "--column", "phone=3")
    assert code == 0
    assert Person.objects.get().phone.as_e164 == "+15555550188"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("nowhere.csv",), "cannot be read: No such file"),
        (("/",), "cannot be read: Is a directory"),
        ((ROSTERS / "commas-utf8-mark.csv", "--by", "nobody@example.org"), "not the address of a"),
        ((ROSTERS / "commas-utf8-mark.csv", "--area-code", "55"), "three digits"),
        ((ROSTERS / "commas-utf8-mark.csv", "--column", "phone"), "--column phone=3"),
        ((ROSTERS / "commas-utf8-mark.csv", "--column", "shoe=3"), "not understood"),
    ],
)
def test_the_command_explains_what_it_cannot_do(arguments, says):
    with pytest.raises(CommandError, match=says):
        run(*arguments, "--apply")
    assert not Person.objects.exists()
