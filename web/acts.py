"""Acts on their way from a phone to the monitor, and what it answered."""

from __future__ import annotations

import asyncio
import json
import logging
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from http import HTTPStatus

from pydantic import ValidationError

from monitor.contract.commands import COMMAND_ARGS, Command, CommandArgs, Reply, Verb
from monitor.contract.errors import PayloadRefused
from monitor.contract.payloads import decode, encode, first_complaint
from monitor.contract.topics import Topics
from monitor.runtime.clock import Clock
from web.security import Code, Throttle

REPLY_S = 3.0
"""How long a person is kept waiting for the monitor's answer [s]; it takes milliseconds."""
WAITING_LIMIT = 32
"""Acts under way at once; more is no crew of a press."""
SOMEBODY = "phone"
"""Who acts when no name was given."""


_log = logging.getLogger(__name__)


class Outcome(StrEnum):
    """What became of an act; also the key of the words that tell it."""

    DONE = "done"
    REFUSED = "refused"
    WRONG_CODE = "wrong_code"
    NO_CODE = "no_code"
    PAUSE = "pause"
    NO_ANSWER = "no_answer"
    NO_BROKER = "no_broker"
    UNFIT = "unfit"


HTTP_STATUS: dict[Outcome, HTTPStatus] = {
    Outcome.DONE: HTTPStatus.OK,
    Outcome.REFUSED: HTTPStatus.CONFLICT,
    Outcome.WRONG_CODE: HTTPStatus.UNAUTHORIZED,
    Outcome.NO_CODE: HTTPStatus.FORBIDDEN,
    Outcome.PAUSE: HTTPStatus.TOO_MANY_REQUESTS,
    Outcome.NO_ANSWER: HTTPStatus.GATEWAY_TIMEOUT,
    Outcome.NO_BROKER: HTTPStatus.SERVICE_UNAVAILABLE,
    Outcome.UNFIT: HTTPStatus.UNPROCESSABLE_ENTITY,
}


@dataclass(frozen=True, slots=True)
class Result:
    """An outcome, with the monitor's reason or the length of the pause [s]."""

    outcome: Outcome
    why: str = ""
    pause_s: float = 0.0


class Desk:
    """Checks the code, sends the command, waits for the reply. For one event loop."""

    def __init__(
        self,
        *,
        publish: Callable[[str, bytes], None],
        connected: Callable[[], bool],
        code: Code,
        clock: Clock,
        reply_s: float = REPLY_S,
    ) -> None:
        self._publish = publish
        self._connected = connected
        self._code = code
        self._clock = clock
        self._reply_s = reply_s
        self._throttle = Throttle()
        self._waiting: dict[str, asyncio.Future[Reply]] = {}
        self._hashing = asyncio.Lock()

    @property
    def open(self) -> bool:
        """Whether acts can be done at all: the board has a code."""
        return self._code.made

    @property
    def code(self) -> Code:
        """The device's code, by which reading may be closed as well."""
        return self._code

    async def act(self, press: str, verb: Verb, body: bytes, *, code: str, address: str) -> Result:
        """Carry one act of ``address`` to the monitor of ``press`` and return what became of it."""
        refused = await self.check(code, address=address)
        if refused is not None:
            return refused
        try:
            args, who = _read(verb, body)
        except PayloadRefused as error:
            return Result(Outcome.UNFIT, str(error))
        return await self._ask(press, Command(id=secrets.token_hex(8), who=who, args=args))

    def hear(self, payload: bytes) -> None:
        """Hand a reply to whoever waits for it; one that nobody waits for is left."""
        reply = decode(payload, Reply)
        waiting = self._waiting.get(reply.id)
        if waiting is not None and not waiting.done():
            waiting.set_result(reply)

    async def check(self, code: str, *, address: str) -> Result | None:
        """Return null if ``code`` of ``address`` is the device's, else what became of the try."""
        # One hash at a time: each takes 16 MiB, and a crowd of wrong codes must not.
        async with self._hashing:
            if not self._code.made:
                return Result(Outcome.NO_CODE)
            pause_s = self._throttle.pause_s(address, now_s=self._clock.monotonic())
            if pause_s > 0.0:
                return Result(Outcome.PAUSE, pause_s=pause_s)
            if await asyncio.to_thread(self._code.matches, code):
                self._throttle.right(address)
                return None
            now_s = self._clock.monotonic()
            self._throttle.wrong(address, now_s=now_s)
            if self._throttle.pause_s(address, now_s=now_s) > 0.0:
                _log.warning("too many wrong codes, the last from %s: it must wait a minute", address)
            return Result(Outcome.WRONG_CODE)

    async def _ask(self, press: str, command: Command) -> Result:
        if not self._connected() or len(self._waiting) >= WAITING_LIMIT:
            return Result(Outcome.NO_BROKER)
        waiting: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        self._waiting[command.id] = waiting
        try:
            self._publish(Topics(press).command(command.verb), encode(command))
            reply = await asyncio.wait_for(waiting, self._reply_s)
        except TimeoutError:
            return Result(Outcome.NO_ANSWER)
        finally:
            del self._waiting[command.id]
        return Result(Outcome.DONE) if reply.done else Result(Outcome.REFUSED, reply.reason or "")


def _read(verb: Verb, body: bytes) -> tuple[CommandArgs, str]:
    """Return the arguments of ``verb`` in ``body`` and who gives them."""
    try:
        given = json.loads(body or b"{}")
        if not isinstance(given, dict) or "verb" in given:
            raise PayloadRefused("body: an object of arguments is wanted")
        who = given.pop("who", SOMEBODY)
        if not isinstance(who, str) or not (who := who.strip()[:64]):
            who = SOMEBODY
        return COMMAND_ARGS.validate_python({**given, "verb": verb}), who
    except ValidationError as error:
        raise PayloadRefused(first_complaint(error)) from None
    except (ValueError, RecursionError) as error:
        raise PayloadRefused(f"body: no JSON ({type(error).__name__})") from None
