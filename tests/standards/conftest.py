import json
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests import system

HERE = Path(__file__).parent
INSTANT = "%Y%m%dT%H%M%SZ"


class Peer:
    """Another engine in a process of its own, which answers each line of JSON by a line of JSON."""

    def __init__(self, *command):
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def ask(self, **question):
        self.process.stdin.write(json.dumps(question) + "\n")
        self.process.stdin.flush()
        answer = json.loads(self.process.stdout.readline())
        assert "error" not in answer, f"refused: {answer['error']}\n{question}"
        return answer

    def occurrences(self, text, first, last):
        """When the events of a calendar (str) start, by UID: UTC moments in order, from `first` up to, not
        including, `last` (aware), of which overrides move some; EXDATE, UNTIL and COUNT are heeded, STATUS
        is not. Time zones are what the VTIMEZONEs in the text say, whatever their names."""
        first, last = (f"{moment.astimezone(UTC):{INSTANT}}" for moment in (first, last))
        times = self.ask(text=text, first=first, last=last)["times"]
        return {uid: [as_moment(time) for time in found] for uid, found in times.items()}

    def close(self):
        self.process.stdin.close()
        self.process.wait(timeout=10)
        self.process.stdout.close()


class Libical(Peer):
    """See libical_peer.py."""

    def __init__(self):
        super().__init__(system.libical(), HERE / "libical_peer.py")

    def expand(self, rule, start, *, limit, zone=None):
        """The first `limit` local times of `rule`; `zone` is a name, None for a start without a zone."""
        answer = self.ask(rule=rule, start=f"{start:%Y%m%dT%H%M%S}", zone=zone, limit=limit)
        return [datetime.fromisoformat(text) for text in answer["times"]]

    def restrictions(self, text):
        """What RFC 5545 and, if it has a METHOD, RFC 5546 demand of a calendar (str) and libical misses in
        it, a text each; empty if it passes."""
        return self.ask(restrictions=text)["faults"]


def as_moment(text):
    return datetime.strptime(text, INSTANT).replace(tzinfo=UTC)


@pytest.fixture(scope="session")
def libical():
    """Only for tests marked `needs("libical")`, like the two after it."""
    peer = Libical()
    yield peer
    peer.close()


@pytest.fixture(scope="session")
def libical_occurrences(libical):
    return libical.occurrences


@pytest.fixture(scope="session")
def libical_restrictions(libical):
    return libical.restrictions


@pytest.fixture(scope="session")
def icaljs_occurrences():
    """Only for tests marked `needs("icaljs")`."""
    peer = Peer("node", HERE / "icaljs_peer.mjs", system.icaljs())
    yield peer.occurrences
    peer.close()
