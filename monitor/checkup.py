"""What ``niterwatch check`` asks of broker, store and clock; hardware looks at its own parts."""

from __future__ import annotations

from monitor.contract.errors import NiterwatchError, StoreInUse
from monitor.contract.readings import ClockState
from monitor.runtime.broker import reachable
from monitor.runtime.clock import Clock
from monitor.runtime.finding import Finding
from monitor.runtime.settings import BrokerSection, Settings
from monitor.trace.reader import TraceReader
from monitor.trace.store import TraceWriter


async def inspect(settings: Settings, *, clock: Clock) -> list[Finding]:
    """Return a finding for the broker, the store and the clock; never raises for what it finds."""
    return [
        await inspect_broker(settings.broker),
        inspect_store(settings.store.url),
        inspect_clock(clock),
    ]


async def inspect_broker(settings: BrokerSection) -> Finding:
    """Knock at the broker."""
    try:
        await reachable(settings)
    except NiterwatchError as error:
        return Finding("broker", False, str(error))
    return Finding("broker", True, f"answers at {settings.host}:{settings.port}")


def inspect_store(url: str) -> Finding:
    """Open the store as the monitor would; one that a running monitor holds is read instead."""
    writer = TraceWriter(url, software="check")
    try:
        notice = writer.open()
    except StoreInUse:
        return Finding("store", True, f"{_count(url)}, a running monitor writes to it")
    except NiterwatchError as error:
        return Finding("store", False, str(error))
    writer.close()
    return Finding("store", notice is None, notice or f"{_count(url)}, can be written to")


def inspect_clock(clock: Clock) -> Finding:
    """Tell what is known of the time of day."""
    wall = clock.wall()
    if wall.time is None:
        return Finding("clock", False, "the time of day is not set: connect a network or set it by hand")
    shown = f"{wall.time:%Y-%m-%d %H:%M} UTC"
    if wall.state is ClockState.SAVED:
        return Finding("clock", True, f"{shown}, not confirmed by a time server")
    return Finding("clock", True, f"{shown}, {wall.state}")


def _count(url: str) -> str:
    runs = len(TraceReader(url).runs())
    return f"{runs} run{'' if runs == 1 else 's'} kept"
