"""A press on a bench: faked sensors that never stand still, the three services, a real broker.

The kernel files are kept moving by a thread, as a pump and a probe would, so that nothing
looks frozen that is not meant to.
"""

from __future__ import annotations

import http.client
import json
import math
import random
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from hardware.kernel_files import KernelTree, LineFiles, ProbeFiles
from monitor.contract.commands import Command, CommandArgs, Reply, StartArgs
from monitor.contract.names import Flag
from monitor.contract.payloads import decode, encode
from monitor.contract.readings import Point
from monitor.contract.topics import Topics
from tests.faults.listener import Listener, seconds_until
from tests.integration.services import BrokerProgram, Program, Services, mosquitto
from tests.ports import LOOPBACK

RESTART_S = 1.0
"""RestartSec of our units."""
LIVE_DEADLINE_S = 30.0
SHOW_EVERY_S = 0.04
STROKE_HZ = 0.8
STROKE_PSI = 2.0
NOISE_PSI = 0.15
NOISE_C = 0.04


def deg_c(deg_f: float) -> float:
    """Return degF in degC."""
    return (deg_f - 32.0) * 5.0 / 9.0


def psi_mv(psi: float) -> float:
    """Return what a 0-100 psi transducer gives over 100 ohm: 4 mA at zero, 20 mA at full."""
    return 100.0 * (4.0 + 16.0 * psi / 100.0)


