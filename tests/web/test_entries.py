"""Forms before and after a run: what is sent to the monitor, what is refused, what is shown after."""

from __future__ import annotations

import html
import re
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from playwright.sync_api import Browser, expect

from monitor.contract.commands import COMMAND_ARGS, Command, Reply, Verb
from monitor.contract.entries import Amount, CakeArgs, ChargeArgs, CheckArgs, LotArgs, Method
from monitor.contract.payloads import decode
from tests.web.invented_runs import GALLON_L, TROUBLED
from web.edition import words
from web.entry_forms import READERS, SIZES
from web.figures import Figures, Units
from web.language import Language
from web.typed import FieldRefused, Typed

RUN = TROUBLED.name
US = Figures(words(Language.EN), Units.US)
SHOWN_MS = 5000


def done(command: Command) -> Reply:
    return Reply(id=command.id, done=True)


async def post(
    scene: Any, verb: str, fields: dict[str, str], *, code: str | None = None, **cookies: str
) -> httpx.Response:
    headers = {
        "X-Device-Code": scene.code_text if code is None else code,
        "cookie": "; ".join(f"{k}={v}" for k, v in cookies.items()),
    }
    async with scene.client() as client:
        return await client.post(f"/press/main/entry/{verb}", json=fields, headers=headers)


async def got(scene: Any, path: str, **cookies: str) -> str:
    async with scene.client() as client:
        answer = await client.get(path, headers={"cookie": "; ".join(f"{k}={v}" for k, v in cookies.items())})
    assert answer.status_code == 200, answer.text
    return html.unescape(str(answer.text)).replace("\u00a0", " ")


async def sent(scene: Any, verb: str, fields: dict[str, str]) -> Any:
    """Return the arguments that a form's ``fields`` came to the monitor as."""
    scene.answer = done
    answer = await post(scene, verb, fields)
    assert answer.status_code == 200, answer.text
    topic, payload = scene.sent[-1]
    assert topic == f"niterwatch/main/command/{verb}"
    return decode(payload, Command).args


async def test_cakes_are_sent_in_base_units(season_scene: Any) -> None:
    fields = {"run": RUN, "thickness_1": "5/8", "thickness_3": "0.75", "amount": "half", "firmness": "soft"}
    more = {
        "wet_spots": "yes",
        "thicker_below": "no",
        "torn_papers": "2",
        "note": " middle one ",
        "fill": "80 %",
    }
    args = await sent(season_scene, "cake", fields | more)
    assert isinstance(args, CakeArgs)
    # The international inch is 25.4 mm (NIST SP 811, appendix B.8).
    assert args.thickness_m == pytest.approx((0.015875, 0.01905), abs=1e-5)
    assert (args.amount, args.fill, args.text) == (Amount.HALF, 0.8, "middle one")
    assert (args.wet_spots, args.thicker_below, args.torn_papers) == (True, False, 2)


async def test_what_was_not_looked_at_is_not_sent(season_scene: Any) -> None:
    args = await sent(season_scene, "cake", {"run": RUN, "amount": "full", "fill": "", "firmness": ""})
    assert args == CakeArgs(run=RUN, amount=Amount.FULL)


async def test_a_charge_goes_to_the_next_run_unless_it_names_one(season_scene: Any) -> None:
    fields = {"batch": "14,5", "cups": "10.9", "units": "us", "density": "66.7", "method": "refractometer"}
    args = await sent(season_scene, "charge", fields)
    assert isinstance(args, ChargeArgs)
    assert args.run is None
    assert args.volume_l == pytest.approx(14.5 * GALLON_L)
    assert (args.aid_cups, args.aid_kg, args.sets) == (10.9, None, 1)
    assert (args.sugar, args.method) == (0.667, Method.REFRACTOMETER)


async def test_a_lot_is_sent_with_its_sizes(season_scene: Any) -> None:
    fields = {"run": RUN, "packed": "2026-03-22", "initials": "bo", "size_1": "1", "count_1": "12"}
    args = await sent(season_scene, "lot", fields | {"size_2": "500 mL", "count_2": "24", "size_3": "0.25"})
    assert isinstance(args, LotArgs)
    assert [(kind.size_l, kind.count) for kind in args.containers] == [
        (pytest.approx(GALLON_L), 12),
        (pytest.approx(0.5), 24),
    ]
    assert str(args.packed) == "2026-03-22"
    assert args.code is None


