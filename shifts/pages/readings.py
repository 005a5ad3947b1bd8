"""Door notes read on a page: its button sends back which revision of which site it showed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.http import QueryDict
from django.utils.translation import gettext as _

from shifts.pages.keys import is_key
from sites.models import Site
from volunteers import doors
from volunteers.models import Person


def readings_in(posted: QueryDict) -> dict[int, int]:
    """By the site's key, the revision that was shown: the fields `read`, each "SITE:REVISION". What no page
    of ours writes is left out."""
    shown = {}
    for value in posted.getlist("read"):
        parts = value.split(":")
        if len(parts) == 2 and all(map(is_key, parts)):
            shown[int(parts[0])] = int(parts[1])
    return shown


def record_readings(shown: Mapping[int, int], *, person: Person, by: Any) -> set[int]:
    """Records that the person has read what was shown. Returns the sites whose notes have changed since
    they were shown: those count as not read.

    Each reading is kept by itself, whatever becomes of the others. Raises NotPossible.
    """
    newest = doors.newest_revisions(shown)
    current = [pk for pk in newest if shown[pk] == newest[pk]]
    for site in Site.objects.filter(pk__in=current):
        doors.read(site, person=person, revision=newest[site.pk], by=by)
    return newest.keys() - set(current)


def changed_meanwhile() -> str:
    return _(
        "These notes have changed since you opened the page. "
        "Here are the newest ones: please read them again."
    )
