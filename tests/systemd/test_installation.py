"""Laying everything in a tree, laying it again, and taking it away."""

from __future__ import annotations

import json
import os
import re
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from monitor import installation
from monitor.contract.errors import InstallationFailed
from monitor.contract.presence import Service
from monitor.laid_files import LIST
from monitor.runtime.settings import load
from tests.systemd.conftest import ADDRESS, Install
from web.security import DeviceCode

CODE = "the device's code is "


def tree(root: Path) -> dict[str, tuple[bytes | None, int]]:
    """Return content and mode of everything below ``root``; a folder has no content."""
    return {
        str(path.relative_to(root)): (
            path.read_bytes() if path.is_file() else None,
            stat.S_IMODE(path.stat().st_mode),
        )
        for path in root.rglob("*")
        if not path.is_symlink()
    }


def uninstall(root: Path, *, everything: bool = False, dry: bool = False) -> list[str]:
    board = installation.Board(root=root, dry=dry)
    return list(installation.uninstall(board, everything=everything))


def paths(lines: list[str], done: str) -> set[str]:
    """Return the paths named by the lines that begin with ``done``."""
    return {
        line.removeprefix(f"{done} /").partition(":")[0] for line in lines if line.startswith(f"{done} /")
    }


def test_twice_gives_the_same_tree_and_says_so(board: Path, install: Install) -> None:
    before = tree(board)
    assert paths(install(), "wrote") == set()
    assert tree(board) == before


@pytest.mark.parametrize("lan", [None, ADDRESS])
def test_every_file_written_is_named(bare: Path, install: Install, lan: str | None) -> None:
    before = tree(bare)
    said = paths(install(lan=lan), "wrote")
    new = {path for path, (content, _) in tree(bare).items() if content is not None} - set(before)
    assert said == new
    assert len(said) > 10


def test_a_dry_run_names_the_same_files_and_touches_nothing(bare: Path, install: Install) -> None:
    before = tree(bare)
    would = paths(install(dry=True, lan=ADDRESS), "would write")
    assert tree(bare) == before
    # Said in other words, or of no interest beforehand.
    assert paths(install(lan=ADDRESS), "wrote") == would | {installation.CODE, LIST}


def test_all_of_it_goes_again(board: Path, bare: Path) -> None:
    uninstall(board, everything=True)
    left = [path for path in tree(bare) if "niterwatch" in path and not path.startswith("opt/niterwatch")]
    assert left == []
    assert not any("mosquitto" in path for path in tree(bare / "etc"))


def test_runs_settings_code_and_passwords_stay_unless_all_is_said(bare: Path, install: Install) -> None:
    install(lan=ADDRESS)
    run_file = bare / "var/lib/niterwatch/niterwatch.db"
    run_file.parent.mkdir()
    run_file.write_text("runs")
    uninstall(bare)
    left = {path for path, (content, _) in tree(bare).items() if content is not None and "niterwatch" in path}
    kept = {f"etc/niterwatch/{service}.password" for service in Service}
    kept |= {installation.SETTINGS, installation.CODE, "var/lib/niterwatch/niterwatch.db"}
    assert left == kept | {"opt/niterwatch/bin/niterwatch"}
    before = {path: (bare / path).read_bytes() for path in kept}
    install(lan=ADDRESS)
    assert {path: (bare / path).read_bytes() for path in kept} == before


def test_a_dry_uninstall_names_the_files_and_touches_nothing(board: Path) -> None:
    before = tree(board)
    would = paths(uninstall(board, dry=True), "would remove")
    assert tree(board) == before
    assert paths(uninstall(board), "removed") == would | {LIST}


def test_what_others_put_beside_ours_is_left_alone(bare: Path, install: Install) -> None:
    theirs = bare / "etc/mosquitto/conf.d/bridge.conf"
    theirs.parent.mkdir(parents=True)
    theirs.write_text("connection elsewhere\n")
    install()
    uninstall(bare, everything=True)
    assert theirs.read_text() == "connection elsewhere\n"
    assert [path.name for path in theirs.parent.iterdir()] == ["bridge.conf"]


def test_an_edited_settings_file_is_never_overwritten(bare: Path, install: Install) -> None:
    install()
    (bare / installation.SETTINGS).write_text('[press]\nname = "north"\n')
    install()
    install(lan=ADDRESS)
    uninstall(bare)
    assert load(bare / installation.SETTINGS).press.name == "north"


def test_an_edited_unit_is_kept_and_named(bare: Path, install: Install) -> None:
    install()
    unit = bare / installation.UNITS / "niterwatch-web.service"
    unit.write_text(unit.read_text() + "# mine\n")
    kept = f"kept /{installation.UNITS}/niterwatch-web.service: it was edited"
    assert any(line.startswith(kept) for line in install())
    assert kept in uninstall(bare)
    assert unit.read_text().endswith("# mine\n")
    uninstall(bare, everything=True)
    assert not unit.exists()


def test_a_file_of_somebody_else_under_our_name_is_not_overwritten(bare: Path, install: Install) -> None:
    theirs = bare / "etc/mosquitto/conf.d/niterwatch.conf"
    theirs.parent.mkdir(parents=True)
    theirs.write_text("listener 1884\n")
    install()
    uninstall(bare)
    assert theirs.read_text() == "listener 1884\n"


