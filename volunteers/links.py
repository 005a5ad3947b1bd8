"""Private links: an HMAC of purpose, row and a nonce kept in the row. Made and read here and only here.

Nothing secret is stored, so a link can be shown again; a new nonce revokes the old link. A link that is good
for some days only holds the last of them in place of a nonce.
"""

from __future__ import annotations

import base64
import hmac
from datetime import date

from django.conf import settings
from django.db import models

BYTES = 20  # 160 bits, above the 128 that a private address needs


def signature(purpose: str, pk: int, nonce: str) -> str:
    text = f"{purpose}|{pk}|{nonce}".encode()
    digest = hmac.digest(settings.SECRET_KEY.encode(), b"link|" + text, "sha256")[:BYTES]
    return base64.urlsafe_b64encode(digest).decode().rstrip("=")


def token(purpose: str, row: models.Model, nonce: str) -> str:
    """The secret part of a link to a row, such as "c1-Qm9...": the row's number and the signature."""
    return f"{row.pk}-{signature(purpose, row.pk, nonce)}"


def row_number(text: str) -> int | None:
    """The row a token names, not yet checked; None when it cannot be one."""
    number, _, rest = text.partition("-")
    return int(number) if rest and number.isascii() and number.isdigit() and len(number) < 19 else None


def is_valid(text: str, purpose: str, row: models.Model, nonce: str) -> bool:
    return hmac.compare_digest(text.encode(), token(purpose, row, nonce).encode())


def day_token(purpose: str, row: models.Model, day: date) -> str:
    """The secret part of a link that is good until a day, such as "12-20270511-Qm9..."."""
    return f"{row.pk}-{day:%Y%m%d}-{signature(purpose, row.pk, day.isoformat())}"


def day_in(text: str, purpose: str, row: models.Model) -> date | None:
    """The day until which such a link is good, which may be over; None where it was not made here."""
    try:
        day = date.fromisoformat(text.split("-")[1])
    except (IndexError, ValueError):
        return None
    return day if hmac.compare_digest(text.encode(), day_token(purpose, row, day).encode()) else None
