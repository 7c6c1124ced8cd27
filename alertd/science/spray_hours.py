"""The hours that are judged for spraying, and what the book of applications says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class SprayRecords:
    """What the book of applications says of the material at hand, by site or by site and hour.

    Each is shape (n_sites,), (n_sites, n_hours) or None for "no record, nothing to hold against it".
    NaN days stand for never.
    """

    days_since_same: FloatArray | None = None
    looked_since: BoolArray | None = None
    uses_this_season: FloatArray | None = None
    group_uses_in_a_row: FloatArray | None = None
    days_since_oil: FloatArray | None = None
    days_since_sulfur: FloatArray | None = None
    patch_test_needed: BoolArray | None = None
    hours_since_patch_test: FloatArray | None = None
    patch_injury: BoolArray | None = None

    def of_sites(self, sites: slice, hours: slice) -> SprayRecords:
        """Return the records of some of the sites, those by hour at some of the hours."""
        parts = {item.name: getattr(self, item.name) for item in fields(self)}
        return SprayRecords(
            **{
                name: part if part is None else (part[sites] if part.ndim == 1 else part[sites, hours])
                for name, part in parts.items()
            }
        )


@dataclass(frozen=True)
class SprayHours:
    """The hours that are judged.

    Arrays of float, shape (n_sites, n_hours), NaN where unknown; an hour stands for [start, start + 1 h).
    ``hours_since_sunrise`` and ``hours_to_sunset`` are those of the local day at the start of the hour,
    negative before sunrise and after sunset, infinite where the sun does not rise or set; ``local_hour``
    is 0..24. Wind and gust hold at 10 m. ``ceiling_m`` (None or NaN: not known) only ever lifts the
    inversion clock under low overcast.

    By site, shape (n_sites,): ``drought`` 0 ok, 1 caution, 2 stressed, 3 unknown; the others are flags.
    ``gust_expected`` and ``probability_expected`` say that the provider gives that quantity, so that a
    gap in it is missing weather; None reads it off the data (``offered``; gusts not in coarse steps).
    Where it is not expected a tighter cap holds instead and the hour carries a caution.
    ``dormant`` None: not known, which cautions for materials that are for dormant plants only;
    ``in_bloom`` None: not known, which cautions for materials that endanger bees.
    """

    air_temperature_c: FloatArray
    relative_humidity_pct: FloatArray
    dew_point_c: FloatArray
    wet_bulb_depression_c: FloatArray
    wind_speed_m_s: FloatArray
    wind_gust_m_s: FloatArray
    precipitation_mm: FloatArray
    precipitation_probability_pct: FloatArray
    cloud_cover_pct: FloatArray
    sun_altitude_deg: FloatArray
    hours_since_sunrise: FloatArray
    hours_to_sunset: FloatArray
    local_hour: FloatArray
    coarse: BoolArray
    drought: npt.NDArray[np.integer[Any]]
    in_bloom: BoolArray | None
    full_sun: BoolArray
    ceiling_m: FloatArray | None = None
    dry_spell: BoolArray | None = None
    weeds_in_bloom: BoolArray | None = None
    evergreen: BoolArray | None = None
    dormant: BoolArray | None = None
    sensitivity: npt.NDArray[np.integer[Any]] | None = None
    gust_expected: BoolArray | None = None
    probability_expected: BoolArray | None = None

    def __post_init__(self) -> None:
        if self.air_temperature_c.ndim != 2:
            raise ValueError(f"air_temperature_c: shape {self.air_temperature_c.shape} is not [site, hour]")
        n_sites, _ = shape = self.air_temperature_c.shape
        for item in fields(self):
            values = getattr(self, item.name)
            wanted = (shape,) if item.name in _HOURLY else (shape, (n_sites,))
            if values is not None and np.shape(values) not in wanted:
                raise ValueError(f"{item.name}: shape {np.shape(values)} does not fit {shape}")

    @property
    def shape(self) -> tuple[int, int]:
        """Number of sites and hours."""
        n_sites, n_hours = self.air_temperature_c.shape
        return n_sites, n_hours

    def cut(self, hours: slice) -> SprayHours:
        """Return the same sites at some of the hours only."""
        return self._taken(slice(None), hours, np.ascontiguousarray)

    def of_sites(self, sites: slice) -> SprayHours:
        """Return the same hours of some of the sites only."""
        return self._taken(sites, slice(None), np.asarray)

    def _taken(self, sites: slice, hours: slice, laid: Callable[[Any], Any]) -> SprayHours:
        part = object.__new__(SprayHours)  # shapes were checked when the whole was made
        for name in _NAMES:
            values = getattr(self, name)
            if values is not None:
                values = laid(values[sites] if values.ndim == 1 else values[sites, hours])
            object.__setattr__(part, name, values)
        return part

    @cached_property
    def unknown_now(self) -> BoolArray:
        """Hours with a value missing that every material needs."""
        unknown: BoolArray = np.zeros(self.shape, dtype=np.bool_)
        for name in _NEEDED:
            np.logical_or(unknown, np.isnan(getattr(self, name)), out=unknown)
        return unknown


_NEEDED = (
    "air_temperature_c", "relative_humidity_pct", "dew_point_c", "wet_bulb_depression_c", "wind_speed_m_s",
    "precipitation_mm", "cloud_cover_pct", "sun_altitude_deg", "hours_since_sunrise", "hours_to_sunset",
    "local_hour",
)  # fmt: skip
_NAMES = tuple(item.name for item in fields(SprayHours))
_HOURLY = frozenset({*_NEEDED, "wind_gust_m_s", "precipitation_probability_pct", "coarse", "ceiling_m"})


def offered(values: FloatArray) -> BoolArray:
    """Whether a quantity is given at all, by site; shape (n_sites,)."""
    given: BoolArray = np.asarray((~np.isnan(values)).any(axis=-1))
    return given
