"""Text can be read on its ground in light and dark mail programs."""

from __future__ import annotations

import re
from collections.abc import Mapping

import pytest

from alertd.delivery import chart
from alertd.delivery.palette import DARK, LIGHT, TEXT_ON_GROUND
from alertd.delivery.render import render, templates_folder
from tests.delivery.evidence import STOP, every_alert, make_site, make_subscriber


def luminance(colour: str) -> float:
    """Relative luminance: WCAG 2.2, definition 'relative luminance' (W3C, 2023), sRGB with 0.04045."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio: WCAG 2.2, definition 'contrast ratio' (W3C, 2023)."""
    bright, dim = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def test_the_formula_gives_the_known_ends_of_the_scale() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the well-known near miss


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("text", "ground"), TEXT_ON_GROUND)
def test_every_text_has_the_contrast_that_wcag_asks_for(
    palette: Mapping[str, str], text: str, ground: str
) -> None:
    assert contrast(palette[text], palette[ground]) >= 4.5  # WCAG 2.2, success criterion 1.4.3


@pytest.mark.parametrize("ink", [chart.INK, chart.SOFT])
@pytest.mark.parametrize("ground", ["#ffffff", chart.SPELL, chart.CLOSED])
def test_writing_in_the_chart_has_the_contrast_too(ink: str, ground: str) -> None:
    assert contrast(ink, ground) >= 4.5


@pytest.mark.parametrize("shape", [chart.HOT, chart.WARM, chart.RAIN, chart.OPEN])
@pytest.mark.parametrize("ground", ["#ffffff"])
def test_bars_stand_out_from_their_ground(shape: str, ground: str) -> None:
    assert contrast(shape, ground) >= 3.0  # WCAG 2.2, success criterion 1.4.11


def test_the_light_and_dark_palettes_name_the_same_colours() -> None:
    assert set(LIGHT) == set(DARK)


def test_emails_use_no_colour_outside_the_palette() -> None:
    site = make_site()
    known = {*LIGHT.values(), *DARK.values()}
    for alert in every_alert(site).values():
        html = render(alert, site, make_subscriber(), STOP).html
        assert set(re.findall(r"#[0-9a-fA-F]{6}\b", html)) <= known
    for path in templates_folder().rglob("*.j2"):
        assert set(re.findall(r"#[0-9a-fA-F]{3,6}\b", path.read_text(encoding="utf-8"))) <= {"#ffffff"}
