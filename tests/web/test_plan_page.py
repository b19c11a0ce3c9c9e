"""The plan's page: a plain form, the plan it asks for, and what it says of bad input."""

from __future__ import annotations

import html
import itertools
import json
import re
import subprocess
import sys
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.run.batch import Batch
from monitor.run.plan import Plan, plan_for
from monitor.runtime.settings import load
from web import plan_picture
from web.edition import words
from web.figures import Figures, Units
from web.language import Language
from web.plan_form import read
from web.plan_picture import HEIGHT, Hill
from web.plan_view import plan_view
from web.typed import FieldRefused, Typed

US = Figures(words(Language.EN), Units.US)
METRIC = Figures(words(Language.FR), Units.METRIC)
GALLON_L = 3.785411784
"""US gallon (NIST SP 811, appendix B.8)."""


async def got(scene: Any, path: str, **cookies: str) -> str:
    async with scene.client() as client:
        answer = await client.get(path, headers={"cookie": "; ".join(f"{k}={v}" for k, v in cookies.items())})
    assert answer.status_code == 200, answer.text
    return html.unescape(str(answer.text)).replace("\u00a0", " ")


def plain(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


def by_command(*arguments: str) -> dict[str, Any]:
    """Return the plan that the command line makes of the same batch."""
    command = [sys.executable, "-m", "monitor.cli", "plan", "--json", *arguments]
    return dict(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))


def planned(**batch: Any) -> Plan:
    own = load()
    return plan_for(Batch(**batch), rules=own.rules(), owner=own.plan_rules())


async def test_the_page_says_what_the_command_says(scene: Any) -> None:
    told = by_command("--batch", "15 gal", "--hydrometer", "60 Brix", "--pan", "190 degF", "--sand", "heavy")
    page = plain(await got(scene, "/plan?batch=15&density=60&read=pan&pan=190&sand=heavy"))
    assert f"{told['filter_aid_cups']:.1f} cups" in page
    assert f"{told['filter_aid_g']:.0f} g" in page
    assert f"{told['end_pressure_kPa'] / 6.894757:.0f} psi" in page
    assert f"{100 * told['dose']['chance']:.0f}%" in page
    assert f"{told['cake_thickness_m'] / 0.0254:.2f} in" in page
    assert f"{told['most_syrup']['capacity_L'] / GALLON_L:.1f} gal" in page
    assert f"{told['plates']['heat_J'] / 1000:.0f} kJ" in page
    assert f"Hydrometer in the pan {told['density']['hydrometer_Brix']:.1f} °Brix" in page
    for fill in told["hot_fills"][:2]:
        assert f"{fill['hot_L'] / GALLON_L:.3f}".rstrip("0") in page


async def test_every_number_says_where_it_comes_from(season_scene: Any) -> None:
    page = plain(await got(season_scene, "/plan?batch=15&sand=light&pan=188"))
    for origin in ("you, just now", "learned from this press", "default"):
        assert origin in page
    assert "17 runs of this press" in page


async def test_a_real_press_learns_nothing_from_invented_runs(season_scene: Any, scene: Any) -> None:
    scene.store_url = season_scene.store_url
    scene.__post_init__()
    assert "No run of this press has taught anything yet" in await got(scene, "/plan?batch=15")


async def test_it_works_without_script_and_keeps_what_was_typed(scene: Any) -> None:
    page = await got(scene, "/plan?batch=15&density=banana&pan=190")
    form = page[page.index('<form class="fields"') : page.index("</form>")]
    assert 'method="get"' in form
    assert 'value="15"' in form
    assert 'value="banana"' in form
    assert 'value="190"' in form


@pytest.mark.parametrize(
    ("query", "field", "says"),
    [
        ("batch=", "batch", "Say how much syrup"),
        ("batch=abc", "batch", "abc is no quantity here"),
        ("batch=-3", "batch", "-3 cannot be"),
        ("batch=0", "batch", "0 cannot be"),
        ("batch=1e30", "batch", "1e30 is no quantity"),
        ("batch=9e30+gal", "batch", "9e30 gal cannot be"),
        ("batch=15+psi", "batch", "15 psi is no quantity here"),
        ("batch=15&density=90&read=true", "density", "90 cannot be: from 50.0 °Brix to 75.0 °Brix"),
        ("batch=15&density=60", "pan", "needs the pan's temperature too"),
        ("batch=15&pan=900", "pan", "900 cannot be: from 32 °F to 230 °F"),
        ("batch=15&frames=0", "frames", "0 cannot be: from 1 to 200"),
        ("batch=15&frames=two", "frames", "two is no whole number"),
        ("batch=15&sand=gravel", "sand", "gravel is none of the choices"),
        ("batch=%3Dcmd()", "batch", "=cmd() is no quantity"),
    ],
)
async def test_bad_input_is_one_line_beside_its_field(scene: Any, query: str, field: str, says: str) -> None:
    page = await got(scene, f"/plan?{query}")
    said = re.findall(rf'<p class="complaint" id="{field}-said" role="alert">([^<]*)</p>', page)
    assert len(said) == 1, page
    assert says in said[0]
    assert "\n" not in said[0]
    assert 'id="charge"' not in page


