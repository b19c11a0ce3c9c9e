"""The demo as the README starts it: one process, an invented press, a phone."""

from __future__ import annotations

import re
import signal
import sys
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

from tests.integration.services import Program, answers, until

QR_BLOCKS = re.compile(r"[█▀▄ ]{25,}")


@pytest.mark.browser
@pytest.mark.timeout(150)
def test_within_a_minute_the_phone_shows_still_recirculating_and_then_ready(
    tmp_path: Path, free_port: int
) -> None:
    demo = Program(
        [sys.executable, "-m", "monitor.cli", "demo", f"--port={free_port}", f"--keep={tmp_path / 'kept'}"],
        log=tmp_path / "demo.log",
    )
    demo.start()
    try:
        until(lambda: answers(free_port) or not demo.alive, what="the page is there")
        assert demo.alive, demo.text()
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-background-networking"]
            )
            phone = browser.new_page(viewport={"width": 390, "height": 844})
            phone.goto(f"http://127.0.0.1:{free_port}/")
            phone.get_by_text(re.compile("still recirculating", re.IGNORECASE)).first.wait_for(timeout=30_000)
            phone.get_by_text(re.compile("ready to bottle", re.IGNORECASE)).first.wait_for(timeout=60_000)
            assert phone.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
            assert phone.get_by_text(re.compile("invented", re.IGNORECASE)).count() > 0
            browser.close()
        assert len(QR_BLOCKS.findall(demo.text())) > 10
        assert f":{free_port}/" in demo.text()
        assert re.search(r"Code for the acts:\s+\d", demo.text())
    finally:
        demo.signal(signal.SIGINT)
        status = demo.process.wait(20) if demo.process else None
    assert status in (0, 130), demo.text()
    assert "Traceback" not in demo.text()
    assert (tmp_path / "kept" / "niterwatch.db").exists()
