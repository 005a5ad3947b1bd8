"""Which column of a roster is which: the wordings coordinators give their headings."""

from __future__ import annotations

import re
import unicodedata

DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")

# What each column is to us, in the words of the preview.
MEANINGS = {
    "name": "name",
    "first": "first name",
    "last": "last name",
    "email": "e-mail address",
    "phone": "phone",
    "other_phone": "another phone, used where the first is empty",
    "language": "language of their mail",
    "reach": "how to reach them",
    "by_phone": "text or call, for people without e-mail",
    "license": "driver's license, valid until",
    "insurance": "insurance card, valid until",
    "briefing": "briefing done",
    "form": "volunteer agreement signed",
    "kit": "starter kit handed out",
    "ride": "shadow ride done",
    "lead": "lead driver",
    "driver": "drives",
    "current": "drives today",
    "status": "status",
    "car": "car",
    "crates": "crates the car holds",
    "hours": "days they can drive",
    "regular": "weekly run they drive regularly",
    "notes": "notes for the coordinator",
} | {day: f"can drive on {day.title()}s" for day in DAYS}

NUMBER = r"(?: (?:number|no|num|nr))?"
PHONE = r"(?:tele)?phones?"
EXPIRES = (
    r"(?:exp|expires|expiry|expiration|renewal)(?: (?:date|on|dt))?"
    r"|valid (?:until|through|thru|to|till)|good (?:until|through|thru)|until|ends?|end date|date"
)
LICENSE = r"(?:drivers? )?licen[cs]e|dl|lic|drivers? lic"
INSURANCE = (
    r"(?:(?:auto|car|vehicle) )?ins(?:urance)?(?: (?:card|policy|proof))?|proof of (?:auto )?insurance"
)
DONE = (
    r"(?: (?:date|done|complete|completed|completion|attended|taken|given|issued|received|on|date completed"
    r"|completion date|done on|completed on|given on|yes no))?"
)

