"""The machinery of conftest.py: what a run says of a missing program, and what a test leaves behind."""

import subprocess
import sys
from pathlib import Path

import pytest
from django.core.cache import cache
from django.utils import translation

from sites.models import Programme

ROOT = Path(__file__).resolve().parent.parent
LACKING = """
import pytest
from tests.system import NEEDS, Need

NEEDS["unicorn"] = Need("apt-get install libunicorn", lambda: None)

@pytest.mark.needs("unicorn")
def test_with_a_unicorn():
    pass

def test_without():
    pass
"""


def run(folder, code, *options):
    test = folder / "test_lacking.py"
    test.write_text(code)
    pytest_here = [sys.executable, "-m", "pytest", "-c", "pyproject.toml", "-p", "tests.conftest"]
    apart = ["-n0", f"--output={folder}"]  # that run empties its own folder of pictures, not this one's
    return subprocess.run(
        [*pytest_here, *apart, *options, str(test)], cwd=ROOT, capture_output=True, text=True
    )


def test_a_missing_program_is_named(tmp_path):
    answer = run(tmp_path, LACKING)
    assert answer.returncode == 0, answer.stdout
    assert "unicorn: 1 test did not run. On Debian: apt-get install libunicorn" in answer.stdout
    assert "1 passed, 1 skipped" in answer.stdout


def test_a_missing_program_is_a_failure_when_all_are_needed(tmp_path):
    answer = run(tmp_path, LACKING, "--need-all")
    assert answer.returncode == 1, answer.stdout
    assert "unicorn: 1 test did not run. On Debian: apt-get install libunicorn" in answer.stdout
    assert "1 passed, 1 error" in answer.stdout


KINDS = """
import pytest

@pytest.mark.django_db
def test_with_a_row(): pass

@pytest.mark.needs("postgresql")
@pytest.mark.django_db
def test_with_a_second_database(): pass

@pytest.mark.needs("chromium")
@pytest.mark.django_db
def test_with_a_page(): pass

def test_of_arithmetic(): pass
"""


def test_on_the_other_database_only_what_can_differ_is_run_again(tmp_path):
    assert "4 tests collected" in run(tmp_path, KINDS, "--collect-only").stdout
    again = run(tmp_path, KINDS, "--collect-only", "--again").stdout
    assert "test_with_a_row" in again
    assert "test_with_a_second_database" in again
    assert "2/4 tests collected (2 deselected)" in again


def test_a_need_nobody_knows_is_refused(tmp_path):
    answer = run(tmp_path, LACKING.replace('NEEDS["unicorn"]', 'NEEDS["dragon"]'))
    assert answer.returncode == pytest.ExitCode.USAGE_ERROR, answer.stdout
    assert "needs('unicorn') is not one of" in answer.stderr


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("turn", [1, 2])
def test_the_cache_is_empty_again(turn):
    assert cache.get("left_over") is None
    cache.set("left_over", turn)


@pytest.mark.parametrize("turn", [1, 2])
def test_the_language_is_the_default_again(turn):
    assert translation.get_language() == "en-us"
    translation.activate("es")


def test_a_child_process_sees_what_the_test_committed(child_environment):
    programme = Programme.current()
    programme.name = "Seen from next door"
    programme.save()
    code = "from sites.models import Programme; print(Programme.current().name)"
    child = subprocess.run(
        [sys.executable, "manage.py", "shell", "--no-imports", "-v0", "-c", code],
        cwd=ROOT,
        env=child_environment,
        capture_output=True,
        text=True,
    )
    assert child.stdout.strip() == "Seen from next door", child.stderr
