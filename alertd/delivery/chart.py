"""The picture in the mail: the days behind and ahead, and the hours with no block found.

Drawn on a light card of its own, so that it reads the same in a dark mail program, and with
letters large enough to be read when a phone shows it 320 px wide. The same facts give the same bytes.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from alertd.delivery.reading import DAYS, Calendar, Quantities
from alertd.records.evidence import AlertEvidence, DayEvidence, MaterialEvidence, SpellEvidence

WIDTH_PX = 720
DPI = 100
PAST_DAYS = 7
DAYS_MAX = 16
MATERIALS_MAX = 4
COLOURS = 48
INK = "#1d231f"
SOFT = "#4a544d"
GRID = "#d5dad3"
HOT = "#c2410c"
WARM = "#8a9a5b"
RAIN = "#2563a8"
SPELL = "#fbe3cf"
OPEN = "#15803d"
CLOSED = "#e3e6e1"
FONT_PT = 17.0  # 23.6 px at 100 dpi, so 10.5 px when the picture is 320 px wide
SMALL_PT = 15.0
STRIP = 0.34
LETTER_PX = 11.6  # mean width of a small letter


@dataclass(frozen=True, slots=True)
class _Sheet:
    days: Sequence[DayEvidence]
    spell: SpellEvidence | None
    heat_line_c: float | None
    materials: Sequence[MaterialEvidence]
    quantities: Quantities
    calendar: Calendar

    @property
    def first_day(self) -> dt.date:
        return dt.date.fromisoformat(self.days[0]["day"])

    def place(self, at: str) -> float:
        """Return where an instant lies on the axis of days; a day is one wide, whatever its hours."""
        local = self.calendar.local(at)
        seconds = local.hour * 3600 + local.minute * 60 + local.second
        return (local.date() - self.first_day).days + seconds / 86400.0 - 0.5

    @property
    def observed(self) -> int:
        return sum(day["observed"] for day in self.days)


def shown_days(evidence: AlertEvidence) -> list[DayEvidence]:
    """Return the days worth drawing: about a week behind and all ahead, none if too few are known."""
    days = sorted(evidence.get("days", []), key=lambda day: day["day"])
    past = [day for day in days if day["observed"]][-PAST_DAYS:]
    ahead = [day for day in days if not day["observed"]]
    shown = [*past, *ahead][:DAYS_MAX]
    known = [day for day in shown if day["temperature_max_c"] is not None]
    return shown if len(known) >= 2 else []


def draw_chart(
    evidence: AlertEvidence, heat_line_c: float | None, quantities: Quantities, calendar: Calendar
) -> bytes | None:
    """Return the chart as PNG, or None if there is nothing to draw."""
    days = shown_days(evidence)
    if not days:
        return None
    materials = evidence.get("materials", [])[:MATERIALS_MAX]
    sheet = _Sheet(days, evidence.get("spell"), heat_line_c, materials, quantities, calendar)
    strip = 0.2 + 0.56 * len(materials) if materials else 0.0
    height_in = 5.5 + strip
    figure = Figure(figsize=(WIDTH_PX / DPI, height_in), dpi=DPI, facecolor="#ffffff")
    canvas = FigureCanvasAgg(figure)
    ratios = [2.9, 1.2, strip] if materials else [2.9, 1.2]
    axes = figure.subplots(len(ratios), 1, sharex=True, height_ratios=ratios)
    _draw_temperature(axes[0], sheet)
    _draw_rain(axes[1], sheet)
    if materials:
        _draw_windows(axes[2], sheet)
    for axis in axes:
        _dress(axis, sheet)
    _label_days(axes[-1], sheet)
    figure.subplots_adjust(
        left=0.095, right=0.985, top=1 - 0.42 / height_in, bottom=1.0 / height_in, hspace=0.34
    )
    _legend(figure, sheet)
    canvas.draw()  # type: ignore[no-untyped-call]  # matplotlib declares no types here
    return _png(canvas)


def _png(canvas: FigureCanvasAgg) -> bytes:
    width, height = canvas.get_width_height()
    pixels = bytes(canvas.buffer_rgba())  # type: ignore[no-untyped-call]  # as above
    picture = Image.frombuffer("RGBA", (width, height), pixels, "raw", "RGBA", 0, 1)
    reduced = picture.convert("RGB").quantize(
        COLOURS, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE
    )
    out = io.BytesIO()
    reduced.save(out, format="PNG", compress_level=9)
    return out.getvalue()


def _title(axis: Axes, text: str) -> None:
    axis.set_title(text, loc="left", fontsize=FONT_PT, color=INK, pad=7, fontweight="bold")


def _draw_temperature(axis: Axes, sheet: _Sheet) -> None:
    q = sheet.quantities
    _title(axis, f"Daily low to high, {q.degree_sign}")
    for x, day in enumerate(sheet.days):
        high, low = day["temperature_max_c"], day["temperature_min_c"]
        if high is None:
            axis.text(x, 0.06, "?", transform=axis.get_xaxis_transform(), ha="center", fontsize=FONT_PT)
            continue
        hot = sheet.heat_line_c is not None and high >= sheet.heat_line_c
        top = q.degrees(high)
        bottom = q.degrees(low) if low is not None else top - 0.5
        _bar(axis, x, bottom, top - bottom, HOT if hot else WARM, observed=day["observed"])
    if sheet.heat_line_c is not None:
        line = q.degrees(sheet.heat_line_c)
        axis.axhline(line, color=INK, linewidth=2, linestyle=(0, (4, 2)), zorder=4)
        words = f"dashes: hot from {q.temperature(sheet.heat_line_c)}"
        axis.set_title(words, loc="right", fontsize=SMALL_PT, color=SOFT, pad=7)
    low, high = axis.dataLim.y0, axis.dataLim.y1
    axis.set_ylim(low - 0.1 * (high - low) - 0.5, high + 0.12 * (high - low) + 0.5)
    axis.locator_params(axis="y", nbins=4, integer=True)


def _bar(axis: Axes, x: float, bottom: float, height: float, colour: str, *, observed: bool) -> None:
    if observed:
        axis.bar(x, height, bottom=bottom, width=0.62, color=colour, zorder=3)
    else:
        axis.bar(
            x, height, bottom=bottom, width=0.58, color="#ffffff", edgecolor=colour, linewidth=3, zorder=3
        )


def _draw_rain(axis: Axes, sheet: _Sheet) -> None:
    q = sheet.quantities
    _title(axis, f"Rain, {q.depth_unit}")
    amounts = []
    for x, day in enumerate(sheet.days):
        rain = day["precipitation_mm"]
        if rain is None:
            axis.text(x, 0.1, "?", transform=axis.get_xaxis_transform(), ha="center", fontsize=FONT_PT)
            continue
        amounts.append(q.depth(rain))
        if rain > 0.0:
            _bar(axis, x, 0.0, amounts[-1], RAIN, observed=day["observed"])
    axis.set_ylim(0.0, max([*amounts, 0.5 if q.is_us else 12.0]) * 1.15)
    axis.locator_params(axis="y", nbins=2)


def _draw_windows(axis: Axes, sheet: _Sheet) -> None:
    _title(axis, "Hours with no block found")
    last = len(sheet.days) - 0.5
    start = max(sheet.observed - 0.5, -0.5)
    for row, material in enumerate(reversed(sheet.materials)):
        axis.barh(row, last - start, left=start, height=STRIP, color=CLOSED, zorder=1)
        for window in material["windows"]:
            left = max(sheet.place(window["start_at"]), start)
            right = min(sheet.place(window["end_at"]), last)
            if right > left:
                axis.barh(row, max(right - left, 0.14), left=left, height=STRIP, color=OPEN, zorder=3)
        _name_row(axis, row, material["name"])
    axis.set_ylim(-0.3, len(sheet.materials) - 0.25)
    axis.set_yticks([])


def _name_row(axis: Axes, row: int, name: str) -> None:
    """Write a material's name above its strip."""
    letters = int(0.88 * WIDTH_PX / LETTER_PX)
    short = name if len(name) <= letters else f"{name[: letters - 1].rstrip(' ,')}…"
    ground = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 1.0}  # the line of today passes here
    axis.text(
        -0.5, row + 0.22, short, ha="left", va="bottom", fontsize=SMALL_PT, color=INK, zorder=5, bbox=ground
    )


