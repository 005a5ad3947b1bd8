"""The demo's people, all invented, in every stage of orientation.

Each is (name, address before @fernhollow.example or None, stage, facts). Stages:
lead, ready, lapsing (insurance runs out in 12 days), lapsed, waits for a ride, kit, papers, new, sorts.
"""

from __future__ import annotations

from typing import Any

COORDINATOR = ("Marisol Quade", "marisol")

PEOPLE: list[tuple[str, str | None, str, dict[str, Any]]] = [
    ("Dorit Ashgrove", "dorit", "lead", {"crates": 30, "hours": "mornings", "spot": (40.4101, -79.0950)}),
    ("Wendell Pruitt-Okoro", "wendell", "lead", {"crates": 24, "spot": (40.4222, -79.1100)}),
    ("Anselm Tolliver", "anselm", "ready", {"crates": 20, "hours": "mornings", "spot": (40.4290, -79.0901)}),
    ("Priya Lindqvist", "priya", "ready", {"crates": 12, "spot": (40.4185, -79.0840)}),
    ("Joaquin Fell", "joaquin", "ready", {"crates": 40, "language": "es"}),
    ("Thea Marchbank", "thea", "ready", {"crates": 18, "hours": "weekends"}),
    ("Osric Bellweather", "osric", "ready", {"crates": 25}),
    ("Nadia Thornquist", "nadia", "ready", {"crates": 16, "hours": "mornings"}),
    ("Gus Halloran-Reyes", None, "ready", {"crates": 22, "reach": "call"}),
    ("Lotte Vandermeer", "lotte", "ready", {}),
    ("Cyrus Appleyard", "cyrus", "ready", {"crates": 8, "hours": "mornings"}),
    ("Ines Quillfeather", "ines", "ready", {"crates": 28, "reach": "text"}),
    ("Barnaby Stoke", "barnaby", "lapsing", {"crates": 24, "hours": "mornings"}),
    ("Maeve Stoke", "barnaby", "waits for a ride", {"crates": 24}),
    ("Halima Ferncliff", "halima", "lapsed", {"crates": 20}),
    ("Tobias Wren", "tobias", "waits for a ride", {"crates": 14}),
    ("Solveig Harrow", "solveig", "waits for a ride", {"crates": 10}),
    ("Kwame Oldcastle", "kwame", "kit", {"crates": 20}),
    ("Ruth Penhallow", "ruth", "kit", {}),
    ("Diego Marlowe-Tan", "diego", "papers", {"language": "es"}),
    ("Fenna Birdsong", "fenna", "papers", {}),
    ("Ambrose Kettle", "ambrose", "new", {}),
    ("Yara Midwinter", "yara", "new", {}),
    ("Lucian Foss", None, "new", {"reach": "text"}),
    ("Odette Crane", "odette", "sorts", {}),
]

# Which programme steps each stage has behind it, by code.
DONE = {
    "lead": ("briefing", "license", "insurance", "form", "kit", "ride"),
    "ready": ("briefing", "license", "insurance", "form", "kit", "ride"),
    "lapsing": ("briefing", "license", "insurance", "form", "kit", "ride"),
    "lapsed": ("briefing", "license", "insurance", "form", "kit", "ride"),
    "waits for a ride": ("briefing", "license", "insurance", "form", "kit"),
    "kit": ("briefing", "license", "insurance", "form"),
    "papers": ("briefing", "form"),
    "new": (),
    "sorts": ("form",),
}

# Days from today until the insurance card runs out.
INSURANCE_DAYS = {"lapsing": 12, "lapsed": -3}

# Weekly run, who drives it regularly, how often. Halima's card has run out, Barnaby's does so soon: their
# runs are kept for them for a while.
REGULARS = [
    ("Monday market run", "Dorit Ashgrove", "every"),
    ("Wednesday market run", "Anselm Tolliver", "other"),
    ("Thursday market run", "Halima Ferncliff", "every"),
    ("Bread run, Tuesday and Friday", "Gus Halloran-Reyes", "1st 3rd"),
    ("Saturday market run", "Barnaby Stoke", "every"),
]
CREW_RUN, CREW_NAME, CAPTAIN = "Second Sunday bread run", "Harrow Lane choir", "Priya Lindqvist"
CREW = ("Lotte Vandermeer", "Cyrus Appleyard", "Tobias Wren")  # who is in it beside the captain
AWAY = ("Dorit Ashgrove", 20, 33, "Visiting her sister.")  # who skips their regular run, days from today

# Who looks in at /demo/: name, what they are.
LOOK_IN = {
    "coordinator": "Marisol Quade",
    "lead": "Dorit Ashgrove",
    "volunteer": "Anselm Tolliver",
    "trainee": "Tobias Wren",
}
