"""The page by https: an authority that vouches for this board alone, and what a browser makes of it."""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import stat
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from cryptography import x509
from playwright.sync_api import Browser, Error, Page, expect, sync_playwright

from monitor.contract.errors import CertificateFailed, SettingsError
from monitor.contract.status import RunStatus
from monitor.runtime.settings import load
from tests.integration.services import ROOM, Services
from tests.ports import unused_port
from web.authority import AUTHORITY, AUTHORITY_KEY, CERTIFICATE, KEY, PAGE_DAYS, Names, issue
from web.secure_line import SecureLine

NOW = datetime.now(UTC)
BOARD = Names.of(["sugarhouse.local", "sugarhouse", "localhost", "127.0.0.1", "192.168.0.10"])
HOST = socket.gethostname()
"""By http the loopback counts as secure in every browser: the plain page is asked by this name."""
LONGEST_DAYS = 825
"""Some phones take no certificate for longer (from memory)."""


def line(folder: Path) -> SecureLine:
    return SecureLine(folder / CERTIFICATE, folder / KEY)


def refused(folder: Path, name: str, *, signed_by: Path | None = None) -> str | None:
    """Return why OpenSSL's strict client refuses the page of ``folder`` as ``name``, null if it does not."""
    client = ssl.create_default_context(cafile=signed_by or folder / AUTHORITY)
    client.verify_flags |= ssl.VERIFY_X509_STRICT
    to_client, to_server = ssl.MemoryBIO(), ssl.MemoryBIO()
    ends = (
        client.wrap_bio(to_client, to_server, server_hostname=name),
        line(folder).context.wrap_bio(to_server, to_client, server_side=True),
    )
    for _ in range(6):
        for end in ends:
            try:
                end.do_handshake()
            except ssl.SSLWantReadError:
                continue
            except ssl.SSLCertVerificationError as error:
                return str(error.verify_message)
    return None


@pytest.mark.parametrize("name", ["sugarhouse.local", "sugarhouse", "192.168.0.10", "127.0.0.1"])
def test_a_strict_client_believes_the_page_by_each_of_its_names(tmp_path: Path, name: str) -> None:
    issue(tmp_path, names=BOARD, now=NOW)
    assert refused(tmp_path, name) is None


@pytest.mark.parametrize("name", ["elsewhere.example", "192.168.0.11"])
def test_and_by_no_other(tmp_path: Path, name: str) -> None:
    issue(tmp_path, names=BOARD, now=NOW)
    assert "mismatch" in (refused(tmp_path, name) or "")


@pytest.mark.parametrize("name", ["bank.example", "sub.elsewhere.local", "8.8.8.8", "2001:4860:4860::8888"])
def test_a_stolen_authority_can_vouch_for_nothing_elsewhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    # RFC 5280, 4.2.1.10: a name outside the permitted ones makes the chain invalid.
    issue(tmp_path, names=BOARD, now=NOW)
    monkeypatch.setattr("web.authority._refuse_unfit", lambda *_, **__: None)
    issue(tmp_path, names=Names.of([name]), now=NOW)
    assert refused(tmp_path, name) == "permitted subtree violation"


def test_another_authority_is_not_believed(tmp_path: Path) -> None:
    for folder in ("one", "other"):
        issue(tmp_path / folder, names=BOARD, now=NOW)
    why = refused(tmp_path / "one", "sugarhouse", signed_by=tmp_path / "other" / AUTHORITY)
    assert why is not None


def test_keys_are_their_owner_s_alone_and_phones_take_the_length(tmp_path: Path) -> None:
    issued = issue(tmp_path / "new", names=BOARD, now=NOW)
    modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in issued.files}
    assert modes == {AUTHORITY: 0o644, AUTHORITY_KEY: 0o600, CERTIFICATE: 0o644, KEY: 0o600}
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o700
    page = x509.load_pem_x509_certificate((tmp_path / "new" / CERTIFICATE).read_bytes())
    assert page.not_valid_after_utc - page.not_valid_before_utc < timedelta(days=LONGEST_DAYS)


