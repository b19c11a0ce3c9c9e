"""Accounts, folders, device rules, log limits and examples: each read by the program it is for."""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path

import pytest

from monitor import installation
from monitor.runtime.settings import load
from tests.systemd.conftest import Install, run

SHIPPED = installation.shipped()
WIRING = Path(__file__).parents[2] / "hardware" / "WIRING.md"
JOURNALD_DEFAULTS = Path("/etc/systemd/journald.conf")

needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root makes accounts and gives files away")


def accounts(root: Path) -> dict[str, tuple[int, int]]:
    """Return the user and group number of each account of a tree."""
    lines = (root / "etc/passwd").read_text().splitlines()
    return {name: (int(user), int(group)) for name, _, user, group, *_ in (line.split(":") for line in lines)}


def groups(root: Path) -> dict[str, tuple[int, str]]:
    """Return the number and the members of each group of a tree."""
    lines = (root / "etc/group").read_text().splitlines()
    return {name: (int(number), members) for name, _, number, members in (line.split(":") for line in lines)}


def make_accounts(root: Path) -> None:
    """Let systemd make the accounts in a tree, as it does on a board."""
    made = run(["systemd-sysusers", f"--root={root}", f"{root}/{installation.FILES['sysusers.conf']}"])
    assert made.returncode == 0, made.stderr


@needs_root
def test_the_accounts_are_made_and_the_page_may_read_the_store(bare: Path, install: Install) -> None:
    install()
    make_accounts(bare)
    assert set(installation.SERVICES) <= set(accounts(bare))
    assert groups(bare)["niterwatch"][1] == "niterwatch-web"
    assert groups(bare)["gpio"][1] == groups(bare)["audio"][1] == "niterwatch-hardware"


@needs_root
def test_the_folder_of_the_runs_is_the_monitor_s_and_open_to_the_page(bare: Path, install: Install) -> None:
    install()
    make_accounts(bare)
    made = run(
        ["systemd-tmpfiles", "--create", f"--root={bare}", f"{bare}/{installation.FILES['tmpfiles.conf']}"]
    )
    assert (made.returncode, made.stderr) == (0, "")
    store = (bare / "var/lib/niterwatch").stat()
    owner, group = accounts(bare)["niterwatch-monitor"][0], groups(bare)["niterwatch"][0]
    assert (store.st_uid, store.st_gid, stat.S_IMODE(store.st_mode)) == (owner, group, 0o750)


@needs_root
def test_the_broker_gets_its_secrets_where_its_account_is_known(bare: Path, install: Install) -> None:
    (bare / "etc/passwd").write_text("mosquitto:x:4242:4343::/var/lib/mosquitto:/usr/sbin/nologin\n")
    install(lan="192.168.0.77")
    for path in (installation.ACCESS, installation.PASSWORDS):
        there = (bare / path).stat()
        assert (there.st_uid, there.st_gid, stat.S_IMODE(there.st_mode)) == (4242, 4343, 0o600), path


def test_a_probe_s_marker_and_a_converter_s_range_become_writable(tmp_path: Path) -> None:
    """The rules' own commands, over a tree like the kernel's (udev(7): RUN is no shell)."""
    me = str(os.getgid())
    probe, converter = tmp_path / "28-0316a279b1ff", tmp_path / "iio:device0"
    files = {
        probe: ("alarms", "w1_slave", "name"),
        converter: ("in_voltage0_scale", "in_voltage0_sampling_frequency", "in_voltage0_raw"),
    }
    for folder, names in files.items():
        folder.mkdir()
        for name in names:
            (folder / name).touch(0o644)
    for line in (SHIPPED / "udev.rules").read_text().splitlines():
        folder = probe if 'SUBSYSTEM=="w1"' in line else converter
        for command in re.findall(r'RUN\+="([^"]*)"', line):
            text = command.replace("/sys$devpath", str(folder)).replace("niterwatch-hardware", me)
            done = run(["/bin/sh", "-c", text])
            assert (done.returncode, done.stderr) == (0, ""), text
    writable = {file.name for folder in files for file in folder.iterdir() if file.stat().st_mode & 0o020}
    assert writable == {"alarms", "w1_slave", "in_voltage0_scale", "in_voltage0_sampling_frequency"}


def test_the_log_s_limits_are_keys_that_journald_knows() -> None:
    """Debian ships journald.conf with every key in it, commented out."""
    known = re.findall(r"^#?(\w+)=", JOURNALD_DEFAULTS.read_text(), flags=re.MULTILINE)
    ours = re.findall(r"^(\w+)=", (SHIPPED / "journald.conf").read_text(), flags=re.MULTILINE)
    assert ours
    assert set(ours) <= set(known)


def test_every_commented_setting_of_the_example_is_a_true_one(tmp_path: Path) -> None:
    lines = (SHIPPED / "niterwatch.toml").read_text().splitlines()
    examples = [number for number, line in enumerate(lines) if re.match(r"# [\w.]+ = |# \[", line)]
    assert len(examples) >= 5
    file = tmp_path / "all.toml"
    file.write_text(
        "\n".join(line[2:] if number in examples else line for number, line in enumerate(lines)) + "\n"
    )
    settings = load(file)
    assert settings.point.filler is not None
    assert settings.web.allowed_hosts == ("sugarhouse.lan",)


def test_the_overlay_lines_are_those_of_the_wiring_guide() -> None:
    fence = re.search(r"```\n(dt.*?)```", WIRING.read_text(), flags=re.DOTALL)
    assert fence is not None
    lines = (SHIPPED / "boot-overlays.txt").read_text().splitlines()
    assert set(fence[1].split()) <= {line for line in lines if not line.startswith("#")}
