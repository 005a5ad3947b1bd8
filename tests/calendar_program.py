"""The other half of an invitation: a person's calendar program, which answers it by mail (RFC 6047)."""

import email
import email.policy
from datetime import UTC
from email.message import EmailMessage

from icalendar import Calendar, Event, vCalAddress, vText


def invitation_in(raw):
    """The calendar object in a mail of ours."""
    mail = email.message_from_bytes(bytes(raw), policy=email.policy.default)
    part = next(part for part in mail.walk() if part.get_content_type() == "text/calendar")
    return Calendar.from_ical(part.get_payload(decode=True))


def answer_to(invitation, partstat, *, stamp, occurrence=None, comment="", **instead):
    """The REPLY object of RFC 5546 3.2.3. `instead` replaces properties; None leaves one out."""
    asked = invitation.walk("VEVENT")[0]
    attendee = vCalAddress(instead.pop("attendee", str(asked["attendee"])))
    attendee.params["partstat"] = vText(partstat)
    event = Event()
    event.add("uid", str(asked["uid"]))
    event.add("sequence", asked["sequence"])
    event.add("dtstamp", stamp.astimezone(UTC).replace(microsecond=0))
    event.add("organizer", asked["organizer"])
    event.add("attendee", attendee)
    event.add("dtstart", asked["dtstart"].dt)
    event.add("dtend", asked["dtend"].dt)
    event.add("summary", str(asked["summary"]))
    if occurrence:
        event.add("recurrence-id", occurrence)
    if comment:
        event.add("comment", comment)
    for name, value in instead.items():
        event.pop(name.replace("_", "-"), None)
        if value is not None:
            event.add(name.replace("_", "-"), value)
    calendar = Calendar()
    calendar.add("prodid", "-//A phone//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "REPLY")
    calendar.add_component(event)
    return calendar.to_ical()


def mailed(calendar, *, sender, method="REPLY", subject="Declined: your run", text="", charset="utf-8"):
    """A calendar object in a mail, as calendar programs send it: an alternative and the same as a file.
    `sender` None leaves From out."""
    mail = EmailMessage(policy=email.policy.SMTP)
    if sender is not None:
        mail["From"] = f"A volunteer <{sender}>"
    mail["To"] = "runs@localhost"
    mail["Subject"] = subject
    mail["Message-ID"] = "<1@phone.example.org>"
    mail.set_content(text or "A calendar wrote this.\n")
    mail.add_alternative(calendar, maintype="text", subtype="calendar", cte="base64")
    part = mail.get_payload()[1]
    part.set_param("method", method)
    if charset:
        part.set_param("charset", charset)
    mail.add_attachment(calendar, maintype="application", subtype="ics", filename="invite.ics")
    return mail.as_bytes()


def reply_to(message, partstat, *, stamp, sender="", **facts):
    """The mail that answers an invitation of ours, `message`: a row of the outbox, or the object itself."""
    invitation = message if isinstance(message, Calendar) else invitation_in(message.raw)
    wrapping = {name: facts.pop(name) for name in ("subject", "text") if name in facts}
    asked = str(invitation.walk("VEVENT")[0]["attendee"]).removeprefix("mailto:")
    sender = asked if sender == "" else sender
    return mailed(answer_to(invitation, partstat, stamp=stamp, **facts), sender=sender, **wrapping)
