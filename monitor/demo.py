"""The demo: broker, invented press, sensors, monitor and page in one process, on one clock.

The press is simulated and every number of it is made up, but nothing else is: it writes
kernel files, and the same readers, broker, engine, store and page run as on a board.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hardware import service as hardware
from hardware.kernel_files import KernelTree
from hardware.simulated_press import SimulatedPress
from hardware.sounder import RecordingSounder, Sounder
from monitor import service as monitor
from monitor.contract.names import VERDICTS
from monitor.contract.readings import Point
from monitor.contract.status import RunStatus
from monitor.contract.units import Dimension, convert
from monitor.runtime.clock import SystemClock
from monitor.runtime.embedded_broker import embedded_broker
from monitor.runtime.settings import Settings
from web import qr_code
from web import service as web
from web.address import address
from web.security import DeviceCode

LINE_EVERY_S = 1.0
"""Real time between two refreshes of the terminal's status line."""


async def serve(settings: Settings, *, speed: float, keep: Path | None, seed: int) -> None:
    """Run the demo until cancelled; its runs are kept in ``keep``, or forgotten at the end."""
    clock = SystemClock(speed=speed)
    code, device_code = DeviceCode.make()
    line = StatusLine(clock)
    with _home(keep) as home, KernelTree.temporary() as tree:
        async with embedded_broker() as port:
            settings = _moved_in(settings, home=home, tree=tree, broker_port=port)
            press = SimulatedPress(tree, settings=settings, seed=seed)
            press.write()
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(press.run(clock=clock), name="invented press")
                tasks.create_task(
                    hardware.serve(settings, clock=clock, sounder=_invented_sounder(settings, clock)),
                    name="hardware",
                )
                tasks.create_task(
                    monitor.serve(settings, clock=clock, invented=True, watcher=line.show), name="monitor"
                )
                tasks.create_task(
                    web.serve(
                        settings,
                        clock=clock,
                        code=device_code,
                        invented=True,
                        ready=lambda: _welcome(settings, code=code, speed=speed),
                    ),
                    name="page",
                )


def _invented_sounder(settings: Settings, clock: SystemClock) -> Sounder | None:
    """Return a sounder that nobody hears, as invented as the press; null where a real one is set."""
    fitted = settings.sounder.pin is not None or settings.sounder.card is not None
    return None if fitted else RecordingSounder(clock=clock)


class StatusLine:
    """One line of status in the terminal, refreshed in place; a line a verdict where it is none."""

    def __init__(self, clock: SystemClock) -> None:
        self._clock = clock
        self._shown_s = float("-inf")
        self._said: str | None = None
        self._in_place = sys.stdout.isatty()

    def show(self, status: RunStatus) -> None:
        """Show ``status`` if the last line is old enough, or says something else."""
        said = _verdict(status)
        now_s = asyncio.get_running_loop().time()
        if self._in_place and now_s - self._shown_s < LINE_EVERY_S and said == self._said:
            return
        if not self._in_place and said == self._said:
            return
        self._shown_s, self._said = now_s, said
        text = _summary(status, said)
        sys.stdout.write(f"\r\x1b[2K{text}" if self._in_place else f"{text}\n")
        sys.stdout.flush()


def _verdict(status: RunStatus) -> str:
    verdict = next((str(flag.name) for flag in status.flags if flag.name in VERDICTS), "no run")
    return ", ".join([verdict, *(f"{alarm.name} ({alarm.state})" for alarm in status.alarms)])


def _summary(status: RunStatus, said: str) -> str:
    parts = [f"{status.run.elapsed_s / 60:5.1f} min" if status.run else "         ", said]
    outlet, line = status.points.get(Point.OUTLET), status.points.get(Point.LINE)
    if outlet and outlet.value is not None:
        parts.append(f"outlet {convert(outlet.value, dimension=Dimension.TEMPERATURE, into='degF'):.1f} degF")
    if line and line.value is not None:
        parts.append(f"line {convert(line.value, dimension=Dimension.PRESSURE, into='psi'):.0f} psi")
    return "  ".join(parts)


def _welcome(settings: Settings, *, code: str, speed: float) -> None:
    where = address(settings.web)
    qr_code.to_terminal(where, sys.stdout)
    sys.stdout.write(
        f"\nPage:  {where}\nCode for the acts:  {code}\n"
        f"An invented press, {speed:g} times faster than life; all its data are made up. Ctrl-C ends it.\n\n"
    )
    sys.stdout.flush()


@contextmanager
def _home(keep: Path | None) -> Iterator[Path]:
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        yield keep
        return
    with tempfile.TemporaryDirectory(prefix="niterwatch-demo-") as folder:
        yield Path(folder)


def _moved_in(settings: Settings, *, home: Path, tree: KernelTree, broker_port: int) -> Settings:
    """Return ``settings`` with the demo's own store, kernel files and broker."""
    return settings.model_copy(
        update={
            "store": settings.store.model_copy(update={"url": f"sqlite:///{home / 'niterwatch.db'}"}),
            "kernel": settings.kernel.model_copy(update={"w1": tree.w1, "iio": tree.iio}),
            "broker": settings.broker.model_copy(update={"host": "127.0.0.1", "port": broker_port}),
            "web": settings.web.model_copy(update={"code_file": home / "device-code"}),
        }
    )
