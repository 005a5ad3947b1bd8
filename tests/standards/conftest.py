import json
import subprocess
from datetime import datetime
from pathlib import Path

import pytest

from tests import system


class Libical:
    """The other engine, in its own process; see libical_peer.py."""

    def __init__(self):
        self.process = subprocess.Popen(
            [system.libical(), Path(__file__).with_name("libical_peer.py")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def expand(self, rule, start, *, limit, zone=None):
        """The first `limit` local times of `rule`; `zone` is a name, None for a start without a zone."""
        question = {"rule": rule, "start": f"{start:%Y%m%dT%H%M%S}", "zone": zone, "limit": limit}
        self.process.stdin.write(json.dumps(question) + "\n")
        self.process.stdin.flush()
        answer = json.loads(self.process.stdout.readline())
        assert "error" not in answer, f"libical refuses {rule} from {start}: {answer['error']}"
        return [datetime.fromisoformat(text) for text in answer["times"]]

    def close(self):
        self.process.stdin.close()
        self.process.wait(timeout=10)
        self.process.stdout.close()


@pytest.fixture(scope="session")
def libical():
    """Only for tests marked `needs("libical")`."""
    peer = Libical()
    yield peer
    peer.close()
