"""The house: its floors, its names, and that nothing in it goes unchecked."""

import re
import smtplib
import socket
from fnmatch import fnmatch
from pathlib import Path

import pytest
from django.apps import apps
from django.conf import settings
from django.core.management import call_command
from django.db import models
from django.test.utils import isolate_apps
from importlinter.cli import lint_imports

ROOT = Path(__file__).resolve().parent.parent
FLOORS = ["sites", "volunteers", "shifts"]  # from the bottom
TOP = {
    ".ci", ".gitignore", "DEVELOPERS.md", "README.md", "config", "locale", "manage.py", "pyproject.toml",
    "shifts", "sites", "static", "templates", "tests", "volunteers",
}  # fmt: skip


def our_models():
    return [model for model in apps.get_models(include_auto_created=True) if model._meta.app_label in FLOORS]


# --- Floors -------------------------------------------------------------------
def test_imports_go_down(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    assert lint_imports(cache_dir=None) == 0, capsys.readouterr().out


def test_an_import_upward_is_noticed(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    upside_down = tmp_path / "importlinter.toml"
    upside_down.write_text(
        """
        [tool.importlinter]
        root_packages = ["sites", "volunteers"]
        [[tool.importlinter.contracts]]
        name = "Upside down"
        type = "layers"
        layers = ["sites", "volunteers"]
        """
    )
    assert lint_imports(config_filename=str(upside_down), cache_dir=None) == 1
    assert "volunteers is not allowed to import sites" in capsys.readouterr().out


def points_up(model):
    """The foreign keys of a model that point to a floor above its own; sign-ins may be named anywhere."""
    own = FLOORS.index(model._meta.app_label)
    return [
        f"{model._meta.label}.{field.name} -> {field.related_model._meta.label}"
        for field in model._meta.get_fields()
        if isinstance(field, models.ForeignKey | models.ManyToManyField)
        and field.related_model._meta.label != settings.AUTH_USER_MODEL
        and field.related_model._meta.app_label in FLOORS[own + 1 :]
    ]


def test_no_foreign_key_points_up():
    assert [fault for model in our_models() for fault in points_up(model)] == []


@isolate_apps("sites", "shifts")
def test_a_foreign_key_upward_is_noticed():
    class Above(models.Model):
        class Meta:
            app_label = "shifts"

    class Below(models.Model):
        above = models.ForeignKey(Above, on_delete=models.CASCADE)

        class Meta:
            app_label = "sites"

    assert points_up(Below) == ["sites.Below.above -> shifts.Above"]


# --- Nothing left out ---------------------------------------------------------
@pytest.mark.django_db
def test_migrations_are_complete():
    call_command("makemigrations", check=True, dry_run=True, verbosity=0)


def test_every_constraint_is_tried_by_name():
    names = {constraint.name for model in our_models() for constraint in model._meta.constraints}
    tests = "\n".join(path.read_text() for path in sorted((ROOT / "tests").rglob("test_*.py")))
    assert {name for name in names if not re.search(rf"\b{name}\b", tests)} == set()


def test_only_the_machinery_leaves_a_test_out():
    ways = re.compile(r"\b(mark|pytest)\.(skip|skipif|xfail|importorskip)\b")
    found = [
        (path.name, *way)
        for path in sorted((ROOT / "tests").rglob("*.py"))
        for way in ways.findall(path.read_text())
    ]
    assert found == [("conftest.py", "pytest", "skip")]


def test_every_folder_of_tests_is_a_package():
    # Two test files of one name in two folders would otherwise be taken for each other.
    folders = {path.parent for path in (ROOT / "tests").rglob("*.py")}
    assert [folder for folder in sorted(folders) if not (folder / "__init__.py").exists()] == []


def test_top_of_the_repository():
    ignored = [line.strip("/") for line in (ROOT / ".gitignore").read_text().split()]
    names = {
        path.name for path in ROOT.iterdir() if not any(fnmatch(path.name, pattern) for pattern in ignored)
    }
    assert names - {".git"} == TOP


# --- No network ---------------------------------------------------------------
@pytest.mark.parametrize("address", ["192.0.2.1", "2001:db8::1"])  # documentation: RFC 5737, RFC 3849
def test_connecting_elsewhere_is_refused(address):
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    # pytest-socket warns before it raises, and warnings are errors here.
    with socket.socket(family) as line, pytest.raises(UserWarning, match=re.escape(address)):
        line.connect((address, 25))


def test_asking_for_an_address_is_refused():
    with pytest.raises(RuntimeError, match=r"mail\.example\.org"):
        smtplib.SMTP("mail.example.org", timeout=1)


def test_this_machine_can_be_reached():
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        with socket.create_connection(("localhost", port), timeout=5), server.accept()[0] as answer:
            assert answer.getsockname()[1] == port
