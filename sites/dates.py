"""Dates as they are written in the United States, whatever the language of the page."""

from __future__ import annotations

from datetime import date


def us(day: date | None) -> str:
    """Month, day, year: "6/12/2026"; empty for None."""
    return f"{day.month}/{day.day}/{day.year}" if day else ""
