"""Processor time and memory of the services at the default rates: ``python -m tests.bench.footprint``.

A press with its three probes at 1 Hz, a fourth 1 Hz reading that comes from outside (a press has no
fourth probe), a pressure sampled at 50 Hz, a run open, and one page that watches: real kernel files, a
real broker, a real database. Processor time is what the kernel counted over a minute, as a share of one
core. Memory is RSS, in which every process counts the libraries it shares with the others, and PSS,
which shares them out; both at the minute's end. The bare ways are programs that only pass the same
messages on by the same libraries (:mod:`tests.bench.bare_services`), measured in the minute after.
"""

from __future__ import annotations

import contextlib
import http.client
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from hardware.kernel_files import ProbeFiles
from monitor.contract.payloads import encode
from monitor.contract.readings import ClockState, Point, Quality, Reading, UnitCode
from monitor.runtime.clock import SystemClock
from tests.bench.table import Row, lines
from tests.faults.plant import Plant, deg_c, plant
from tests.integration import services
from tests.ports import unused_port

CPU_LIMIT, RSS_LIMIT_MIB, RSS_AIM_MIB = 5.0, 200.0, 150.0
WARM_UP_S, FOR_S = 10.0, 60.0
TICKS_S = os.sysconf("SC_CLK_TCK")
NAMES = ("hardware", "monitor", "web")
PROBES = {"outlet": "0000feed0001", "pan": "0000feed0002", "filler": "0000feed0003"}


@dataclass(frozen=True, slots=True)
class Use:
    """Share of a core [%], RSS and PSS [MiB]."""

    cpu: float
    rss_mib: float
    pss_mib: float

    def __add__(self, other: Use) -> Use:
        return Use(self.cpu + other.cpu, self.rss_mib + other.rss_mib, self.pss_mib + other.pss_mib)


def rows() -> Iterable[Row]:
    """Measure."""
    with tempfile.TemporaryDirectory() as name:
        settings: dict[str, dict[str, object]] = {
            f"point.{point}": {"sensor": f"28-{digits}", "tolerance": "0.1 degC"}
            for point, digits in PROBES.items()
        }
        with plant(Path(name), settings=settings) as pressed:
            ours = measured_services(pressed)
            bare = measured_bare(pressed)
    total, bare_total = (sum(uses.values(), start=Use(0.0, 0.0, 0.0)) for uses in (ours, bare))
    for name, use, plain in (*((n, ours[n], bare[n]) for n in ours), ("all four", total, bare_total)):
        last = name == "all four"
        way = "" if name == "broker" else "passing the messages on"
        yield Row(
            what=f"processor, {name}",
            measured=use.cpu,
            unit="% of a core",
            bare=plain.cpu,
            bare_way=way,
            limit=CPU_LIMIT if last else None,
        )
        yield Row(
            what=f"RSS, {name}",
            measured=use.rss_mib,
            unit="MiB",
            bare=plain.rss_mib,
            bare_way=way,
            limit=RSS_LIMIT_MIB if last else None,
            limit_words=f"aim {RSS_AIM_MIB:.0f}" if last else "",
        )
        yield Row(what=f"PSS, {name}", measured=use.pss_mib, unit="MiB", bare=plain.pss_mib, bare_way=way)


def measured_services(pressed: Plant) -> dict[str, Use]:
    """Return what each of our services uses in a minute of a run, and the broker."""
    pressed.outlet_f, pressed.psi = 170.0, 35.0
    # The tables are made at a board's first start only, by a library that no later start loads.
    pressed.start("monitor")
    pressed.services.stop("monitor")
    with other_probes(pressed), fourth_point(pressed):
        pressed.start(*NAMES)
        pressed.open_run()
        with watched(pressed.services.web_port):
            found = uses({**{n: pid_of(pressed.program(n)) for n in NAMES}, "broker": pid_of(pressed.broker)})
        pressed.services.stop_all()
    return found


