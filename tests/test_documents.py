"""The documents say what the code does: commands, topics, verbs, flags, files."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.contract.commands import Verb
from monitor.contract.names import Flag
from monitor.contract.presence import Service
from monitor.contract.readings import Point
from monitor.contract.topics import Topics

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "hardware" / "WIRING.md"]


def listed(topic: str) -> set[str]:
    """Return what the guide lists in brackets behind ``topic``."""
    match = re.search(rf"`{re.escape(topic)}` \(([^)]*)\)", DEVELOPERS)
    assert match, topic
    return set(match[1].split(", "))


def test_the_guide_lists_every_point_verb_and_service() -> None:
    assert listed("reading/<point>") == set(Point)
    assert listed("command/<verb>") == set(Verb)
    assert listed("presence/<service>") == set(Service)


def test_the_guides_topics_are_the_codes() -> None:
    topics = Topics("main")
    used = {
        topics.reading(Point.OUTLET): "reading/<point>",
        topics.status: "status",
        topics.event: "event",
        topics.command(Verb.START): "command/<verb>",
        topics.reply("id"): "reply/<id>",
        topics.presence(Service.WEB): "presence/<service>",
    }
    for topic, written in used.items():
        assert topic.startswith("niterwatch/main/")
        assert topic.split("/")[2] == written.split("/")[0]
        assert f"| `{written}`" in DEVELOPERS


@pytest.mark.parametrize(
    "flag",
    [Flag.STILL_RECIRCULATING, Flag.READY_TO_BOTTLE, Flag.OVER_PRECIPITATION, Flag.NEAR_CLOG, Flag.UNKNOWN],
)
def test_the_readme_names_the_flags_in_the_users_words(flag: Flag) -> None:
    assert f"**{flag}**" in README


def test_every_command_the_documents_mention_exists() -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "--help"], capture_output=True, text=True, check=True, cwd=ROOT
    ).stdout
    known = set(re.findall(r"^  (\w[\w-]*)  ", shown, flags=re.MULTILINE))
    mentioned = {
        name for file in DOCUMENTS for name in re.findall(r"`?niterwatch ([a-z]+)[ `\n]", file.read_text())
    }
    assert {"demo", "check", "runs", "export", "replay"} <= mentioned
    assert mentioned <= known


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_every_file_a_document_names_exists(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    links = {link.split("#")[0] for link in re.findall(r"\]\(([^)]+)\)", text)}
    named = set(re.findall(r"`((?:monitor|hardware|web|tests|systemd)/[\w./-]+)`", text))
    for path in {*links, *named} - {""}:
        base = document.parent if path in links else ROOT
        assert (base / path).exists(), path


def test_the_two_commands_of_the_readme_make_their_own_environments() -> None:
    blocks = re.findall(r"<!-- the (demo|tests) -->\n```\n(.+)\n```", README)
    assert [name for name, _ in blocks] == ["demo", "tests"]
    for _, command in blocks:
        assert command.startswith("python3 -m venv ")
        assert "\n" not in command
    assert "README.md" in (ROOT / ".ci" / "run").read_text()


def test_the_safety_lines_stand_in_the_readme() -> None:
    safety = README.split("## Safety")[1]
    for words in (
        "not a safety device",
        "burns",
        "pressure fall to zero",
        "scar lungs",
        "Low-voltage",
        "local code",
    ):
        assert words in safety