async def test_a_probe_check_is_sent_with_the_stations_pressure(season_scene: Any) -> None:
    fields = {"point": "outlet", "ice": "32.4", "boiling": "209.8", "pressure": "29.32", "barometer": "inHg"}
    args = await sent(season_scene, "check", {**fields, "units": "us"})
    assert isinstance(args, CheckArgs)
    assert args.ice_c == pytest.approx(0.4 / 1.8)
    assert args.boiling_c == pytest.approx((209.8 - 32) / 1.8)
    # 1 inHg (0 degC) is 3.386389 kPa (NIST SP 811, appendix B.8).
    assert args.pressure_kpa == pytest.approx(29.32 * 3.386389)
    assert args.altitude_m is None


async def test_a_correction_names_what_it_corrects(season_scene: Any) -> None:
    args = await sent(season_scene, "cake", {"run": RUN, "amount": "full", "corrects": "cae00002"})
    assert args.corrects == "cae00002"


async def test_numbers_are_taken_in_the_units_that_the_form_was_shown_in(season_scene: Any) -> None:
    season_scene.answer = done
    await post(season_scene, "cake", {"run": RUN, "thickness_1": "16", "units": "metric"}, units="us")
    args = decode(season_scene.sent[-1][1], Command).args
    assert isinstance(args, CakeArgs)
    assert args.thickness_m == (0.016,)


@pytest.mark.parametrize(
    ("verb", "fields", "field", "says"),
    [
        ("cake", {"thickness_2": "thick"}, "thickness_2", "thick is no quantity here"),
        ("cake", {"thickness_1": "40"}, "thickness_1", "40 cannot be"),
        ("cake", {"thickness_1": "-1/8"}, "thickness_1", "no quantity"),
        ("cake", {"thickness_1": "1/0"}, "thickness_1", "no quantity"),
        ("cake", {"fill": "130"}, "fill", "130 cannot be: from 0 to 100"),
        ("cake", {"amount": "brimming"}, "amount", "none of the choices"),
        ("cake", {"torn_papers": "some"}, "torn_papers", "no whole number"),
        ("cake", {"torn_papers": "²"}, "torn_papers", "no whole number"),
        ("charge", {"cups": "9"}, "batch", "Say how much syrup"),
        ("charge", {"batch": "15"}, "cups", "how much filter aid"),
        ("charge", {"batch": "15", "cups": "nan"}, "cups", "nan is no number"),
        ("charge", {"batch": "15", "cups": "9", "density": "90", "method": "refractometer"}, "density", "90"),
        ("charge", {"batch": "15", "cups": "9", "density": "66.9"}, "method", "how it was measured"),
        ("charge", {"batch": "15", "cups": "9", "sets": "0"}, "sets", "0 cannot be"),
        ("lot", {"packed": "yesterday"}, "packed", "yesterday is no day"),
        ("lot", {"packed": "2026-02-30"}, "packed", "is no day"),
        ("lot", {"count_1": "12"}, "size_1", "of what size"),
        ("lot", {"size_1": "1 psi", "count_1": "1"}, "size_1", "no quantity"),
        ("check", {}, "ice", "in ice slush, in boiling water"),
        ("check", {"ice": "500"}, "ice", "500 cannot be"),
        ("check", {"boiling": "210", "pressure": "5", "barometer": "hPa"}, "pressure", "5 cannot be"),
        ("check", {"ice": "32", "point": "line"}, "point", "none of the choices"),
    ],
)
async def test_bad_input_is_one_line_for_its_field_and_nothing_is_sent(
    season_scene: Any, verb: str, fields: dict[str, str], field: str, says: str
) -> None:
    season_scene.answer = done
    answer = await post(season_scene, verb, {"run": RUN, **fields})
    told = answer.json()
    assert answer.status_code == 422
    assert told["field"] == field
    assert says in told["said"].replace("\u00a0", " ")
    assert "\n" not in told["said"]
    assert season_scene.sent == []


async def test_the_monitors_refusal_is_told_in_the_viewers_language(season_scene: Any) -> None:
    reason = "a lot packed on 2030-01-01 lies in the future: today is 2026-03-22"
    season_scene.answer = lambda command: Reply(id=command.id, done=False, reason=reason)
    answer = await post(season_scene, "lot", {"run": RUN, "packed": "2030-01-01"}, language="fr")
    assert answer.status_code == 409
    assert answer.json()["said"].replace("\u00a0", " ") == (
        "Refusé : un lot emballé le 2030-01-01 est dans le futur : nous sommes le 2026-03-22."
    )


async def test_an_entry_needs_the_devices_code(season_scene: Any) -> None:
    season_scene.answer = done
    answer = await post(season_scene, "cake", {"run": RUN, "amount": "full"}, code="0000 0000")
    assert answer.status_code == 401
    assert season_scene.sent == []


