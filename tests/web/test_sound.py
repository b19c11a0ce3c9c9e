"""Sound on the phone: rendered and measured, armed by a tap, honest about what it cannot do."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect

from hardware import sound_patterns
from monitor.contract.names import Signal
from monitor.contract.status import RunStatus
from monitor.runtime.clock import SystemClock
from web.tones import PATTERNS

pytestmark = pytest.mark.browser
RATE = 16_000
RENDER = """async ([signal, rate]) => {
  const { schedule } = await import("/static/sound.js");
  const table = await (await fetch("/sounds.json")).json();
  const audio = new OfflineAudioContext(1, rate * 2, rate);
  schedule(audio, table[signal], 0);
  return [...(await audio.startRendering()).getChannelData(0)];
}"""
HEARD = """() => {
  window.heard = [];
  const start = OscillatorNode.prototype.start;
  OscillatorNode.prototype.start = function (at) {
    window.heard.push(this.frequency.value);
    start.call(this, at);
  };
}"""


@pytest.fixture
def context(browser: Browser, board: Any) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport={"width": 390, "height": 844})
    yield context
    context.close()


def opened(context: BrowserContext, board: Any, status: RunStatus) -> Page:
    page = context.new_page()
    page.add_init_script(f"({HEARD})()")
    told = board.tell(status)
    page.goto(board.address + "/press/main")
    page.wait_for_function("(seq) => document.body.dataset.seq === seq", arg=str(told.seq))
    return page


def tones(samples: npt.NDArray[np.float64]) -> list[tuple[float, float, float]]:
    """Return (start [s], length [s], frequency [Hz]) of each unbroken stretch of one pitch."""
    window = RATE // 100
    loud = [float(np.abs(samples[i : i + window]).max()) > 0.2 for i in range(0, len(samples), window)]
    found: list[tuple[float, float, float]] = []
    first = None
    for index, on in enumerate([*loud, False]):
        if on and first is None:
            first = index
        elif not on and first is not None:
            part = samples[first * window : index * window]
            spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), n=RATE * 4))
            found.append((first / 100, (index - first) / 100, float(np.argmax(spectrum)) / 4))
            first = None
    return found


@pytest.mark.parametrize(
    ("signal", "expected"),
    [
        (
            Signal.HIGH,
            [(0.0, 0.15, 800), (0.25, 0.15, 1000), (0.5, 0.15, 800), (0.75, 0.15, 1000), (1.0, 0.15, 800)],
        ),
        (Signal.MEDIUM, [(0.0, 0.2, 650), (0.4, 0.2, 650), (0.8, 0.2, 650)]),
        (Signal.PROMPT, [(0.0, 0.8, 500)]),
    ],
)
def test_what_a_phone_plays_is_what_is_required(
    context: BrowserContext,
    board: Any,
    states: dict[str, RunStatus],
    signal: Signal,
    expected: list[tuple[float, float, float]],
) -> None:
    page = opened(context, board, states["no run"])
    heard = tones(np.array(page.evaluate(RENDER, [signal, RATE])))
    assert len(heard) == len(expected)
    for (start_s, length_s, hz), (due_s, long_s, pitch_hz) in zip(heard, expected, strict=True):
        assert start_s == pytest.approx(due_s, abs=0.02)
        assert length_s == pytest.approx(long_s, abs=0.02)
        assert hz == pytest.approx(pitch_hz, rel=0.01)


@pytest.mark.parametrize("signal", Signal)
def test_a_phone_and_the_board_sound_alike(signal: Signal) -> None:
    board, phone = sound_patterns.PATTERNS[signal], PATTERNS[signal]
    steps = [(step.frequency_hz, step.seconds) for step in board.steps]
    pulses = [part for p in phone.pulses for part in ((float(p.hz), p.on_s), (None, p.off_s)) if part[1] > 0]
    if pulses[-1][0] is None:
        pulses.pop()
    assert pulses == steps
    assert phone.every_s == board.period_s


def test_a_phone_is_silent_until_it_is_tapped_and_says_so(
    context: BrowserContext, board: Any, states: dict[str, RunStatus]
) -> None:
    page = opened(context, board, states["over"])
    expect(page.locator("#sound-state")).to_contain_text("This phone is silent")
    assert page.evaluate("heard") == []
    page.get_by_role("button", name="Let this phone sound").click()
    expect(page.locator("#sound-state")).to_contain_text("This phone will sound")
    # The alarm was due already: it is heard at once, not at the next turn.
    page.wait_for_function("() => heard.length >= 5", timeout=2000)
    assert page.evaluate("heard.slice(0, 5)") == [800, 1000, 800, 1000, 800]
    page.get_by_role("button", name="Stop sound").click()
    expect(page.locator("#sound-state")).to_contain_text("This phone is silent")


def test_a_new_prompt_is_heard_once_and_an_alarm_ends_with_its_cause(
    context: BrowserContext, board: Any, states: dict[str, RunStatus]
) -> None:
    page = opened(context, board, states["recirculating"])
    page.get_by_role("button", name="Let this phone sound").click()
    expect(page.locator("#sound-state")).to_contain_text("This phone will sound")
    board.tell(states["just ready"].model_copy(update={"prompts": 1}))
    page.wait_for_function("() => heard.length === 1")
    assert page.evaluate("heard") == [500]
    told = board.tell(states["just ready"].model_copy(update={"prompts": 1}))
    page.wait_for_function("(seq) => document.body.dataset.seq === seq", arg=str(told.seq))
    assert page.evaluate("heard") == [500]


def test_a_phone_says_that_it_will_sound_only_once_it_can(
    context: BrowserContext, board: Any, states: dict[str, RunStatus]
) -> None:
    page = opened(context, board, states["recirculating"])
    held: list[Route] = []
    page.route("**/sounds.json", lambda route: held.append(route))
    page.get_by_role("button", name="Let this phone sound").click()
    page.wait_for_timeout(500)  # the browser lets the phone sound well within that
    expect(page.locator("#sound-state")).not_to_contain_text("will sound")
    held.pop().abort()
    page.wait_for_timeout(200)
    page.get_by_role("button", name="Let this phone sound").click()  # a second tap tries again
    page.wait_for_timeout(200)
    held.pop().continue_()
    expect(page.locator("#sound-state")).to_contain_text("This phone will sound")
    board.tell(states["just ready"].model_copy(update={"prompts": 1}))
    page.wait_for_function("() => heard.length === 1")


def test_a_refused_sound_is_said(context: BrowserContext, board: Any, states: dict[str, RunStatus]) -> None:
    page = context.new_page()
    # What a browser does that wants a gesture: the context stays suspended and resume() never settles.
    page.add_init_script(
        """Object.defineProperty(AudioContext.prototype, "state", { get: () => "suspended" });
           AudioContext.prototype.resume = () => new Promise(() => {});"""
    )
    board.tell(states["recirculating"])
    page.goto(board.address + "/press/main")
    page.get_by_role("button", name="Let this phone sound").click()
    expect(page.locator("#sound-state")).to_contain_text("does not allow sound")


def test_silence_of_the_monitor_in_a_run_has_its_own_sound(
    context: BrowserContext, new_board: Any, states: dict[str, RunStatus]
) -> None:
    board = new_board(clock=SystemClock(speed=5))
    page = opened(context, board, states["recirculating"])
    page.get_by_role("button", name="Let this phone sound").click()
    expect(page.locator("#sound-state")).to_contain_text("This phone will sound")
    page.wait_for_function("() => heard.length >= 2", timeout=10_000)
    assert page.evaluate("heard.slice(0, 2)") == [1300, 700]
