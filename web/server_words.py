"""What the page's server says to the log, in words for the people of the board."""

from __future__ import annotations

import logging

SERVER_LOG = "uvicorn.error"
"""The logger of uvicorn; everything it says goes through here."""
WORDS = {
    "Invalid HTTP request received.": "somebody sent the page what is no web request; it was refused",
    "Unsupported upgrade request.": "somebody asked the page for another kind of connection; it was refused",
    "Exceeded concurrency limit.": "too many connections to the page at once; one was refused",
    "Exception in ASGI application\n": "the page could not answer a request, by a fault of this program",
}
"""What it says of trouble, and what that means here."""
ADVICE = "No supported WebSocket library detected."
"""What it begins with to say how another kind of connection could be had; the page wants none."""


class ServerWords(logging.Filter):
    """Lets faults through, in our words, and leaves out what tells of the server's own comings and goings."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Put ``record`` into our words; return whether it is worth a line."""
        if record.levelno < logging.WARNING or str(record.msg).startswith(ADVICE):
            return False
        record.msg = WORDS.get(str(record.msg), record.msg)
        return True


def in_our_words() -> None:
    """Have the server speak so from now on; more than once changes nothing."""
    log = logging.getLogger(SERVER_LOG)
    if not any(isinstance(each, ServerWords) for each in log.filters):
        log.addFilter(ServerWords())