async def test_a_batch_no_press_can_do_is_said_under_the_form(scene: Any) -> None:
    page = await got(scene, "/plan?batch=20000")
    assert "over 50 sets of papers" in page
    french = await got(scene, "/plan?batch=80000", language="fr", units="metric")
    assert "plus de 50 jeux de papiers" in french


async def test_a_change_of_units_changes_the_numbers_in_the_form(scene: Any) -> None:
    page = await got(scene, "/plan?units=us&batch=15&pan=190", units="metric")
    assert 'value="56.8"' in page  # 15 gal x 3.785411784 L
    assert 'value="87.8"' in page  # (190 - 32) / 1.8
    assert 'name="back" value="/plan?units=us&batch=15&pan=190"' in page


async def test_what_was_typed_cannot_become_markup(scene: Any) -> None:
    async with scene.client() as client:
        answer = await client.get("/plan", params={"batch": '"><script>alert(1)</script>'})
    assert "<script>alert" not in answer.text


@given(
    st.dictionaries(
        st.sampled_from(["batch", "density", "read", "pan", "plates", "sand", "frames", "units"]),
        st.text(max_size=50) | st.sampled_from(["15", "60", "pan", "true", "usual", "us", "1/8", "-0", "²"]),
    )
)
def test_any_typed_text_is_read_or_refused(fields: dict[str, str]) -> None:
    try:
        wanted = read(Typed(fields=fields, figures=US), frames=5)
    except ValueError as error:
        refusal = error
    else:
        assert wanted.batch.volume_l >= 0.5
        return
    assert str(refusal)
    if isinstance(refusal, FieldRefused):
        assert refusal.field in {"batch", "density", "read", "pan", "plates", "sand", "frames"}


@settings(max_examples=15, deadline=None)
@given(
    st.floats(min_value=0.5, max_value=400.0),
    st.floats(min_value=0.5, max_value=0.75),
    st.floats(min_value=0.0, max_value=110.0),
)
def test_any_batch_is_told_in_both_languages(volume_l: float, sugar: float, pan_c: float) -> None:
    try:
        plan = planned(volume_l=volume_l, sugar=sugar, pan_c=pan_c)
    except ValueError:
        return
    owner = load().plan_rules()
    for figures in (US, METRIC):
        view = plan_view(plan, owner=owner, frames=5, figures=figures)
        assert view.cups
        assert len(view.checks) == 10
        assert "None" not in repr(view)


class TestTheHill:
    """The picture is to scale, and its signs stand where the plan's numbers say."""

    def drawn(self, **batch: Any) -> tuple[Hill, str]:
        plan = planned(**batch)
        one_cup_a_gallon_kg_m3 = 0.045 / GALLON_L * 1000.0
        hill = Hill(charge=plan.charge, at_dose=plan.at_dose, us_dose_kg_m3=one_cup_a_gallon_kg_m3)
        return hill, plan_picture.draw(hill, figures=US)

    def test_the_dot_stands_at_the_dose_and_the_share(self) -> None:
        hill, svg = self.drawn(volume_l=56.8)
        at, y = re.search(r'class="dot" cx="([\d.]+)%" cy="([\d.]+)"', svg).groups()  # type: ignore[union-attr]
        assert float(at) / 100 == pytest.approx(hill.across(hill.charge.taken.dose_kg_m3), abs=1e-3)
        assert float(y) == pytest.approx(HEIGHT * (1 - 56.8 / hill.top_l), abs=0.05)

    def test_no_drawn_dose_passes_more_than_the_flag(self) -> None:
        hill, _ = self.drawn(volume_l=56.8)
        assert (
            max(hill.at_dose(dose).capacity_l for dose in hill.doses()) <= hill.charge.best.capacity_l + 0.01
        )

    def test_doubling_the_dose_moves_equally_far(self) -> None:
        _, svg = self.drawn(volume_l=56.8)
        halves = [float(x) for x in re.findall(r'x="([\d.]+)%" y="325" text-anchor="middle"', svg)]
        assert len(halves) == 5  # an eighth to two cups a gallon
        steps = [b - a for a, b in itertools.pairwise(halves)]
        assert max(steps) - min(steps) < 0.02

    def test_both_slopes_meet_nowhere_above_the_top(self) -> None:
        hill, _ = self.drawn(volume_l=56.8)
        best = hill.charge.best
        assert best.capacity_l <= min(best.pressure_l, best.frames_l)
