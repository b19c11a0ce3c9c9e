"""Lays the services on a Debian board and takes them away again.

The files are those of ``systemd/``; this module says where each belongs, makes the device's
code and the broker's passwords, and tells systemd. With another root than ``/`` it only lays
files, for a board's image or a look beforehand.
"""

from __future__ import annotations

import ipaddress
import os
import re
import secrets
import shutil
import subprocess
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from monitor.contract.errors import InstallationFailed
from monitor.contract.presence import Service
from monitor.laid_files import LaidFiles, named

PROGRAM = Path("/opt/niterwatch/bin/niterwatch")
"""Where the unit files look for the program."""
EXAMPLE_ADDRESS = "192.168.0.10"
"""What stands for the board's own address in the broker's example."""
HIDDEN = tuple(Path(place) for place in ("/home", "/root", "/run/user", "/tmp", "/var/tmp"))  # noqa: S108
"""Places that the services' sandbox does not see."""
SYSTEMD_RUNS = Path("/run/systemd/system")
"""Is there exactly when systemd runs the board: sd_booted(3)."""
COMMAND_LIMIT_S = 120.0
"""Longest a command of the system may take; a restart of a service counts in seconds."""

UNITS = "etc/systemd/system"
SETTINGS = "etc/niterwatch/niterwatch.toml"
CODE = "var/lib/niterwatch-web/device-code"
PASSWORDS = "etc/mosquitto/niterwatch.passwd"
ACCESS = "etc/mosquitto/niterwatch.acl"
SERVICES = tuple(f"niterwatch-{service}" for service in Service)
OWN_FOLDERS = ("etc/niterwatch", "var/lib/niterwatch", "var/lib/niterwatch-web")
"""All that ``uninstall --all`` removes with what is in it: settings, passwords, runs, the code."""

