"""The page over https: its certificate and key as the settings name them, and how long it is good."""

from __future__ import annotations

import ssl
from datetime import UTC, datetime
from pathlib import Path

from monitor.contract.errors import SettingsError
from monitor.runtime.settings import WebSection

STEPS = 8
"""More turns than a handshake within one process takes."""


class SecureLine:
    """What https is served with."""

    def __init__(self, certificate: Path, key: Path) -> None:
        """Raise :class:`SettingsError` for files that cannot be read or do not fit each other."""
        self._certificate = certificate
        self.context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        try:
            self.context.load_cert_chain(certificate, key, password=_ask_nobody)
        except ssl.SSLError:
            raise SettingsError(
                f"web.certificate {certificate} and web.key {key} are no certificate and its key"
            ) from None
        except OSError as error:
            raise SettingsError(
                f"web.certificate {certificate} or web.key {key} cannot be read: {error.strerror}; "
                "check both names and their owner"
            ) from None

    @classmethod
    def of(cls, settings: WebSection) -> SecureLine | None:
        """Return the line that ``settings`` ask for, null for none."""
        if settings.certificate is None or settings.key is None:
            return None
        return cls(settings.certificate, settings.key)

    def good_until(self) -> datetime | None:
        """Return until when phones accept the certificate, null if they do not now.

        A browser's own check is made: a handshake with a client that trusts this certificate,
        and that looks at its dates by this board's clock.
        """
        client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        client.check_hostname = False
        client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
        try:
            client.load_verify_locations(self._certificate)
            ends = _shaken_hands(self.context, client).getpeercert()
        except (ssl.SSLError, OSError):
            return None
        if not ends:
            return None
        return datetime.fromtimestamp(ssl.cert_time_to_seconds(str(ends["notAfter"])), UTC)


def _shaken_hands(server: ssl.SSLContext, client: ssl.SSLContext) -> ssl.SSLObject:
    """Return the client's end of a connection that never left this process."""
    to_client, to_server = ssl.MemoryBIO(), ssl.MemoryBIO()
    ours = server.wrap_bio(to_server, to_client, server_side=True)
    theirs = client.wrap_bio(to_client, to_server)
    for _ in range(STEPS):
        if all([_has_shaken(theirs), _has_shaken(ours)]):
            return theirs
    raise ssl.SSLError("no handshake")


def _has_shaken(end: ssl.SSLObject) -> bool:
    try:
        end.do_handshake()
    except ssl.SSLWantReadError:
        return False
    return True


def _ask_nobody() -> str:
    """Answer for a key under a password: a service has nobody to ask, so none is right."""
    return ""
