"""What a stranger has typed to join, and the code sent to prove the address: kept in their session alone."""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta
from typing import Any

from allauth.core import ratelimit
from django.http import HttpRequest, QueryDict
from django.utils.crypto import constant_time_compare, salted_hmac
from django.utils.translation import gettext as _
from django.utils.translation import override

from shifts.pages.forms_join import ContactForm, HoursRows, MoreForm
from sites.models import Programme
from volunteers import joining, outbox

KEY = "join"
KEPT = timedelta(days=1)  # what was typed by somebody who never came to the code
CODE_LASTS = timedelta(minutes=10)  # as the code of an ordinary sign-in
LONGEST = 4000  # characters of one thing typed; no field takes as many


class NoCode(Exception):
    """A code is not sent, or is not right; the text says why and what to do."""


class Draft:
    """Three parts, each as it was typed: contact, more, and the code last sent. Nothing else is written."""

    def __init__(self, request: HttpRequest) -> None:
        self.request = request
        kept = request.session.get(KEY) or {}
        self.contact: dict[str, str] = kept.get("contact") or {}
        self.more: dict[str, str] = kept.get("more") or {}
        self.code: dict[str, Any] = kept.get("code") or {}

    def save(self) -> None:
        self.request.session[KEY] = {"contact": self.contact, "more": self.more, "code": self.code}
        self.request.session.set_expiry(int(KEPT.total_seconds()))

    def forget(self) -> None:
        self.request.session.pop(KEY, None)

    # --- what was typed

    def keep_contact(self, posted: QueryDict) -> None:
        self.contact = typed(posted, ContactForm.base_fields)
        self.save()

    def keep_more(self, posted: QueryDict) -> None:
        hours = [name for name in posted if name.startswith("hours-")][: 5 * 50]
        self.more = typed(posted, [*MoreForm.base_fields, *hours])
        self.save()

    def contact_form(self) -> ContactForm:
        return ContactForm(self.contact)

    def more_forms(self) -> tuple[MoreForm, Any]:
        return MoreForm(self.more), HoursRows(self.more)

    def hours_typed(self) -> list[dict[str, str]]:
        """The rows of hours as typed, to be shown again."""
        names = ("weekday", "begins", "ends")
        count = sum(name.endswith("-weekday") for name in self.more)
        rows = [{name: self.more.get(f"hours-{n}-{name}", "") for name in names} for n in range(count)]
        return [row for row in rows if any(row.values())]

    @property
    def email(self) -> str:
        """The address to prove; empty where the first page is not filled in."""
        form = self.contact_form()
        return form.cleaned_data["email"] if self.contact and form.is_valid() else ""

    @property
    def has_more(self) -> bool:
        form, hours = self.more_forms()
        return bool(self.more) and form.is_valid() and hours.is_valid()

    def facts(self) -> dict[str, Any]:
        """Everything typed, for joining.write_request; both pages are valid."""
        contact, (more, hours) = self.contact_form(), self.more_forms()
        if not (contact.is_valid() and more.is_valid() and hours.is_valid()):
            raise ValueError("asked before both pages were right")
        return {**contact.cleaned_data, **more.facts(), "hours": hours.values()}

    # --- the code

    def has_code(self, at: datetime) -> bool:
        """Whether a code is out for this address that still works."""
        if not self.code or self.code["email"] != self.email:
            return False
        return at.timestamp() - self.code["at"] < CODE_LASTS.total_seconds()

    def send_code(self, *, programme: Programme, at: datetime) -> None:
        """Mails a new code; an earlier one is void. An address that is known here gets a mail that says so,
        and the page shows no difference. Raises NoCode where too many were asked for."""
        email = self.email
        if not ratelimit.consume(self.request, action="join_from"):
            raise NoCode(
                _("Too many people asked from here within an hour. Try again later, or call the coordinator.")
            )
        if not ratelimit.consume(self.request, action="join_mail", key=email):
            raise NoCode(
                _(
                    "Enough codes were sent to this address for a day. Look for the mail, also among "
                    "unwanted mail; try again tomorrow, use another address, or call the coordinator."
                )
            )
        digits, salt = f"{secrets.randbelow(10**6):06}", secrets.token_hex(8)
        name = "join_known" if joining.sign_in_in_use(email) else "join_code"
        with override(self.contact["language"]):
            mail = outbox.render(name, {"code": digits, "programme": programme})
        outbox.write(
            address=email,
            mail=mail,
            kind="sign-in",  # its words are not kept once it was sent
            expires_at=at + CODE_LASTS,
            at=at,
            programme=programme,
        )
        self.code = {"hash": hashed(digits, salt), "salt": salt, "email": email, "at": at.timestamp()}
        self.save()

    def check_code(self, text: str, *, at: datetime) -> None:
        """Raises NoCode unless it is the code of the newest mail, in time, after few tries."""
        if not self.has_code(at):
            raise NoCode(_("This code is too old. Have another one sent below."))
        if not ratelimit.consume(self.request, action="join_try", key=self.code["salt"]):
            raise NoCode(_("Too many wrong codes. Have another one sent below."))
        digits = "".join(mark for mark in text if mark.isascii() and mark.isdigit())
        if not constant_time_compare(hashed(digits, self.code["salt"]), self.code["hash"]):
            raise NoCode(
                _("That is not the code of the newest mail. Look again, or have another one sent below.")
            )


def typed(posted: QueryDict, names: Any) -> dict[str, str]:
    return {name: str(posted[name])[:LONGEST] for name in names if name in posted}


def hashed(digits: str, salt: str) -> str:
    """Of no use to whoever reads the session: six digits alone are soon tried, but not with our key."""
    return salted_hmac(f"join-code|{salt}", digits, algorithm="sha256").hexdigest()
