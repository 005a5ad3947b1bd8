"""Keeps private links out of the logs."""

import logging
import re

PRIVATE = re.compile(r"(/(?:cal|requests|handover|rides|confirm|stop|sheet)/)[^/\s?\".]+")


def mask(text: str) -> str:
    """The text with the secret part of every private link replaced by stars."""
    return PRIVATE.sub(r"\1***", text)


class MaskPrivateLinks(logging.Filter):
    def filter(self, record: logging.LogRecord) -> bool:
        record.msg, record.args = mask(record.getMessage()), ()
        return True