def test_an_older_version_s_file_is_brought_up_to_date(bare: Path, install: Install) -> None:
    older = Path("/opt/older/bin/niterwatch")
    install(program=older)
    unit = bare / installation.UNITS / "niterwatch-web.service"
    assert f"ExecStart={older} web" in unit.read_text()
    assert f"{installation.UNITS}/niterwatch-web.service" in paths(install(), "wrote")
    assert f"ExecStart={installation.PROGRAM} web" in unit.read_text()


def test_the_device_s_code_is_shown_once_and_only_its_hash_is_kept(bare: Path, install: Install) -> None:
    (line,) = [line for line in install() if line.startswith(CODE)]
    text = line.removeprefix(CODE)
    file = bare / installation.CODE
    code = DeviceCode.load(file)
    assert code is not None
    assert code.matches(text)
    assert text.replace(" ", "") not in file.read_text()
    assert not any(line.startswith(CODE) for line in install())


def test_secrets_are_their_owner_s_alone(bare: Path, install: Install) -> None:
    usual = os.umask(0o000)
    try:
        said = install(lan=ADDRESS)
    finally:
        os.umask(usual)
    secret = [f"etc/niterwatch/{service}.password" for service in Service]
    for path in (*secret, installation.PASSWORDS, installation.ACCESS, installation.CODE):
        assert stat.S_IMODE((bare / path).stat().st_mode) == 0o600, path
    words = [(bare / path).read_text().strip() for path in secret]
    assert len(set(words)) == len(words)
    assert all(len(word) >= 32 for word in words)
    hashed = (bare / installation.PASSWORDS).read_text()
    for word in words:
        assert word not in hashed
        assert not any(word in line for line in said)


def test_the_broker_s_address_is_remembered_until_switched_off(bare: Path, install: Install) -> None:
    install(lan=ADDRESS)
    broker = bare / "etc/mosquitto/conf.d/niterwatch.conf"
    assert f"listener 1883 {ADDRESS}\n" in broker.read_text()
    install()
    assert f"listener 1883 {ADDRESS}\n" in broker.read_text()
    install(lan="off")
    assert ADDRESS not in broker.read_text()
    assert not list((bare / installation.UNITS).glob("niterwatch-*.service.d/lan.conf"))
    assert json.loads((bare / LIST).read_text())["facts"]["lan"] == ""


def test_a_board_without_broker_wants_the_passwords_of_the_one_that_has_it(
    bare: Path, install: Install
) -> None:
    (bare / "lib/systemd/system/mosquitto.service").unlink()
    with pytest.raises(InstallationFailed, match=r"hardware\.password is missing: copy it from the board"):
        install(lan=ADDRESS)
    for service in Service:
        (bare / f"etc/niterwatch/{service}.password").write_text("brought along\n")
    install(lan=ADDRESS)
    assert not (bare / "etc/mosquitto").exists()
    uninstall(bare, everything=True)
    assert not (bare / "etc/niterwatch").exists()


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"program": Path("/home/ann/venv/bin/niterwatch")}, "cannot see it there"),
        ({"program": Path("relative/niterwatch")}, "absolute path"),
        ({"program": Path("/opt/50 %/niterwatch")}, "plain absolute path"),
        ({"lan": "sugarhouse.local"}, "give the address"),
        ({"lan": "0.0.0.0"}, "give the address"),  # noqa: S104 - refused
        ({"lan": "127.0.0.1"}, "give the address"),
        ({"root": Path("/nowhere/at/all")}, "is no folder"),
    ],
)
def test_what_cannot_work_is_refused_before_anything_is_written(
    bare: Path, install: Install, changes: dict[str, object], complaint: str
) -> None:
    before = tree(bare)
    with pytest.raises(InstallationFailed, match=complaint):
        install(**changes)
    assert tree(bare) == before


def test_nothing_to_take_away_is_said(bare: Path) -> None:
    with pytest.raises(InstallationFailed, match="nothing of niterwatch was installed"):
        uninstall(bare)


def test_a_damaged_list_is_not_guessed_at(bare: Path, install: Install) -> None:
    install()
    (bare / LIST).write_text("{")
    with pytest.raises(InstallationFailed, match="it is damaged"):
        uninstall(bare)


def test_without_the_right_to_write_one_line_says_so(bare: Path) -> None:
    (bare / "etc").rmdir()
    # Not even root can make a folder there.
    (bare / "etc").symlink_to("/sys/kernel")
    command = [sys.executable, "-m", "monitor.cli", "install", "--root", str(bare)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert re.fullmatch(r"niterwatch: /etc/\S+ cannot be \w+: .*; run it as root \(sudo\)\n", done.stderr)


def test_the_command_line_lays_it_and_takes_it_away(bare: Path) -> None:
    before = tree(bare)

    def niterwatch(*arguments: str) -> str:
        command = [sys.executable, "-m", "monitor.cli", *arguments, "--root", str(bare)]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    assert "would write /etc/systemd/system/niterwatch.target" in niterwatch("install", "--dry-run")
    assert tree(bare) == before
    assert CODE in niterwatch("install", "--lan", ADDRESS)
    assert "removed /etc/systemd/system/niterwatch.target" in niterwatch("uninstall", "--all")
    assert {path: kept for path, kept in tree(bare).items() if kept[0] is not None} == {
        path: kept for path, kept in before.items() if kept[0] is not None
    }
