"""A page to try: statuses of every state, a real store with one run, and a real server."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, sync_playwright

from monitor.contract.commands import Command, MarkKind, Reply
from monitor.contract.events import FlagChange, Mark
from monitor.contract.names import Alarm, AlarmState, Flag, Limit, Phase, Signal, VolumeSource
from monitor.contract.payloads import decode, encode
from monitor.contract.readings import ClockState, Point, Reason
from monitor.contract.status import (
    AlarmStatus,
    FlagStatus,
    ForecastStatus,
    PointStatus,
    PressShape,
    RunFacts,
    RunStatus,
    Standing,
    ThresholdStatus,
    VolumeStatus,
)
from monitor.contract.units import Dimension, quantity
from monitor.run.effects import Happened, RowDue, RunClosed, RunOpened
from monitor.run.row import TraceRow
from monitor.runtime.clock import Clock, ManualClock, SystemClock
from monitor.runtime.settings import Settings, load
from monitor.trace.export import package_zip
from monitor.trace.reader import TraceReader
from monitor.trace.store import TraceWriter
from tests.web import invented_runs
from web.acts import Desk
from web.app import create_app
from web.live import Hub
from web.rooms import Rooms
from web.runs import RunBook
from web.secure_line import SecureLine
from web.security import Code, DeviceCode
from web.service import PageServer, configured, listen

CHROMIUM = "/usr/bin/chromium"
STARTED = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
RUN = "2026-03-20-1"
LENGTH_S = 1500


def deg_f(value: float) -> float:
    return quantity(f"{value} degF", dimension=Dimension.TEMPERATURE)


def psi(value: float) -> float:
    return quantity(f"{value} psi", dimension=Dimension.PRESSURE)


LIMITS = ThresholdStatus(
    ready_c=deg_f(180),
    ceiling_c=deg_f(190),
    precipitation_c=deg_f(193),
    start_kpa=psi(30),
    near_clog_kpa=psi(72),
    cutoff_kpa=psi(80),
    paper_limit_kpa=psi(90),
)


def outlet(value_f: float, *, per_min_f: float = 0.4, tolerance_c: float = 0.5) -> PointStatus:
    return PointStatus(
        standing=Standing.GOOD,
        age_s=0.6,
        value=deg_f(value_f),
        tolerance=tolerance_c,
        corrected=deg_f(value_f + per_min_f / 5),
        per_min=per_min_f * 5 / 9,
    )


def line(value_psi: float) -> PointStatus:
    return PointStatus(
        standing=Standing.GOOD,
        age_s=0.3,
        value=psi(value_psi),
        low=psi(value_psi * 0.88),
        high=psi(value_psi * 1.12),
        strokes_per_min=34.0,
    )


def status(**given: object) -> RunStatus:
    """Return a run that recirculates at 171 degF and 31 psi, with ``given`` in place of its own."""
    own: dict[str, object] = {
        "press": "main",
        "seq": 1000,
        "boot": "a boot",
        "mono_ms": 500_000,
        "time": datetime(2026, 3, 20, 12, 12, 31, tzinfo=UTC),
        "clock": ClockState.SYNCHRONISED,
        "software": "0.1.0",
        "phase": Phase.RECIRCULATING,
        "run": RunFacts(id=RUN, started=STARTED, elapsed_s=751.0, by="pressure"),
        "points": {Point.OUTLET: outlet(171.3, per_min_f=4.2), Point.LINE: line(31)},
        "flags": (FlagStatus(name=Flag.STILL_RECIRCULATING, for_s=751.0),),
        "forecast": ForecastStatus(
            ready_in_s=126.0, fill=0.12, limit=Limit.UNKNOWN, waiting_for="the first hot flow"
        ),
        "volume": VolumeStatus(
            source=VolumeSource.STROKES, filtered_l=21.0, uncertainty_l=2.1, flow_l_min=2.3
        ),
        "shape": PressShape(frames=5, frame_thickness_m=0.0254, full_volume_l=95.0),
        "thresholds": LIMITS,
    }
    return RunStatus.model_validate({**own, **given})


def alarm(name: Alarm, state: AlarmState = AlarmState.UNACKNOWLEDGED, **given: object) -> AlarmStatus:
    own: dict[str, object] = {
        "name": name,
        "state": state,
        "activation": 3,
        "priority": Signal.HIGH,
        "active": True,
        "for_s": 42.0,
    }
    return AlarmStatus.model_validate({**own, **given})


def flags(*names: Flag, for_s: float = 30.0) -> tuple[FlagStatus, ...]:
    return tuple(FlagStatus(name=name, for_s=for_s) for name in names)


AHEAD = ForecastStatus(
    fill=0.46,
    limit=Limit.FRAMES,
    volume_left_l=52.0,
    volume_left_low_l=44.0,
    volume_left_high_l=61.0,
    time_left_s=1290.0,
)
FILLED = VolumeStatus(
    source=VolumeSource.STROKES,
    filtered_l=43.0,
    uncertainty_l=3.0,
    flow_l_min=2.4,
    containers=7,
    containers_l=26.5,
)
CLOGGING = ForecastStatus(
    fill=0.71,
    limit=Limit.PRESSURE,
    volume_left_l=6.4,
    volume_left_low_l=4.0,
    volume_left_high_l=9.0,
    time_left_s=172.0,
)

STATES: dict[str, RunStatus] = {
    "no run": status(
        phase=Phase.IDLE,
        run=None,
        points={Point.OUTLET: outlet(64.2, per_min_f=0.0), Point.LINE: line(0)},
        flags=(),
        forecast=ForecastStatus(),
        volume=VolumeStatus(),
    ),
    "recirculating": status(),
    "too close": status(points={Point.OUTLET: outlet(180.4, per_min_f=2.0), Point.LINE: line(33)}),
    "ready": status(
        phase=Phase.BOTTLING,
        points={
            Point.OUTLET: outlet(185.6),
            Point.LINE: line(41),
            Point.PAN: outlet(196.0, per_min_f=1.2),
            Point.FILLER: outlet(183.9, per_min_f=0.0),
        },
        flags=flags(Flag.READY_TO_BOTTLE, Flag.STIR_DUE, for_s=240.0),
        forecast=AHEAD,
        volume=FILLED,
    ),
    "just ready": status(
        points={Point.OUTLET: outlet(182.1, per_min_f=3.0), Point.LINE: line(36)},
        flags=flags(Flag.READY_TO_BOTTLE, for_s=4.0),
        forecast=AHEAD,
    ),
    "over": status(
        points={Point.OUTLET: outlet(193.6, per_min_f=1.8, tolerance_c=1.0), Point.LINE: line(44)},
        flags=flags(Flag.STILL_RECIRCULATING, Flag.OVER_PRECIPITATION, Flag.NEAR_CEILING),
        alarms=(
            alarm(Alarm.OVER_PRECIPITATION, value=deg_f(193.6), threshold=deg_f(193), point=Point.OUTLET),
        ),
        sound=Signal.HIGH,
        forecast=AHEAD,
        volume=FILLED.model_copy(update={"over_s": 42.0, "over_l": 1.6}),
    ),
    "near clog": status(
        phase=Phase.BOTTLING,
        points={Point.OUTLET: outlet(184.3), Point.LINE: line(73)},
        flags=flags(Flag.READY_TO_BOTTLE, Flag.NEAR_CLOG, Flag.CHANGE_SOON),
        alarms=(alarm(Alarm.NEAR_CLOG, value=psi(73), threshold=psi(72), point=Point.LINE),),
        sound=Signal.HIGH,
        forecast=CLOGGING,
        volume=FILLED,
    ),
    "unknown": status(
        points={
            Point.OUTLET: PointStatus(standing=Standing.BAD, reason=Reason.NO_ANSWER, age_s=2.0),
            Point.LINE: line(38),
        },
        flags=flags(Flag.UNKNOWN, Flag.INPUT_LOST),
        alarms=(alarm(Alarm.INPUT_LOST, priority=Signal.MEDIUM),),
        sound=Signal.MEDIUM,
        forecast=ForecastStatus(waiting_for="a few minutes of steady flow"),
        volume=FILLED,
    ),
    "alarms": status(
        points={Point.OUTLET: outlet(186.2), Point.LINE: line(81)},
        flags=flags(
            Flag.READY_TO_BOTTLE, Flag.NEAR_CLOG, Flag.STOP_AT_CUTOFF, Flag.PAPER_LIMIT, Flag.NOT_RECORDING
        ),
        alarms=(
            alarm(Alarm.PAPER_LIMIT, value=psi(92), threshold=psi(90), point=Point.LINE),
            alarm(Alarm.STOP_AT_CUTOFF, AlarmState.ACKNOWLEDGED, silenced_s=77.0),
            alarm(Alarm.NEAR_CLOG, AlarmState.SHELVED, shelved_s=512.0),
            alarm(Alarm.NOT_RECORDING, priority=Signal.MEDIUM),
        ),
        sound=Signal.HIGH,
        forecast=CLOGGING,
        volume=FILLED,
        recording=False,
        trouble="the disk is full: free some room",
    ),
    "at rest": status(
        phase=Phase.PAUSED, points={Point.OUTLET: outlet(176.0, per_min_f=-2.0), Point.LINE: line(2)}
    ),
    "end proposed": status(
        phase=Phase.END_PROPOSED, points={Point.OUTLET: outlet(131.0, per_min_f=-3.0), Point.LINE: line(0)}
    ),
    "many frames": status(
        shape=PressShape(frames=31, frame_thickness_m=0.0254), forecast=AHEAD, invented=True
    ),
}


@pytest.fixture(scope="session")
def states() -> dict[str, RunStatus]:
    return STATES


@pytest.fixture(scope="session")
def make_status() -> Callable[..., RunStatus]:
    return status


def fill_store(url: str) -> None:
    """Write one run of 25 minutes with the store's own writer: warm-up, bottling, a lost probe."""
    writer = TraceWriter(url, software="0.1.0")
    writer.open()
    facts = {"press": "main", "thresholds": LIMITS.model_dump(), "invented": True}
    press = writer.press("main", facts=facts)
    press.keep_effect(
        RunOpened(
            run=RUN,
            boot="a boot",
            started_mono_s=100.0,
            started=STARTED,
            clock=ClockState.SYNCHRONISED,
            by="pressure",
        )
    )
    for second in range(LENGTH_S):
        press.keep_effect(RowDue(_row(second)))
    for second, name in ((600, Flag.READY_TO_BOTTLE), (0, Flag.STILL_RECIRCULATING)):
        press.keep_effect(Happened(FlagChange(**_moment(second), name=name, state="raised")))
    for second in (700, 800, 900):
        mark = Mark(**_moment(second), name=MarkKind.CONTAINER_FILLED, who="Ann", volume_l=3.785)
        press.keep_effect(Happened(mark))
    press.keep_effect(Happened(Mark(**_moment(950), name="note", who="Ann", text="<b>dark</b> & late")))
    press.keep_effect(
        RunClosed(
            run=RUN,
            boot="a boot",
            ended_mono_s=100.0 + LENGTH_S,
            ended=STARTED + timedelta(seconds=LENGTH_S),
            elapsed_s=float(LENGTH_S),
            volume_l=55.0,
            by="Ann",
        )
    )
    writer.close()


