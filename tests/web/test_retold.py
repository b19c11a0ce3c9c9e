"""Every sentence that the monitor says before and after a run is there in French."""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.commands import Reply
from monitor.contract.entries import Amount, Colour, Firmness
from monitor.contract.errors import EntryRefused
from monitor.contract.names import Alarm, AlarmState
from monitor.run.batch import Batch
from monitor.run.cake import CakeReading, SetEnd, Verdict, what_it_says
from monitor.run.checklist import checklist
from monitor.run.density import Standing
from monitor.run.evidence import Kind, evidence
from monitor.run.plain_text import plain_text
from monitor.run.plan import Advice, plan_for
from monitor.runtime.settings import load
from tests.web.invented_runs import RULES, TROUBLED
from web.edition import words
from web.language import Language, slug
from web.retold import retold, sentences, without_figures

ROOT = Path(__file__).parents[2]
FRENCH = words(Language.FR)
ENGLISH = words(Language.EN)

REFUSING = (
    "acts.py",
    "entering.py",
    "records.py",
    "batch.py",
    "cake.py",
    "charge.py",
    "density.py",
    "lot.py",
    "lot_code.py",
    "plain_text.py",
    "probe_check.py",
)
"""Modules whose refusals reach a phone."""
IN_A_BLANK = [
    *("7", "2024-03-09", "A.5", "'='", "note", "reason", "lot", "ice", "pan"),
    *("near clog pressure", "shelved", "container filled"),
]


def is_told(text: str) -> bool:
    """Tell whether ``text`` has a French sentence of its own."""
    return without_figures(text)[0] in sentences(Language.FR)


def test_advice_standings_and_checks_are_told() -> None:
    checks = checklist(frames=5, aid_cups=10.9)
    said = [*Advice, *Standing, *(check.name for check in checks), *(check.sentence for check in checks)]
    assert [text for text in said if not is_told(text)] == []


def test_what_a_plan_rests_on_is_told() -> None:
    own = load()
    plan = plan_for(Batch(volume_l=56.8), rules=own.rules(), owner=own.plan_rules())
    assert plan.assumption
    assert [text for text in (*(b.name for b in plan.basis), plan.assumption) if not is_told(text)] == []


def test_every_verdict_and_kind_of_finding_has_a_name_in_both() -> None:
    for edition in (ENGLISH, FRENCH):
        assert all(edition.has(f"saying.{slug(verdict)}") for verdict in Verdict)
        assert all(edition.has(f"cloudy.{slug(kind)}") for kind in Kind)


readings = st.builds(
    CakeReading,
    fill=st.none() | st.floats(0, 1),
    amount=st.none() | st.sampled_from(Amount),
    firmness=st.none() | st.sampled_from(Firmness),
    colour=st.none() | st.sampled_from(Colour),
    wet_spots=st.none() | st.booleans(),
    thicker_below=st.none() | st.booleans(),
    torn_papers=st.none() | st.integers(0, 9),
)
ruled = st.builds(
    CakeReading,
    thickness_m=st.lists(st.floats(0, 0.026), min_size=1, max_size=6).map(tuple),
    frame_thickness_m=st.just(0.0254),
    firmness=st.none() | st.sampled_from(Firmness),
)
ends = st.builds(
    SetEnd,
    end_kpa=st.none() | st.floats(0, 700),
    cutoff_kpa=st.none() | st.just(551.6),
    sand_share=st.none() | st.floats(0, 1),
)


@given(readings | ruled, ends)
def test_whatever_the_cakes_say_is_told(reading: CakeReading, end: SetEnd) -> None:
    said = what_it_says(reading, end=end)
    assert [saying.reason for saying in said if not is_told(saying.reason)] == []


def test_every_finding_is_told() -> None:
    rows = [TROUBLED.row(second) for second in range(TROUBLED.length_s)]
    events = [happened.event for happened in TROUBLED.events()]
    cake = CakeReading(torn_papers=1, thicker_below=True, amount=Amount.HALF)
    end = SetEnd(end_kpa=550.0, cutoff_kpa=551.6)
    found = evidence(rows, events=events, cake=cake, end=end, thresholds=RULES.thresholds)
    assert {finding.kind for finding in found} >= {Kind.OVER_THRESHOLD, Kind.TORN, Kind.CAKES, Kind.NOT_SEEN}
    assert [finding.reason for finding in found if not is_told(finding.reason)] == []


