"""The picture in the mail: the days behind and ahead, and the hours with no block found.

Drawn on a light card of its own, so that it reads the same in a dark mail program, and with
letters large enough to be read when a phone shows it 320 px wide. The same facts give the same bytes.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

from alertd.delivery.picture import BOLD, Picture, shortened
from alertd.delivery.reading import DAYS, Calendar, Quantities
from alertd.records.evidence import AlertEvidence, DayEvidence, MaterialEvidence, SpellEvidence

WIDTH_PX = 720
LEFT_PX, RIGHT_PX = 62, 710
PAST_DAYS = 7
DAYS_MAX = 16
MATERIALS_MAX = 4
INK = "#1d231f"
SOFT = "#4a544d"
GRID = "#d5dad3"
HOT = "#c2410c"
WARM = "#8a9a5b"
RAIN = "#2563a8"
SPELL = "#fbe3cf"
OPEN = "#15803d"
CLOSED = "#e3e6e1"
FILLS = (INK, SOFT, GRID, HOT, WARM, RAIN, SPELL, OPEN, CLOSED)
WRITTEN = ((INK, "#ffffff"), (SOFT, "#ffffff"), (INK, SPELL))
FONT_PX = 27  # 12 px when the picture is 320 px wide
SMALL_PX = 25
TITLE_PX = 44
TEMPERATURE_PX, RAIN_PX, ROW_PX = 236, 98, 55
GAP_PX = 10
STRIP_PX = 18
DAYS_PX, LEGEND_PX = 66, 46
STEPS = (1.0, 2.0, 5.0, 10.0)


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

    @property
    def observed(self) -> int:
        return sum(day["observed"] for day in self.days)

    @property
    def day_px(self) -> float:
        return (RIGHT_PX - LEFT_PX) / len(self.days)

    def x(self, days: float) -> float:
        """Return where so many days after the first midnight lie, held within the sheet."""
        return LEFT_PX + min(max(days, 0.0), len(self.days)) * self.day_px

    def day_of(self, at: str) -> float:
        """Return an instant in days after the first midnight; a day is one wide, whatever its hours."""
        local = self.calendar.local(at)
        seconds = local.hour * 3600 + local.minute * 60 + local.second
        return (local.date() - self.first_day).days + seconds / 86400.0


@dataclass(frozen=True, slots=True)
class _Panel:
    """One of the charts above each other, and the values that its top and bottom stand for."""

    picture: Picture
    sheet: _Sheet
    top: int
    bottom: int
    low: float
    high: float

    def y(self, value: float) -> float:
        return self.bottom - (value - self.low) / (self.high - self.low) * (self.bottom - self.top)

    def title(self, words: str, beside: str = "") -> None:
        base = self.top - 14
        self.picture.write(LEFT_PX, base, words, FONT_PX, INK, anchor="ls", weight=BOLD)
        self.picture.write(RIGHT_PX, base, beside, SMALL_PX, SOFT, anchor="rs")

    def ground(self) -> None:
        """Draw what lies behind the values: the spell and the line below."""
        spell, sheet = self.sheet.spell, self.sheet
        if spell is not None:
            first = (dt.date.fromisoformat(spell["start_day"]) - sheet.first_day).days
            last = (dt.date.fromisoformat(spell["end_day"]) - sheet.first_day).days
            if first < len(sheet.days) and last >= 0:
                self.picture.box(sheet.x(first), self.top, sheet.x(last + 1), self.bottom, SPELL)
        self.picture.box(LEFT_PX, self.bottom, RIGHT_PX, self.bottom + 1, GRID)

    def scale(self, ticks_max: int) -> None:
        """Draw a level line and its number for a few round values."""
        step = _step(self.high - self.low, ticks_max)
        digits = max(0, -math.floor(math.log10(step) + 1e-9))
        for number in range(math.ceil(self.low / step), math.floor(self.high / step) + 1):
            value = number * step
            self.picture.box(LEFT_PX, self.y(value), RIGHT_PX, self.y(value) + 1, GRID)
            self.picture.write(LEFT_PX - 8, self.y(value), f"{value:.{digits}f}", SMALL_PX, SOFT, anchor="rm")

    def bar(self, day: int, bottom: float, top: float, colour: str) -> None:
        """Draw a bar over one day, filled if measured and outlined if forecast."""
        middle, half = self.sheet.x(day + 0.5), 0.31 * self.sheet.day_px
        draw = self.picture.box if self.sheet.days[day]["observed"] else self.picture.frame
        draw(middle - half, self.y(top), middle + half, self.y(bottom), colour)

    def unknown(self, day: int) -> None:
        self.picture.write(self.sheet.x(day + 0.5), self.bottom - 10, "?", FONT_PX, INK, anchor="ms")

    def today(self) -> None:
        """Draw the line between what was measured and what is forecast."""
        if 0 < self.sheet.observed < len(self.sheet.days):
            x = self.sheet.x(self.sheet.observed)
            self.picture.box(x - 1, self.top, x + 1, self.bottom, SOFT)


def _step(span: float, ticks_max: int) -> float:
    """Return the smallest round step that gives no more ticks than that."""
    rough = span / ticks_max
    power: float = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in STEPS if step * power >= rough * (1 - 1e-9))


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
    heights = [TEMPERATURE_PX, RAIN_PX, *([ROW_PX * len(materials)] if materials else [])]
    height_px = sum(heights) + TITLE_PX * len(heights) + GAP_PX * (len(heights) - 1) + DAYS_PX + LEGEND_PX
    picture = Picture(WIDTH_PX, height_px, FILLS, WRITTEN)
    top = TITLE_PX
    for height, draw in zip(heights, (_draw_temperature, _draw_rain, _draw_windows), strict=False):
        draw(picture, sheet, top, top + height)
        top += height + GAP_PX + TITLE_PX
    below = top - GAP_PX - TITLE_PX
    _label_days(picture, sheet, below)
    _legend(picture, sheet, below + DAYS_PX)
    return picture.png()


def _draw_temperature(picture: Picture, sheet: _Sheet, top: int, bottom: int) -> None:
    q, line_c = sheet.quantities, sheet.heat_line_c
    bars: dict[int, tuple[float, float, str]] = {}
    for number, day in enumerate(sheet.days):
        high, low = day["temperature_max_c"], day["temperature_min_c"]
        if high is not None:
            warmest = q.degrees(high)
            coolest = q.degrees(low) if low is not None else warmest - 0.5
            bars[number] = coolest, warmest, HOT if line_c is not None and high >= line_c else WARM
    values = [value for cool, warm, _colour in bars.values() for value in (cool, warm)]
    values += [] if line_c is None else [q.degrees(line_c)]
    spread = max(values) - min(values)
    panel = _Panel(
        picture, sheet, top, bottom, min(values) - 0.1 * spread - 0.5, max(values) + 0.12 * spread + 0.5
    )
    panel.title(
        f"Daily low to high, {q.degree_sign}",
        "" if line_c is None else f"dashes: hot from {q.temperature(line_c)}",
    )
    panel.ground()
    panel.scale(4)
    for number in range(len(sheet.days)):
        if number in bars:
            panel.bar(number, *bars[number])
        else:
            panel.unknown(number)
    if line_c is not None:
        picture.dashes(LEFT_PX, RIGHT_PX, panel.y(q.degrees(line_c)), INK)
    panel.today()


def _draw_rain(picture: Picture, sheet: _Sheet, top: int, bottom: int) -> None:
    q = sheet.quantities
    amounts = [
        None if day["precipitation_mm"] is None else q.depth(day["precipitation_mm"]) for day in sheet.days
    ]
    known = [amount for amount in amounts if amount is not None]
    panel = _Panel(picture, sheet, top, bottom, 0.0, max([*known, 0.5 if q.is_us else 12.0]) * 1.15)
    panel.title(f"Rain, {q.depth_unit}")
    panel.ground()
    panel.scale(3)
    for number, amount in enumerate(amounts):
        if amount is None:
            panel.unknown(number)
        elif amount > 0.0:
            panel.bar(number, 0.0, amount, RAIN)
    panel.today()


def _draw_windows(picture: Picture, sheet: _Sheet, top: int, bottom: int) -> None:
    panel = _Panel(picture, sheet, top, bottom, 0.0, 1.0)
    panel.title("Hours with no block found")
    panel.ground()
    start = sheet.observed
    for row, material in enumerate(sheet.materials):
        floor = top + ROW_PX * (row + 1) - 5
        picture.box(sheet.x(start), floor - STRIP_PX, sheet.x(len(sheet.days)), floor, CLOSED)
        for window in material["windows"]:
            left = max(sheet.day_of(window["start_at"]), start)
            right = min(sheet.day_of(window["end_at"]), len(sheet.days))
            if right > left:
                right = max(right, left + 0.14)
                picture.box(sheet.x(left), floor - STRIP_PX, sheet.x(right), floor, OPEN)
        if 0 < start < len(sheet.days):
            picture.box(sheet.x(start) - 1, floor - STRIP_PX, sheet.x(start) + 1, floor, SOFT)
        name = shortened(material["name"], SMALL_PX, RIGHT_PX - LEFT_PX - 10)
        picture.write(LEFT_PX, floor - STRIP_PX - 9, name, SMALL_PX, INK, anchor="ls")


def _label_days(picture: Picture, sheet: _Sheet, top: int) -> None:
    dates = [dt.date.fromisoformat(day["day"]) for day in sheet.days]
    for number in range(0, len(dates), 1 if len(dates) <= 7 else 2):
        x, date = sheet.x(number + 0.5), dates[number]
        picture.write(x, top + 26, DAYS[date.weekday()][:2], SMALL_PX, SOFT, anchor="ms")
        picture.write(x, top + 53, f"{date.day}", SMALL_PX, SOFT, anchor="ms")


def _legend(picture: Picture, sheet: _Sheet, top: int) -> None:
    """Say below the chart what filling and shading mean; shape and words, never colour alone."""
    parts = ["filled: measured", "outlined: forecast"]
    if sheet.spell is not None:
        parts.append("shaded: hot dry spell")
    x = 14.0
    for part in parts:
        picture.write(x, top + 32, part, SMALL_PX, SOFT, anchor="ls")
        x += picture.width(part, SMALL_PX) + 28


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