@pytest.mark.parametrize(
    ("path", "body", "kind", "status"),
    [
        ("/press/main/entry/start", b"{}", "application/json", 404),
        ("/press/main/entry/cake", b"{}", "text/plain", 415),
        ("/press/main/entry/cake", b"amount=full", "application/x-www-form-urlencoded", 415),
        ("/press/main/entry/cake", b"[1]", "application/json", 422),
        ("/press/main/entry/cake", b'{"fill": 3}', "application/json", 422),
        ("/press/main/entry/cake", b"{" * 9000, "application/json", 422),
        ("/press/main/entry/cake", b"\xff\xfe", "application/json", 422),
        ("/press/NO SUCH/entry/cake", b"{}", "application/json", 422),
    ],
)
async def test_what_is_no_form_of_ours_is_refused(
    season_scene: Any, path: str, body: bytes, kind: str, status: int
) -> None:
    async with season_scene.client() as client:
        headers = {"content-type": kind, "X-Device-Code": season_scene.code_text}
        answer = await client.post(path, content=body, headers=headers)
    assert answer.status_code == status
    assert season_scene.sent == []


NAMES = [
    *("run", "amount", "fill", "thickness_1", "firmness", "wet_spots", "torn_papers", "note", "corrects"),
    *("batch", "cups", "grams", "density", "method", "sand", "sets", "packed", "number", "code", "initials"),
    *("point", "ice", "boiling", "pressure", "barometer", "altitude", "altitude_unit"),
    *(f"{kind}_{row}" for kind in ("size", "count") for row in range(1, SIZES + 1)),
]


@given(
    st.sampled_from(list(READERS)),
    st.dictionaries(
        st.sampled_from(NAMES),
        st.text(max_size=30)
        | st.sampled_from(["1", "12", "5/8", "66.9", "full", "yes", "refractometer", "m"]),
    ),
)
def test_any_typed_text_becomes_arguments_or_one_refusal(verb: Verb, fields: dict[str, str]) -> None:
    try:
        args = READERS[verb](Typed(fields=fields, figures=US))
    except FieldRefused as refusal:
        field = refusal.field
    else:
        field = ""
        run = {} if verb is Verb.CHECK else {"run": RUN}
        if fits(args):
            assert COMMAND_ARGS.validate_python({**run, **args, "verb": verb}).verb is verb
    assert field in {"", *NAMES}


def fits(args: dict[str, object]) -> bool:
    """Tell whether the texts fit the message; longer and odder ones are the contract's to refuse."""
    texts = [value for value in args.values() if isinstance(value, str)]
    entry = str(args.get("corrects", "00000000"))
    plain = all(text.isascii() and text.isprintable() and text.strip() for text in texts)
    return plain and re.fullmatch(r"[0-9a-f]{8,32}", entry) is not None


