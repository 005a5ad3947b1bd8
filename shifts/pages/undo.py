"""Undo: what was just done is offered to be taken back, once, on the page that it returns to."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.utils.http import url_has_allowed_host_and_scheme

KEY = "undo"


def offer_undo(request: HttpRequest, words: str, url: str, **fields: Any) -> None:
    """The next page shows a button with these words; it posts the fields to the address. A list is a field
    that is sent several times."""
    request.session[KEY] = {"words": words, "url": url, "fields": fields}


def undo_offered(request: HttpRequest) -> dict[str, Any] | None:
    """What the page has to offer; asked once, then gone."""
    undo = request.session.pop(KEY, None)
    return undo and {**undo, "pairs": pairs_of(undo["fields"])}


def pairs_of(fields: dict[str, Any]) -> list[tuple[str, Any]]:
    """The fields as a form sends them."""
    return [
        (name, one)
        for name, value in fields.items()
        for one in (value if isinstance(value, list) else [value])
    ]


def back_to(request: HttpRequest, fallback: str) -> str:
    """The page that a form asks to return to, if it is one of ours; else the fallback."""
    wanted = request.POST.get("next", "")
    ours = url_has_allowed_host_and_scheme(
        wanted, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    )
    return wanted if ours and wanted.startswith("/") else fallback  # anything else may be a view's name
