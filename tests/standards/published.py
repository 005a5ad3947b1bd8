"""Values from outside that the code is held to. Each entry of the data names its source, and in `how`
whether that source was read, the value recomputed, or remembered."""

import json
from pathlib import Path

DATA = Path(__file__).parent / "data"

_CHECK_VALUES = {entry["name"]: entry for entry in json.loads((DATA / "check_values.json").read_text())}


def check_value(name: str):
    return _CHECK_VALUES[name]["value"]


def rfc5545_examples() -> list[dict]:
    """The worked rules of RFC 5545 3.8.5.3 with their instances, and one corrected twin."""
    return json.loads((DATA / "rfc5545_rrule_examples.json").read_text())
