"""Answers to our invitations: reading a mail from anybody, what becomes of it, and the mailboxes it comes
from (RFC 5546 for what an answer means, RFC 6047 for how it travels by mail)."""

from shifts.seats.replies.mailboxes import (
    BadAddress,
    MailboxTrouble,
    Tally,
    last_read,
    read_mailbox_if_due,
    read_maildir,
    read_over_imap,
)
from shifts.seats.replies.taking import DECLINED_NOTE, reopen, settle, take, take_too_large

__all__ = [
    "DECLINED_NOTE",
    "BadAddress",
    "MailboxTrouble",
    "Tally",
    "last_read",
    "read_mailbox_if_due",
    "read_maildir",
    "read_over_imap",
    "reopen",
    "settle",
    "take",
    "take_too_large",
]
