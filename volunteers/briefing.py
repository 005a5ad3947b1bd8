"""The shipped driver briefing: its words and numbers as data.

Sources are named as they were read, or "from memory". What has none is common practice and says so.
Local codes and the health authority come first; the page says that before anything else.
"""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.translation import gettext as _

COLD_F = 41  # degrees Fahrenheit; FDA Food Code 2022, 3-501.16 and 3-202.11
HOT_F = 135  # the same sections
# Minutes out of the cold, dock to drop-off: common practice, no published source; well inside USDA's 2 h.
MINUTES = 60
MINUTES_IN_HEAT = 40  # the same above HEAT_F, inside USDA's 1 h
HEAT_F = 90  # USDA, food left out: 1 hour instead of 2 above this air temperature
WASH_SECONDS = 20  # FDA Food Code 2-301.12, from memory
WAIT_HOURS = 24  # after vomiting or diarrhea ends; FDA Food Code 2022, 2-201.13
BANANA_BOX_POUNDS = 40  # 35 to 40 lb of produce and 3 lb of box


@dataclass(frozen=True)
class Section:
    """A part of the briefing, in the active language."""

    slug: str
    title: str
    points: list[str]
    limit: str = ""  # the one thing to remember, shown as a caution
    source: str = ""


def numbers(lift_pounds: int) -> dict[str, int]:
    """The numbers that the words name. What one person lifts alone is the programme's own, in pounds."""
    return {
        "cold": COLD_F, "hot": HOT_F, "minutes": MINUTES, "in_heat": MINUTES_IN_HEAT, "heat": HEAT_F,
        "seconds": WASH_SECONDS, "hours": WAIT_HOURS, "box": BANANA_BOX_POUNDS, "lift": lift_pounds,
    }  # fmt: skip


def sections(*, lift_pounds: int) -> list[Section]:
    """The briefing in reading order: yourself, getting ready, at the dock, on the road."""
    known = numbers(lift_pounds)
    return [
        Section(
            "stay-home",
            _("When to stay home"),
            [
                _("Stay home with vomiting, diarrhea, yellow skin or eyes, or a sore throat with fever."),
                _("Stay home with an open or infected wound on hands or arms that you cannot cover tightly."),
                _("Tell the coordinator what it is: that protects those who eat the food."),
                _("Yellow skin or eyes, or a sore throat with fever: ask a doctor before you drive again."),
                _("Give the run back as soon as you know. Nobody asks you to come ill."),
            ],
            limit=_("After vomiting or diarrhea, wait until %(hours)s hours after it has ended.") % known,
            source=_("FDA Food Code 2022, 2-201.11 to 2-201.13."),
        ),
        Section(
            "wear-and-bring",
            _("What to wear and bring"),
            [
                _("Closed shoes with a good sole: docks are wet and crates are heavy."),
                _("Clothes that may get dirty, long hair tied back, and the vest where trucks move."),
                _("Your starter kit: vest, gloves, thermometer, cooler bag, strap."),
                _("License, insurance card, and a charged phone with the run open on it."),
            ],
            source=_("Common practice, no published source."),
        ),
        Section(
            "car",
            _("Preparing the car"),
            [
                _("Empty the load space and wipe it out. A clean sheet under the crates helps."),
                _("Take out what must not travel with food: fuel, cleaners, paint, pet things, tools."),
                _("Put frozen ice packs into the cooler bag before you leave home."),
                _("Keep the seat beside you free when somebody rides along."),
            ],
            source=_("Common practice, no published source."),
        ),
        Section(
            "hands",
            _("Clean hands"),
            [
                _("Wash with soap for at least %(seconds)s seconds, and dry with a paper towel.") % known,
                _("Wash before you load, after spoiled food, after the toilet, after sneezing or smoking."),
                _("Gloves do not replace washing. Change them when they tear or have touched dirt."),
                _("Cover a small cut with a plaster and a glove."),
            ],
            source=_("FDA Food Code 2-301.12, from memory."),
        ),
        Section(
            "sorting",
            _("Sorting at the dock"),
            [
                _("Look before you load. Take out what is moldy, slimy, leaking or crushed."),
                _("Spoiled pieces go where the door notes say, often the donor's compost. Not into the car."),
                _("Leave what has a broken seal, a bulging can or no label. People must see what is in it: "
                  "there are nine major allergens."),
                _("Whole, uncut produce may travel warm. Cut leafy greens, cut tomatoes and cut melon must "
                  "stay cold."),
                _("Not sure? Leave it, and say so. Nobody will complain."),
            ],
            source=_("Nine major allergens: FASTER Act of 2021. Cut produce: FDA Food Code 2022."),
        ),
        Section(
            "cold",
            _("Keeping food cold"),
            [
                _("Take cold food only when it is %(cold)s °F or below, and frozen food only when it is "
                  "frozen hard. Check with the thermometer between two packages.") % known,
                _("The clock starts when the food leaves the cold at the dock, not when you drive off. "
                  "So load cold food last, and note the time."),
                _("Go straight to the drop-off. No errands, no stop for fuel."),
                _("Held up? Call the coordinator before the time is over. Food that was out too long is not "
                  "handed over."),
                _("Hot food is %(hot)s °F or above. Take it only where the run says so.") % known,
            ],
            limit=_("From the cold at the dock to the cold at the drop-off: at most %(minutes)s minutes, and "
                    "%(in_heat)s when it is above %(heat)s °F outside.") % known,
            source=_("41 °F and 135 °F: FDA Food Code 2022, 3-501.16 and 3-202.11. The minutes are this "
                     "programme's own, shorter than the 2 hours (1 hour above 90 °F) that USDA gives "
                     "for food left out."),
        ),
        Section(
            "lifting",
            _("Lifting"),
            [
                _("A full banana box weighs about %(box)s lb. Try it by a corner before you lift.") % known,
                _("Feet apart, close to the load, back straight, lift with your legs. Turn with your feet."),
                _("Two trips beat one heavy one. Take the cart; ask at the dock for a hand."),
                _("A bad back, a hernia, a pregnancy, an operation? Ask your doctor or physical therapist "
                  "first what you may lift, and tell the coordinator: there are runs with light loads."),
                _("Something hurts? Put it down and stop."),
            ],
            limit=_("At most %(lift)s lb alone. Anything heavier: two people, or split it.") % known,
            source=_("Common practice, no published source. A doctor's word about your back goes before it."),
        ),
        Section(
            "driving",
            _("Driving"),
            [
                _("Your own car insurance comes first if something happens. Ask your insurer whether "
                  "volunteer driving is covered."),
                _("No phone in your hand. Set the way before you start; stop safely to call or read."),
                _("Seat belts for everybody. Strap the crates, and keep them below the backs of the seats."),
                _("The sticker inside the driver's door gives the weight your car may carry. You, the food "
                  "and whoever rides along all count."),
                _("Late is fine, hurry is not. Too tired, or ice on the road? Call the coordinator."),
                _("After a crash: 911 first, then the coordinator. Leave the food."),
            ],
            source=_("The Volunteer Protection Act of 1997, 42 U.S.C. 14503, does not cover harm done by "
                     "driving. This is information, not legal advice."),
        ),
    ]  # fmt: skip
