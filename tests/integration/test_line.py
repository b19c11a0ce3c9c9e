"""The whole line: a value in a kernel file reaches the page and the alarm.

Three separate processes, a real broker, a real database file, a real Chromium, and ALSA's own
player writing what would be heard to a file that sox measures.
"""

from __future__ import annotations

import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from hardware.kernel_files import KernelTree, LineFiles, ProbeFault, ProbeFiles
from monitor.contract.payloads import decode
from monitor.contract.readings import Point
from monitor.contract.status import RunStatus, Standing
from monitor.contract.topics import Topics
from tests.integration.services import Ear, Services, until

TOPICS = Topics("main")
ALSA_RATE_HZ = 48_000
on_one_broker = pytest.mark.parametrize("broker_program", ["mosquitto"], indirect=True)
"""For what no kind of broker has a part in: once is enough."""


def psi_mv(psi: float) -> float:
    """Return what a 0-100 psi transducer gives over 100 ohm: 4 mA at zero, 20 mA at full (a current loop)."""
    return 100.0 * (4.0 + 16.0 * psi / 100.0)


def deg_c(deg_f: float) -> float:
    return (deg_f - 32.0) * 5.0 / 9.0


@dataclass
class Bench:
    """The faked sensors of a press, the services that read them, and an ear on the broker."""

    services: Services
    probe: ProbeFiles
    line: LineFiles
    ear: Ear
    sound: Path
    outlet_f: float = 70.0
    psi: float = 0.0
    statuses: list[RunStatus] = field(default_factory=list)

    def show(self, *, outlet_f: float | None = None, psi: float | None = None) -> None:
        """Put values into the kernel files."""
        self.outlet_f = self.outlet_f if outlet_f is None else outlet_f
        self.psi = self.psi if psi is None else psi
        self.probe.show(deg_c(self.outlet_f))
        self.line.show(psi_mv(self.psi))

    def status(self) -> RunStatus | None:
        """Return the newest status on the broker that was not kept from before."""
        fresh = [message for message in self.ear.on(TOPICS.status) if not message.retain]
        return decode(fresh[-1].payload, RunStatus) if fresh else None

    def says(self, flag: str) -> bool:
        """Tell whether the newest status has ``flag`` raised."""
        status = self.status()
        return status is not None and flag in {str(raised.name) for raised in status.flags}

    def outlet_c(self) -> float | None:
        status = self.status()
        point = status.points.get(Point.OUTLET) if status else None
        return point.value if point else None


@pytest.fixture
def bench(services: Services, tmp_path: Path) -> Iterator[Bench]:
    """Set up the sensors and ALSA's file, with nothing started yet."""
    sound = tmp_path / "heard.wav"
    alsa = tmp_path / "asound.conf"
    alsa.write_text(
        f'pcm.heard {{ type file; file "{sound}"; format "wav"; slave.pcm {{ type null }} }}\n'
        "ctl.heard { type null }\n"
    )
    services.settings |= {
        "sounder": {"card": "heard"},
        "point.outlet": {"time_constant": "0 s", "tolerance": "0.1 degC"},
    }
    services.environment |= {"ALSA_CONFIG_PATH": str(alsa)}
    with KernelTree.temporary() as tree, Ear(services.broker) as ear:
        services.settings["kernel"] = {"w1": str(tree.w1), "iio": str(tree.iio)}
        probe = ProbeFiles(tree.w1, sensor_id="0000feed0001")
        yield Bench(services, probe, LineFiles(tree.iio), ear, sound)
        services.stop_all()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Run Debian's Chromium, without a window."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium",
            args=["--no-sandbox", "--disable-background-networking", "--disable-component-update"],
        )
        yield browser
        browser.close()


@pytest.fixture
def phone(chromium: Browser) -> Iterator[Page]:
    """Open a page the size of a phone."""
    page = chromium.new_page(viewport={"width": 390, "height": 844})
    yield page
    page.close()


