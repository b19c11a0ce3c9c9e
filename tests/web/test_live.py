"""The hub: what counts as live, what is refused, and what a slow viewer gets."""

from __future__ import annotations

import asyncio
import logging

import pytest

from monitor.contract.payloads import encode
from monitor.contract.presence import Presence, Service
from monitor.contract.status import RunStatus
from monitor.runtime.clock import ManualClock
from web.heard import Heard
from web.live import PRESS_LIMIT, Hub


@pytest.fixture
def hub(manual_clock: ManualClock) -> Hub:
    return Hub(clock=manual_clock)


def tell(hub: Hub, status: RunStatus, *, retain: bool = False, **changed: object) -> None:
    status = status.model_copy(update=changed)
    hub.hear(f"niterwatch/{status.press}/status", encode(status), retain=retain)


def heard(hub: Hub) -> Heard:
    found = hub.heard("main")
    assert found is not None
    return found


def test_a_status_is_live_for_five_seconds(
    hub: Hub, manual_clock: ManualClock, states: dict[str, RunStatus]
) -> None:
    tell(hub, states["ready"])
    manual_clock.advance(5.0)
    assert heard(hub).live
    manual_clock.advance(0.1)
    assert not heard(hub).live


def test_a_copy_the_broker_kept_is_not_live_until_the_monitor_speaks(
    hub: Hub, states: dict[str, RunStatus]
) -> None:
    tell(hub, states["ready"], retain=True)
    assert not heard(hub).live
    tell(hub, states["ready"], seq=1001)
    assert heard(hub).live


def test_the_same_status_again_does_not_keep_it_young(
    hub: Hub, manual_clock: ManualClock, states: dict[str, RunStatus]
) -> None:
    tell(hub, states["ready"])
    for _ in range(6):
        manual_clock.advance(1.0)
        tell(hub, states["ready"])
        tell(hub, states["ready"], retain=True)
    assert not heard(hub).live


def test_a_kept_copy_heard_after_a_gap_is_not_live_though_its_number_is_new(
    hub: Hub, manual_clock: ManualClock, states: dict[str, RunStatus]
) -> None:
    tell(hub, states["ready"])
    manual_clock.advance(60.0)
    tell(hub, states["ready"], retain=True, seq=1030)
    assert not heard(hub).live


def test_a_kept_copy_of_this_very_boot_is_dated_by_its_own_clock(
    hub: Hub, manual_clock: ManualClock, states: dict[str, RunStatus]
) -> None:
    manual_clock.advance(7200.0)
    now_ms = int(manual_clock.monotonic() * 1000)
    tell(hub, states["ready"], retain=True, boot=manual_clock.boot, mono_ms=now_ms - 1000)
    assert heard(hub).live
    assert heard(hub).age_s == pytest.approx(1.0)
    tell(hub, states["ready"], retain=True, boot=manual_clock.boot, mono_ms=now_ms - 3_600_000, seq=1001)
    assert not heard(hub).live


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("niterwatch/main/status", b"{}"),
        ("niterwatch/main/status", b"\xff\x00"),
        ("niterwatch/main/status", b"x" * 5000),
        ("niterwatch/other/status", None),
        ("niterwatch/MAIN!/status", None),
        ("niterwatch/main/presence/teapot", b'{"up": true}'),
        ("elsewhere/main/status", None),
    ],
)
def test_what_does_not_fit_is_counted_and_changes_nothing(
    hub: Hub, states: dict[str, RunStatus], topic: str, payload: bytes | None
) -> None:
    tell(hub, states["recirculating"])
    before = heard(hub)
    hub.hear(topic, encode(states["ready"]) if payload is None else payload, retain=False)
    assert hub.refused == 1
    assert heard(hub) == before


def test_a_flood_of_bad_payloads_is_logged_once_a_minute(
    hub: Hub, manual_clock: ManualClock, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING):
        for _ in range(120):
            hub.hear("niterwatch/main/status", b"{}", retain=False)
            manual_clock.advance(0.6)
    assert hub.refused == 120
    assert len(caplog.records) == 2


def test_a_flood_of_presses_is_bounded(hub: Hub, states: dict[str, RunStatus]) -> None:
    for index in range(PRESS_LIMIT + 20):
        tell(hub, states["recirculating"], press=f"press-{index}")
    assert len(hub.presses) == PRESS_LIMIT
    assert hub.refused == 20


def test_a_heartbeat_is_kept_with_its_age(hub: Hub, manual_clock: ManualClock) -> None:
    hub.hear("niterwatch/main/presence/monitor", encode(Presence(up=True, seq=4)), retain=True)
    manual_clock.advance(3.0)
    presence, age_s = hub.beats("main")[Service.MONITOR]
    assert presence.up
    assert age_s == pytest.approx(3.0)


async def test_a_stalled_viewer_holds_nobody_up_and_gets_the_newest(
    hub: Hub, states: dict[str, RunStatus]
) -> None:
    with hub.viewer("main") as stalled, hub.viewer("main") as quick, hub.viewer("other") as other:
        for seq in range(2000, 2500):
            tell(hub, states["ready"], seq=seq)
            assert await quick.news(0.1) is True
        woken = 0
        while await stalled.news(0.01):
            woken += 1
        assert woken == 2
        assert heard(hub).status.seq == 2499
        assert await other.news(0.01) is None
    assert hub.viewers == 0


async def test_closing_ends_streams_that_are_open_and_those_that_come(hub: Hub) -> None:
    with hub.viewer("main") as viewer:
        hub.close()
        assert await asyncio.wait_for(viewer.news(5.0), 1.0) is False
    with hub.viewer("main") as late:
        assert await late.news(0.1) is False
