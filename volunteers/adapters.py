"""How sign-in behaves here: nobody signs up by themselves yet, and codes go through the outbox."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from django.conf import settings
from django.http import HttpRequest
from django.utils import timezone

from volunteers import outbox

COORDINATOR_AGE = 30 * 24 * 3600  # seconds


class AccountAdapter(DefaultAccountAdapter):
    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False

    def send_mail(self, template_prefix: str, email: str, context: dict[str, Any]) -> None:
        """Owes the mail like every other, so that a mail server that is down breaks no sign-in page."""
        message = self.render_mail(template_prefix, email, context)
        html = next((body for body, kind in getattr(message, "alternatives", []) if kind == "text/html"), "")
        text = str(message.body)
        outbox.write(
            address=email,
            mail=outbox.Mail(subject=str(message.subject), text=text, html=html or outbox.html_from(text)),
            kind="sign-in",
            expires_at=timezone.now() + timedelta(seconds=settings.ACCOUNT_LOGIN_BY_CODE_TIMEOUT),
        )

    def post_login(self, request: HttpRequest, user: Any, **kwargs: Any) -> Any:
        response = super().post_login(request, user, **kwargs)
        request.session.set_expiry(COORDINATOR_AGE if user.is_coordinator else settings.SESSION_COOKIE_AGE)
        return response