def _dress(axis: Axes, sheet: _Sheet) -> None:
    axis.set_xlim(-0.55, len(sheet.days) - 0.45)
    axis.tick_params(labelsize=FONT_PT - 2, colors=SOFT, length=0)
    axis.grid(axis="y", color=GRID, linewidth=1, zorder=0)
    axis.set_axisbelow(True)
    for side in ("top", "right", "left"):
        axis.spines[side].set_visible(False)
    axis.spines["bottom"].set_color(GRID)
    if sheet.spell is not None:
        first = (dt.date.fromisoformat(sheet.spell["start_day"]) - sheet.first_day).days
        last = (dt.date.fromisoformat(sheet.spell["end_day"]) - sheet.first_day).days
        axis.axvspan(first - 0.5, last + 0.5, color=SPELL, zorder=0, linewidth=0)
    if 0 < sheet.observed < len(sheet.days):
        axis.axvline(sheet.observed - 0.5, color=SOFT, linewidth=2, zorder=4)


def _label_days(axis: Axes, sheet: _Sheet) -> None:
    dates = [dt.date.fromisoformat(day["day"]) for day in sheet.days]
    step = 1 if len(dates) <= 7 else 2
    shown = range(0, len(dates), step)
    axis.set_xticks(list(shown))
    axis.set_xticklabels([f"{DAYS[dates[x].weekday()][:2]}\n{dates[x].day}" for x in shown])


def _legend(figure: Figure, sheet: _Sheet) -> None:
    """Say below the chart what filling and shading mean; shape and words, never colour alone."""
    parts = ["filled: measured", "outlined: forecast"]
    if sheet.spell is not None:
        parts.append("shaded: hot dry spell")
    figure.text(0.02, 0.014, "    ".join(parts), fontsize=SMALL_PT, color=SOFT, ha="left", va="bottom")


def chart_words(
    evidence: AlertEvidence, heat_line_c: float | None, quantities: Quantities, calendar: Calendar
) -> str:
    """Return what the chart shows, for those who do not see it."""
    days = shown_days(evidence)
    if not days:
        return ""
    highs = [day["temperature_max_c"] for day in days if day["temperature_max_c"] is not None]
    rains = [day["precipitation_mm"] for day in days if day["precipitation_mm"] is not None]
    words = [
        f"Chart of {len(days)} days, {calendar.day(days[0]['day'])} to {calendar.day(days[-1]['day'])}:",
        f"daily highs from {quantities.temperature(min(highs))} to {quantities.temperature(max(highs))},",
    ]
    if heat_line_c is not None:
        hot = sum(high >= heat_line_c for high in highs)
        words.append(f"{hot} of them at or above {quantities.temperature(heat_line_c)},")
    words.append(f"{quantities.rain(sum(rains))} in all." if rains else "rain unknown.")
    materials = evidence.get("materials", [])[:MATERIALS_MAX]
    counts = [f"{material['name']} {len(material['windows'])}" for material in materials]
    if counts:
        words.append(f"Spray windows ahead: {', '.join(counts)}.")
    return " ".join(words)
