"""The device's code, and the pause after too many wrong ones.

The code is eight digits, so that wet gloves can type it. Only its scrypt hash is kept
(RFC 7914); the pause, not the hash, is what stops guessing over the network.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from monitor.contract.errors import SettingsError
from web.private_file import keep

DIGITS = 8
LONGEST_TRY = 64
"""A longer text is no code; it is not hashed."""
COST, BLOCK, PARALLEL = 2**14, 8, 1
"""scrypt N, r, p: 16 MiB and about a tenth of a second on a small board."""
WRONG_LIMIT = 5
"""Wrong codes from one address in a minute before the pause (requirement)."""
WRONG_LIMIT_ALL = 60
"""Wrong codes from all addresses together in a minute."""
WINDOW_S = 60.0
PAUSE_S = 60.0
TOKEN_BYTES = 16
LONGEST_TOKEN = 200
"""A longer text is no token; it is not looked at to its end."""
SEAL_FOR = b"niterwatch reading "
"""What the seal is for, so that it serves for nothing else."""
ADDRESS_LIMIT = 256
"""Addresses remembered; the one heard longest ago is forgotten first."""


class Code(Protocol):
    """What acts are checked by."""

    @property
    def made(self) -> bool:
        """Whether there is a code at all; without one no act is let through."""

    def matches(self, text: str) -> bool:
        """Tell whether ``text`` is the code."""

    def token(self) -> str:
        """Return what a phone is given that knew the code; empty while there is none."""

    def has_sealed(self, token: str) -> bool:
        """Tell whether ``token`` was given out under this code."""


@dataclass(frozen=True, slots=True)
class DeviceCode:
    """The hash of the device's code."""

    salt: bytes = field(repr=False)
    digest: bytes = field(repr=False)

    @classmethod
    def make(cls) -> tuple[str, DeviceCode]:
        """Return a new random code, as "4821 7730", and its hash. The text is kept nowhere."""
        digits = "".join(secrets.choice("0123456789") for _ in range(DIGITS))
        salt = secrets.token_bytes(16)
        return f"{digits[:4]} {digits[4:]}", cls(salt, _hashed(digits, salt))

    @classmethod
    def load(cls, file: Path) -> DeviceCode | None:
        """Return the hash kept in ``file``, null if there is no file; refuse one that is damaged."""
        try:
            parts = file.read_text(encoding="ascii").strip().split("$")
            scheme, salt, digest = parts[0], bytes.fromhex(parts[-2]), bytes.fromhex(parts[-1])
        except FileNotFoundError:
            return None
        except OSError as error:
            raise SettingsError(
                f"device code file {file} cannot be read: {error.strerror}; check its owner"
            ) from None
        except (ValueError, IndexError):
            scheme, salt, digest = "", b"", b""
        if scheme != "scrypt" or len(parts) != 3 or len(salt) != 16 or len(digest) != 32:
            raise SettingsError(f"device code file {file} is damaged: make a new code with `niterwatch code`")
        return cls(salt, digest)

    def save(self, file: Path) -> None:
        """Write the hash to ``file``, readable by its owner only."""
        text = f"scrypt${self.salt.hex()}${self.digest.hex()}\n"
        try:
            keep(file, text.encode("ascii"))
        except OSError as error:
            raise SettingsError(
                f"device code file {file} cannot be written: {error.strerror}; check web.code_file"
            ) from None

    @property
    def made(self) -> bool:
        """True: there is a code."""
        return True

    def matches(self, text: str) -> bool:
        """Tell whether ``text`` is the code; spaces and hyphens do not count. Takes constant time."""
        digits = "".join(character for character in text[:LONGEST_TRY] if character not in " -\u00a0")
        return hmac.compare_digest(_hashed(digits, self.salt), self.digest)

    def token(self) -> str:
        """Return a random number and its seal, which is worth nothing once another code is made."""
        number = secrets.token_hex(TOKEN_BYTES)
        return f"{number}.{self._seal(number)}"

    def has_sealed(self, token: str) -> bool:
        """Tell whether ``token`` was given out under this code. Takes constant time."""
        number, _, seal = token[:LONGEST_TOKEN].partition(".")
        return hmac.compare_digest(self._seal(number).encode(), seal.encode())

    def _seal(self, number: str) -> str:
        return hmac.new(self.digest, SEAL_FOR + number.encode(), hashlib.sha256).hexdigest()


def new_code(file: Path) -> str:
    """Keep a new code in ``file`` and return its text, which nobody can tell again."""
    text, made = DeviceCode.make()
    made.save(file)
    return text


def _hashed(digits: str, salt: bytes) -> bytes:
    return hashlib.scrypt(digits.encode(), salt=salt, n=COST, r=BLOCK, p=PARALLEL, dklen=32)


@dataclass(slots=True)
class _Tries:
    wrong_s: list[float] = field(default_factory=list)
    until_s: float = 0.0


class Throttle:
    """Counts wrong codes by address; times are seconds of one monotonic clock."""

    def __init__(self) -> None:
        self._tries: OrderedDict[str, _Tries] = OrderedDict()
        self._all = _Tries()

    def pause_s(self, address: str, *, now_s: float) -> float:
        """Return how long ``address`` must still wait, 0 if it may try."""
        tries = self._tries.get(address)
        until_s = max(self._all.until_s, tries.until_s if tries else 0.0)
        return max(0.0, until_s - now_s)

    def wrong(self, address: str, *, now_s: float) -> None:
        """Note a wrong code from ``address``."""
        tries = self._tries.setdefault(address, _Tries())
        self._tries.move_to_end(address)
        if len(self._tries) > ADDRESS_LIMIT:
            self._tries.popitem(last=False)
        _count(tries, WRONG_LIMIT, now_s)
        _count(self._all, WRONG_LIMIT_ALL, now_s)

    def right(self, address: str) -> None:
        """Forget the wrong codes of ``address``: its person found the right one."""
        self._tries.pop(address, None)


def _count(tries: _Tries, limit: int, now_s: float) -> None:
    tries.wrong_s = [at_s for at_s in tries.wrong_s if now_s - at_s < WINDOW_S] + [now_s]
    if len(tries.wrong_s) >= limit:
        tries.until_s = now_s + PAUSE_S
        tries.wrong_s.clear()
