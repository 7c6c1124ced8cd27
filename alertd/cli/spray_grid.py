"""The hours of the days ahead as one letter each: open, or the reason that closes it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from zoneinfo import ZoneInfo

from alertd.records.assessment import Assessment, MaterialOutlook
from alertd.science.spray import REASON_WORDS, Reason, reasons_in

OPEN = "O"
OPEN_WITH_CARE = "o"
OUTSIDE = " "
NO_BLOCK = "no block found"

LETTERS: Mapping[Reason, str] = MappingProxyType(
    {
        Reason.MISSING_WEATHER: "?",
        Reason.HORIZON_END: "e",
        Reason.COARSE_STEP: "~",
        Reason.INVERSION_CLOCK: ".",
        Reason.OUTSIDE_HOURS: ".",
        Reason.NOT_DORMANT: "x",
        Reason.SENSITIVE_PLANT: "x",
        Reason.BLOOM: "b",
        Reason.DROUGHT: "d",
        Reason.RAIN_NOW: "R",
        Reason.RAIN_AHEAD: "r",
        Reason.RAIN_CHANCE_UNKNOWN: "r",
        Reason.HEAT: "H",
        Reason.SUN_HEAT: "H",
        Reason.HEAT_AHEAD: "h",
        Reason.HOT_DRY_AIR: "a",
        Reason.COLD: "C",
        Reason.FREEZE_AHEAD: "c",
        Reason.WIND_HIGH: "W",
        Reason.GUST: "g",
        Reason.GUST_UNKNOWN: "g",
        Reason.WIND_LOW: "l",
        Reason.DELTA_T_HIGH: "a",
        Reason.DELTA_T_LOW: "m",
        Reason.LEAF_WET: "w",
        Reason.INVERSION_CLASS: "i",
    }
)
"""Letters in the order in which they are chosen where an hour is closed for several reasons.

The hours that are closed every night come early, so that the eye finds the working day.
"""
OTHER = "x"


@dataclass(frozen=True, slots=True)
class GridRow:
    """One local day: 24 letters, one for each hour of the site's clock."""

    day: dt.date
    letters: str


def letter_of(block_bits: int, caution_bits: int) -> str:
    """Return the letter of one hour."""
    if not block_bits:
        return OPEN_WITH_CARE if caution_bits else OPEN
    return next((letter for reason, letter in LETTERS.items() if block_bits & reason), OTHER)


def grid_rows(outlook: MaterialOutlook, start_at: dt.datetime, zone: str) -> tuple[GridRow, ...]:
    """Return the days of one material; where the clock is set back the doubled hour shows the worse."""
    place = ZoneInfo(zone)
    cells: dict[dt.date, dict[int, tuple[int, int]]] = {}
    for hour, (blocks, cautions) in enumerate(zip(outlook.block_bits, outlook.caution_bits, strict=True)):
        local = (start_at + dt.timedelta(hours=hour)).astimezone(place)
        day = cells.setdefault(local.date(), {})
        before = day.get(local.hour, (0, 0))
        day[local.hour] = (before[0] | int(blocks), before[1] | int(cautions))
    return tuple(
        GridRow(day, "".join(letter_of(*hours[hour]) if hour in hours else OUTSIDE for hour in range(24)))
        for day, hours in cells.items()
    )


def meanings(outlooks: Iterable[MaterialOutlook]) -> tuple[tuple[str, str], ...]:
    """Return the letters that occur, open ones first, each with the reasons it stands for here."""
    words: dict[str, dict[str, None]] = {}
    for outlook in outlooks:
        pairs = {
            (int(blocks), int(cautions))
            for blocks, cautions in zip(outlook.block_bits, outlook.caution_bits, strict=True)
        }
        for blocks, cautions in sorted(pairs):
            letter = letter_of(blocks, cautions)
            words.setdefault(letter, {})[_word_of(letter, blocks)] = None
    order = dict.fromkeys([OPEN, OPEN_WITH_CARE, *LETTERS.values(), OTHER])
    return tuple((letter, " or ".join(words[letter])) for letter in order if letter in words)


def _word_of(letter: str, blocks: int) -> str:
    if letter == OPEN:
        return NO_BLOCK
    if letter == OPEN_WITH_CARE:
        return f"{NO_BLOCK}, with a caution"
    first = next((reason for reason, own in LETTERS.items() if own == letter and blocks & reason), None)
    return REASON_WORDS[first or reasons_in(blocks)[0]]


def hour_line(is_us: bool) -> str:
    """Return the line of hours that stands above the 24 letters."""
    return "12a   6a    12p   6p    " if is_us else "0     6     12    18    "


def hours_of(assessment: Assessment, outlook: MaterialOutlook) -> list[dict[str, object]]:
    """Return every hour with its reasons by name, for machines."""
    return [
        {
            "start_at": assessment.start_at + dt.timedelta(hours=hour),
            "open": not int(blocks),
            "blocks": [str(reason.name).lower() for reason in reasons_in(int(blocks))],
            "cautions": [str(reason.name).lower() for reason in reasons_in(int(cautions))],
        }
        for hour, (blocks, cautions) in enumerate(zip(outlook.block_bits, outlook.caution_bits, strict=True))
    ]
