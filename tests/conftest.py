"""The machinery every test stands on: what is needed, which database, no network, no leftovers."""

import importlib
import ipaddress
import os
import socket
from collections import Counter
from urllib.parse import quote

import hypothesis
import pytest
from django.core.cache import cache
from django.db import connection
from django.utils import translation

from tests.system import NEEDS

# Playwright leaves an event loop running in the main thread, and Django then refuses every query there.
# Nothing in the tests or the application is asynchronous, so there is nothing to protect.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"

# A slow machine is not a fault, and a fixture shared by the examples of one test is meant to be.
EXAMPLES = {
    "deadline": None,
    "suppress_health_check": [
        hypothesis.HealthCheck.too_slow,
        hypothesis.HealthCheck.function_scoped_fixture,
    ],
}
# Repeatable: a change is not refused for what it did not touch. The long run looks for new examples.
hypothesis.settings.register_profile("default", max_examples=60, derandomize=True, **EXAMPLES)
hypothesis.settings.register_profile("long", max_examples=2_000, derandomize=False, **EXAMPLES)
hypothesis.settings.load_profile("default")


# --- What a test needs from the system ---------------------------------------
def pytest_addoption(parser):
    parser.addoption(
        "--need-all",
        action="store_true",
        help="a test whose system package is missing fails instead of being left out",
    )
    parser.addoption(
        "--again",
        action="store_true",
        help="for the other database, after a whole run: without what cannot differ there, which is tests"
        " that touch no database, and what another program reads or shows",
    )


def pytest_collection_modifyitems(config, items):
    for item in items:
        if item.path.parent.name == "browser":
            item.add_marker(pytest.mark.needs("chromium"))
        for name in needs_of(item):
            if name not in NEEDS:
                raise pytest.UsageError(f"{item.nodeid}: needs({name!r}) is not one of {', '.join(NEEDS)}")
    if config.getoption("--again"):
        left_out = [item for item in items if not touches_database(item) or needs_of(item) - {"postgresql"}]
        items[:] = [item for item in items if item not in set(left_out)]
        config.hook.pytest_deselected(items=left_out)


def touches_database(item):
    fixtures = {"db", "transactional_db", "live_server"}
    return bool(item.get_closest_marker("django_db") or fixtures.intersection(item.fixturenames))


def needs_of(item):
    return {name for mark in item.iter_markers("needs") for name in mark.args}


@pytest.hookimpl(tryfirst=True)  # before the fixtures, which would fail for want of the very same program
def pytest_runtest_setup(item):
    missing = sorted(name for name in needs_of(item) if NEEDS[name].find() is None)
    if not missing:
        return
    item.user_properties += [("missing", name) for name in missing]
    reason = "not on this machine: " + ", ".join(missing)
    if item.config.getoption("--need-all"):
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)


def pytest_terminal_summary(terminalreporter):
    missing = Counter(
        value
        for outcome in ("skipped", "error")
        for report in terminalreporter.stats.get(outcome, [])
        for key, value in getattr(report, "user_properties", [])  # a file that cannot be read has none
        if key == "missing"
    )
    if not missing:
        return
    terminalreporter.section("missing system packages", yellow=True)
    for name, count in sorted(missing.items()):
        tests = "1 test" if count == 1 else f"{count} tests"
        terminalreporter.line(f"{name}: {tests} did not run. On Debian: {NEEDS[name].install}")


# --- Database -----------------------------------------------------------------
def pytest_report_header():
    return f"database: {connection.vendor}"


@pytest.fixture(scope="session")
def django_db_modify_db_settings(
    django_db_modify_db_settings_parallel_suffix, tmp_path_factory, django_db_blocker
):
    """SQLite gets a file of its own for each run, so that two runs in one checkout do not share it. In
    PostgreSQL no thread of the live server keeps its connection: the database could not be dropped."""
    connection.settings_dict["CONN_MAX_AGE"] = 0
    if connection.vendor == "sqlite":
        connection.settings_dict["TEST"]["NAME"] = str(tmp_path_factory.mktemp("database") / "test.sqlite3")


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup, django_db_blocker):
    """PostgreSQL drops no database that somebody is still connected to, and a thread or a process that a
    test started may be a moment behind in ending: it is sent away."""
    yield
    if connection.vendor == "postgresql":
        with django_db_blocker.unblock(), connection.cursor() as cursor:
            cursor.execute(
                "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity"
                " WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )


@pytest.fixture(autouse=True)
def _empty_cache(request):
    """The cache is a table outside the models, which the emptying after a transactional test leaves alone:
    sign-in limits would count on into the next test."""
    mark = request.node.get_closest_marker("django_db")
    transactional = {"transactional_db", "live_server"}.intersection(request.fixturenames)
    if not transactional and not (mark and mark.kwargs.get("transaction")):
        yield
        return
    request.getfixturevalue("transactional_db")  # so that it ends after this
    yield
    cache.clear()


@pytest.fixture(autouse=True)
def _default_language():
    """A page leaves its reader's language to the thread, and the next page sets its own. A test that asks
    for words without a page has nobody who does: it would read whatever the test before it spoke."""
    translation.deactivate()


@pytest.fixture
def child_environment(transactional_db, tmp_path):
    """Environment for a process that a test starts: the test's database, and mail written as files into
    `tmp_path / "mail"`. What the child is to see must be committed, hence the transactional database."""
    return os.environ | {
        "DATABASE_URL": database_url(connection.settings_dict),
        "EMAIL_URL": f"filemail:///{tmp_path / 'mail'}",
    }


def database_url(database):
    if connection.vendor == "sqlite":
        return f"sqlite:///{database['NAME']}"
    user, password, host = (quote(database[key], safe="") for key in ("USER", "PASSWORD", "HOST"))
    return f"postgres://{user}:{password}@{host}:{database['PORT']}/{database['NAME']}"


@pytest.fixture(scope="session", autouse=True)
def _addresses():
    """The addresses are read once, and not by a test that has just set DEMO."""
    importlib.import_module("config.urls")


# --- No network ---------------------------------------------------------------
# pytest-socket refuses to connect; asking a name server would reach the network before that.
_getaddrinfo = socket.getaddrinfo


def is_here(host):
    """Whether a host name or address is this machine. None is the wildcard of a listening socket."""
    if isinstance(host, bytes):
        host = host.decode()
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host in (None, "", "localhost", socket.gethostname())
    return address.is_loopback or address.is_unspecified


def local_getaddrinfo(host, *args, **kwargs):
    if not is_here(host):
        raise RuntimeError(f"A test asked for the address of {host!r}. Tests stay on this machine.")
    return _getaddrinfo(host, *args, **kwargs)


socket.getaddrinfo = local_getaddrinfo
