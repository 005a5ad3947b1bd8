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
    at = timezone.now()
    person = feeds.reader(token)
    if person is None:
        raise Http404
    feeds.note_fetch(person, at=at)
    answer = nothing_new(request, feeds.known(person, at=at)) or whole(request, feeds.feed(person, at=at))
    answer["Cache-Control"] = "private, no-cache"
    answer["X-Robots-Tag"] = "noindex"
    answer["Referrer-Policy"] = "no-referrer"
    answer.same_for_all = True  # type: ignore[attr-defined]  # read by SameForAllMiddleware
    return answer


def whole(request: Request, found: feeds.Feed) -> HttpResponse:
    body = HttpResponse(found.body, content_type="text/calendar; charset=utf-8")
    return nothing_new(request, found.validators) or with_validators(body, found.validators)


def nothing_new(request: Request, validators: feeds.Validators | None) -> HttpResponse | None:
    """The answer without a body for which the request's conditions ask (RFC 9110 13.2.2); None: the feed."""
    if validators is None:
        return None
    moment = validators.changed_at
    answer = get_conditional_response(request, validators.etag, int(moment.timestamp()) if moment else None)
    return with_validators(answer, validators) if answer else None


def with_validators(answer: HttpResponse, validators: feeds.Validators) -> HttpResponse:
    answer["ETag"] = validators.etag
    if validators.changed_at:
        answer["Last-Modified"] = http_date(validators.changed_at.timestamp())
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
