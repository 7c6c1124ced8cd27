"""An outlook to read in a terminal of 80 columns."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from itertools import groupby
from zoneinfo import ZoneInfo

from rich.padding import Padding
from rich.text import Text

from alertd.alerts import evidence
from alertd.catalog.alerts import load_alert_policy
from alertd.catalog.materials import load_materials
from alertd.cli.printing import facts, heading, out, paragraph, say, table
from alertd.cli.spray_grid import OPEN, OPEN_WITH_CARE, OUTSIDE, grid_rows, hour_line, meanings
from alertd.cli.wording import planting_words
from alertd.delivery.reading import Calendar, Quantities, chance_basis, chance_words, for_reader
from alertd.records.assessment import Assessment, MaterialOutlook, MitePressure, SprayWindow
from alertd.records.evidence import PressureEvidence
from alertd.records.site import Site, UnitSystem
from alertd.service.explain_site import PressureExplanation

CAUTIONS = (
    "This is advice from a forecast, and forecasts can be wrong: check wind, temperature and sky on the "
    "spot before you mix, and stop when they change.",
    "Read and follow the label of the product in hand; the label, local law and licensed practice win. "
    "Use a licensed applicator where one is required, and wear the protective equipment the label names.",
)
MODELLED = (
    "Numbers by the population model, since winter or since watching began, without predators and "
    "treatments: counts decide."
)
DAY_WIDTH = 12
_UNIT = re.compile(r"_(c|pct|deg|m_s|mm|w_m2|hpa)\Z")


def print_outlook(site: Site, found: Assessment, units: UnitSystem) -> None:
    """Print everything that is known about a site at one moment."""
    words, calendar = Quantities(units), Calendar(ZoneInfo(site.zone), units)
    _print_head(site, found, calendar)
    _print_pressures(site, found, words, calendar)
    _print_spells(found, words, calendar)
    _print_water(site, found, words, calendar)
    _print_days(found, words, calendar)
    _print_materials(site, found, words, calendar)
    heading("Cautions")
    for caution in CAUTIONS:
        paragraph(caution)
    _print_source(found)


def _print_head(site: Site, found: Assessment, calendar: Calendar) -> None:
    say(site.name, style="bold")
    paragraph(f"As of {calendar.moment(found.made_at)}; times are on the site's clock ({site.zone}).")
    age_h = found.age_h
    paragraph(f"Forecast of {calendar.moment(found.data_as_of)}, {age_h:.0f} h old, from {found.provider}.")
    limits = load_alert_policy().weather_age
    if age_h >= float(limits.missing_after):
        paragraph("This forecast is too old to open a window; run `alertd cycle`.", style="bold red")
    if found.missing:
        shares = ", ".join(f"{_name(column)} {share:.0%}" for column, share in found.missing.items())
        paragraph(f"Unknown in the next two days: {shares}.", style="yellow")
    paragraph(f"Plants: {'; '.join(planting_words(one) for one in site.plantings) or 'none named'}.")


def _name(column: str) -> str:
    return _UNIT.sub("", column).replace("_", " ")


def _print_pressures(site: Site, found: Assessment, words: Quantities, calendar: Calendar) -> None:
    heading("Mite pressure, 0 to 100")
    shown = evidence.pressures(found.pressures, site)
    if not shown:
        paragraph("No mite of the catalog lives on these plants.")
        return
    by_species = {one.species: one for one in found.pressures}
    rows = [
        (
            one["name"],
            f"{one['score']:.0f}",
            f"{one['score_ahead']:.0f}",
            one["level"],
            one["phase"],
            _doubling(one, words),
        )
        for one in shown
    ]
    table(
        ("Mite", "Now", "Ahead", "Level", "Season", "Doubles in"),
        rows,
        whole=("Now", "Ahead", "Level", "Season"),
    )
    for one in shown:
        parts = ", ".join(
            f"{part['name']} {part['points']:+.0f}" for part in one["parts"] if round(part["points"])
        )
        if parts:
            paragraph(f"{one['name']}: {parts}. On {', '.join(one['plants'])}.")
        brood = brood_words(by_species[one["species"]], calendar)
        if brood:
            paragraph(f"{one['name']}: {brood}.")
        if "provisional" in one:
            paragraph(f"{one['name']}: growth figures {one['provisional']}.")
    if any(one.abundance is not None for one in found.pressures):
        paragraph(MODELLED)


def brood_words(one: MitePressure | PressureExplanation, calendar: Calendar) -> str:
    """Return what the population model says of a species in words; nothing while it rests."""
    if one.abundance is None or one.egg_share is None:
        return ""
    times = f"{one.abundance:.2g}" if one.abundance < 100.0 else f"{one.abundance:.0f}"
    parts = [f"numbers {times} times those at the start", f"{one.egg_share:.0%} eggs"]
    for what, day in (
        ("half of them hatched", one.next_hatch_on),
        ("half the young adult", one.next_adults_on),
    ):
        if day is not None:
            parts.append(f"{what} by {calendar.day(day)}")
    if one.doubling_ahead_d is not None:
        parts.append(f"doubling in {one.doubling_ahead_d:.1f} days over the forecast")
    return ", ".join(parts)


def _doubling(one: PressureEvidence, words: Quantities) -> str:
    days = one["doubling_time_d"]
    return "-" if days is None or one["phase"] != "active" else f"{words.number(days)} days"


def _print_spells(found: Assessment, words: Quantities, calendar: Calendar) -> None:
    heading("Hot dry spell")
    if not found.spells:
        paragraph("None running, none in the forecast.")
    for one in found.spells:
        end = f"{calendar.day(one.end_day)}{' or later' if one.open_ended else ''}"
        days = f"{one.days} days, {one.observed_days} over and {one.forecast_days} to come"
        reached = f", reached in {one.lead_time_d} days" if one.lead_time_d else ""
        rain = words.rain(one.precipitation_mm)
        paragraph(
            f"{calendar.day(one.start_day)} to {end} ({days}): level {one.level.name.lower()}{reached}, "
            f"up to {words.temperature(one.peak_temperature_c)}, {rain}."
        )
        chance = chance_words(one.chance)
        if chance:
            paragraph(
                f"Chance that it comes to at least the first level: {chance}, "
                f"{chance_basis(found.chance_days, found.chance_ensemble)}; no promise."
            )


def _print_water(site: Site, found: Assessment, words: Quantities, calendar: Calendar) -> None:
    heading("Water")
    for one in evidence.water(found.water, site):
        reason = for_reader(one["reason"], words, calendar)
        pace = one["stressed_on"]
        short = (
            f"; short from {calendar.day(pace)} at this pace"
            if pace and one["state"] in {"ok", "caution"}
            else ""
        )
        style = "bold red" if one["state"] == "stressed" else ""
        paragraph(f"{one['plant']}: {one['state']}{f' ({reason})' if reason else ''}{short}", style=style)


def _print_days(found: Assessment, words: Quantities, calendar: Calendar) -> None:
    heading("Day by day")
    rows = [
        (
            f"{calendar.day(day.day)}{'' if day.observed else ' *'}",
            words.span(day.temperature_min_c, day.temperature_max_c),
            words.rain(day.precipitation_mm),
            "unknown" if day.humidity_afternoon_pct is None else f"{day.humidity_afternoon_pct:.0f} %",
            words.wind(day.wind_max_m_s),
        )
        for day in found.days
    ]
    table(("Day", "Low to high", "Rain", "PM humidity", "Wind up to"), rows, whole=("Day", "Low to high"))
    paragraph("* forecast")


def _print_materials(site: Site, found: Assessment, words: Quantities, calendar: Calendar) -> None:
    heading("Spray windows of the next 7 days")
    if not found.materials:
        paragraph("No material is chosen for this site; `alertd site edit NAME --material KEY` adds one.")
        return
    for one in found.materials:
        _print_material(one, found, site.zone, words, calendar)
    out().print()
    facts(meanings(found.materials))
    paragraph("An open hour means that the forecast shows no block, not that a treatment goes well.")
    if any(window.chance is not None for one in found.materials for window in one.windows):
        paragraph(
            "~80% and the like: chance that the likeliest hours of that window stay open, "
            f"{chance_basis(found.chance_days, found.chance_ensemble)}; no promise."
        )


def _print_material(
    one: MaterialOutlook, found: Assessment, zone: str, words: Quantities, calendar: Calendar
) -> None:
    name = load_materials()[one.material].name
    out().print()
    paragraph(name, style="bold")
    paragraph(_window_words(one, calendar))
    out().print(
        Padding(Text(f"{'':{DAY_WIDTH}}{hour_line(words.is_us)}", style="dim"), (0, 0, 0, 2), expand=False)
    )
    by_day = _by_day(one.windows, calendar)
    for row in grid_rows(one, found.start_at, zone):
        line = Text(f"{calendar.day(row.day):{DAY_WIDTH}}")
        line.append_text(_painted(row.letters))
        line.append(f"  {'; '.join(by_day.get(row.day, ()))}")
        out().print(Padding(line, (0, 0, 0, 2), expand=False), no_wrap=True, overflow="ellipsis")


def _window_words(one: MaterialOutlook, calendar: Calendar) -> str:
    if not one.windows:
        reasons = f" Why: {'; '.join(one.main_reasons)}." if one.main_reasons else ""
        return f"No window in the forecast.{reasons}"
    first = one.windows[0]
    closed = f", then {'; '.join(first.closed_by)}" if first.closed_by else ""
    care = f" Watch out: {'; '.join(first.cautions)}." if first.cautions else ""
    likely = chance_words(first.chance)
    chance = f", chance {likely}" if likely else ""
    when = calendar.window(first.start_at, first.end_at)
    return f"First window: {when} ({first.hours} h{chance}{closed}).{care}"


def _by_day(windows: Iterable[SprayWindow], calendar: Calendar) -> dict[dt.date, list[str]]:
    """Return the windows in words under the local day on which each begins."""
    found: dict[dt.date, list[str]] = {}
    for one in windows:
        start, end = calendar.local(one.start_at), calendar.local(one.end_at)
        first, last = calendar.clock(start), calendar.clock(end)
        if first[-3:] == last[-3:] and first.endswith(("AM", "PM")):
            first = first[:-3]
        until = last if start.date() == end.date() else f"{last} next day"
        found.setdefault(start.date(), []).append(f"{first} to {until}{_short_chance(one.chance)}")
    return found


def _short_chance(chance: float | None) -> str:
    """Return a chance as short as a grid needs it, such as `` ~80%``."""
    words = chance_words(chance)
    for word, sign in (("about ", "~"), ("over ", ">"), ("under ", "<")):
        words = words.replace(word, sign)
    return f" {words}" if words else ""


def _painted(letters: str) -> Text:
    styles = {OPEN: "bold green", OPEN_WITH_CARE: "yellow", OUTSIDE: ""}
    line = Text()
    for letter, group in groupby(letters):
        line.append("".join(group), style=styles.get(letter, "dim"))
    return line


def _print_source(found: Assessment) -> None:
    heading("Where the weather comes from")
    paragraph(found.attribution)
