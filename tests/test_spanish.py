"""The Spanish words: complete, in step with the source and with the compiled file, and seen by people."""

import ast
import gettext
import re
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret
from django.utils.translation.template import templatize

from shifts.seats.booking import seat
from sites.changes import write_door_notes
from sites.models import Programme
from tests.factories import coordinator, make_run, ready_person
from volunteers.models import Message

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "locale/es/LC_MESSAGES"
# Names in an English text that a translation must carry as well: %(name)s and {name}; %% is a plain sign.
PLACEHOLDERS = re.compile(r"%\(\w+\)[a-z]|\{\w*\}|%%")
HOW_TO = "see “Words that volunteers see” in DEVELOPERS.md"


@dataclass
class Entry:
    """One text of a .po file, as GNU gettext's manual describes it under “The Format of PO Files”."""

    flags: str = ""
    parts: dict[str, str] = field(default_factory=dict)

    @property
    def key(self):
        """What a compiled file has it under; "\\x04" stands between a context and its text."""
        context = self.parts.get("msgctxt")
        return f"{context}\x04{self.parts['msgid']}" if context else self.parts["msgid"]

    @property
    def translations(self):
        return [text for name, text in self.parts.items() if name.startswith("msgstr")]


def read(text):
    """The entries of a .po file; obsolete ones, in comments, are none. The first one is the header."""
    entries = []
    for block in re.split(r"\n\s*\n", text.strip()):
        entry, name = Entry(), ""
        for line in block.splitlines():
            if line.startswith("#,"):
                entry.flags += line[2:]
            elif not line.startswith("#"):
                word, quoted = ("", line) if line.startswith('"') else line.split(" ", 1)
                name = word or name
                entry.parts[name] = entry.parts.get(name, "") + ast.literal_eval(quoted)
        if entry.parts:
            entries.append(entry)
    return entries


@pytest.fixture(scope="module")
def entries():
    return read((FOLDER / "django.po").read_text(encoding="utf-8"))[1:]


def faults_of(entry):
    """What is wrong with a translation, in words."""
    faults = ["is fuzzy"] if "fuzzy" in entry.flags else []
    faults += [] if all(entry.translations) else ["is not translated"]
    singular, plural = entry.parts["msgid"], entry.parts.get("msgid_plural")
    if len(entry.translations) != (2 if plural else 1):
        faults.append("has not as many forms as it needs")
    for english, spanish in zip([singular, plural], entry.translations, strict=False):
        if sorted(PLACEHOLDERS.findall(english or singular)) != sorted(PLACEHOLDERS.findall(spanish)):
            faults.append(f"loses or gains a name in “{spanish}”")
    return faults


# --- The file -----------------------------------------------------------------
def test_every_text_is_translated(entries):
    assert len(entries) > 500
    assert {entry.key: faults for entry in entries if (faults := faults_of(entry))} == {}


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ('#, fuzzy\nmsgid "Save"\nmsgstr "Guardar"', "is fuzzy"),
        ('msgid "Save"\nmsgstr ""', "is not translated"),
        ('msgid "One"\nmsgid_plural "%(n)s"\nmsgstr[0] "Uno"\nmsgstr[1] ""', "is not translated"),
        ('msgid "One"\nmsgid_plural "More"\nmsgstr[0] "Uno"', "has not as many forms as it needs"),
        ('msgid "Hi %(name)s"\nmsgstr "Hola %(nombre)s"', "loses or gains a name in “Hola %(nombre)s”"),
        ('msgid "Hi {name}"\nmsgstr "Hola"', "loses or gains a name in “Hola”"),
    ],
)
def test_a_fault_is_noticed(text, fault):
    [entry] = read(text)
    assert fault in faults_of(entry)


def test_the_compiled_file_says_the_same(entries):
    """Read by Python's own gettext, an independent reader. A clone has no compiler: both are in git."""
    with (FOLDER / "django.mo").open("rb") as compiled:
        found = gettext.GNUTranslations(compiled)._catalog
    written = {
        (entry.key, number) if "msgid_plural" in entry.parts else entry.key: text
        for entry in entries
        for number, text in enumerate(entry.translations)
    }
    del found[""]  # the header
    assert found == written, f"compile it again: {HOW_TO}"


