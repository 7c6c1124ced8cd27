"""The chart is small, always the same for the same facts, and says in words what it shows."""

from __future__ import annotations

import datetime as dt
import io
from zoneinfo import ZoneInfo

import pytest
from PIL import Image, ImageColor

from alertd.delivery import chart
from alertd.delivery.chart import WIDTH_PX, chart_words, draw_chart, shown_days
from alertd.delivery.reading import Calendar, Quantities
from alertd.records.evidence import AlertEvidence
from alertd.records.site import UnitSystem
from tests.delivery.evidence import make_days, make_evidence, make_hot_dry, make_site

US, METRIC = Quantities(UnitSystem.US), Quantities(UnitSystem.METRIC)
CALENDAR = Calendar(ZoneInfo("America/New_York"), UnitSystem.US)
HEAT_C = 29.4


def drawn(evidence: AlertEvidence, quantities: Quantities = US, heat: float | None = HEAT_C) -> Image.Image:
    png = draw_chart(evidence, heat, quantities, CALENDAR)
    assert png is not None
    return Image.open(io.BytesIO(png))


def test_the_same_facts_give_the_same_bytes() -> None:
    evidence = make_hot_dry(make_site())
    once = draw_chart(evidence, HEAT_C, US, CALENDAR)
    assert once == draw_chart(evidence, HEAT_C, US, CALENDAR)
    assert once is not None
    assert b"tIME" not in once
    assert b"Creation" not in once


def test_the_chart_is_small_and_of_the_promised_width() -> None:
    evidence = make_hot_dry(make_site())
    png = draw_chart(evidence, HEAT_C, US, CALENDAR)
    assert png is not None
    assert len(png) < 40_000
    assert drawn(evidence).width == WIDTH_PX


def test_other_units_and_other_weather_give_another_picture() -> None:
    evidence = make_hot_dry(make_site())
    warmer = make_hot_dry(make_site())
    warmer["days"][9]["temperature_max_c"] = 41.0
    pictures = {drawn(evidence).tobytes(), drawn(evidence, METRIC).tobytes(), drawn(warmer).tobytes()}
    assert len(pictures) == 3


def test_unknown_days_are_drawn_as_unknown_and_do_not_stop_the_chart() -> None:
    evidence = make_hot_dry(make_site())
    for day in evidence["days"][::3]:
        day["temperature_max_c"] = day["temperature_min_c"] = day["precipitation_mm"] = None
    assert drawn(evidence).width == WIDTH_PX


@pytest.mark.parametrize("observed", [0, 15])
def test_a_chart_of_one_kind_of_days_only_can_be_drawn(observed: int) -> None:
    evidence = make_hot_dry(make_site())
    for number, day in enumerate(evidence["days"]):
        day["observed"] = number < observed
    assert drawn(evidence).width == WIDTH_PX


def test_each_window_is_drawn_over_its_hours_and_nowhere_else() -> None:
    evidence = make_hot_dry(make_site())
    image = drawn(evidence).convert("RGB")
    green = ImageColor.getrgb(chart.OPEN)
    columns = {x for x in range(image.width) for y in range(image.height) if image.getpixel((x, y)) == green}
    first = dt.date.fromisoformat(shown_days(evidence)[0]["day"])
    day_px = (chart.RIGHT_PX - chart.LEFT_PX) / len(shown_days(evidence))
    expected: set[int] = set()
    for window in (window for material in evidence["materials"] for window in material["windows"]):
        start, end = CALENDAR.local(window["start_at"]), CALENDAR.local(window["end_at"])
        left, right = (
            chart.LEFT_PX + ((at.date() - first).days + (at.hour + at.minute / 60) / 24) * day_px
            for at in (start, end)
        )
        if left < chart.RIGHT_PX:  # the other one opens after the last day shown
            expected |= set(range(round(left), max(round(right), round(left + 0.14 * day_px))))
    assert expected
    assert columns == expected


def test_hot_days_have_the_colour_of_heat_and_the_card_is_white() -> None:
    image = drawn(make_hot_dry(make_site())).convert("RGB")
    hot = ImageColor.getrgb(chart.HOT)
    cool = drawn(make_hot_dry(make_site()), heat=60.0).convert("RGB")
    assert any(pixel == hot for _count, pixel in image.getcolors() or [])
    assert all(pixel != hot for _count, pixel in cool.getcolors() or [])
    corners = [(0, 0), (image.width - 1, 0), (0, image.height - 1), (image.width - 1, image.height - 1)]
    assert {image.getpixel(corner) for corner in corners} == {(255, 255, 255)}


def test_without_two_known_days_there_is_no_chart() -> None:
    one = make_evidence(make_site(), days=make_days()[:1])
    assert draw_chart(one, HEAT_C, US, CALENDAR) is None
    assert chart_words(one, HEAT_C, US, CALENDAR) == ""
    assert draw_chart(make_evidence(make_site()), HEAT_C, US, CALENDAR) is None


def test_about_a_week_behind_and_all_ahead_is_shown() -> None:
    evidence = make_evidence(make_site(), days=make_days())
    for number, day in enumerate(evidence["days"]):
        day["observed"] = number < 11
    shown = shown_days(evidence)
    assert [day["day"] for day in shown] == [f"2025-07-{day}" for day in range(13, 24)]


def test_no_spell_no_materials_and_no_heat_line_leave_a_plain_chart() -> None:
    plain = make_evidence(make_site(), days=make_days())
    assert drawn(plain, heat=None).height < drawn(make_hot_dry(make_site())).height


def test_the_words_say_what_the_picture_shows() -> None:
    words = chart_words(make_hot_dry(make_site()), HEAT_C, US, CALENDAR)
    assert words == (
        "Chart of 15 days, Wed Jul 9 to Wed Jul 23: daily highs from 82°F to 98°F, "
        "12 of them at or above 85°F, 0.89 in of rain in all. "
        "Spray windows ahead: Horticultural oil, in leaf 0, Insecticidal soap 2."
    )


def test_the_words_admit_that_rain_is_unknown() -> None:
    evidence = make_evidence(make_site(), days=make_days())
    for day in evidence["days"]:
        day["precipitation_mm"] = None
    assert "rain unknown" in chart_words(evidence, None, METRIC, CALENDAR)
