"""How soon each command answers and each service is ready: ``python -m tests.bench.starting``.

A command is timed from its start to its end as a person waits for it, the least of several turns; a
service from its start to its first heartbeat on a real broker, for the page until it answers as well.
The bare ways are an interpreter that does nothing, and one that imports the library the command cannot
do without.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path

import typer

from monitor.commands import app
from monitor.contract.presence import Service
from monitor.contract.topics import Topics
from tests.bench.table import Row, in_turns, lines
from tests.integration import services

HELP_LIMIT_S, READY_LIMIT_S = 0.3, 2.0
TURNS = 5
TRACE = "elapsed_s,outlet_degC,line_kPa\n0,20,0\n1,20,0\n"
COMMAND = (sys.executable, "-m", "monitor.cli")
WORKING: dict[str, tuple[str, ...]] = {
    "plan": ("--batch", "15 gal"),
    "runs": (),
    "replay": ("trace.csv",),
    "check": (),
}
"""Commands that are timed at their work as well, with what they are given."""


def rows() -> Iterable[Row]:
    """Measure."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "trace.csv").write_text(TRACE, encoding="utf-8")
        yield from helps(folder)
        yield from works(folder)
        yield from ready(folder)


def helps(folder: Path) -> Iterable[Row]:
    """Time the help of the program and of each of its commands."""
    asked = {"--help": ("--help",), **{name: (name, "--help") for name in names()}}
    bare_s, *taken_s = (
        min(turns)
        for turns in in_turns(
            lambda: once_s([sys.executable, "-c", "pass"], folder),
            *(lambda words=words: once_s([*COMMAND, *words], folder) for words in asked.values()),
            rounds=TURNS,
        )
    )
    by_name = dict(zip(asked, taken_s, strict=True))
    slowest = max(by_name, key=lambda name: by_name[name])
    for name in ("--help", slowest):
        what = "niterwatch --help" if name == "--help" else f"slowest of {len(by_name) - 1} helps: {name}"
        yield Row(
            what=what,
            measured=by_name[name],
            unit="s",
            bare=bare_s,
            bare_way="python -c pass",
            limit=HELP_LIMIT_S,
        )


def names() -> list[str]:
    """Return every command of the program."""
    group = typer.main.get_command(app)
    return sorted(getattr(group, "commands", {}))


def works(folder: Path) -> Iterable[Row]:
    """Time some commands at a work that takes no time itself."""
    bare_s, *taken_s = (
        min(turns)
        for turns in in_turns(
            lambda: once_s([sys.executable, "-c", "import pydantic, typer, numpy, sqlalchemy"], folder),
            *(
                lambda name=name, words=words: once_s([*COMMAND, name, *words], folder)
                for name, words in WORKING.items()
            ),
            rounds=TURNS,
        )
    )
    for name, took_s in zip(WORKING, taken_s, strict=True):
        yield Row(
            what=f"niterwatch {name}, nothing to do",
            measured=took_s,
            unit="s",
            bare=bare_s,
            bare_way="import of pydantic, typer, numpy, sqlalchemy",
        )


def once_s(command: Sequence[str], folder: Path) -> float:
    """Return how long ``command`` takes [s], whatever it says."""
    began_s = time.perf_counter()
    subprocess.run(
        command,
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(services.ROOM)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        check=False,
    )
    return time.perf_counter() - began_s


def ready(folder: Path) -> Iterable[Row]:
    """Time each service until it is there, the store made already."""
    with services.mosquitto(folder, log=folder / "broker.log") as broker:
        started = services.Services(folder, broker=broker.section, new_log=lambda n: folder / f"{n}.log")
        started.start("monitor")
        started.stop_all()
        bare = (
            ("fastapi, uvicorn, jinja2, aiomqtt", Service.WEB),
            ("pydantic, aiomqtt, numpy, sqlalchemy", Service.MONITOR),
            ("pydantic, aiomqtt", Service.HARDWARE),
        )
        for libraries, service in bare:
            bare_s, took_s = (
                min(turns)
                for turns in in_turns(
                    lambda libraries=libraries: once_s([sys.executable, "-c", f"import {libraries}"], folder),
                    lambda service=service: until_ready_s(started, service),
                    rounds=3,
                )
            )
            yield Row(
                what=f"{service} ready",
                measured=took_s,
                unit="s",
                bare=bare_s,
                bare_way=f"import of {libraries}",
                limit=READY_LIMIT_S,
            )


def until_ready_s(started: services.Services, service: Service) -> float:
    """Start one service, return the time to its first own heartbeat [s], and stop it."""
    topics = Topics(started.press)
    with services.Ear(started.broker, topics=(topics.presences,)) as ear:
        program = started._program(service)
        began_s = time.perf_counter()
        program.start()
        with closing(_Stopped(program)):
            services.until(lambda: not program.alive or there(started, service, ear), what=f"{service} is up")
            assert program.alive, program.text()[-300:]
            return time.perf_counter() - began_s


def there(started: services.Services, service: Service, ear: services.Ear) -> bool:
    """Tell whether a fresh heartbeat has come, and for the page whether it answers."""
    heard = any(not message.retain for message in ear.on(Topics(started.press).presence(service)))
    return heard and (service is not Service.WEB or services.answers(started.web_port))


class _Stopped:
    """Stops a program when closed."""

    def __init__(self, program: services.Program) -> None:
        self._program = program

    def close(self) -> None:
        self._program.stop()


if __name__ == "__main__":
    sys.stdout.writelines(f"{line}\n" for line in lines(rows()))
