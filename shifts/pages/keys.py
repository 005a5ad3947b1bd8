"""Keys of rows, as forms send them."""

from __future__ import annotations

LONGEST = 18  # digits; every such number fits into a key of either database


def is_key(text: str) -> bool:
    return text.isascii() and text.isdecimal() and len(text) <= LONGEST


def key_of(text: str) -> int:
    """The key; 0, which no row has, for anything else."""
    return int(text) if is_key(text) else 0