# --- In step with the source --------------------------------------------------
MARKS = {"_", "gettext", "gettext_lazy", "gettext_noop", "ngettext", "ngettext_lazy", "pgettext"}
MARK_IN_TEMPLATE = re.compile(r"""\b(?:_|n?gettext)\(\s*u?('(?:[^'\\]|\\.)*'|"(?:[^"\\]|\\.)*")""")


def marked_in_code(source):
    """The texts marked in a Python file, under the keys of a compiled file."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in MARKS:
            words = [arg.value for arg in node.args if isinstance(arg, ast.Constant)]
            if node.func.id == "pgettext":
                yield "\x04".join(words[:2])
            elif words:
                yield words[0]


def marked_in_template(source):
    return [ast.literal_eval(words) for words in MARK_IN_TEMPLATE.findall(templatize(source))]


def marked():
    for floor in ("config", "shifts", "sites", "volunteers"):
        for path in (ROOT / floor).rglob("*.py"):
            yield from marked_in_code(path.read_text(encoding="utf-8"))
    for path in (ROOT / "templates").rglob("*.*"):
        yield from marked_in_template(path.read_text(encoding="utf-8"))


def test_no_text_is_forgotten_and_none_is_left_over(entries):
    source, translated = set(marked()), {entry.key for entry in entries}
    assert source - translated == set(), f"marked, not in the file: {HOW_TO}"
    assert translated - source == set(), f"in the file, marked nowhere: {HOW_TO}"


def test_marks_are_found():
    code = (
        'gettext_noop("One")\n_("Two " "parts") % {}\nngettext("a", "b", n)\npgettext("of", "1st")\n_(name)'
    )
    assert set(marked_in_code(code)) == {"One", "Two parts", "a", "of\x041st"}
    page = (
        '{% load i18n %}{% translate "It\'s" %}{{ name|default:_("none") }}'
        "{% blocktranslate count n=n %}{{ n }} step{% plural %}{{ n }} steps{% endblocktranslate %}"
    )
    assert marked_in_template(page) == ["It's", "none", "%(n)s step"]


# --- Seen by people -----------------------------------------------------------
@pytest.mark.django_db
@pytest.mark.parametrize(
    ("language", "words"),
    [
        ("es-US,es;q=0.9", "Buena comida, en camino mientras sigue fría"),
        ("en-US", "Good food, on the road while it is still cold"),
    ],
)
def test_a_visitor_reads_the_language_of_the_browser(client, language, words):
    page = client.get("/", headers={"Accept-Language": language}).content.decode()
    assert f'<html lang="{language[:2]}"' in page
    assert f"<h1>{words}</h1>" in page


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("language", "subject", "words"),
    [
        (
            "es",
            "Usted conduce: Morning run, ",
            ["asiento del conductor", "Quédese en casa", "Qué puerta: Gate"],
        ),
        ("en", "You drive: Morning run, ", ["driver's seat", "Stay home", "Which door: Gate"]),
    ],
)
def test_a_booking_is_mailed_in_the_language_of_the_person(language, subject, words):
    Programme.objects.update_or_create(pk=1, defaults={"contact_phone": "+15555550100"})
    person, run = ready_person(language=language), make_run()
    write_door_notes(run.stops.first().site, {"entrance": "Gate"}, by=None)
    seat(run=run, person=person, seat="driver", by=None)
    mail = Message.objects.get(person=person, kind="booked")
    assert mail.subject.startswith(subject)
    assert [part for part in words if part not in mail.text] == []


@pytest.mark.django_db
def test_the_desk_is_english_whoever_reads_it(client):
    cora = coordinator()
    TOTP.activate(cora.user, generate_totp_secret())
    cora.language = "es"
    cora.save()
    client.force_login(cora.user)
    assert '<html lang="en"' in client.get("/desk/").content.decode()
    assert '<html lang="es"' in client.get("/").content.decode()
