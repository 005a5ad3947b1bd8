"""What the tests of the desk's pages share: a coordinator's browser, and nonsense to type into forms."""

from datetime import UTC, datetime, timedelta

from allauth.mfa.models import Authenticator
from django.apps import apps
from django.contrib.messages import get_messages
from django.contrib.sessions.models import Session
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from shifts.models import Policy
from sites.models import Programme
from tests.factories import coordinator

NOW = datetime(2026, 6, 2, 14, 0, tzinfo=UTC)  # a Tuesday, 10:00 a.m. in New York
TODAY = NOW.date()
DAY = timedelta(days=1)

# Programme, who covers, session, user, people of the sign-in, second factor: every page of the desk.
EVERY_PAGE = 6

NONSENSE = [
    "",
    " ",
    "\0",
    "x\0y",
    "💥",
    "z" * 6_000,
    "-1",
    "0",
    "7",
    "99999999999999999999999",
    "1e309",
    "nan",
    "Infinity",
    "１２",
    "٣",
    "2027-02-30",
    "13/45/2027",
    "0000-00-00",
    "9999-12-31",
    "1/1/1900",
    "<script>alert(1)</script>",
    "' OR 1=1 --",
    "Ann\r\nBcc: thief@example.org",
    "a@b@c",
    "ä@exämple.org",
    "40, 200",
    "25:61",
    "[]",
    "=1+1",
    "+",
]


def desk_client(person=None):
    """A coordinator's browser, past the second factor."""
    person = person or coordinator()
    Authenticator.objects.create(user=person.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    client = Client()
    client.force_login(person.user)
    return client


def text_of(answer):
    return " ".join(answer.content.decode().split())


def said(answer):
    """The words that the next page shows on top."""
    return " ".join(str(message) for message in get_messages(answer.wsgi_request))


def errors_of(answer, name="form"):
    return {field: " ".join(errors) for field, errors in answer.context[name].errors.items()}


def survives_nonsense(client, address, fields, good=None):
    """Posts nonsense: each piece into all fields at once, then another piece into each; into one field of a
    good form where one is given. A page or a redirect must come of it; an exception would come out of the
    client."""
    count = len(NONSENSE)
    posts = [dict.fromkeys(fields, piece) for piece in NONSENSE]
    posts += [{name: NONSENSE[(n * 7 + k) % count] for n, name in enumerate(fields)} for k in range(count)]
    if good:
        posts = [{fields[k % len(fields)]: piece} for k, piece in enumerate(NONSENSE * 2)] + posts[:count]
    for post in posts:
        answer = client.post(address, {**(good or {}), **post})
        assert answer.status_code in (200, 302), (post, answer.status_code)


def looked_at(answer):
    """What the page of a look holds, in words without markup: by heading, the rows as shown."""
    return {
        group.title: [
            " | ".join(
                str(part)
                for part in (row["name"], row.get("hint"), *row.get("lines", ()), *row.get("more_lines", ()))
                if part
            )
            for row in group.rows
        ]
        for group in answer.context["look"].groups
    }


def confirm(client, answer):
    """Presses the button of a look: what was typed is sent once more, with the mark of what was shown."""
    sent = {"confirm": answer.context["look"].mark}
    for name, value in answer.context["fields"]:
        sent.setdefault(name, []).append(value)
    return client.post(answer.wsgi_request.path, sent)


def save(client, address, post):
    """Posts and confirms the look, where there is one."""
    answer = client.post(address, post)
    return confirm(client, answer) if answer.status_code == 200 and answer.context.get("look") else answer


def press_undo(client, page):
    """Presses the undo that a page offers; the answer, which may be a look again."""
    undo = page.context["undo"]
    return client.post(undo["url"], undo["fields"])


def all_rows():
    """Every row of every table but sessions: two of them are equal when nothing was written between. The
    two rows that are made when they are first read are there."""
    Programme.current()
    Policy.current()
    models = [model for model in apps.get_models() if model is not Session]
    return {model._meta.label: sorted(map(str, model.objects.values_list())) for model in models}


def queries_of(client, address):
    client.get(address)
    with CaptureQueriesContext(connection) as queries:
        assert client.get(address).status_code == 200
    return len(queries), "\n".join(query["sql"][:200] for query in queries)