def _moment(second: int) -> dict[str, object]:
    return {
        "press": "main",
        "run": RUN,
        "seq": second,
        "boot": "a boot",
        "mono_ms": (100 + second) * 1000,
        "time": STARTED + timedelta(seconds=second),
        "clock": ClockState.SYNCHRONISED,
        "elapsed_s": float(second),
    }


def _row(second: int) -> TraceRow:
    lost = 1100 <= second < 1160
    hot = second >= 600
    outlet_c = min(deg_f(186), 20 + second * 0.11)
    line_kpa = psi(30) + second * 0.18
    raised = (Flag.UNKNOWN if lost else Flag.READY_TO_BOTTLE if hot else Flag.STILL_RECIRCULATING,)
    return TraceRow(
        boot="a boot",
        mono_s=100.0 + second,
        time=STARTED + timedelta(seconds=second),
        clock=ClockState.SYNCHRONISED,
        elapsed_s=float(second),
        outlet_c=None if lost else outlet_c,
        outlet_standing=Standing.BAD if lost else Standing.GOOD,
        line_kpa=line_kpa,
        line_high_kpa=line_kpa * 1.12,
        line_standing=Standing.GOOD,
        strokes=1 if second % 2 else 0,
        flow_l_min=2.3,
        volume_l=second * 0.037,
        pan_c=None,
        filler_c=None,
        phase=Phase.BOTTLING if hot else Phase.RECIRCULATING,
        flags=raised,
    )


