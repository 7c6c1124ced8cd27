"""What somebody felt of the soil, or saw of wilting: it outranks the soil-water account."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from alertd.assess.batch import Batch, SiteWeather
from alertd.catalog.water import load_water_rules
from alertd.records.observation import SoilFeel, WaterObservation
from alertd.records.site import Planting
from alertd.science import water
from alertd.science.arrays import BoolArray as Flags
from alertd.science.arrays import FloatArray as Floats
from alertd.science.arrays import IntArray as Ints

NEVER = np.iinfo(np.int64).min
CLASSES = {
    SoilFeel.WILTED: 0,
    SoilFeel.DRY: 0,
    SoilFeel.SLIGHTLY_MOIST: 1,
    SoilFeel.MOIST: 2,
    SoilFeel.WET: 3,
}
"""Place of each feel among the classes of available water, the driest first."""


@dataclass(frozen=True, slots=True)
class Felt:
    """The newest observation of each planting, [planting].

    ``day`` is its position on the local days of the batch, below 0 before them, ``NEVER`` without one.
    ``late`` marks those that the carried season cannot know yet. ``least`` and ``most`` are the bounds of
    the class as shares of the available water, NaN without an observation.
    """

    found: tuple[WaterObservation | None, ...]
    day: Ints
    late: Flags
    least: Floats
    most: Floats

    @property
    def any(self) -> bool:
        """Whether anything was observed at all."""
        return any(one is not None for one in self.found)

    def obeyed(self, day: int, depletion_mm: Floats, total_mm: Floats) -> Floats:
        """Return the depletion at the end of a day, brought into the class felt on it."""
        here = self.day == day
        if not here.any():
            return depletion_mm
        felt = water.depletion_as_felt(depletion_mm, total_mm, self.least, self.most)
        return np.where(here, felt, depletion_mm)


def felt_of(batch: Batch, plantings: tuple[Planting, ...], site_row: Ints) -> Felt:
    """Return the newest observation of each planting made by today."""
    width = float(load_water_rules().feel_class)
    found, day, late, least = [], [], [], []
    for planting, row in zip(plantings, site_row.tolist(), strict=True):
        member = batch.members[row]
        one = _newest(member, planting, batch.local.days[batch.today]) if member.observed else None
        found.append(one)
        day.append(NEVER if one is None else (one.day - batch.local.days[0]).days)
        late.append(one is not None and _is_late(one, member))
        least.append(np.nan if one is None else width * CLASSES[one.feel])
    bottom = np.array(least, dtype=float)
    return Felt(
        tuple(found),
        np.array(day, dtype=np.int64),
        np.array(late, dtype=np.bool_),
        bottom,
        bottom + width,
    )


def _newest(member: SiteWeather, planting: Planting, today: dt.date) -> WaterObservation | None:
    mine = [one for one in member.observed if one.planting_id == planting.id and one.day <= today]
    return max(mine, key=lambda one: (one.day, one.noted_at), default=None)


def _is_late(one: WaterObservation, member: SiteWeather) -> bool:
    return member.season is None or one.noted_at > member.season.made_at


def holds(one: WaterObservation, today: dt.date) -> bool:
    """Return whether an observation is so fresh that it is the state, whatever else is unknown."""
    return (today - one.day).days <= float(load_water_rules().feel_holds)


def still_wilted(one: WaterObservation, water_since_mm: float) -> bool:
    """Return whether wilting stands: nothing newer was seen, and no soaking is known since."""
    return one.feel is SoilFeel.WILTED and water_since_mm < float(load_water_rules().wilt_relief)