@dataclass
class Plant:
    """What a family of faults works on. Set ``outlet_f`` and ``psi``; the files follow."""

    services: Services
    broker: BrokerProgram
    tree: KernelTree
    listener: Listener
    sound: Path
    outlet_f: float = 150.0
    psi: float = 35.0
    probe: ProbeFiles = field(init=False)
    line: LineFiles = field(init=False)
    _stop: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.probe = ProbeFiles(self.tree.w1, sensor_id="0000feed0001")
        self.line = LineFiles(self.tree.iio)
        self._keeper = threading.Thread(target=self._keep, name="press", daemon=True)
        self._keeper.start()

    def start(self, *names: str) -> None:
        """Start services and wait until each is there."""
        self.services.start(*(names or ("monitor", "hardware", "web")))

    def program(self, name: str) -> Program:
        """Return the process of a service that was started."""
        return self.services.programs[name]

    def killed_and_back(self, name: str, *, restart_s: float = RESTART_S) -> float:
        """Kill a service, start it as systemd would; return the seconds from the kill until it is live."""
        program = self.program(name)
        began_s = time.monotonic()
        program.kill()
        time.sleep(restart_s)
        program.start()
        seconds_until(lambda: self.live(name, since_s=began_s), deadline_s=LIVE_DEADLINE_S)
        lived = self.live(name, since_s=began_s)
        return time.monotonic() - began_s if lived else float("inf")

    def kill_monitor(self) -> None:
        """Kill the monitor and leave it so."""
        self.program("monitor").kill()

    def try_monitor(self, override: str, *, limit_s: float) -> tuple[str | None, str]:
        """Start a monitor of its own with a changed setting, then stop it.

        Returns why it never published a status, and its log.
        """
        services = self.services
        settings = ["--settings", str(services.settings_file), "--set", override]
        log = services.directory / "tried.log"
        log.unlink(missing_ok=True)
        tried = Program([*services.command, "monitor", *settings], log=log, environment=services.environment)
        began_s = time.monotonic()
        tried.start()
        seconds_until(lambda: not tried.alive or self.live("monitor", since_s=began_s), deadline_s=limit_s)
        lived = tried.alive and self.live("monitor", since_s=began_s)
        tried.kill()
        return None if lived else tried.text()[-200:] or "no status", tried.text()

    def live(self, name: str, *, since_s: float) -> bool:
        """Tell whether a service has done its own work since ``since_s``."""
        if name == "monitor":
            return self.listener.status(since_s=since_s) is not None
        if name == "hardware":
            return all(
                self.listener.reading(point, since_s=since_s) is not None
                for point in (Point.OUTLET, Point.LINE)
            )
        return bool(self.page())

    def page(self, path: str = "/") -> str:
        """Return a page's text, empty where none is served."""
        connection = http.client.HTTPConnection(LOOPBACK, self.services.web_port, timeout=5.0)
        try:
            connection.request("GET", path)
            answer = connection.getresponse()
            return answer.read().decode() if answer.status == http.client.OK else ""
        except OSError:
            return ""
        finally:
            connection.close()

    def send_raw(self, data: bytes) -> bytes:
        """Send bytes to the page's port and hang up; return the beginning of what it says."""
        with socket.create_connection((LOOPBACK, self.services.web_port), timeout=0.2) as line:
            line.sendall(data)
            line.shutdown(socket.SHUT_WR)
            return line.recv(64)

    def told(self) -> Iterator[dict[str, object]]:
        """Give what the live page's stream tells, as it comes; for ever."""
        connection = http.client.HTTPConnection(LOOPBACK, self.services.web_port, timeout=30.0)
        try:
            connection.request("GET", f"/live/{self.services.press}")
            answer = connection.getresponse()
            while line := answer.readline():
                if line.startswith(b"data:"):
                    yield json.loads(line.removeprefix(b"data:"))
        finally:
            connection.close()

    def page_lives(self) -> bool:
        """Tell whether the page, asked anew, shows the press as live."""
        try:
            return bool(next(self.told(), {}).get("live"))
        except OSError:
            return False

    def act(self, args: CommandArgs, *, who: str = "press hand") -> str:
        """Send a command as the page would; return its id."""
        command = Command(id=f"{random.getrandbits(64):016x}", who=who, args=args)
        topic = Topics(self.services.press).command(command.verb)
        self.listener.say(topic, encode(command))
        return command.id

    def answered(self, args: CommandArgs, *, limit_s: float = 2.0) -> bool:
        """Send a command; tell whether the monitor answers in time that it is done."""
        topic = self.listener.topics.reply(self.act(args))
        if seconds_until(lambda: topic in self.listener.newest, deadline_s=limit_s) > limit_s:
            return False
        return decode(self.listener.newest[topic].payload, Reply).done

    def open_run(self) -> None:
        """Start a run as a person would, sooner than pressure opens one."""
        opened = seconds_until(self._open, deadline_s=LIVE_DEADLINE_S)
        assert opened < LIVE_DEADLINE_S, "no run opens"

    def _open(self) -> bool:
        status = self.listener.status()
        if status is not None and status.run is None and Point.OUTLET in status.points:
            self.act(StartArgs())
            seconds_until(lambda: self.listener.says(Flag.STILL_RECIRCULATING), deadline_s=2.0)
        return status is not None and status.run is not None

    def await_flag(self, flag: Flag, *, deadline_s: float = LIVE_DEADLINE_S) -> float:
        """Return the seconds until the status raises ``flag``."""
        return seconds_until(lambda: self.listener.says(flag), deadline_s=deadline_s)

    def close(self) -> None:
        """Stop the press and all its services."""
        self._stop.set()
        self._keeper.join()
        for program in self.services.programs.values():
            program.kill()

    def _keep(self) -> None:
        chance = random.Random(0)  # noqa: S311 - a press's noise
        while not self._stop.wait(SHOW_EVERY_S):
            stroke = STROKE_PSI * math.sin(2.0 * math.pi * STROKE_HZ * time.monotonic())
            pulsing = stroke + chance.gauss(0.0, NOISE_PSI) if self.psi > STROKE_PSI else 0.0
            self.line.show(psi_mv(self.psi + pulsing))
            self.probe.show(deg_c(self.outlet_f) + chance.gauss(0.0, NOISE_C))


@contextmanager
def plant(directory: Path, *, settings: dict[str, dict[str, object]] | None = None) -> Iterator[Plant]:
    """Give a press in ``directory`` with its broker running and no service started."""
    directory.mkdir(parents=True, exist_ok=True)
    sound = directory / "heard.wav"
    alsa = directory / "asound.conf"
    alsa.write_text(
        f'pcm.heard {{ type file; file "{sound}"; format "wav"; slave.pcm {{ type null }} }}\n'
        "ctl.heard { type null }\n"
    )
    with (
        KernelTree.temporary() as tree,
        mosquitto(directory, log=directory / "mosquitto.log") as broker,
        Listener(broker.section) as listener,
    ):
        services = Services(directory, broker=broker.section, new_log=lambda name: directory / f"{name}.log")
        services.environment |= {"ALSA_CONFIG_PATH": str(alsa)}
        services.settings |= {
            "kernel": {"w1": str(tree.w1), "iio": str(tree.iio)},
            "sounder": {"card": "heard"},
            "point.outlet": {"time_constant": "0 s", "tolerance": "0.1 degC"},
            **(settings or {}),
        }
        pressed = Plant(services, broker, tree, listener, sound)
        try:
            yield pressed
        finally:
            pressed.close()
