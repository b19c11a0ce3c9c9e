"""The door in a real Chromium: asked once, in by the code, out again by a new one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from monitor.contract.status import RunStatus
from monitor.runtime.settings import load
from web.kept_code import KeptCode
from web.security import new_code

pytestmark = pytest.mark.browser
ASKED = "This page asks for the device's code"


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 320, "height": 640})
    yield context.new_page()
    context.close()


def test_a_phone_is_asked_once_and_again_after_a_new_code(
    new_board: Any, phone: Page, states: dict[str, RunStatus], tmp_path: Path
) -> None:
    file = tmp_path / "code"
    text = new_code(file)
    board = new_board(kept=KeptCode(file), settings=load(overrides=["web.reading=code"]))
    phone.goto(f"{board.address}/runs")
    expect(phone.locator("h1")).to_have_text(ASKED)
    assert Axe().run(phone).violations_count == 0
    assert phone.evaluate("document.documentElement.scrollWidth") <= 320

    phone.get_by_label("Code").fill("0000 0000")
    phone.keyboard.press("Enter")
    expect(phone.get_by_role("alert")).to_contain_text("That code is wrong")

    phone.get_by_label("Code").fill(text)
    phone.keyboard.press("Enter")
    phone.wait_for_url(f"{board.address}/runs")

    phone.goto(board.address)
    board.tell(states["ready"])
    expect(phone.locator(".verdict").first).to_contain_text("Ready to bottle")

    new_code(file)
    board.tell(states["ready"])
    expect(phone.locator("h1")).to_have_text(ASKED, timeout=15_000)
