"""The page in a real Chromium: what it looks like, how it keeps up, how it is acted on."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, expect

from monitor.contract.commands import Command, Reply
from monitor.contract.payloads import decode
from monitor.contract.status import RunStatus

pytestmark = pytest.mark.browser
SIZES = {"phone": (390, 844), "small": (320, 640), "tablet": (820, 1180), "desk": (1280, 800)}
THEMES = ["light", "dark"]
STATES = [
    "no run",
    "recirculating",
    "too close",
    "just ready",
    "ready",
    "over",
    "near clog",
    "unknown",
    "alarms",
    "at rest",
    "end proposed",
    "many frames",
]
RUN = "/runs/2026-03-20-1"
UNLIKE = ["no run", "recirculating", "ready", "alarms", "unknown", "end proposed", "many frames"]
"""States whose pages are built differently; the others differ from one of these in words alone."""
STILL = [
    *("/runs", RUN, "/health", "/safety", "/glossary", "/press/main/run", "/nowhere"),
    *("/plan", "/plan?batch=15", "/season", "/lots", "/probe-checks"),
    *(f"{RUN}/sheet", f"{RUN}/cakes", f"{RUN}/lot", f"{RUN}/cloudy"),
]
SHOWN_MS = 5000
"""Longest wait for the page to show what was published."""

OVERFLOW = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
SMALLEST_TEXT = """() => {
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let least = [1e9, ""];
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const holder = node.parentElement;
    if (!node.textContent.trim() || !holder.checkVisibility()) continue;
    if (holder.closest(".hidden, template, title")) continue;
    const picture = holder.closest("svg[viewBox]");
    const scale = picture ? picture.getBoundingClientRect().width / picture.viewBox.baseVal.width : 1;
    const size = parseFloat(getComputedStyle(holder).fontSize) * scale;
    if (size < least[0]) least = [size, node.textContent.trim()];
  }
  return least;
}"""
BROKEN_WORDS = """(selector) => [...document.querySelectorAll(selector)].flatMap((holder) => {
  const wide = holder.clientWidth > 0 && holder.scrollWidth > holder.clientWidth + 1;
  const broken = wide ? [holder.textContent] : [];
  const walker = document.createTreeWalker(holder, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    for (const match of node.textContent.matchAll(/[^\\s\\u00a0]+/g)) {
      const range = document.createRange();
      range.setStart(node, match.index);
      range.setEnd(node, match.index + match[0].length);
      const lines = new Set([...range.getClientRects()].map((box) => Math.round(box.top)));
      if (lines.size > 1 && !match[0].includes("-")) broken.push(match[0]);
    }
  }
  return broken;
})"""


MEASURED = """() => {
  const font = (selector) => {
    const node = document.querySelector(selector);
    return node && parseFloat(getComputedStyle(node).fontSize);
  };
  const acts = [...document.querySelectorAll("[data-act], .acts .button")].filter((a) => a.checkVisibility());
  const heights = acts.map((act) => act.getBoundingClientRect().height);
  return { whole: font(".temperature .whole"), verdict: font(".verdict"), acts: Math.min(1e9, ...heights) };
}"""


def resize(page: Page, size: str) -> None:
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})


def fit(page: Page, name: str, *, holders: str) -> None:
    """Check that nothing is wider than the screen, no word broken, no text small."""
    assert page.evaluate(OVERFLOW) <= 0, name
    assert page.evaluate(BROKEN_WORDS, holders) == [], name
    least_px, text = page.evaluate(SMALLEST_TEXT)
    assert least_px >= 19.99, f"{name}: {text} at {least_px} px"


class Watch:
    """What a page said to its console, and whom it asked."""

    def __init__(self, page: Page) -> None:
        self.complaints: list[str] = []
        self.hosts: set[str] = set()
        page.on("console", self._hear)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self.hosts.add(re.sub(r"^\w+://([^/]+).*", r"\1", request.url)))

    def _hear(self, message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"} and "404" not in message.text:
            self.complaints.append(message.text)


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport={"width": 390, "height": 844})
    yield context
    context.close()


def opened(
    browser: Browser, board: Any, *, size: str, theme: str = "light", language: str = "en", units: str = "us"
) -> Page:
    width, height = SIZES[size]
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=theme)  # type: ignore[arg-type]
    context.add_cookies(
        [
            {"name": "language", "value": language, "url": board.address},
            {"name": "units", "value": units, "url": board.address},
        ]
    )
    return context.new_page()


def shown(page: Page, board: Any, status: RunStatus, path: str = "/press/main") -> None:
    """Publish ``status``, open the page and wait until its stream has brought it."""
    told = board.tell(status)
    page.goto(board.address + path)
    await_seq(page, told)


def streamed(page: Page, board: Any, status: RunStatus) -> None:
    """Publish ``status`` and wait until the open page shows it."""
    await_seq(page, board.tell(status))


def await_seq(page: Page, told: RunStatus) -> None:
    page.wait_for_function("(seq) => document.body.dataset.seq === seq", arg=str(told.seq), timeout=SHOWN_MS)


@pytest.mark.timeout(120)
@pytest.mark.parametrize("language", ["en", "fr"])
def test_every_state_fits_every_screen_and_is_large_enough(
    browser: Browser, board: Any, states: dict[str, RunStatus], pictures: Path, language: str
) -> None:
    page = opened(
        browser, board, size="phone", language=language, units="us" if language == "en" else "metric"
    )
    watch = Watch(page)
    shown(page, board, states["no run"])
    for size in SIZES:
        resize(page, size)
        for name in STATES:
            streamed(page, board, states[name])
            if language == "en":
                page.screenshot(path=pictures / f"{name.replace(' ', '-')}-{size}.png")
            fit(page, f"{name}, {size}", holders="h1, .verdict, .do, h2, button, .temperature")
            sizes = page.evaluate(MEASURED)
            assert sizes["whole"] is None or sizes["whole"] >= 96 or size == "small", name
            assert sizes["verdict"] >= {"phone": 40, "small": 34, "tablet": 72, "desk": 72}[size], name
            assert sizes["acts"] >= 60, name
    assert watch.complaints == []
    assert watch.hosts == {f"127.0.0.1:{board.port}"}
    page.context.close()


@pytest.mark.parametrize("theme", THEMES)
def test_axe_finds_no_violation(
    browser: Browser, board: Any, states: dict[str, RunStatus], pictures: Path, theme: str
) -> None:
    # The theme changes colours only, so the dark one is asked about its contrast alone.
    options = {"resultTypes": ["violations"], **({"runOnly": ["color-contrast"]} if theme == "dark" else {})}
    page = opened(browser, board, size="phone", theme=theme)
    shown(page, board, states["no run"])
    for name in UNLIKE:
        streamed(page, board, states[name])
        if theme == "dark":
            page.screenshot(path=pictures / f"{name.replace(' ', '-')}-phone-dark.png")
        found = Axe().run(page, options=options)
        assert found.violations_count == 0, f"{name}: {found.generate_report()}"
    for path in STILL:
        page.goto(board.address + path)
        found = Axe().run(page, options=options)
        assert found.violations_count == 0, f"{path}: {found.generate_report()}"
    page.context.close()


@pytest.mark.parametrize("name", ["no run", "recirculating", "too close", "ready", "near clog", "at rest"])
def test_a_phone_shows_the_tops_of_both_pictures_without_scrolling(
    browser: Browser, board: Any, states: dict[str, RunStatus], name: str
) -> None:
    page = opened(browser, board, size="phone")
    shown(page, board, states[name])
    for picture in (".ladder", ".press-stack"):
        box = page.locator(picture).bounding_box()
        assert box is not None
        assert box["y"] < SIZES["phone"][1] - 40, picture
    page.context.close()


@pytest.mark.parametrize("language", ["en", "fr"])
def test_the_other_pages_fit_every_screen(
    browser: Browser, board: Any, states: dict[str, RunStatus], language: str
) -> None:
    page = opened(browser, board, size="phone", language=language)
    watch = Watch(page)
    board.tell(states["alarms"])
    for path in STILL:
        page.goto(board.address + path)
        for size in SIZES:
            resize(page, size)
            fit(page, f"{path}, {size}", holders="h1, h2, button")
    assert watch.complaints == []
    page.context.close()


def test_the_overview_of_several_presses_fits_and_moves(
    browser: Browser,
    new_board: Any,
    states: dict[str, RunStatus],
    pictures: Path,
) -> None:
    board = new_board()
    for press, name in (("front", "ready"), ("back-room", "over"), ("spare", "unknown")):
        board.tell(states[name].model_copy(update={"press": press}))
    page = opened(browser, board, size="phone", theme="dark")
    page.goto(board.address)
    expect(page.locator(".presses li")).to_have_count(3)
    assert Axe().run(page).violations_count == 0
    for size in SIZES:
        resize(page, size)
        page.screenshot(path=pictures / f"overview-{size}.png")
        assert page.evaluate(OVERFLOW) <= 0
    board.tell(states["over"].model_copy(update={"press": "front"}))
    expect(page.locator('a[href="/press/front"]')).to_contain_text("Over precipitation", timeout=SHOWN_MS)
    page.context.close()


def test_states_are_told_apart_without_colour(
    browser: Browser, board: Any, states: dict[str, RunStatus]
) -> None:
    page = opened(browser, board, size="phone")
    seen: dict[str, tuple[str, ...]] = {}
    for name in ("no run", "recirculating", "ready", "over", "unknown"):
        shown(page, board, states[name])
        seen[name] = tuple(
            page.eval_on_selector(
                ".band",
                """(band) => { const look = getComputedStyle(band);
                   return [look.borderBottomStyle + look.borderBottomWidth,
                           look.backgroundImage === 'none' ? 'plain'
                             : look.backgroundImage.includes('-45deg') ? 'striped' : 'hatched',
                           band.querySelector('.verdict').textContent]; }""",
            )
        )
    assert len({look[:2] for look in seen.values()}) == len(seen)
    assert len({look[2] for look in seen.values()}) == len(seen)
    page.context.close()


def test_a_new_status_reaches_every_viewer(
    browser: Browser, board: Any, states: dict[str, RunStatus]
) -> None:
    pages = [opened(browser, board, size=size) for size in ("phone", "desk")]
    for page in pages:
        shown(page, board, states["recirculating"])
    board.tell(states["ready"])
    for page in pages:
        expect(page.locator(".verdict")).to_have_text("Ready to bottle:", timeout=1000)
        expect(page.locator(".temperature .whole")).to_have_text("185")
        expect(page).to_have_title(re.compile("^Ready to bottle"))
        page.context.close()


def test_without_scripts_the_state_is_there_and_the_page_loads_itself_again(
    browser: Browser, board: Any, states: dict[str, RunStatus]
) -> None:
    board.tell(states["ready"])
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(board.address + "/press/main")
    expect(page.locator(".verdict")).to_have_text("Ready to bottle:")
    assert 'http-equiv="refresh"' in page.content()
    context.close()


@pytest.mark.timeout(60)
def test_silence_is_said_within_ten_seconds_and_nothing_looks_current(
    browser: Browser, board: Any, states: dict[str, RunStatus], pictures: Path
) -> None:
    page = opened(browser, board, size="phone")
    shown(page, board, states["ready"])
    expect(page.locator(".verdict")).to_have_text(
        re.compile(r"^No data since \d\d:\d\d:\d\d:$"), timeout=10_000
    )
    page.screenshot(path=pictures / "silent-phone.png")
    assert "Ready" not in page.locator("main").inner_text()
    assert "185" not in page.locator("main").inner_text()
    board.tell(states["ready"])
    expect(page.locator(".verdict")).to_have_text("Ready to bottle:", timeout=SHOWN_MS)
    page.context.close()


def test_a_dead_line_is_said_by_the_pages_own_timer(
    browser: Browser, board: Any, states: dict[str, RunStatus]
) -> None:
    page = opened(browser, board, size="phone")
    page.clock.install()
    shown(page, board, states["ready"])
    page.context.set_offline(True)
    page.clock.run_for(9_000)
    expect(page.locator(".verdict")).to_have_text(re.compile(r"^No data since"), timeout=SHOWN_MS)
    assert page.locator("body").get_attribute("data-mood") == "silent"
    for name in ("outlet", "window", "stack", "points", "tally"):
        assert not page.locator(f'[data-part="{name}"] > *').first.is_visible(), name
    page.context.set_offline(False)
    page.clock.resume()
    streamed(page, board, states["ready"])
    expect(page.locator(".verdict")).to_have_text("Ready to bottle:", timeout=SHOWN_MS)
    for name in ("outlet", "window", "stack", "points", "tally"):
        assert page.locator(f'[data-part="{name}"] > *').first.is_visible(), name
    page.context.close()


def test_a_page_of_another_edition_loads_itself_again_once(
    browser: Browser, board: Any, states: dict[str, RunStatus]
) -> None:
    page = opened(browser, board, size="phone")
    shown(page, board, states["ready"])
    page.evaluate("() => { document.body.dataset.version = 'older'; window.before = true; }")
    with page.expect_event("load", timeout=SHOWN_MS):
        board.tell(states["ready"])
    assert page.evaluate("window.before") is None
    page.context.close()


def answering(board: Any, answer: Callable[[Command], Reply] | None) -> None:
    board.scene.sent.clear()
    board.scene.answer = answer


def done(command: Command) -> Reply:
    return Reply(id=command.id, done=True)


def test_an_alarm_is_acknowledged_under_the_code_which_the_phone_then_keeps(
    browser: Browser, board: Any, states: dict[str, RunStatus]
) -> None:
    answering(board, done)
    page = opened(browser, board, size="phone")
    shown(page, board, states["near clog"])
    page.get_by_role("button", name="Acknowledge").click()
    page.get_by_label("The code on the board").fill("0000 0000")
    page.get_by_label("Your name").fill("Ann")
    page.get_by_role("button", name="Go on").click()
    expect(page.locator("#code-said")).to_contain_text("That code is wrong", timeout=SHOWN_MS)
    page.get_by_label("The code on the board").fill(board.scene.code_text)
    page.get_by_role("button", name="Go on").click()
    expect(page.locator("#said")).to_have_text("Done: alarm acknowledged.", timeout=SHOWN_MS)
    command = decode(board.scene.sent[-1][1], Command)
    assert (command.who, command.args.activation) == ("Ann", 3)  # type: ignore[union-attr]
    page.reload()
    page.get_by_role("button", name="Silence").click()
    expect(page.locator("#said")).to_have_text("Done: sound off for two minutes.", timeout=SHOWN_MS)
    assert not page.locator("#code").is_visible()
    page.context.close()


def test_containers_notes_and_totals_are_tapped_in_on_the_second_page(
    browser: Browser, board: Any, states: dict[str, RunStatus]
) -> None:
    answering(board, done)
    page = opened(browser, board, size="small")
    shown(page, board, states["ready"], "/press/main/run")
    page.evaluate("(code) => localStorage.setItem('device-code', code)", board.scene.code_text)
    page.get_by_role("button", name="½ gal", exact=True).click()
    expect(page.locator("#said")).to_have_text("Done: noted.", timeout=SHOWN_MS)
    page.get_by_label("Note for the run").fill("late, dark & sticky")
    page.get_by_role("button", name="Keep note").click()
    expect(page.locator("#said")).to_have_text("Done: note kept.", timeout=SHOWN_MS)
    page.get_by_label("Total of the run, gal").fill("14,5")
    page.get_by_role("button", name="Keep total").click()
    expect(page.locator("#said")).to_have_text("Done: noted.", timeout=SHOWN_MS)
    half, note, total = (decode(payload, Command).args for _, payload in board.scene.sent)
    # NIST SP 811: the US gallon is 3.785 411 784 L.
    assert half.volume_l == pytest.approx(3.785411784 / 2, abs=1e-4)  # type: ignore[union-attr]
    assert note.text == "late, dark & sticky"  # type: ignore[union-attr]
    assert total.volume_l == pytest.approx(14.5 * 3.785411784, rel=1e-6)  # type: ignore[union-attr]
    page.context.close()


def test_a_run_is_ended_only_when_sure_and_a_refusal_is_told(
    browser: Browser, board: Any, states: dict[str, RunStatus]
) -> None:
    answering(board, lambda command: Reply(id=command.id, done=False, reason="no run is open"))
    page = opened(browser, board, size="phone")
    shown(page, board, states["ready"], "/press/main/run")
    page.evaluate("(code) => localStorage.setItem('device-code', code)", board.scene.code_text)
    page.once("dialog", lambda dialog: dialog.dismiss())
    page.get_by_role("button", name="End run").click()
    assert board.scene.sent == []
    page.once("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="End run").click()
    expect(page.locator("#said")).to_have_text("Refused: no run is open.", timeout=SHOWN_MS)
    page.context.close()


def test_a_button_keeps_its_focus_while_the_page_renews_itself(
    browser: Browser, board: Any, states: dict[str, RunStatus]
) -> None:
    page = opened(browser, board, size="phone")
    shown(page, board, states["near clog"])
    page.get_by_role("button", name="Acknowledge").focus()
    alarms = states["near clog"].alarms
    board.tell(
        states["near clog"].model_copy(update={"alarms": (alarms[0].model_copy(update={"for_s": 43.0}),)})
    )
    expect(page.locator(".alarm-list")).to_contain_text("for 43", timeout=SHOWN_MS)
    assert page.evaluate("document.activeElement.dataset.act") == "acknowledge"
    page.context.close()


def test_a_choice_of_units_is_kept_on_this_phone_only(
    browser: Browser, board: Any, states: dict[str, RunStatus]
) -> None:
    page = opened(browser, board, size="phone")
    other = opened(browser, board, size="phone")
    shown(page, board, states["ready"])
    page.get_by_role("button", name="°C, kPa, L").click()
    expect(page.locator(".temperature .whole")).to_have_text("85")
    page.get_by_role("button", name="Français").click()
    expect(page.locator(".verdict")).to_contain_text("Prêt à embouteiller")
    shown(other, board, states["ready"])
    expect(other.locator(".temperature .whole")).to_have_text("185")
    page.context.close()
    other.context.close()


def test_the_traces_of_the_open_run_are_there_and_zoom(
    browser: Browser, board: Any, states: dict[str, RunStatus]
) -> None:
    page = opened(browser, board, size="phone")
    shown(page, board, states["ready"], "/press/main/run")
    expect(page.locator("#traces svg.trace")).to_have_count(4)
    buttons = [button.bounding_box() for button in page.locator("#zoom button").all()]
    assert len({box["y"] for box in buttons if box}) == 1
    page.get_by_role("button", name="Last 5 min").click()
    expect(page.locator("#traces svg.trace title").first).to_contain_text("to 13", timeout=SHOWN_MS)
    page.context.close()
