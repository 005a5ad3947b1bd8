"""The demo's programme and sites. Everything here is invented: town, sites, phones, coordinates."""

from typing import Any

PROGRAMME = {
    "name": "Fernhollow Food Run",
    "town": "Fernhollow",
    "time_zone": "America/New_York",
    "contact_name": "Marisol Quade",
    "contact_phone": "+15555550100",
    "contact_email": "marisol@fernhollow.example",
}

SITES: dict[str, dict[str, Any]] = {
    "market": {
        "facts": {
            "name": "Brambleway Market",
            "street": "410 Brambleway",
            "town": "Fernhollow",
            "gives": True,
            "latitude": 40.4172,
            "longitude": -79.1031,
        },
        "contacts": [
            {"name": "Teo", "role": "receiving, mornings", "phone": "+15555550171"},
            {"name": "Store desk", "role": "when the dock does not answer", "phone": "+15555550172"},
        ],
        "doors": {
            "approach": "Turn in behind the garden centre. The ramp is steep and slick in rain.",
            "entrance": "Dock 2, the roller door with the yellow bell. Ring once and wait a little.",
            "parking": "Back up to the dock edge, engine off, hazard lights on. Ten minutes are fine.",
            "ask_for": "Ask for Teo in receiving. Say: “Pickup for Fernhollow Food Run.”",
            "carts": "Crates stand in the cold room on two flat carts. Leave the black trays.",
            "spoiled": "Sort at the dock table. Soft or mouldy pieces go into the green tub beside it.",
            "leave_cart": "Wheel the flat cart back inside the cold-room door, brake on.",
        },
    },
    "bakery": {
        "facts": {
            "name": "Oat and Ember Bakehouse",
            "street": "7 Tinder Alley",
            "town": "Fernhollow",
            "gives": True,
            "latitude": 40.4251,
            "longitude": -79.0894,
        },
        "contacts": [{"name": "Ilse", "role": "shift lead", "phone": "+15555550173"}],
        "doors": {
            "approach": "Tinder Alley is one way from the river side.",
            "entrance": "The blue side door, up two steps. There is no dock and no ramp.",
            "parking": "Loading bay opposite, 15 minutes, hazard lights on.",
            "ask_for": "Ask for Ilse. Say: “I am here for last night's bread.”",
            "carts": "Bread is in paper sacks on the rack. Bring your own crates; there is no cart.",
            "spoiled": "Nothing to sort. Leave torn sacks with Ilse.",
        },
    },
    "pantry": {
        "facts": {
            "name": "Harrow Lane Pantry",
            "street": "55 Harrow Lane",
            "town": "Fernhollow",
            "takes": True,
            "latitude": 40.4080,
            "longitude": -79.0812,
        },
        "contacts": [{"name": "Beatrix", "role": "pantry manager", "phone": "+15555550174"}],
        "doors": {
            "approach": "Enter from Harrow Lane, the gate code is on the fence, right side.",
            "entrance": "Double doors at the back, under the awning.",
            "parking": "Under the awning. Leave room for the pantry's own van.",
            "ask_for": "Ask for Beatrix or whoever wears the orange apron.",
            "carts": "Cold food first, straight into the walk-in. They have carts; the scale is by the door.",
            "leave_cart": "By the scale.",
        },
    },
    "kitchen": {
        "facts": {
            "name": "Cedar Room Kitchen",
            "street": "120 Cedar Street",
            "town": "Fernhollow",
            "takes": True,
            "latitude": 40.4309,
            "longitude": -79.1142,
        },
        "contacts": [{"name": "Old Sam", "role": "kitchen", "phone": "+15555550175"}],
        "doors": {
            "approach": "Cedar Street, the brick hall with the green roof.",
            "entrance": "Kitchen door on the left side. Knock hard, the fans are loud.",
            "parking": "On the street. Not on the grass.",
            "ask_for": "Ask for Sam. Say what is cold and what is not.",
            "carts": "Carry in by hand; it is ten steps. Take two trips rather than one heavy one.",
        },
    },
}

# name, rule (weekdays, every) or nth, start, from, to, crates, minutes
SHIFTS = [
    ("Monday market run", "FREQ=WEEKLY;BYDAY=MO", (8, 0), "market", "pantry", 18, 75),
    ("Bread run, Tuesday and Friday", "FREQ=WEEKLY;BYDAY=TU,FR", (7, 0), "bakery", "kitchen", 6, 45),
    ("Wednesday market run", "FREQ=WEEKLY;BYDAY=WE", (8, 0), "market", "kitchen", 16, 75),
    ("Thursday market run", "FREQ=WEEKLY;BYDAY=TH", (8, 0), "market", "pantry", 18, 75),
    ("Saturday market run", "FREQ=WEEKLY;BYDAY=SA", (9, 0), "market", "pantry", 24, 90),
    ("Second Sunday bread run", "FREQ=MONTHLY;BYDAY=2SU,4SU", (10, 30), "bakery", "pantry", 8, 60),
]