PATTERNS = {
    "first": r"(?:first|given|fore) ?names?|first|f ?name|nombre",
    "last": r"(?:last|family|sur) ?names?|last|l ?name|apellidos?",
    "name": (
        r"(?:(?:full|volunteers?|drivers?|persons?|contact|your|members?) )?names?|volunteers?|person"
        r"|names? (?:of (?:the )?)?(?:volunteer|driver)|name first last|name last first"
        r"|first(?: name)?(?: and)? last(?: name)?|last(?: name)?(?: and)? first(?: name)?"
    ),
    "email": (
        r"(?:(?:personal|primary|main|preferred|home|contact|your|volunteers?|drivers?) )?"
        r"(?:e ?mails?(?: (?:addr|address|addresses|id))?|mail|mail address)|correo(?: electronico)?"
    ),
    "phone": (
        r"(?:(?:cell|cellular|mobile|main|primary|best|contact|preferred|your|volunteers?|drivers?) )?"
        rf"(?:{PHONE}|tel|ph){NUMBER}(?: (?:cell|mobile|main|1))?"
        rf"|(?:cell|cellular|mobile|telephone){NUMBER}|cel|contact (?:number|no)"
        r"|phone or cell|telefono|cellphone"
    ),
    "other_phone": (
        r"(?:home|work|office|other|alt|alternate|second|secondary|landline|day|evening)"
        rf" (?:{PHONE}|tel|ph){NUMBER}|land ?line|{PHONE} (?:home|work|office|other|2)"
    ),
    "language": (
        r"(?:(?:primary|preferred|spoken|home|main) )?languages?(?: (?:spoken|preferred|preference))?"
        r"|speaks|idiomas?"
    ),
    "reach": (
        r"(?:e ?mail text or call|text call or e ?mail|call text or e ?mail|text or e ?mail|e ?mail or text"
        r"|e ?mail or call|call or e ?mail)"
        r"|(?:preferred|best) (?:contact|contact method|method of contact|communication|method)"
        r"|contact (?:preference|method|by)|best way to (?:reach|contact)(?: you| them)?"
        r"|how to (?:reach|contact)(?: you| them)?|reach|reach by"
    ),
    "by_phone": r"text or call|call or text|text call|call text|texts?|text ok|ok to text|can text",
    "license": rf"(?:{LICENSE})(?: (?:{EXPIRES}))?|(?:{EXPIRES}) (?:of |for )?(?:{LICENSE})",
    "insurance": rf"(?:{INSURANCE})(?: (?:{EXPIRES}))?|(?:{EXPIRES}) (?:of |for )?(?:{INSURANCE})",
    "briefing": (
        rf"(?:orientation|briefing|training|food safety|food safety (?:training|briefing)|onboarding){DONE}"
        r"|date of (?:orientation|briefing|training)|(?:oriented|trained|briefed)(?: on)?"
    ),
    "ride": (
        rf"(?:shadow|shadow ?rides?|shadow shift|ride ?alongs?|ride along|first ride){DONE}"
        r"|date of (?:shadow ride|ride along)|shadowed(?: on)?|rode along(?: on)?"
    ),
    "form": (
        r"(?:(?:volunteer|liability|signed) )?(?:waiver|agreement|release|waiver form|release form|form)"
        r"(?: (?:signed|signed on|on file))?" + DONE + r"|signed (?:on|waiver|agreement|release|form)"
    ),
    "kit": (
        rf"(?:starter |driver )?kits?{DONE}|(?:has|got|have) (?:starter )?kit|kit (?:picked up|handed out)"
    ),
    "lead": r"(?:is )?(?:a )?lead(?: ?drivers?)?|can (?:train|lead)|trainer|trains",
    "driver": r"(?:is )?(?:a )?drivers?|drives|driving|can drive",
    "current": r"(?:is )?(?:a )?(?:current|active)(?: volunteer)? drivers?|drives now|driving now",
    "status": r"(?:volunteer |driver )?status|active|current|role|volunteer type|active volunteer",
    "crates": (
        r"(?:(?:number|no|num|how many|max|max number) (?:of )?)?crates?"
        r"|crates?(?: that)? (?:fit|capacity|count|in car|car holds|held)|(?:car |vehicle )?capacity"
        r"|(?:car|vehicle) (?:holds|crates|space)"
    ),
    "car": (
        r"(?:cars?|vehicles?|autos?)(?: (?:type|model|make|make model|make and model|description|driven))?"
        r"|type of (?:car|vehicle)|make(?: and)? model"
    ),
    "hours": (
        r"(?:days?|times?|hours|days? times?|days? (?:and|or) (?:times?|hours))"
        r" (?:available|free|preferred)"
        r"|available(?: (?:days?|times?|hours))?|availability|preferred (?:days?|times?)|which days|days"
        r"|can drive (?:on|when)|when (?:available|free)|(?:days|times) (?:they|you) can drive"
    ),
    "regular": (
        r"(?:(?:regular|weekly|usual|standing|assigned|fixed|own|current) )+"
        r"(?:runs?|routes?|shifts?|pickups?|slots?|assignments?)(?: (?:driven|assigned|names?))?"
        r"|runs?|routes?|regulars?|regular drivers?(?: (?:of|for|on))?|regularly drives"
        r"|(?:drives|driver (?:of|for))(?: (?:which|what|the))?"
        r" (?:runs?|routes?|regularly|weekly|regular runs?|weekly runs?)"
        r"|(?:which|what) (?:regular |weekly )?(?:runs?|routes?)(?: (?:do )?(?:they|you) drive)?"
    ),
    "notes": (
        r"(?:(?:additional|other|special|coordinator) )?"
        r"(?:notes?|comments?|remarks?|info|information)(?: (?:and )?(?:notes?|comments?))?"
        r"|misc|anything else"
    ),
} | {day: rf"{day[:3]}|{day}s?" for day in DAYS}
PATTERNS["tuesday"] += "|tues"
PATTERNS["thursday"] += "|thur|thurs"
_COMPILED = {field: re.compile(pattern) for field, pattern in PATTERNS.items()}


def plain(heading: str) -> str:
    """The heading without case, accents, apostrophes and punctuation: "DL exp." is "dl exp"."""
    text = unicodedata.normalize("NFKD", heading).casefold()
    text = "".join(mark for mark in text if not unicodedata.combining(mark))
    text = re.sub(r"['’‘`´]", "", text).replace("#", " number ")
    return " ".join(re.sub(r"[^0-9a-z]+", " ", text).split())


def field_of(heading: str) -> str | None:
    """What a column is to us (a key of MEANINGS), or None where we have no use for it.

    Words in brackets may refine the heading ("Phone (home)") or only explain it
    ("License exp (MM/DD/YYYY)"), so it is read with them first and then without.
    """
    if len(heading) > 100:
        return None
    for wording in (plain(heading), plain(re.sub(r"[(\[].*?[)\]]", " ", heading))):
        for field, pattern in _COMPILED.items():
            if pattern.fullmatch(wording):
                return field
    return None
