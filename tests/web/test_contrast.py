"""Contrast of the colour tokens in both themes, by the formula of WCAG 2.2."""

from __future__ import annotations

import re

import pytest

from web.page import STATIC

CSS = (STATIC / "page.css").read_text(encoding="utf-8")
TEXT, GRAPHIC = 4.5, 3.0
"""WCAG 2.2, 1.4.3 (text, AA) and 1.4.11 (graphics, AA)."""

TEXTS = [
    ("ink", "ground"),
    ("soft", "ground"),
    ("link", "ground"),
    ("steady-ink", "steady-ground"),
    ("ready-ink", "ready-ground"),
    ("alarm-ink", "alarm-ground"),
    ("unknown-ink", "unknown-ground"),
    ("unknown-ink", "unknown-hatch"),
    ("idle-ink", "idle-ground"),
    ("prompt-ink", "prompt-ground"),
    ("button-ink", "button-ground"),
]
GRAPHICS = [
    ("marker", "ground"),
    ("marker", "window-ground"),
    ("window-line", "ground"),
    ("window-line", "window-ground"),
    ("sand-line", "ground"),
    ("syrup", "ground"),
    ("syrup", "cake"),
    ("grain", "cake"),
    ("metal", "ground"),
    ("rule", "ground"),
    ("focus", "ground"),
    ("alarm-edge", "alarm-ground"),
]


def luminance(colour: str) -> float:
    """Return relative luminance as WCAG 2.2 defines it."""
    channels = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def tokens(theme: str) -> dict[str, str]:
    light, dark = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)[:2]
    found = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", light))
    if theme == "dark":
        found |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", dark))
    return found


def test_the_formula_gives_the_published_figures() -> None:
    # W3C, Understanding SC 1.4.3: #767676 on white is 4.54:1; black on white is 21:1.
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


def test_every_colour_is_a_token_and_every_token_stands_in_both_themes() -> None:
    light, dark = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)[:2]
    names = [re.findall(r"--([\w-]+):", block) for block in (light, dark)]
    assert names[0] == names[1]
    rest = CSS.split("* { box-sizing")[1].split("@media print")[0]
    assert re.findall(r"#[0-9a-f]{3,8}\b", rest) == []


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(("ink", "ground"), TEXTS)
def test_words_can_be_read(theme: str, ink: str, ground: str) -> None:
    found = tokens(theme)
    assert contrast(found[ink], found[ground]) >= TEXT


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(("mark", "ground"), GRAPHICS)
def test_marks_can_be_told_from_their_ground(theme: str, mark: str, ground: str) -> None:
    found = tokens(theme)
    assert contrast(found[mark], found[ground]) >= GRAPHIC


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_grounds_of_ready_and_alarm_differ_from_the_page_in_grey_too(theme: str) -> None:
    found = tokens(theme)
    for mood in ("ready", "alarm"):
        assert contrast(found[f"{mood}-ground"], found["ground"]) >= 1.8