def raised(file: str) -> Iterator[ast.expr]:
    """Yield what every refusal of a module says: what a person at a phone may read."""
    tree = ast.parse((ROOT / "monitor" / "run" / file).read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in {"CommandRefused", "EntryRefused"}:
            yield from node.args


def refusals(file: str) -> Iterator[str]:
    """Yield every refusal that stands as it is in a module."""
    yield from (each.value for each in raised(file) if isinstance(each, ast.Constant))


def filled_refusals(file: str) -> Iterator[list[str]]:
    """Yield every refusal with blanks, filled with each mixture of what may stand in one."""
    for said in raised(file):
        if isinstance(said, ast.JoinedStr):
            blanks = sum(isinstance(part, ast.FormattedValue) for part in said.values)
            fit = IN_A_BLANK if blanks <= 3 else IN_A_BLANK[:1]
            parts = [[part.value] if isinstance(part, ast.Constant) else fit for part in said.values]
            yield ["".join(map(str, mixture)) for mixture in itertools.product(*parts)]


@pytest.mark.parametrize("file", REFUSING)
def test_every_plain_refusal_is_told(file: str) -> None:
    assert [text for text in refusals(file) if not is_told(text)] == []


@pytest.mark.parametrize("file", REFUSING)
def test_every_refusal_with_blanks_is_told(file: str) -> None:
    untold = [
        texts[0] for texts in filled_refusals(file) if all(retold(text, FRENCH) == text for text in texts)
    ]
    assert untold == []


@pytest.mark.parametrize("name", ["note", "charge", "cake", "lot", "probe check"])
def test_a_correction_of_another_kind_is_refused_in_french(name: str) -> None:
    """The kinds that ``monitor.run.entering`` names."""
    told = retold(f"that entry is no {name} of this run: correct it where it stands", FRENCH)
    assert told.startswith("cette note ")


@pytest.mark.parametrize("text", ["note", "reason"])
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t"])
def test_a_text_that_begins_as_a_formula_is_refused_in_french(text: str, start: str) -> None:
    with pytest.raises(EntryRefused) as refusal:
        plain_text(f"{start}1", name=text)
    assert "comme une formule : commencez par un mot" in retold(str(refusal.value), FRENCH)


def test_a_name_or_a_code_is_shown_as_it_was_written() -> None:
    """Figures in it and all: a lot code is copied from the page onto a label."""
    told = retold("lot 2024-069.5 is there already: give another number or code", FRENCH)
    assert told == "le lot 2024-069.5 existe déjà : donnez un autre numéro ou un autre code"


def test_refusals_are_found() -> None:
    assert {"a run is open already", "no run is open", "nothing sounds now"} <= set(refusals("acts.py"))


@pytest.mark.parametrize("alarm", list(Alarm))
def test_a_refusal_about_an_alarm_names_it_in_french(alarm: Alarm) -> None:
    name = FRENCH(f"flag.{slug(alarm)}")
    for text in (
        f"{alarm} cannot be shelved",
        f"{alarm} has not been raised",
        f"{alarm} has been raised again since: look at the page once more",
        *(f"{alarm} is {state}: it cannot be shelved" for state in AlarmState),
    ):
        told = retold(text, FRENCH)
        assert name in told
        assert not re.search(r"\b(cannot|raised|is|it)\b", told), told


async def test_a_refused_act_is_told_in_the_viewers_language(scene: Any) -> None:
    reason = "near clog pressure has been raised again since: look at the page once more"
    scene.answer = lambda command: Reply(id=command.id, done=False, reason=reason)
    async with scene.client() as client:
        client.cookies.set("language", "fr")
        answer = await client.post(
            "/press/main/act/acknowledge",
            json={"alarm": "near clog pressure", "activation": 3},
            headers={"X-Device-Code": scene.code_text},
        )
    assert answer.status_code == 409
    assert "a sonné de nouveau depuis" in answer.json()["said"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("4 papers torn or out of place: syrup went past the cake", "4 papiers déchirés"),
        (
            "a cake of 31.0 mm cannot be in a frame of 25.4 mm: measure both cakes of a frame together",
            "31,0 mm",
        ),
        ("words that nobody has put into French", "words that nobody has put into French"),
    ],
)
def test_figures_go_into_the_sentence_that_is_found(text: str, says: str) -> None:
    assert says in retold(text, FRENCH)
    assert retold(text, ENGLISH) == text


def test_every_sentence_has_as_many_blanks_as_figures() -> None:
    for plain, text in sentences(Language.FR).items():
        figures: list[Any] = ["7"] * (plain.count("#") + plain.count("*"))
        names = {"name": "n"} if "@ " in plain else {}
        names |= {"state": "s"} if "~" in plain else {}
        assert "{" not in text.format(*figures, **names), plain