def test_renewed_the_authority_stays_so_that_no_phone_is_visited_again(tmp_path: Path) -> None:
    first = issue(tmp_path, names=BOARD, now=NOW - timedelta(days=700))
    before = (tmp_path / CERTIFICATE).read_bytes()
    moved = Names.of([*BOARD.names, "192.168.0.77"])
    second = issue(tmp_path, names=moved, now=NOW)
    assert (second.fingerprint, second.new_authority) == (first.fingerprint, False)
    assert (tmp_path / CERTIFICATE).read_bytes() != before
    assert refused(tmp_path, "192.168.0.77") is None


@pytest.mark.parametrize(
    ("names", "later_days", "says"),
    [
        (["sugarhouse.local", "shed.local"], 0, "may not vouch for shed.local"),
        (["sugarhouse.local", "203.0.113.9"], 0, "may not vouch for 203.0.113.9"),
        (["sugarhouse.local"], 3700, "has ended"),
    ],
)
def test_an_authority_that_phones_would_not_believe_is_refused(
    tmp_path: Path, names: list[str], later_days: int, says: str
) -> None:
    issue(tmp_path, names=BOARD, now=NOW)
    before = (tmp_path / CERTIFICATE).read_bytes()
    with pytest.raises(CertificateFailed, match=says):
        issue(tmp_path, names=Names.of(names), now=NOW + timedelta(days=later_days))
    assert (tmp_path / CERTIFICATE).read_bytes() == before


@pytest.mark.parametrize("spoilt", ["gone", "torn", "another's"])
def test_half_an_authority_is_refused_in_one_line(tmp_path: Path, spoilt: str) -> None:
    issue(tmp_path, names=BOARD, now=NOW)
    key = tmp_path / AUTHORITY_KEY
    if spoilt == "gone":
        key.unlink()
    else:
        key.write_bytes(b"torn" if spoilt == "torn" else (tmp_path / KEY).read_bytes())
    with pytest.raises(CertificateFailed) as refusal:
        issue(tmp_path, names=BOARD, now=NOW)
    assert "\n" not in str(refusal.value)
    assert str(tmp_path) in str(refusal.value)


def test_a_certificate_that_has_ended_or_not_begun_is_known_as_such(tmp_path: Path) -> None:
    issued = issue(tmp_path, names=BOARD, now=NOW)
    assert line(tmp_path).good_until() == issued.until.replace(microsecond=0)
    for off_days in (-PAGE_DAYS - 2, 3):
        issue(tmp_path / f"{off_days}", names=BOARD, now=NOW + timedelta(days=off_days))
        assert line(tmp_path / f"{off_days}").good_until() is None


def test_files_that_are_no_pair_are_one_clear_line(tmp_path: Path) -> None:
    issue(tmp_path, names=BOARD, now=NOW)
    for certificate, key in ((CERTIFICATE, AUTHORITY_KEY), (KEY, KEY), (CERTIFICATE, "none"), ("none", KEY)):
        with pytest.raises(SettingsError, match=r"web\.certificate") as refusal:
            SecureLine(tmp_path / certificate, tmp_path / key)
        assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    "overrides",
    [
        ["web.certificate=a.crt"],
        ["web.key=a.key"],
        ["web.certificate=a", "web.key=b", "web.secure_port=8080"],
    ],
)
def test_half_a_setting_is_refused(overrides: list[str]) -> None:
    with pytest.raises(SettingsError, match="web"):
        load(overrides=overrides)


