"""The demo's people, all invented, in every stage of orientation.

Each is (name, address before @fernhollow.example or None, stage, facts). Stages: lead, ready, lapsing
(insurance runs out in 12 days), lapsed, break, on the way, sorts, under 18. Who is on the way has in
`way` how many days ago each step was done; `joined` is days ago too.
"""

from __future__ import annotations

from typing import Any

COORDINATOR = ("Marisol Quade", "marisol")


STEPS = ("briefing", "license", "insurance", "form", "kit", "ride")


def way(*days: int) -> dict[str, int]:
    """Days ago of the steps done, in the programme's order."""
    return dict(zip(STEPS, days, strict=False))


PEOPLE: list[tuple[str, str | None, str, dict[str, Any]]] = [
    ("Dorit Ashgrove", "dorit", "lead", {"crates": 30, "hours": "mornings", "spot": (40.4101, -79.0950)}),
    ("Wendell Pruitt-Okoro", "wendell", "lead", {"crates": 24, "spot": (40.4222, -79.1100)}),
    ("Anselm Tolliver", "anselm", "ready", {"crates": 20, "hours": "mornings", "spot": (40.4290, -79.0901)}),
    ("Priya Lindqvist", "priya", "ready", {"crates": 12, "spot": (40.4185, -79.0840), "early": True}),
    ("Joaquin Fell", "joaquin", "ready", {"crates": 40, "language": "es", "early": True}),
    ("Thea Marchbank", "thea", "ready", {"crates": 18, "hours": "weekends"}),
    ("Osric Bellweather", "osric", "ready", {"crates": 25, "early": True}),
    ("Nadia Thornquist", "nadia", "ready", {"crates": 16, "hours": "mornings"}),
    ("Gus Halloran-Reyes", None, "ready", {"crates": 22, "reach": "call"}),
    ("Cyrus Appleyard", "cyrus", "ready", {"crates": 8, "hours": "mornings"}),
    ("Ines Quillfeather", "ines", "ready", {"crates": 28, "reach": "text"}),
    ("Barnaby Stoke", "barnaby", "lapsing", {"crates": 24, "hours": "mornings"}),
    ("Halima Ferncliff", "halima", "lapsed", {"crates": 20}),
    ("Hester Coldwell", "hester", "break", {"crates": 15}),
    # Rode along in the weeks behind, was signed off and has had a first run alone.
    ("Lotte Vandermeer", "lotte", "on the way", {"joined": 34, "way": way(33, 31, 31, 30, 29)}),
    # Wait for a ride: one for nine days, one with a seat, one after "once more" with a ride proposed, one
    # whose ride nobody has signed off.
    ("Tobias Wren", "tobias", "on the way", {"crates": 14, "joined": 24, "way": way(22, 20, 20, 16, 9)}),
    ("Solveig Harrow", "solveig", "on the way", {"crates": 10, "joined": 20, "way": way(19, 15, 15, 12, 8)}),
    ("Maeve Stoke", "barnaby", "on the way", {"crates": 24, "joined": 34, "way": way(33, 31, 31, 30, 30)}),
    ("Kwame Oldcastle", "kwame", "on the way", {"crates": 20, "joined": 33, "way": way(32, 30, 30, 24, 22)}),
    # Wait for the coordinator: a kit, a form, a paper that was seen and whose date never followed.
    ("Ruth Penhallow", "ruth", "on the way", {"joined": 16, "way": way(15, 10, 10, 6)}),
    ("Lucian Foss", None, "on the way", {"reach": "text", "joined": 21, "way": way(20, 17, 17)}),
    (
        "Diego Marlowe-Tan",
        "diego",
        "on the way",
        {"language": "es", "joined": 40, "way": way(38, 33, 36, 35), "seen": "license"},
    ),
    # Wait for themselves: papers not shown.
    ("Fenna Birdsong", "fenna", "on the way", {"joined": 17, "way": way(16)}),
    ("Odette Crane", "odette", "sorts", {"joined": 150, "way": {"form": 149}}),
    ("Juniper Quillfeather", None, "under 18", {"reach": "call", "joined": 60}),
]

# Who asks to join, and how many days ago what followed: asked, asked back, taken in, greeted.
JOINS: list[dict[str, Any]] = [
    {"name": "Milo Sandoval-Hart", "box": "milo", "asked": 5, "taken_in": 3, "note": "Free most mornings."},
    {"name": "Ambrose Kettle", "box": "ambrose", "asked": 6, "taken_in": 4, "greeted": 3, "note": ""},
    {
        "name": "Petra Longacre",
        "box": "petra",
        "asked": 3,
        "asked_back": 2,
        "question": "Which mornings suit you, and does your car take eight crates?",
        "note": "My neighbour drives with you and is fond of it.",
    },
    {"name": "Yara Midwinter", "box": "yara", "asked": 0, "note": "I drive past the market every Tuesday."},
]

# Steps behind those whose stage says it; they drove before the programme kept its books here.
DONE_BEFORE = ("lead", "ready", "lapsing", "lapsed", "break")

# Days from today until the insurance card runs out.
INSURANCE_DAYS = {"lapsing": 12, "lapsed": -3}

# Whom to call when something happens to them.
EMERGENCY = {
    "Dorit Ashgrove": ("Nils Ashgrove", "+15555550181"),
    "Tobias Wren": ("Agatha Wren", "+15555550182"),
}
GUARDIAN = ("Juniper Quillfeather", "Ines Quillfeather")
NOT_AT = ("Osric Bellweather", "bakery", "The two steps at the side door are hard on his knee.")
OFTEN, OFTEN_RUNS = "Joaquin Fell", 11  # drives often enough to be suggested as a lead driver
KITS_COUNTED = 9
HELP = [(3, 120), (10, 150), (17, 90)]  # days ago, minutes: of whoever sorts

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
    "newcomer": "Yara Midwinter",
}
