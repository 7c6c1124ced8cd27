"""Explanations to read in a terminal."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from zoneinfo import ZoneInfo

from alertd.catalog.chance import load_chance
from alertd.catalog.figure import Status
from alertd.cli.outlook_page import CAUTIONS, MODELLED, brood_words
from alertd.cli.printing import facts, heading, paragraph, say, table
from alertd.delivery.reading import Calendar, Quantities, for_reader
from alertd.records.assessment import SprayWindow
from alertd.records.site import Site, UnitSystem
from alertd.records.skill import LearntCorrection
from alertd.science.chance import Calibration
from alertd.service.explain import Cited, GateExplanation, GateState, HourExplanation, Test
from alertd.service.explain_site import (
    ChanceExplanation,
    PressureExplanation,
    SiteExplanation,
    SpellExplanation,
    WaterExplanation,
)
from alertd.units import degree_days_c_to_f, m_s_to_km_h, m_s_to_mph

STYLES = {GateState.CLOSED: "bold red", GateState.CAUTION: "yellow", GateState.NOT_ASKED: "dim"}
UNSEEN = " (unverified)"


class Amounts:
    """Writes SI values with their unit as the reader knows them, with a decimal more than a message."""

    def __init__(self, units: UnitSystem) -> None:
        self.quantities = Quantities(units)

    def value(self, value: float | None, unit: str, *, difference: bool = False) -> str:
        """Return a value; ``difference`` says that a temperature is a distance between two."""
        if value is None:
            return "unknown"
        if unit == "degC":
            return self._degrees(value, difference)
        if unit == "m/s":
            return (
                f"{m_s_to_mph(value):.1f} mph" if self.quantities.is_us else f"{m_s_to_km_h(value):.1f} km/h"
            )
        if unit == "mm":
            depth = self.quantities.depth(value)
            return f"{depth:.2f} in" if self.quantities.is_us else f"{depth:.1f} mm"
        if unit == "degC d":
            return self.quantities.degree_days(value)
        number = f"{value:.0f}" if abs(value) >= 100.0 else f"{value:.3g}"
        return number if unit in ("1", "count", "local hour", "") else f"{number} {unit}"

    def _degrees(self, value: float, difference: bool) -> str:
        shown = self.quantities.degrees(value)
        if difference:  # degree-days are differences over a day, and convert like them
            shown = degree_days_c_to_f(value) if self.quantities.is_us else value
        return f"{shown:.1f}{self.quantities.degree_sign}"


def print_hour(one: HourExplanation, site: Site, units: UnitSystem) -> None:
    """Print why one hour is open or closed."""
    words, calendar = Amounts(units), Calendar(ZoneInfo(site.zone), units)
    state = GateState.NO_BLOCK if one.is_open else GateState.CLOSED
    say(f"{one.site}, {one.name}: {calendar.moment(one.start_at)}", style="bold")
    told = "no block found" if one.is_open else "closed"
    count = sum(gate.state is GateState.CLOSED for gate in one.gates)
    paragraph(
        told if one.is_open else f"{told} for {count} reason{'s' if count != 1 else ''}",
        style=STYLES.get(state, "bold green"),
    )
    paragraph(f"From the forecast of {calendar.moment(one.data_as_of)} by {one.provider}.")
    _print_windows(one, calendar)
    for key, reason in one.loosened:
        paragraph(f"Looser than the catalog by a recorded decision: {key} ({reason}).", style="yellow")
    group = ""
    for gate in one.gates:
        if gate.group != group:
            group = gate.group
            heading(group[:1].upper() + group[1:])
        _print_gate(gate, words, calendar)
    _print_cautions()


def _print_windows(one: HourExplanation, calendar: Calendar) -> None:
    for title, window in (("It lies in the window", one.window), ("The next window is", one.next_window)):
        if window is not None:
            paragraph(
                f"{title} {calendar.window(window.start_at, window.end_at)}{chance_words(window, calendar)}."
            )
    if one.window is None and one.next_window is None:
        paragraph(
            "No window follows in the forecast; washing with water, watering and scouting may still go on."
        )


def chance_words(window: SprayWindow, calendar: Calendar) -> str:
    """Return the chance of a window in words, nothing where it cannot be told."""
    if window.chance is None or window.best_start_at is None:
        return ", chance unknown"
    return f"; likeliest from {calendar.clock(window.best_start_at)}, chance {window.chance:.0%}"


def _print_gate(gate: GateExplanation, words: Amounts, calendar: Calendar) -> None:
    paragraph(f"{gate.words}: {gate.state}", style=STYLES.get(gate.state, ""))
    if gate.state is GateState.NOT_ASKED:
        return
    for test in gate.tests:
        paragraph(_test_words(test, words), indent=4)
    for note in gate.notes:
        paragraph(for_reader(note, words.quantities, calendar), indent=4)
    for figure in gate.figures:
        paragraph(_figure_words(figure, words), indent=4)


def _test_words(test: Test, words: Amounts) -> str:
    difference = test.what.startswith(("dry less", "temperature above"))
    value = words.value(test.value, test.unit, difference=difference)
    limit = words.value(test.limit.value, test.unit, difference=difference)
    kind = "open" if test.blocks else "no caution"
    margin = words.value(test.margin, test.unit, difference=True)
    return f"{test.what} {value}; {kind} {test.side} {limit}; margin {margin}. {_source_words(test.limit)}"


UNIT_ENDS = {"degC": "_c", "m/s": "_m_s", "mm": "_mm", "h": "_h", "d": "_d", "%": "_pct", "m": "_m",
             "tenths": "_tenths", "degC d": "_c_d"}  # fmt: skip
"""What a name ends in that holds a value of that unit; the value tells it already."""


def _figure_words(figure: Cited, words: Amounts) -> str:
    name = figure.name.removesuffix(UNIT_ENDS.get(figure.unit, "")).replace("_", " ")
    value = "" if figure.value is None else f" {words.value(figure.value, figure.unit)}"
    return f"{name}{value}. {_source_words(figure)}"


def _source_words(figure: Cited) -> str:
    mark = UNSEEN if figure.status == Status.FROM_MEMORY else ""
    note = f"; {figure.note}" if figure.note else ""
    status = f"{figure.status}{mark}: " if figure.status else ""
    return f"[{status}{figure.source}{note}]"


def print_site(one: SiteExplanation, site: Site, units: UnitSystem) -> None:
    """Print why the numbers of a site are what they are."""
    words, calendar = Amounts(units), Calendar(ZoneInfo(site.zone), units)
    say(f"{one.site}, as of {calendar.moment(one.made_at)}", style="bold")
    paragraph(f"From the forecast of {calendar.moment(one.data_as_of)} by {one.provider}.")
    for place, pressure in enumerate(one.pressures):
        _print_pressure(pressure, words, calendar, first=place == 0)
    heading("Hot dry triggers")
    for spell in one.spells:
        _print_spell(spell, words, calendar)
    for water in one.water:
        _print_water(water, words, calendar)
    _print_chances(one.chances, words)
    _print_correction(one.correction, calendar)
    _print_cautions()


def _print_pressure(one: PressureExplanation, words: Amounts, calendar: Calendar, *, first: bool) -> None:
    """Print one species; the weights that all species share are printed with the first."""
    heading(f"Mite pressure: {one.name}, {one.score:.1f} ({one.level})")
    rows = [
        (part.name, f"{part.points:+.1f}", "" if part.unit == "1" else words.value(part.value, part.unit))
        for part in one.parts
    ]
    table(("Part", "Points", "Behind it"), rows)
    facts([(name, f"{value:.2f} of the best") for name, value in one.factors])
    paragraph(
        f"{one.phase}; degree-days from {calendar.day(one.biofix)} ({one.biofix_source}); "
        f"{one.generations:.1f} generations; "
        + ("no growth now" if one.doubling_time_d is None else f"doubles in {one.doubling_time_d:.1f} days")
    )
    facts([(what, words.value(value, unit)) for what, value, unit in one.phase_facts])
    brood = brood_words(one, calendar)
    if brood:
        paragraph(f"{brood[:1].upper()}{brood[1:]}. {MODELLED}")
    days = [
        (
            f"{calendar.day(day.day)}{'' if day.observed else ' *'}",
            "unknown" if day.growth_per_d is None else f"{day.growth_per_d:.3f}",
            words.value(day.temperature_max_c, "degC"), words.value(day.precipitation_mm, "mm"),
            words.value(day.vapour_pressure_deficit_max_kpa, "kPa"), words.value(day.humidity_mean_pct, "%"),
        )
        for day in one.days
    ]  # fmt: skip
    table(("Day", "Growth 1/d", "High", "Rain", "Dryness", "Humidity"), days, whole=("Day",))
    paragraph("* not over yet")
    shared = "pressure."
    _print_figures([item for item in one.figures if first or not item.name.startswith(shared)], words)


def _print_spell(one: SpellExplanation, words: Amounts, calendar: Calendar) -> None:
    if one.spell is None:
        paragraph(f"No spell. On {calendar.day(one.day)} the step that holds is: {one.level}.")
    else:
        found = one.spell
        chance = "unknown" if found.chance is None else f"{found.chance:.0%}"
        paragraph(
            f"{calendar.day(found.start_day)} to {calendar.day(found.end_day)}: {found.trigger}; "
            f"on {calendar.day(one.day)} the step that holds is: {one.level}. Chance that it comes: {chance}."
        )
    rows = [
        (
            step.step, for_reader(step.what, words.quantities, calendar),
            words.value(step.value, step.limit.unit),
            f"{step.side} {words.value(step.limit.value, step.limit.unit)}",
            "unknown" if step.holds is None else "yes" if step.holds else "no", _source_words(step.limit),
        )
        for step in one.steps
    ]  # fmt: skip
    table(("Step", "Looks at", "Is", "Holds", "Now", "Source"), rows)


def _print_water(one: WaterExplanation, words: Amounts, calendar: Calendar) -> None:
    label = f"{one.label} ({one.plant.lower()})" if one.label else one.plant
    status = one.status
    heading(f"Water: {label}, {status.state}")
    paragraph(for_reader(status.reason, words.quantities, calendar))
    facts([
        ("used up", words.value(status.depletion_mm, "mm")),
        ("readily available", words.value(status.readily_mm, "mm")),
        ("held by the soil in all", words.value(status.total_mm, "mm")),
        ("soil and roots", f"{one.soil}, roots to {one.root_depth_m:.2f} m"),
        ("landscape coefficient", f"{one.coefficient:.2f}"),
        ("watering", f"{one.irrigation}, {words.value(one.irrigation_mm_d, 'mm')} a day"),
        ("last wetting rain", _day(status.last_wetting_day, calendar)),
        ("short at this pace", _day(status.stressed_on, calendar)),
    ])  # fmt: skip
    rows = [
        (
            calendar.day(day.day), words.value(day.precipitation_mm, "mm"),
            words.value(day.evapotranspiration_mm, "mm"), words.value(day.depletion_mm, "mm"),
            words.value(day.readily_mm, "mm"),
        )
        for day in one.days
    ]  # fmt: skip
    table(("Day", "Rain", "Demand (ET0)", "Used up", "Readily available"), rows, whole=("Day",))
    _print_figures(one.figures, words)


def _day(day: dt.date | None, calendar: Calendar) -> str:
    return "" if day is None else calendar.day(day)


def _print_chances(chances: Iterable[ChanceExplanation], words: Amounts) -> None:
    heading("Chance: how far forecasts stray")
    for one in chances:
        unit = "m/s" if one.quantity.endswith("_m_s") else "degC"
        rows = [
            (
                f"{lead / 24.0:g}",
                words.value(spread, unit, difference=True),
                words.value(bias, unit, difference=True),
                str(days),
            )
            for lead, spread, bias, days in zip(
                one.lead_h, one.spread, one.bias, one.verified_days, strict=True
            )
        ]
        mark = UNSEEN if one.status == Status.FROM_MEMORY else ""
        name = one.quantity.removesuffix("_c").removesuffix("_m_s").replace("_", " ")
        paragraph(f"{name} [{one.status}{mark}: {one.source}]")
        table(("Days ahead", "Spread", "Bias", "Verified days"), rows)
    paragraph(
        "A window is as likely as its worst hour, times the chance of no rain: one less the largest hourly "
        "probability, not a product of hours. Leaf wetness, inversions and drought are taken as forecast."
    )


def _print_correction(found: LearntCorrection | None, calendar: Calendar) -> None:
    """Print how chances are corrected by what became of earlier ones, and what that rests on."""
    if found is None:
        paragraph("What became of this site's chances was not looked at lately: they are not corrected.")
        return
    paragraph(f"What became of this site's chances, as looked at {calendar.moment(found.learnt_at)}:")
    least = float(load_chance().calibration_cases)
    facts([
        ("windows", _correction_words(found.windows, found.window_pairs, least)),
        ("hot dry spells", _correction_words(found.spells, found.spell_pairs, least)),
    ])  # fmt: skip


def _correction_words(found: Calibration | None, pairs: int, least: float) -> str:
    if found is None:
        return f"{pairs} verified chances, {least:g} are needed to correct by; none is corrected"
    told = ", ".join(f"{raw:.0%} is told as {float(found(raw)):.0%}" for raw in (0.3, 0.5, 0.7))
    return f"corrected by {pairs} verified chances: {told}"


def _print_figures(figures: Iterable[Cited], words: Amounts) -> None:
    paragraph("Figures and sources:")
    for figure in figures:
        paragraph(_figure_words(figure, words), indent=4)


def _print_cautions() -> None:
    heading("Cautions")
    for caution in CAUTIONS:
        paragraph(caution)
