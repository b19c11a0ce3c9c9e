"""Fixtures of more than one folder: ports, brokers, services; logs of processes shown when a test fails."""

from __future__ import annotations

import signal
from collections.abc import Callable, Generator, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from monitor.runtime.settings import BrokerSection
from tests.integration import services as programs
from tests.ports import unused_port

# A busy machine is no fault of the code; every test has its own timeout anyway. The same examples each
# time, so that a change is judged by what it changed; new ones are looked for with
# --hypothesis-profile=search, which DEVELOPERS.md asks for after work on what they cover.
settings.register_profile("niterwatch", deadline=None, derandomize=True)
settings.register_profile(
    "search", deadline=None, max_examples=5_000, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("niterwatch")

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # As a shell leaves it to what runs in its background: the programs under test would be deaf to Ctrl-C.
    signal.signal(signal.SIGINT, signal.default_int_handler)

LOGS = pytest.StashKey[dict[str, Path]]()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Show the logs of the processes that a failed test had started."""
    report = yield
    if report.failed:
        for name, log in item.stash.get(LOGS, {}).items():
            if log.exists():
                report.sections.append((f"log of {name}", log.read_text(errors="replace")))
    return report


@pytest.fixture
def new_log(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[str], Path]:
    """Return what names the log file of a process, to be shown if the test fails."""
    logs = request.node.stash.setdefault(LOGS, {})
    return lambda name: logs.setdefault(name, tmp_path / f"{name}.log")


@pytest.fixture
def free_port() -> int:
    """Return a port of the loopback that nothing listens on."""
    return unused_port()


@pytest.fixture
def mosquitto(tmp_path: Path, new_log: Callable[[str], Path]) -> Iterator[programs.BrokerProgram]:
    """Run mosquitto with the configuration we ship; without mosquitto the test fails."""
    yield from _running(programs.mosquitto(tmp_path, log=new_log("mosquitto")))


@pytest.fixture
def embedded(new_log: Callable[[str], Path]) -> Iterator[programs.BrokerProgram]:
    """Run the demo's broker, in a process of its own."""
    yield from _running(programs.embedded(log=new_log("embedded broker")))


@pytest.fixture(params=["mosquitto", "embedded"])
def broker_program(request: pytest.FixtureRequest) -> programs.BrokerProgram:
    """Run each broker in turn."""
    return request.getfixturevalue(request.param)


@pytest.fixture
def broker(broker_program: programs.BrokerProgram) -> BrokerSection:
    """Return settings that reach each broker in turn."""
    return broker_program.section


@pytest.fixture
def services(
    broker: BrokerSection, tmp_path: Path, new_log: Callable[[str], Path]
) -> Iterator[programs.Services]:
    """Return the three services, not yet started, on each broker in turn."""
    directory = tmp_path / "services"
    directory.mkdir()
    started = programs.Services(directory, broker=broker, new_log=new_log)
    yield started
    started.stop_all()


def _running(program: programs.BrokerProgram) -> Iterator[programs.BrokerProgram]:
    program.start()
    yield program
    if program.alive:
        program.stop()
