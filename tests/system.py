"""What this machine has beyond Python packages: the programs some tests need.

A test says so with `@pytest.mark.needs("chromium")`. Where the program is absent the test does not run and
the end of the run names it; with `--need-all` its absence is a failure.
"""

import json
import shutil
import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import NamedTuple

ICALJS = "2.2.1"  # .ci/run reads it here


class Need(NamedTuple):
    """A program or library from outside Python: how Debian gets it, and where it is (None: absent)."""

    install: str
    find: Callable[[], str | None]


def first_program(*names: str) -> str | None:
    """The path of the first of these programs that is in PATH, or None."""
    return next((path for name in names if (path := shutil.which(name))), None)


@cache
def chromium() -> str | None:
    """The browser for the browser tests, or None. Playwright's own build is not used."""
    return first_program("/usr/bin/chromium", "chromium", "chromium-browser", "google-chrome")


@cache
def postgresql() -> str | None:
    """The folder with PostgreSQL's server programs (initdb, pg_ctl), or None."""
    # Debian keeps the server programs out of PATH, one folder a version.
    versions = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    initdb = str(versions[-1]) if versions else shutil.which("initdb")
    return str(Path(initdb).resolve().parent) if initdb else None


@cache
def libical() -> str | None:
    """A Python that can load libical, or None. Debian's own: the bindings do not come from PyPI."""
    try:
        subprocess.run(
            ["/usr/bin/python3", "-c", "import gi; gi.require_version('ICalGLib', '3.0')"],
            check=True,
            capture_output=True,
        )
    except (OSError, subprocess.CalledProcessError):
        return None
    return "/usr/bin/python3"


@cache
def icaljs() -> str | None:
    """The folder of ical.js in the version ICALJS, if there is a `node` to run it, or None. Installed for
    the whole machine: the checkout holds nobody else's code."""
    folder = Path("/usr/local/lib/node_modules/ical.js")
    package = folder / "package.json"
    if not shutil.which("node") or not package.exists():
        return None
    return str(folder) if json.loads(package.read_text())["version"] == ICALJS else None


@cache
def dovecot() -> str | None:
    """The IMAP server that the reading of replies is tried on, or None."""
    return first_program("dovecot", "/usr/sbin/dovecot")


NEEDS = {
    "chromium": Need("apt-get install chromium", chromium),
    "postgresql": Need("apt-get install postgresql", postgresql),
    "dovecot": Need("apt-get install dovecot-imapd", dovecot),
    "libical": Need("apt-get install gir1.2-ical-3.0 python3-gi", libical),
    "icaljs": Need(
        "apt-get install nodejs npm && "
        f"npm install --global --prefix /usr/local --ignore-scripts ical.js@{ICALJS}",
        icaljs,
    ),
}