@pytest.mark.broker
@pytest.mark.parametrize("broker_program", ["mosquitto"], indirect=True)
def test_the_command_the_service_and_a_client_that_trusts_the_authority_meet(services: Services) -> None:
    folder = services.directory / "https"
    made = subprocess.run(
        [*services.command, "certificate", "--to", str(folder), "--also", "sugarhouse.lan"],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PYTHONPATH": str(ROOM)},
    )
    assert "fingerprint" in made.stdout
    secure_port = unused_port()
    services.settings["web"] = {
        "certificate": str(folder / CERTIFICATE),
        "key": str(folder / KEY),
        "authority": str(folder / AUTHORITY),
        "secure_port": secure_port,
    }
    services.start("web")
    with httpx.Client() as client:
        handed = client.get(services.address + "/authority.crt")
        health = client.get(services.address + "/health").text
    assert handed.headers["content-type"] == "application/x-x509-ca-cert"
    authority = ssl.DER_cert_to_PEM_cert(handed.content)
    assert "certificate good until" in health
    trusting = ssl.create_default_context(cadata=authority)
    trusting.verify_flags |= ssl.VERIFY_X509_STRICT
    with httpx.Client(verify=trusting, base_url=f"https://localhost:{secure_port}") as client:
        assert client.get("/safety").status_code == 200
        own = {"origin": f"https://localhost:{secure_port}"}
        assert client.post("/choice", data={"units": "metric"}, headers=own).status_code == 303
        with client.stream("GET", "/live/main") as stream:
            assert next(stream.iter_lines()).startswith("data:")
            assert services.stop("web") == 0
    with httpx.Client() as strange, pytest.raises(httpx.ConnectError):
        strange.get(f"https://localhost:{secure_port}/safety")


@pytest.fixture
def phone(tmp_path: Path) -> Iterator[Browser]:
    """Run a Chromium that trusts the authority, as a phone on which a person has installed it."""
    certutil = shutil.which("certutil")
    if certutil is None:
        pytest.fail("certutil is not installed: apt install libnss3-tools")
    issue(tmp_path / "https", names=BOARD, now=NOW)
    trusted = tmp_path / "home" / ".pki" / "nssdb"
    trusted.mkdir(parents=True)
    kept = f"sql:{trusted}"
    authority = str(tmp_path / "https" / AUTHORITY)
    for arguments in (["-N", "--empty-password"], ["-A", "-t", "C,,", "-n", "board", "-i", authority]):
        subprocess.run([certutil, "-d", kept, *arguments], check=True, capture_output=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium",
            args=[
                *("--no-sandbox", "--disable-background-networking", "--disable-component-update"),
                f"--host-resolver-rules=MAP {HOST} 127.0.0.1",
            ],
            env=os.environ | {"HOME": str(tmp_path / "home")},
        )
        yield browser
        browser.close()


@pytest.mark.browser
def test_a_phone_that_trusts_the_authority_keeps_its_screen_on_and_one_by_http_says_it_cannot(
    phone: Browser, new_board: Any, tmp_path: Path, states: dict[str, RunStatus]
) -> None:
    board = new_board(secure=line(tmp_path / "https"))
    context = phone.new_context(viewport={"width": 390, "height": 844})
    page = opened(context.new_page(), board, board.secure_address, states["ready"])
    assert page.evaluate("isSecureContext")
    screen = page.locator("#sound-screen")
    expect(screen).to_have_text("The screen may go dark, and a dark phone is silent.")
    page.get_by_role("button", name="Let this phone sound").click()
    expect(screen).to_have_text("The screen stays on while this page is in front.")
    page.get_by_role("button", name="Let the screen go dark").click()
    expect(screen).to_contain_text("may go dark")
    page.get_by_role("button", name="Keep the screen on").click()
    expect(screen).to_contain_text("stays on")

    plain = opened(context.new_page(), board, board.address.replace("127.0.0.1", HOST), states["ready"])
    assert not plain.evaluate("isSecureContext")
    expect(plain.locator("#sound-screen")).to_contain_text("cannot keep the screen on")
    expect(plain.locator("#sound-awake")).to_be_hidden()
    context.close()


@pytest.mark.browser
def test_a_phone_that_does_not_know_the_authority_is_stopped_at_the_door(
    browser: Browser, new_board: Any, tmp_path: Path
) -> None:
    issue(tmp_path / "https", names=BOARD, now=NOW)
    board = new_board(secure=line(tmp_path / "https"))
    page = browser.new_page()
    with pytest.raises(Error, match="ERR_CERT_AUTHORITY_INVALID"):
        page.goto(board.secure_address)
    page.close()


def opened(page: Page, board: Any, address: str, status: RunStatus) -> Page:
    told = board.tell(status)
    page.goto(address + "/press/main")
    page.wait_for_function("(seq) => document.body.dataset.seq === seq", arg=str(told.seq))
    return page
