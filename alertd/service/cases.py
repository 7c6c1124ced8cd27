"""The cases of one morning: what was forecast then, against what came of it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

from alertd.assess.daily import KNOWN_HOURS
from alertd.catalog.alerts import load_alert_policy
from alertd.catalog.chance import load_chance
from alertd.catalog.triggers import load_triggers
from alertd.records.assessment import Assessment, MaterialOutlook, SprayWindow
from alertd.records.site import Site
from alertd.science import days as local_days
from alertd.science.spells import hot_dry_spells
from alertd.science.spray import Reason

DATA_BITS = int(Reason.MISSING_WEATHER | Reason.HORIZON_END | Reason.COARSE_STEP)

SPELL, SPELL_HELD, WINDOW, WINDOW_HELD, RAIN = "spell", "spell-held", "window", "window-held", "rain"
EVENTS: Mapping[str, str] = {
    SPELL: "a hot dry spell of 5 days or more begins within the coming week, once a site and week",
    SPELL_HELD: "an announced hot dry spell comes",
    WINDOW: "a day has a spray window, by material",
    WINDOW_HELD: "the likeliest hours of a forecast window stay without a block",
    RAIN: "soaking rain soon after a forecast window",
}

FORECASTS_ONLY = frozenset({SPELL_HELD, WINDOW_HELD})
"""Events that are only looked at where one was forecast: there are no misses and no quiet cases."""


@dataclass(frozen=True, slots=True)
class Case:
    """One forecast and what came of it. ``warned`` is the yes or no, ``chance`` the probability told."""

    event: str
    site_id: str
    made_at: dt.datetime
    lead_d: int
    warned: bool
    came: bool
    chance: float | None = None


def window_cases(
    site: Site, said: Assessment, true: Assessment, truth: pd.DataFrame, table: pd.DataFrame
) -> Iterator[Case]:
    """Yield what became of each window, of the rain after it, and of each day with or without one."""
    zone = ZoneInfo(site.zone)
    today = said.made_at.astimezone(zone).date()
    actual = {one.material: one for one in true.materials}
    for outlook in said.materials:
        other = actual[outlook.material]
        for window in outlook.windows:
            lead = (window.start_at.astimezone(zone).date() - today).days
            held = _held(window, other, true.start_at)
            if held is not None:
                yield Case(WINDOW_HELD, site.id, said.made_at, lead, True, held, window.chance)
            yield from _rain_case(site, said, window, lead, truth, table)
        yield from _window_days(site, said, outlook, other, today)


def _held(window: SprayWindow, actual: MaterialOutlook, start_at: dt.datetime) -> bool | None:
    """Return whether the likeliest hours stayed open; None where that is not known (yet)."""
    job = round(float(load_alert_policy().spray_notice.shortest_window))
    first = round(((window.best_start_at or window.start_at) - start_at).total_seconds() / 3600.0)
    bits = actual.block_bits[first : first + job]
    if len(bits) < job:
        return None
    if (bits & ~np.int64(DATA_BITS)).any():
        return False
    return None if bits.any() else True


def _rain_case(
    site: Site,
    said: Assessment,
    window: SprayWindow,
    lead: int,
    truth: pd.DataFrame,
    table: pd.DataFrame,
) -> Iterator[Case]:
    """Yield whether soaking rain was forecast, and came, soon after the window."""
    hours = round(float(load_chance().score_rain_time))
    least = float(load_chance().score_rain)
    amounts = []
    for source in (table, truth):
        first = round((window.end_at - source.index[0].to_pydatetime()).total_seconds() / 3600.0)
        rain = source["precipitation_mm"].to_numpy()[max(first, 0) : first + hours]
        amounts.append(float(rain.sum()) if len(rain) == hours else math.nan)
    if not any(math.isnan(amount) for amount in amounts):
        forecast, fallen = amounts
        yield Case(RAIN, site.id, said.made_at, lead, forecast >= least, fallen >= least)


def _window_days(
    site: Site, said: Assessment, forecast: MaterialOutlook, actual: MaterialOutlook, today: dt.date
) -> Iterator[Case]:
    """Yield for each day ahead whether a window was forecast on it and whether there was one."""
    job = round(float(load_alert_policy().spray_notice.shortest_window))
    zone = ZoneInfo(site.zone)
    stamps = [said.start_at + dt.timedelta(hours=hour) for hour in range(len(forecast.block_bits))]
    ordinals = np.array([at.astimezone(zone).date().toordinal() for at in stamps])
    for ordinal in np.unique(ordinals)[:-1].tolist():
        here = ordinals == ordinal
        came_bits = actual.block_bits[here]
        came = _has_run(came_bits == 0, job)
        if not came and _has_run((came_bits & ~np.int64(DATA_BITS)) == 0, job):
            continue  # closed for want of data only: not known
        warned = _has_run(forecast.block_bits[here] == 0, job)
        yield Case(WINDOW, site.id, said.made_at, ordinal - today.toordinal(), warned, came)


def _has_run(flags: npt.NDArray[np.bool_], length: int) -> bool:
    if len(flags) < length:
        return False
    return bool(np.lib.stride_tricks.sliding_window_view(flags, length).all(axis=-1).any())


def held_spells(said: Assessment, true: Assessment, truth: pd.DataFrame, site: Site) -> Iterator[Case]:
    """Yield whether each forecast spell that was not yet running came."""
    zone = ZoneInfo(site.zone)
    today = said.made_at.astimezone(zone).date()
    known_until = truth.index[-1].to_pydatetime().astimezone(zone).date()
    for spell in said.spells:
        if spell.lead_time_d == 0 or known_until <= spell.end_day:
            continue
        came = any(
            one.start_day <= spell.end_day and one.end_day >= max(spell.start_day, today)
            for one in true.spells
        )
        yield Case(SPELL_HELD, site.id, said.made_at, spell.lead_time_d, True, came, spell.chance)


def spell_starts(table: pd.DataFrame, zone: str) -> list[dt.date]:
    """Return the first days of the hot dry spells in a table, by the catalog's definition of a spell."""
    rule = load_triggers().spell
    axis = local_days.local_days(table.index[0].to_pydatetime(), len(table), zone)
    numbers = hot_dry_spells(
        local_days.daily_max(table["air_temperature_c"].to_numpy(), axis, required=KNOWN_HOURS),
        local_days.daily_sum(table["precipitation_mm"].to_numpy(), axis, required=KNOWN_HOURS),
        heat_c=float(rule.hot_day_c),
        dry_mm=float(rule.dry_day_mm),
        wetting_mm=float(rule.break_day_mm),
        min_days=int(float(rule.days_min)),
        break_days=int(float(rule.break_days)),
    )
    first = np.flatnonzero((numbers > 0) & (numbers != np.concatenate([[0], numbers[:-1]])))
    return [axis.days[i] for i in first.tolist()]


def weekly(
    site: Site, seen: tuple[dt.date, list[dt.date]], truth: pd.DataFrame, morning: dt.datetime
) -> list[Case]:
    """Return the case of the week; nothing while its days are not all known."""
    today, forecast = seen
    ahead = int(float(load_chance().score_ahead))
    length = int(float(load_triggers().spell.days_min))
    last = today + dt.timedelta(days=ahead)
    known_until = truth.index[-1].to_pydatetime().astimezone(ZoneInfo(site.zone)).date()
    if known_until <= last + dt.timedelta(days=length):
        return []

    def within(days: Iterable[dt.date]) -> list[dt.date]:
        return [day for day in days if today < day <= last]

    warned, came = within(forecast), within(spell_starts(truth, site.zone))
    lead = (min(warned or came) - today).days if warned or came else 0
    return [Case(SPELL, site.id, morning, lead, bool(warned), bool(came))]
