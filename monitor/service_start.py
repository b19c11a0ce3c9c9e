"""A service from its start to its end, as one process.

A service lives for months: what it was asked for is read here without the library of the other
commands and their forms, which would stay in the memory of each.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import signal
from collections.abc import Coroutine, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from monitor.contract.errors import NiterwatchError
from monitor.runtime.log_lines import begin

Name = Literal["monitor", "hardware", "web"]

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceAsked:
    """A service, its settings file if one is named, and what is to be otherwise than in it."""

    service: Name
    settings: Path | None
    overrides: Sequence[str]


def service_asked(words: Sequence[str]) -> ServiceAsked | None:
    """Return the service that a command line asks for; None when it asks for anything else, or wrongly.

    >>> service_asked(["web", "--settings", "a.toml"])
    ServiceAsked(service='web', settings=PosixPath('a.toml'), overrides=[])
    >>> service_asked(["web", "--help"]) is None
    True
    """
    parser = argparse.ArgumentParser(add_help=False, allow_abbrev=False, exit_on_error=False)
    parser.add_argument("--settings", type=Path)
    parser.add_argument("--set", action="append", default=[], dest="overrides")
    for name in get_args(Name):
        if words[:1] == [name]:
            try:
                read, rest = parser.parse_known_args(words[1:])
            except argparse.ArgumentError:
                return None
            return None if rest else ServiceAsked(service=name, **vars(read))
    return None


def start(asked: ServiceAsked) -> None:
    """Run a service until it ends or the process is told to."""
    from monitor.runtime.clock import SystemClock
    from monitor.runtime.settings import load

    settings, clock = load(asked.settings, overrides=asked.overrides), SystemClock()
    if asked.service == "monitor":
        from monitor.service import serve as monitor

        run_to_end(monitor(settings, clock=clock))
    elif asked.service == "hardware":
        from hardware.service import serve as hardware

        run_to_end(hardware(settings, clock=clock))
    else:
        from web.service import serve as web

        run_to_end(web(settings, clock=clock))


def run_to_end(service: Coroutine[object, object, None], *, quiet: bool = False) -> None:
    """Run ``service`` until it ends or the process is told to; a stop by signal is no fault."""
    begin(level=logging.WARNING if quiet else logging.INFO)
    for talkative, level in (("alembic", logging.WARNING), ("mqtt", logging.CRITICAL)):
        logging.getLogger(talkative).setLevel(level)

    async def run() -> None:
        task = asyncio.current_task()
        assert task is not None  # noqa: S101 - asyncio.run runs a task
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, task.cancel)
        try:
            await service
        except asyncio.CancelledError:
            _log.info("stopped")
        except BaseException as error:
            if not isinstance(fault := first_of(error), NiterwatchError | KeyboardInterrupt):
                _log.critical("ended by a fault of this program: %r", fault)
            raise

    asyncio.run(run())


def first_of(error: BaseException) -> BaseException:
    """Return the first single error in a group of groups."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