@pytest.fixture(scope="session")
def store_url(tmp_path_factory: pytest.TempPathFactory) -> str:
    url = f"sqlite:///{tmp_path_factory.mktemp('store') / 'runs.db'}"
    fill_store(url)
    return url


@pytest.fixture(scope="session")
def device_code() -> tuple[str, DeviceCode]:
    return DeviceCode.make()


@dataclass
class Scene:
    """A page over a real store; commands that leave it are kept in ``sent``, in order."""

    settings: Settings
    clock: Clock
    code_text: str
    code: Code
    store_url: str
    sent: list[tuple[str, bytes]] = field(default_factory=list)
    answer: Callable[[Command], Reply] | None = None
    """What the monitor says to a command; null while it is silent."""
    line_up: bool = True
    reply_s: float = 1.0
    invented: bool = False

    def __post_init__(self) -> None:
        self.hub = Hub(clock=self.clock)
        self.desk = Desk(
            publish=self._publish,
            connected=lambda: self.line_up,
            code=self.code,
            clock=self.clock,
            reply_s=self.reply_s,
        )
        self.hub.on_reply = self.desk.hear
        reader = TraceReader(self.store_url)
        self.rooms = Rooms(
            settings=self.settings,
            hub=self.hub,
            desk=self.desk,
            book=RunBook(reader, lambda run, units: package_zip(reader, run, units=units.value)),
            connected=lambda: self.line_up,
            invented=self.invented,
        )
        self.app = create_app(self.rooms)

    def _publish(self, topic: str, payload: bytes) -> None:
        self.sent.append((topic, payload))
        if self.answer is not None:
            reply = self.answer(decode(payload, Command))
            told = f"{topic.partition('/command/')[0]}/reply/{reply.id}", encode(reply)
            asyncio.get_running_loop().call_soon(lambda: self.hub.hear(*told, retain=False))

    def tell(self, status: RunStatus, *, retain: bool = False) -> None:
        """Hand a status to the hub as the broker would."""
        self.hub.hear(f"niterwatch/{status.press}/status", encode(status), retain=retain)

    def client(self, *, host: str = "localhost", address: str = "127.0.0.1") -> httpx.AsyncClient:
        """Return a client that asks the application directly, as ``host``, from ``address``."""
        transport = httpx.ASGITransport(app=self.app, client=(address, 40_000))
        return httpx.AsyncClient(transport=transport, base_url=f"http://{host}")