@pytest.mark.browser
@pytest.mark.timeout(120)
def test_a_value_in_a_kernel_file_reaches_the_page_and_the_sounder(bench: Bench, phone: Page) -> None:
    bench.show(outlet_f=120.0, psi=30.0)
    bench.services.start("monitor", "hardware", "web")
    phone.goto(bench.services.address)
    phone.get_by_text(re.compile("still recirculating", re.IGNORECASE)).first.wait_for(timeout=30_000)
    bench.show(outlet_f=150.0)
    phone.locator(".temperature", has_text="150").wait_for(timeout=10_000)
    bench.show(outlet_f=185.0)
    phone.get_by_text(re.compile("ready to bottle", re.IGNORECASE)).first.wait_for(timeout=15_000)
    until(lambda: _tones(bench.sound), what="the prompt is heard", deadline_s=10.0)

    bench.show(outlet_f=196.0)
    until(lambda: bench.says("over precipitation threshold"), what="the alarm is raised")
    phone.get_by_role("alert").first.wait_for(timeout=10_000)
    assert not bench.says("ready to bottle")
    until(lambda: len(_tones(bench.sound)) >= 5, what="the alarm is heard", deadline_s=15.0)
    tones = _tones(bench.sound)
    # Requirement: five pulses alternating 800 and 1000 Hz, 150 ms on.
    # sox's rough frequency counts the faded edges of a pulse too, so it is good to some 2 %.
    assert [tone.hz for tone in tones[:5]] == pytest.approx([800, 1000, 800, 1000, 800], rel=0.03)
    assert all(abs(tone.seconds - 0.15) < 0.02 for tone in tones[:5])


@on_one_broker
@pytest.mark.timeout(120)
def test_the_probe_pulled_out_is_unknown_within_five_seconds(bench: Bench) -> None:
    bench.show(outlet_f=185.0, psi=30.0)
    bench.services.start("monitor", "hardware")
    until(lambda: bench.says("ready to bottle"), what="it is ready", deadline_s=30.0)
    bench.probe.fault = ProbeFault.UNPLUGGED
    until(lambda: not bench.says("ready to bottle"), what="ready is taken back", deadline_s=5.0)
    assert bench.says("unknown")
    bench.probe.fault = None
    bench.show(outlet_f=185.0)
    until(lambda: bench.says("ready to bottle"), what="it is ready again", deadline_s=15.0)


@on_one_broker
@pytest.mark.timeout(120)
def test_a_power_on_85_is_never_ready(bench: Bench) -> None:
    bench.show(outlet_f=150.0, psi=30.0)
    bench.services.start("monitor", "hardware")
    until(lambda: bench.says("still recirculating"), what="it recirculates")
    for _ in range(5):
        bench.probe.lose_power()
        until(lambda: _outlet(bench) is not Standing.GOOD or bench.outlet_c() != 85.0, what="85.0 is doubted")
        bench.show(outlet_f=150.0)
    statuses = [decode(m.payload, RunStatus) for m in bench.ear.on(TOPICS.status) if not m.retain]
    assert all("ready to bottle" not in {flag.name for flag in status.flags} for status in statuses)


@pytest.mark.timeout(180)
def test_a_killed_monitor_goes_on_with_the_same_run_and_its_alarm(bench: Bench) -> None:
    bench.show(outlet_f=196.0, psi=30.0)
    bench.services.start("monitor", "hardware")
    until(lambda: bench.says("over precipitation threshold"), what="the alarm is raised")
    before = bench.status()
    assert before is not None
    assert before.run is not None
    bench.services.kill("monitor")
    bench.ear.heard.clear()
    bench.services.start("monitor")
    until(
        lambda: bench.status() is not None and bench.says("over precipitation threshold"), what="it goes on"
    )
    after = bench.status()
    assert after is not None
    assert after.run is not None
    assert after.run.id == before.run.id
    assert [alarm.name for alarm in after.alarms] == [alarm.name for alarm in before.alarms]
    assert after.alarms[0].activation == before.alarms[0].activation
    with sqlite3.connect(bench.services.database) as store:
        assert store.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@on_one_broker
