"""My regular run: its dates, skipping, stopping."""

from __future__ import annotations

from django.http import Http404, HttpResponse
from django.views.decorators.http import require_safe

from shifts.pages.access import Request, volunteer_only


@volunteer_only
@require_safe
def regular(request: Request, pk: int) -> HttpResponse:
    raise Http404(pk)