FILES = {
    "niterwatch.target": f"{UNITS}/niterwatch.target",
    **{f"{service}.service": f"{UNITS}/{service}.service" for service in SERVICES},
    "sysusers.conf": "etc/sysusers.d/niterwatch.conf",
    "tmpfiles.conf": "etc/tmpfiles.d/niterwatch.conf",
    "journald.conf": "etc/systemd/journald.conf.d/niterwatch.conf",
    "udev.rules": "etc/udev/rules.d/60-niterwatch.rules",
}
BROKER_FILES = {
    "mosquitto.conf": "etc/mosquitto/conf.d/niterwatch.conf",
    "mosquitto-sandbox.conf": f"{UNITS}/mosquitto.service.d/niterwatch.conf",
}
BROKER_LAN_FILES = {
    "mosquitto-lan.conf": "etc/mosquitto/conf.d/niterwatch.conf",
    "mosquitto.acl": ACCESS,
    "mosquitto-sandbox.conf": f"{UNITS}/mosquitto.service.d/niterwatch.conf",
    "mosquitto-sandbox-lan.conf": f"{UNITS}/mosquitto.service.d/niterwatch-lan.conf",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """What to install where."""

    root: Path = Path("/")
    program: Path = PROGRAM
    lan: str | None = None
    """The broker's address on the farm's network; null as it was before, "off" for this board only."""
    dry: bool = False
    """Say what would be done, and do nothing."""

    @property
    def live(self) -> bool:
        """Whether this is the running system, and systemd runs it."""
        return self.root == Path("/") and SYSTEMD_RUNS.is_dir()

    @property
    def has_broker(self) -> bool:
        """Whether mosquitto is installed; else the broker is on another board."""
        places = ("usr/lib/systemd/system", "lib/systemd/system", UNITS)
        return any((self.root / place / "mosquitto.service").exists() for place in places)


def install(board: Board, *, new_code: Callable[[Path], str]) -> Iterator[str]:
    """Lay everything, say each thing done in one line; doing it twice changes nothing.

    ``new_code`` keeps a new device's code in the file it is given and returns its text. Raises
    :class:`InstallationFailed` with what to check.
    """
    _refuse_unfit(board)
    tree = LaidFiles.of(board.root, dry=board.dry)
    lan = _lan(board, tree)
    try:
        yield from _lay_files(board, tree, lan=lan)
        yield from _told_system(board, [["systemd-sysusers", named(FILES["sysusers.conf"])]])
        yield from _lay_settings(tree)
        if lan:
            yield from _lay_accounts(board, tree)
        yield from _lay_code(board, tree, new_code=new_code)
    finally:
        # Also when something failed: what was laid until then can still be taken away.
        kept = tree.save()
    yield from _said(kept)
    yield from _told_system(board, _after_laying(board))
    yield f"next: {named(SETTINGS)}, then niterwatch check, then systemctl start niterwatch.target"


def uninstall(board: Board, *, everything: bool = False) -> Iterator[str]:
    """Take away what :func:`install` laid; runs, settings and passwords only with ``everything``."""
    tree = LaidFiles.of(board.root, dry=board.dry)
    if not tree.digests:
        raise InstallationFailed(f"nothing of niterwatch was installed below {board.root}")
    units = [f"{service}.service" for service in SERVICES]
    yield from _told_system(board, [["systemctl", "disable", "--now", "niterwatch.target", *units]])
    try:
        for path in sorted(tree.digests):
            yield from _said(tree.take_away(path, edited_too=everything))
        for folder in OWN_FOLDERS if everything else ():
            yield from _said(tree.take_away_tree(folder))
    finally:
        kept = tree.save()
        tree.take_away_folders()
    yield from _said(kept)
    yield from _told_system(board, _after_removing(board, everything=everything))
    if not everything:
        yield "settings, passwords, the device's code and the runs are kept; --all removes them too"


def shipped() -> Path:
    """Return the folder of the files to lay: in the package once installed, beside it in a source tree."""
    package = Path(__file__).parent
    inside = package / "systemd"
    return inside if inside.is_dir() else package.parent / "systemd"


def _refuse_unfit(board: Board) -> None:
    program = board.program
    if not re.fullmatch(r"/[\w./+-]+", str(program)):
        raise InstallationFailed(f"program {str(program)!r}: a unit file wants a plain absolute path")
    if any(program.is_relative_to(place) for place in HIDDEN):
        raise InstallationFailed(
            f"program {program}: the services cannot see it there; install it below /opt/niterwatch"
        )
    if board.root == Path("/") and not program.is_file():
        raise InstallationFailed(f"program {program} does not exist: name it with --program")
    if not board.root.is_dir():
        raise InstallationFailed(f"root {board.root} is no folder")


def _lan(board: Board, tree: LaidFiles) -> str:
    """Return the broker's address on the network, empty for this board only; remember it."""
    lan = tree.facts.get("lan", "") if board.lan is None else board.lan
    lan = "" if lan == "off" else lan
    if lan:
        try:
            address = ipaddress.ip_address(lan)
        except ValueError:
            address = None
        if address is None or address.is_loopback or address.is_unspecified:
            raise InstallationFailed(
                f"--lan {lan!r}: give the address of the broker's board on the network, as {EXAMPLE_ADDRESS}"
            )
    tree.facts["lan"] = lan
    return lan


def _lay_files(board: Board, tree: LaidFiles, *, lan: str) -> Iterator[str]:
    wanted = dict(_wanted(board, lan=lan))
    for path in sorted(set(tree.digests) - set(wanted) - {PASSWORDS}):
        yield from _said(tree.take_away(path))
    for path, source in wanted.items():
        text = (shipped() / source).read_text(encoding="utf-8")
        text = text.replace(str(PROGRAM), str(board.program)).replace(EXAMPLE_ADDRESS, lan or EXAMPLE_ADDRESS)
        # The broker warns of an access list that others may read.
        yield from _said(tree.lay(path, text, mode=0o600 if path == ACCESS else 0o644))
    if ACCESS in wanted and not board.dry:
        _give(board, ACCESS, to="mosquitto")
    if not board.has_broker:
        yield "mosquitto is not installed here: install it and run this again, or have the broker elsewhere"


def _wanted(board: Board, *, lan: str) -> Iterator[tuple[str, str]]:
    """Yield (path, file of ``systemd/``) of all that belongs on the board."""
    files = dict(FILES)
    if board.has_broker:
        files |= BROKER_LAN_FILES if lan else BROKER_FILES
    for source, path in files.items():
        yield path, source
    for service in SERVICES if lan else ():
        yield f"{UNITS}/{service}.service.d/lan.conf", "service-lan.conf"


def _lay_settings(tree: LaidFiles) -> Iterator[str]:
    """Lay the example once: from then on the file is the owner's."""
    if (tree.root / SETTINGS).exists():
        return
    tree.write(SETTINGS, (shipped() / "niterwatch.toml").read_text(encoding="utf-8"), mode=0o644)
    yield _wrote(tree, SETTINGS)


def _lay_code(board: Board, tree: LaidFiles, *, new_code: Callable[[Path], str]) -> Iterator[str]:
    file = board.root / CODE
    if file.exists():
        return
    if board.dry:
        yield f"would make the device's code in {named(CODE)}"
        return
    tree.make_folder(CODE.rpartition("/")[0], mode=0o700)
    text = new_code(file)
    _give(board, CODE, to="niterwatch-web")
    yield f"wrote {named(CODE)}: only a hash, so note the code now, it is not shown again"
    yield f"the device's code is {text}"


def _lay_accounts(board: Board, tree: LaidFiles) -> Iterator[str]:
    """Make a password for every service, and from these the broker's file of accounts."""
    for service in Service:
        path = _password_path(service)
        if (board.root / path).exists():
            continue
        if not board.has_broker:
            raise InstallationFailed(
                f"{named(path)} is missing: copy it from the board that has the broker, mode 0600"
            )
        tree.write(path, f"{secrets.token_urlsafe(24)}\n", mode=0o600)
        yield _wrote(tree, path)
    if not board.has_broker or (board.root / PASSWORDS).exists():
        return
    if not board.dry:
        _make_accounts(board, tree)
    yield _wrote(tree, PASSWORDS)


def _make_accounts(board: Board, tree: LaidFiles) -> None:
    """Have mosquitto hash the passwords in place; as arguments they would show in the process list."""
    lines = (
        f"niterwatch-{service}:{(board.root / _password_path(service)).read_text(encoding='utf-8').strip()}\n"
        for service in Service
    )
    tree.write(PASSWORDS, "".join(lines), mode=0o600)
    try:
        _run(["mosquitto_passwd", "-U", str(board.root / PASSWORDS)])
    except InstallationFailed:
        (board.root / PASSWORDS).unlink(missing_ok=True)
        raise
    (board.root / PASSWORDS).chmod(0o600)
    _give(board, PASSWORDS, to="mosquitto")
    tree.note(PASSWORDS)


def _password_path(service: Service) -> str:
    return f"etc/niterwatch/{service}.password"


def _after_laying(board: Board) -> list[list[str]]:
    units = [f"{service}.service" for service in SERVICES]
    return [
        ["systemd-tmpfiles", "--create", named(FILES["tmpfiles.conf"])],
        ["systemctl", "daemon-reload"],
        ["udevadm", "control", "--reload"],
        ["udevadm", "trigger", *(f"--subsystem-match={name}" for name in ("w1", "iio", "gpio"))],
        ["systemctl", "restart", "systemd-journald.service"],
        *([["systemctl", "restart", "mosquitto.service"]] if board.has_broker else []),
        ["systemctl", "enable", "niterwatch.target", *units],
        ["systemctl", "try-restart", *units],
    ]


def _after_removing(board: Board, *, everything: bool) -> list[list[str]]:
    accounts = [["userdel", service] for service in SERVICES] + [["groupdel", "niterwatch"]]
    return [
        ["systemctl", "daemon-reload"],
        ["udevadm", "control", "--reload"],
        ["systemctl", "restart", "systemd-journald.service"],
        *([["systemctl", "restart", "mosquitto.service"]] if board.has_broker else []),
        *(accounts if everything else []),
    ]


def _told_system(board: Board, commands: Sequence[Sequence[str]]) -> Iterator[str]:
    """Run commands on a live board; say what is left to be run on any other."""
    for command in commands:
        line = " ".join(command)
        if board.dry:
            yield f"would run {line}"
        elif not board.live or shutil.which(command[0]) is None:
            yield f"left to be run on the board: {line}"
        else:
            _run(command)
            yield f"ran {line}"


def _run(command: Sequence[str]) -> None:
    try:
        ended = subprocess.run(  # noqa: S603 - our own commands, no shell
            command, capture_output=True, text=True, timeout=COMMAND_LIMIT_S, check=False
        )
    except FileNotFoundError:
        raise InstallationFailed(f"{command[0]} is missing: install the package it comes with") from None
    except subprocess.TimeoutExpired:
        raise InstallationFailed(f"{' '.join(command)} did not end in {COMMAND_LIMIT_S:.0f} s") from None
    if ended.returncode != 0:
        said = " ".join(ended.stderr.split())[:300] or f"status {ended.returncode}"
        raise InstallationFailed(f"{' '.join(command)} failed: {said}")


def _give(board: Board, path: str, *, to: str) -> None:
    """Make a file (and a folder of ours around it) the account's, where the tree knows the account."""
    if os.geteuid() != 0:
        return
    try:
        accounts = (board.root / "etc/passwd").read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        return
    for fields in (line.split(":") for line in accounts):
        if fields[0] == to and len(fields) > 3:
            os.chown(board.root / path, int(fields[2]), int(fields[3]))


def _wrote(tree: LaidFiles, path: str) -> str:
    return f"{'would write' if tree.dry else 'wrote'} {named(path)}"


def _said(sentence: str | None) -> Iterator[str]:
    if sentence is not None:
        yield sentence
