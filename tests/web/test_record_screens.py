"""The pages before and after a run in a real Chromium, over two invented springs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from tests.web.invented_runs import TROUBLED
from tests.web.test_browser import BROKEN_WORDS, OVERFLOW, SIZES, SMALLEST_TEXT, Watch

pytestmark = pytest.mark.browser
RUN = f"/runs/{TROUBLED.name}"
PAGES = {
    "plan": "/plan?batch=60&density=60&pan=190&sand=heavy",
    "plan-refused": "/plan?batch=plenty",
    "season": "/season",
    "lots": "/lots",
    "probe-checks": "/probe-checks?correct=c4ec0001",
    "sheet": f"{RUN}/sheet",
    "cakes": f"{RUN}/cakes?correct=cae00002",
    "lot": f"{RUN}/lot?correct=10700001",
    "cloudy": f"{RUN}/cloudy",
    "run": RUN,
}
TOUCHED = "main :is(button, .button, .picks label, .fields input, select)"
ACTS = """(touched) => [...document.querySelectorAll(touched)]
  .filter((act) => act.checkVisibility() && !["radio", "checkbox", "hidden"].includes(act.type))
  .map((act) => [act.getBoundingClientRect().height, act.textContent || act.name])"""


@pytest.mark.timeout(180)
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(("language", "units", "theme"), [("en", "us", "light"), ("fr", "metric", "dark")])
def test_every_page_fits_its_screen_and_can_be_read_and_touched(
    browser: Browser, season_board: Any, pictures: Path, size: str, language: str, units: str, theme: str
) -> None:
    width, height = SIZES[size]
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=theme)  # type: ignore[arg-type]
    for name, value in (("language", language), ("units", units)):
        context.add_cookies([{"name": name, "value": value, "url": season_board.address}])
    page = context.new_page()
    watch = Watch(page)
    for name, path in PAGES.items():
        page.goto(season_board.address + path)
        page.screenshot(path=pictures / f"{name}-{size}-{language}.png", full_page=True)
        assert page.evaluate(OVERFLOW) <= 0, name
        assert page.evaluate(BROKEN_WORDS, "h1, h2, button") == [], name
        least_px, text = page.evaluate(SMALLEST_TEXT)
        assert least_px >= 19.99, f"{name}: {text} at {least_px} px"
        low = [act for act in page.evaluate(ACTS, TOUCHED) if act[0] < 60]
        assert low == [], name
        if size in ("phone", "desk"):
            found = Axe().run(page)
            assert found.violations_count == 0, f"{name}: {found.generate_report()}"
    assert watch.complaints == []
    assert watch.hosts == {f"127.0.0.1:{season_board.port}"}
    context.close()


def test_a_plan_is_asked_for_without_script(browser: Browser, season_board: Any) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{season_board.address}/plan")
    page.get_by_label("Syrup to filter").fill("15")
    page.get_by_label("Sugar sand in this batch").first.select_option("heavy")
    page.get_by_role("button", name="Work it out").click()
    assert page.locator(".measure b").inner_text().endswith("cups")
    assert page.get_by_label("Syrup to filter").input_value() == "15"
    context.close()
