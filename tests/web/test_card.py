"""The door card: one sheet that a camera reads and a person fills in."""

from __future__ import annotations

import base64
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
import zxingcpp
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from monitor.contract.names import Signal
from monitor.runtime.settings import WebSection, load
from tests.integration.services import ROOM
from web import door_card, qr_code, sound_picture
from web.address import way
from web.tones import PATTERNS

PIXELS = """async (png) => {
  const image = new Image();
  image.src = "data:image/png;base64," + png;
  await image.decode();
  const canvas = new OffscreenCanvas(image.width, image.height).getContext("2d");
  canvas.drawImage(image, 0, 0);
  const { data } = canvas.getImageData(0, 0, image.width, image.height);
  return [image.width, [...data].filter((_, index) => index % 4 === 0)];
}"""


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    page = browser.new_page(viewport={"width": 390, "height": 844})
    yield page
    page.close()


def written(folder: Path, *settings: str) -> Path:
    for name, text in door_card.files(load(overrides=settings)).items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder / door_card.CARD


def read_by_camera(page: Page, selector: str) -> list[str]:
    """Return what an independent reader of bar codes finds in a picture of ``selector``."""
    picture = base64.b64encode(page.locator(selector).screenshot()).decode()
    page.goto("about:blank")
    width, red = page.evaluate(PIXELS, picture)
    return [found.text for found in zxingcpp.read_barcodes(np.array(red, dtype=np.uint8).reshape(-1, width))]


@pytest.mark.browser
@pytest.mark.parametrize("language", ["en", "fr"])
@pytest.mark.parametrize("sheet", ["Letter", "A4"])
def test_it_is_one_sheet_in_either_language(page: Page, tmp_path: Path, language: str, sheet: str) -> None:
    card = written(tmp_path, f"display.language={language}", "press.name=the-long-name-of-a-back-room")
    page.goto(card.as_uri())
    printed = page.pdf(format=sheet)
    # PDF 1.7 (ISO 32000-1), 7.7.3: every sheet is an object of this type.
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1


@pytest.mark.browser
def test_a_camera_reads_the_address_from_the_printed_square(page: Page, tmp_path: Path) -> None:
    card = written(tmp_path, "web.host=192.168.0.10", "web.port=8090")
    page.goto(card.as_uri())
    assert page.locator(".address").all_inner_texts() == ["http://192.168.0.10:8090/"]
    assert read_by_camera(page, ".qr") == ["http://192.168.0.10:8090/"]


@pytest.mark.browser
def test_the_card_is_a_tap_from_the_health_page_and_fits_a_phone(page: Page, board: Any) -> None:
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.goto(board.address + "/health")
    page.get_by_role("link", name="Door card").click()
    page.wait_for_url("**/card")
    assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.get_by_role("link", name="Health").click()
    page.wait_for_url("**/health")
    assert said == []


def test_the_code_s_place_is_an_empty_line(tmp_path: Path) -> None:
    html = written(tmp_path).read_text(encoding="utf-8")
    assert '<p class="line"></p>' in html
    assert "style=" not in html
    assert "<style" not in html
    assert not re.search(r"\b\d{4} ?\d{4}\b", re.sub(r"<svg.*?</svg>", "", html, flags=re.DOTALL))


@pytest.mark.parametrize("signal", Signal)
def test_a_sound_is_drawn_as_it_is_heard(signal: Signal) -> None:
    drawn = ElementTree.fromstring(sound_picture.draw(PATTERNS[signal], title="sound", key="sound"))  # noqa: S314
    bars = [node for node in drawn.iter() if node.get("class") == "tone"]
    pulses = PATTERNS[signal].pulses
    widths = [float(bar.get("width", "")) for bar in bars]
    assert [width / widths[0] for width in widths] == pytest.approx(
        [pulse.on_s / pulses[0].on_s for pulse in pulses], rel=0.01
    )
    rises = [-float(bar.get("y", "")) for bar in bars]
    assert (
        np.argsort(rises, kind="stable").tolist()
        == np.argsort([p.hz for p in pulses], kind="stable").tolist()
    )
    assert max(float(bar.get("x", "")) + width for bar, width in zip(bars, widths, strict=True)) <= 130


@pytest.mark.parametrize(
    ("host", "address", "lonely"),
    [
        ("192.168.0.10", "http://192.168.0.10:8080/", False),
        ("fd00::7", "http://[fd00::7]:8080/", False),
        ("127.0.0.1", "http://127.0.0.1:8080/", True),
        ("::1", "http://[::1]:8080/", True),
    ],
)
def test_the_way_is_an_address_a_phone_can_use_or_is_said_to_be_lonely(
    host: str, address: str, lonely: bool
) -> None:
    found = way(WebSection(host=host))
    assert (found.address, found.name, found.lonely) == (address, None, lonely)


def test_the_terminal_s_square_is_read_too() -> None:
    class Terminal:
        text = ""

        def write(self, text: str) -> None:
            self.text += text

    terminal = Terminal()
    qr_code.to_terminal("http://192.168.0.10:8080/", terminal)  # type: ignore[arg-type] - writes only
    lines = terminal.text.splitlines()
    # Half blocks: each character is two modules, upper and lower; a filled one is light.
    halves = {" ": (0, 0), "▀": (255, 0), "▄": (0, 255), "█": (255, 255)}
    plain = [[halves[c] for c in re.sub(r"\x1b\[[0-9;]*m", "", line)] for line in lines]
    pixels = np.array(plain, dtype=np.uint8).transpose(0, 2, 1).reshape(2 * len(plain), -1)
    found = zxingcpp.read_barcodes(np.kron(pixels, np.ones((4, 4), dtype=np.uint8)))
    assert [code.text for code in found] == ["http://192.168.0.10:8080/"]


def test_the_command_writes_two_files_in_the_language_of_the_display(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "monitor.cli", "card", "--to", "card", "--set=display.language=fr"]
    environment = os.environ | {"PYTHONPATH": str(ROOM)}
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == ["card/door-card.html", "card/card.css"]
    assert 'lang="fr"' in (tmp_path / "card" / "door-card.html").read_text(encoding="utf-8")
    (tmp_path / "taken").write_text("")
    command[command.index("card", 4)] = "taken"
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert re.fullmatch(r"niterwatch: taken [^\n]+ --to\n", done.stderr)