@pytest.fixture
def manual_clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def scene(manual_clock: ManualClock, store_url: str, device_code: tuple[str, DeviceCode]) -> Scene:
    text, code = device_code
    return Scene(load(), manual_clock, text, code, store_url)


@pytest.fixture(scope="session")
def season_url(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return a store of two invented springs, the last run of which went wrong in every way."""
    url = f"sqlite:///{tmp_path_factory.mktemp('season') / 'runs.db'}"
    troubled = invented_runs.TROUBLED
    invented_runs.keep(url, invented_runs.two_seasons(), entries=invented_runs.all_entries(troubled))
    return url


@pytest.fixture
def season_scene(manual_clock: ManualClock, season_url: str, device_code: tuple[str, DeviceCode]) -> Scene:
    text, code = device_code
    return Scene(load(), manual_clock, text, code, season_url, invented=True)


@pytest.fixture(scope="module")
def season_board(season_url: str, device_code: tuple[str, DeviceCode]) -> Iterator[Board]:
    """Return the page over two invented springs, served on loopback."""
    text, code = device_code
    board = Board(Scene(load(), SystemClock(), text, code, season_url, reply_s=3.0, invented=True))
    board.start()
    yield board
    board.stop()


class Board:
    """The page served on loopback by its own server, in a thread of its own."""

    def __init__(self, scene: Scene, *, secure: SecureLine | None = None) -> None:
        self.scene = scene
        self._secure = secure and (_on_loopback(scene.settings), secure.context)
        self._listener = _on_loopback(scene.settings)
        self.port: int = self._listener.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"
        if self._secure:
            self.secure_address = f"https://localhost:{self._secure[0].getsockname()[1]}"
        self._up = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._seq = 5000

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._server = PageServer(
            configured(self.scene.rooms),
            hub=self.scene.hub,
            ready=self._up.set,
            secure=self._secure,
        )
        await self._server.serve(sockets=[self._listener])

    def start(self) -> None:
        self._thread.start()
        assert self._up.wait(10)

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._server.stop)
        self._thread.join(10)
        assert not self._thread.is_alive()

    def tell(self, status: RunStatus) -> RunStatus:
        """Publish ``status`` under the next sequence number; return what was published."""
        self._seq += 1
        told = status.model_copy(update={"seq": self._seq})
        self._loop.call_soon_threadsafe(self.scene.tell, told)
        return told


def _on_loopback(settings: Settings) -> socket.socket:
    return listen(settings.web.model_copy(update={"host": "127.0.0.1", "port": 0}))


@pytest.fixture
def new_board(store_url: str, device_code: tuple[str, DeviceCode]) -> Iterator[Callable[[], Board]]:
    """Return what starts a page of its own, for a test that must not share one."""
    text, code = device_code
    started: list[Board] = []

    def start(
        *,
        secure: SecureLine | None = None,
        clock: Clock | None = None,
        settings: Settings | None = None,
        kept: Code | None = None,
    ) -> Board:
        scene = Scene(settings or load(), clock or SystemClock(), text, kept or code, store_url)
        board = Board(scene, secure=secure)
        board.start()
        started.append(board)
        return board

    yield start
    for board in started:
        board.stop()


@pytest.fixture(scope="module")
def board(store_url: str, device_code: tuple[str, DeviceCode]) -> Iterator[Board]:
    text, code = device_code
    board = Board(Scene(load(), SystemClock(), text, code, store_url, reply_s=3.0))
    board.start()
    yield board
    board.stop()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-background-networking", "--disable-component-update"],
        )
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return where screenshots are left to be looked at."""
    return tmp_path_factory.mktemp("pictures")