class TestWhatIsShownAfter:
    """The pages over a store with a charge, a corrected cake reading, a lot and a probe check."""

    async def test_the_cakes_say_what_they_say_with_its_reason(self, season_scene: Any) -> None:
        page = await got(season_scene, f"/runs/{RUN}/cakes")
        assert "A paper was bypassed" in page
        assert "1 paper torn or out of place: syrup went past the cake" in page
        assert "Wet spots" in page

    async def test_a_corrected_entry_is_kept_and_counts_no_more(self, season_scene: Any) -> None:
        page = await got(season_scene, f"/runs/{RUN}/cakes")
        old = re.search(r'<li class="void">(.*?)</li>', page, re.DOTALL)
        assert old is not None
        assert "corrected since" in old[1]
        assert "light" in old[1]
        assert "button" not in old[1]

    async def test_the_form_of_a_correction_holds_what_was_said(self, season_scene: Any) -> None:
        page = await got(season_scene, f"/runs/{RUN}/cakes?correct=cae00002", units="metric")
        assert 'name="corrects" value="cae00002"' in page
        assert 'name="thickness_1" value="20.1"' in page
        assert re.search(r'name="colour" value="dark"[^>]* checked', page)
        assert 'value="from the middle frames"' in page

    async def test_an_entry_that_counts_no_more_cannot_be_corrected(self, season_scene: Any) -> None:
        page = await got(season_scene, f"/runs/{RUN}/cakes?correct=cae00001")
        assert 'name="corrects" value="cae00001"' not in page

    async def test_what_the_press_is_known_for_has_its_uncertainty(self, season_scene: Any) -> None:
        page = await got(season_scene, f"/runs/{RUN}/cakes")
        assert re.search(r"Sugar sand</dt><dd>[\d.]+ g/L, give or take \d+%", page)
        assert re.search(r"Syrup that fills its frames</dt><dd>[\d.]+ gal, give or take \d+%", page)

    async def test_a_lot_has_temperatures_sizes_and_hot_fill(self, season_scene: Any) -> None:
        page = await got(season_scene, f"/runs/{RUN}/lot")
        assert "2026-081-1" in page
        assert "hydrometer, hot, corrected" in page
        assert "on the mean" in page
        assert "1.030 gal" in page  # shrinkage of 66.9 Brix syrup from 186 to 68 degF, as the plan has it
        assert "prove no compliance" in page

    @pytest.mark.parametrize("words_sought", ["2026-081", "BO", "fair", "2026-03-22", ""])
    async def test_a_lot_is_found_by_any_of_its_words(self, season_scene: Any, words_sought: str) -> None:
        page = await got(season_scene, f"/lots?q={words_sought}")
        assert f'href="/runs/{RUN}/lot"' in page

    async def test_a_search_without_a_find_says_so(self, season_scene: Any) -> None:
        page = await got(season_scene, "/lots?q=%3Cb%3Enone%3C/b%3E")
        assert "No lot holds" in page
        assert "2026-081-1" not in page

    async def test_a_probe_check_says_its_error_and_the_lines_to_paste(self, season_scene: Any) -> None:
        page = await got(season_scene, "/probe-checks")
        assert "Checked on 2026-03-22" in page
        assert 'offset = "-0.1' in page
        assert "Error that decisions use" in page

    async def test_a_probe_that_was_never_checked_is_a_reminder(self, scene: Any) -> None:
        assert "Never checked" in await got(scene, "/probe-checks")

    @pytest.mark.parametrize("way", ["sheet", "cakes", "lot", "cloudy"])
    async def test_every_page_of_a_run_is_one_tap_from_it(self, season_scene: Any, way: str) -> None:
        assert f'href="/runs/{RUN}/{way}"' in await got(season_scene, f"/runs/{RUN}")

    @pytest.mark.parametrize("path", ["cakes", "lot", "sheet", "cloudy"])
    async def test_a_run_that_is_not_there_has_no_page(self, season_scene: Any, path: str) -> None:
        async with season_scene.client() as client:
            assert (await client.get(f"/runs/none-such/{path}")).status_code == 404

    @pytest.mark.parametrize("path", ["/", "/runs", f"/runs/{RUN}"])
    async def test_plan_season_lots_and_checks_are_in_every_footer(
        self, season_scene: Any, path: str
    ) -> None:
        page = await got(season_scene, path)
        for way in ("/plan", "/season", "/lots", "/probe-checks"):
            assert f'href="{way}"' in page


@pytest.mark.browser
def test_cakes_are_entered_with_a_thumb_and_a_slip_is_pointed_at(browser: Browser, season_board: Any) -> None:
    season_board.scene.sent.clear()
    season_board.scene.answer = done
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(f"{season_board.address}/runs/{RUN}/cakes")
    page.evaluate("(code) => localStorage.setItem('device-code', code)", season_board.scene.code_text)
    form = page.locator("#cake form")
    form.get_by_text("half full", exact=True).click()
    form.get_by_label("frame 1").fill("thick")
    form.get_by_role("button", name="Keep cakes").click()
    place = form.locator('[data-refused="thickness_1"]')
    expect(place).to_contain_text("thick is no quantity here", timeout=SHOWN_MS)
    expect(form.get_by_label("frame 1")).to_have_value("thick")
    assert season_board.scene.sent == []
    form.get_by_label("frame 1").fill("5/8")
    with page.expect_navigation(timeout=SHOWN_MS):
        form.get_by_role("button", name="Keep cakes").click()
    args = decode(season_board.scene.sent[-1][1], Command).args
    assert isinstance(args, CakeArgs)
    assert (args.run, args.amount) == (RUN, Amount.HALF)
    page.once("dialog", lambda dialog: dialog.accept())
    with page.expect_navigation(timeout=SHOWN_MS):
        page.get_by_role("button", name="Take back").first.click()
    taken = decode(season_board.scene.sent[-1][1], Command).args
    assert taken.verb is Verb.CORRECT
    assert complaints == []
    context.close()


@pytest.mark.browser
def test_a_planned_charge_is_kept_for_the_next_run(browser: Browser, season_board: Any) -> None:
    season_board.scene.sent.clear()
    season_board.scene.answer = done
    page = browser.new_page()
    page.goto(f"{season_board.address}/plan")
    page.get_by_label("Syrup to filter").fill("15")
    page.get_by_role("button", name="Work it out").click()
    page.evaluate("(code) => localStorage.setItem('device-code', code)", season_board.scene.code_text)
    page.get_by_text("Keep this charge for the next run").click()
    with page.expect_navigation(timeout=SHOWN_MS):
        page.get_by_role("button", name="Keep charge").click()
    args = decode(season_board.scene.sent[-1][1], Command).args
    assert isinstance(args, ChargeArgs)
    assert args.run is None
    assert args.volume_l * args.sets == pytest.approx(15 * GALLON_L, rel=0.01)
    assert args.aid_cups is not None
    page.close()