def measured_bare(pressed: Plant) -> dict[str, Use]:
    """Return the same of the bare programs."""
    folder, port = pressed.services.directory, pressed.broker.port
    page_port = unused_port()
    (raw,) = pressed.tree.iio.glob("*/in_voltage0_raw")
    with contextlib.ExitStack() as open_programs:
        programs = {}
        for name, rest in (("web", [str(page_port)]), ("monitor", []), ("hardware", [str(raw)])):
            command = [sys.executable, "-m", "tests.bench.bare_services", name, str(port), *rest]
            programs[name] = services.Program(command, log=folder / f"bare-{name}.log")
            open_programs.enter_context(programs[name])
        services.until(lambda: services.answers(page_port), what="the bare page answers")
        open_programs.enter_context(watched(page_port))
        found = uses({**{n: pid_of(programs[n]) for n in NAMES}, "broker": pid_of(pressed.broker)})
        assert all(program.alive for program in programs.values()), "a bare program ended"
    return found


@contextlib.contextmanager
def other_probes(pressed: Plant) -> Iterator[None]:
    """Keep the pan's and the filler's probe moving."""
    probes = [ProbeFiles(pressed.tree.w1, sensor_id=PROBES[name]) for name in ("pan", "filler")]
    with ticking(
        lambda turn: [probe.show(deg_c(175.0 + (turn + k) % 7 / 10)) for k, probe in enumerate(probes)],
        every_s=0.2,
    ):
        yield


@contextlib.contextmanager
def fourth_point(pressed: Plant) -> Iterator[None]:
    """Publish a meter's reading once a second, from outside."""
    clock = SystemClock()
    topic = pressed.listener.topics.reading(Point.FLOW)

    def say(turn: int) -> None:
        reading = Reading(
            seq=turn,
            boot=clock.boot,
            mono_ms=int(1000 * clock.monotonic()),
            clock=ClockState.SAVED,
            value=2.0 + turn % 5 / 10,
            unit=UnitCode.LITRE_PER_MINUTE,
            quality=Quality.GOOD,
        )
        pressed.listener.say(topic, encode(reading))

    with ticking(say, every_s=1.0):
        yield


@contextlib.contextmanager
def ticking(work: Callable[[int], object], *, every_s: float) -> Iterator[None]:
    """Call ``work`` with a number that grows, again and again, in a thread."""
    stop = threading.Event()

    def run() -> None:
        turn = 0
        while not stop.wait(every_s):
            work(turn)
            turn += 1

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


@contextlib.contextmanager
def watched(port: int) -> Iterator[None]:
    """Read the live stream as one page does."""
    connection = http.client.HTTPConnection(services.LOOPBACK, port, timeout=30.0)
    connection.request("GET", "/live/main")
    answer = connection.getresponse()
    assert answer.status == http.client.OK

    def read() -> None:
        with contextlib.suppress(OSError, ValueError, http.client.HTTPException, AttributeError):
            while answer.readline():
                pass

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    try:
        yield
    finally:
        connection.close()


def uses(pids: Mapping[str, int]) -> dict[str, Use]:
    """Return what each process uses in a minute, after a warm-up."""
    time.sleep(WARM_UP_S)
    began_s, before = time.monotonic(), {name: cpu_s(pid) for name, pid in pids.items()}
    time.sleep(FOR_S)
    passed_s = time.monotonic() - began_s
    return {
        name: Use(100.0 * (cpu_s(pid) - before[name]) / passed_s, *memory_mib(pid))
        for name, pid in pids.items()
    }


def pid_of(program: services.Program) -> int:
    """Return its process."""
    assert program.process is not None
    return program.process.pid


def cpu_s(pid: int) -> float:
    """Return the processor time of a process and of its ended children [s] (proc(5): fields 14 to 17)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return sum(int(field) for field in fields[11:15]) / TICKS_S


def memory_mib(pid: int) -> tuple[float, float]:
    """Return RSS and PSS [MiB] as the kernel counts them (proc(5), smaps_rollup)."""
    text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    sizes = {line.split(":")[0]: int(line.split()[1]) for line in text.splitlines()[1:]}
    return sizes["Rss"] / 1024, sizes["Pss"] / 1024


if __name__ == "__main__":
    sys.stdout.writelines(f"{line}\n" for line in lines(rows()))
