"""What programs read: a person's calendar feed, and whether the installation is well."""

from __future__ import annotations

import logging

from django.db import DatabaseError
from django.http import Http404, HttpResponse, JsonResponse
from django.utils import timezone
from django.utils.cache import get_conditional_response
from django.utils.http import http_date
from django.views.decorators.http import require_safe

from shifts import worker
from shifts.calendar import feed as feeds
from shifts.pages.access import Request

logger = logging.getLogger(__name__)


@require_safe
def feed(request: Request, token: str) -> HttpResponse:
    """The runs of the person whose private link this is; 404 for a wrong link, a revoked one, and theirs
    who left.

    Nothing here depends on a sign-in, a language or a session, so the answer varies by nothing. It is not
    compressed: a calendar program was reported to fail on that.
    """
    person = feeds.reader(token)
    if person is None:
        raise Http404
    found = feeds.feed(person, at=timezone.now())
    response = HttpResponse(found.body, content_type="text/calendar; charset=utf-8")
    response["ETag"] = found.etag
    response["Last-Modified"] = http_date(found.changed_at.timestamp())
    modified = int(found.changed_at.timestamp())
    answer = get_conditional_response(request, found.etag, modified, response) or response
    answer["Cache-Control"] = "private, no-cache"
    answer["X-Robots-Tag"] = "noindex"
    answer["Referrer-Policy"] = "no-referrer"
    answer.same_for_all = True  # type: ignore[attr-defined]  # read by SameForAllMiddleware
    return answer


@require_safe
def healthz(request: Request) -> JsonResponse:
    """Whether the installation is well: 200 when the database answers, 503 when it does not.

    A late worker is told in the answer ("worker": "late", by shifts.worker.LATE) and on the desk, but is
    no 503: pages still serve everybody, and whatever takes a web process out of service at a 503 would
    turn late mail into no runs taken at all. A monitor that is to warn of it looks for the word "late".
    `worker_seen` is in UTC; null when it was never seen, or nobody knows. Nothing else is told.
    """
    try:
        seen, late = worker.last_seen(), worker.is_late(timezone.now())
    except DatabaseError:
        logger.exception("the database does not answer")
        return told({"database": "away", "worker": "unknown", "worker_seen": None}, status=503)
    moment = seen.isoformat(timespec="seconds") if seen else None
    return told({"database": "ok", "worker": "late" if late else "ok", "worker_seen": moment}, status=200)


def told(facts: dict[str, str | None], *, status: int) -> JsonResponse:
    return JsonResponse(facts, status=status, headers={"Cache-Control": "no-store"})