@pytest.mark.timeout(120)
def test_a_silent_monitor_is_sounded_by_the_hardware_itself(bench: Bench) -> None:
    bench.show(outlet_f=150.0, psi=30.0)
    bench.services.start("monitor", "hardware")
    until(lambda: bench.says("still recirculating"), what="a run is open")
    bench.services.kill("monitor")
    until(lambda: _tones(bench.sound), what="monitor silent is heard", deadline_s=20.0)


@pytest.mark.timeout(120)
def test_the_services_find_a_broker_that_comes_late_and_one_that_comes_back(
    bench: Bench, broker_program: object
) -> None:
    bench.show(outlet_f=150.0, psi=30.0)
    bench.services.start("monitor", "hardware")
    until(lambda: bench.status() is not None, what="a status comes")
    broker_program.kill()  # type: ignore[attr-defined] - the fixture's own class
    broker_program.start()  # type: ignore[attr-defined]
    bench.ear.heard.clear()
    until(lambda: bench.status() is not None, what="a status comes after the broker is back", deadline_s=15.0)
    with sqlite3.connect(bench.services.database) as store:
        twice = store.execute(
            "SELECT count(*) - count(DISTINCT boot_id || ' ' || point || ' ' || mono_ms) FROM reading"
        ).fetchone()
    assert twice == (0,)


@on_one_broker
@pytest.mark.timeout(120)
def test_a_full_disk_is_said_within_five_seconds_and_the_alarms_go_on(bench: Bench) -> None:
    # A file may not grow beyond 80 KiB: the next commit fails as on a full disk.
    bench.services.command = (
        "bash",
        "-c",
        'ulimit -f 80; exec "$0" "$@"',
        sys.executable,
        "-m",
        "monitor.cli",
    )
    bench.show(outlet_f=150.0, psi=30.0)
    bench.services.start("monitor", "hardware")
    until(lambda: bench.says("not recording"), what="it says so", deadline_s=60.0)
    status = bench.status()
    assert status is not None
    assert not status.recording
    assert status.trouble
    bench.show(outlet_f=196.0)
    until(lambda: bench.says("over precipitation threshold"), what="the alarm is raised", deadline_s=15.0)
    with sqlite3.connect(bench.services.database) as store:
        assert store.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def _outlet(bench: Bench) -> Standing | None:
    status = bench.status()
    point = status.points.get(Point.OUTLET) if status else None
    return point.standing if point else None


@dataclass(frozen=True)
class Tone:
    """A tone in a recording: its frequency and length."""

    hz: float
    seconds: float


def _tones(file: Path) -> list[Tone]:
    """Measure the tones of ``file`` with sox: its silence splitter cuts them, its stat counts the waves."""
    if not file.exists() or file.stat().st_size < 1000:  # a WAV header and nothing else
        return []
    folder = file.with_suffix(".cut")
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    copy = folder / "copy.wav"
    shutil.copy(file, copy)
    split = ["silence", "1", "0.005", "1%", "1", "0.02", "1%", ":", "newfile", ":", "restart"]
    subprocess.run(
        ["sox", "--ignore-length", copy, folder / "tone.wav", *split], check=True, capture_output=True
    )
    return [tone for part in sorted(folder.glob("tone*.wav")) if (tone := _tone(part)) is not None]


def _tone(part: Path) -> Tone | None:
    stat = subprocess.run(["sox", part, "-n", "stat"], check=True, capture_output=True, text=True).stderr
    length = float(re.search(r"Length \(seconds\):\s+([\d.]+)", stat)[1])  # type: ignore[index] - sox prints it
    rough = re.search(r"Rough\s+frequency:\s+(\d+)", stat)
    return Tone(hz=float(rough[1]), seconds=length) if rough and length > 0.02 else None
