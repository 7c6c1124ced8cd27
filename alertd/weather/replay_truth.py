"""What really happened, as the replay server serves it: arrays and ready-made texts of one cell."""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from alertd.records.weather import COLUMNS, WeatherCell
from alertd.weather.hours import HOUR_S
from alertd.weather.measure import FloatArray

ISSUE_S = 6 * HOUR_S


@dataclass(frozen=True, slots=True)
class ForecastError:
    """How far a replayed forecast strays from the truth: it grows with the square root of the lead time.

    Every six-hourly issue draws its own error; the same seed gives the same errors.
    """

    seed: int
    temperature_c: float = 1.0
    wind_fraction: float = 0.15
    rain_fraction: float = 0.3


class Truth:
    """The hours of one cell. Rows outside of them are unknown."""

    def __init__(self, cell: WeatherCell, table: pd.DataFrame, error: ForecastError | None = None) -> None:
        if len(table) == 0:
            raise ValueError(f"truth: no hours for cell {cell.key}")
        self.cell = cell
        self.elevation_m = cell.elevation_m or 0.0
        self.start_s = int(table.index[0].timestamp())
        self.hours = len(table)
        self._columns = {name: table[name].to_numpy(dtype=np.float64) for name in COLUMNS}
        self._error = error
        self._texts: dict[tuple[str, int], list[str]] = {}

    def has(self, column: str) -> bool:
        """Return whether anything is known of the column."""
        return not bool(np.isnan(self._columns[column]).all())

    def values(self, column: str, from_s: int, hours: int, now_s: int | None = None) -> FloatArray:
        """Return ``hours`` values from ``from_s``; those after ``now_s`` carry the forecast error."""
        first = (from_s - self.start_s) // HOUR_S
        result = np.full(hours, np.nan)
        low, high = max(first, 0), min(first + hours, self.hours)
        if high > low:
            result[low - first : high - first] = self._columns[column][low:high]
        if self._error is not None and now_s is not None:
            self._stray(column, result, from_s, now_s, self._error)
        return result

    def texts(
        self, column: str, decimals: int, from_s: int, hours: int, now_s: int | None = None
    ) -> Sequence[str]:
        """Return the values as JSON numbers, ``null`` where unknown."""
        if self._error is not None:
            return _as_texts(self.values(column, from_s, hours, now_s), decimals)
        key = (column, decimals)
        if key not in self._texts:
            self._texts[key] = _as_texts(self._columns[column], decimals)
        first = (from_s - self.start_s) // HOUR_S
        before = min(max(-first, 0), hours)
        inside = self._texts[key][max(first, 0) : max(first + hours, 0)]
        return ["null"] * before + inside + ["null"] * (hours - before - len(inside))

    def _stray(self, column: str, values: FloatArray, from_s: int, now_s: int, error: ForecastError) -> None:
        at_s = from_s + HOUR_S * np.arange(len(values))
        lead_d = np.maximum(at_s - now_s, 0) / 86_400.0
        issue = now_s // ISSUE_S
        draw = np.random.default_rng([error.seed, zlib.crc32(self.cell.key.encode()), issue])
        warm, windy, wet = draw.standard_normal(3) * np.array(
            [error.temperature_c, error.wind_fraction, error.rain_fraction]
        )
        growth = np.sqrt(lead_d)
        if column in ("air_temperature_c", "dew_point_c"):
            values += warm * growth
        elif column in ("wind_speed_m_s", "wind_gust_m_s"):
            values *= np.exp(windy * growth)
        elif column == "precipitation_mm":
            values *= np.exp(wet * growth)


def _as_texts(values: FloatArray, decimals: int) -> list[str]:
    form = f"%.{decimals}f"
    return ["null" if math.isnan(value) else form % value for value in values.tolist()]


def hour_stamps(start_s: int, hours: int) -> list[str]:
    """Return ISO 8601 to the second, without a zone, of hours in a row."""
    at_s = np.datetime64(start_s, "s") + HOUR_S * np.arange(hours)
    return np.datetime_as_string(at_s, unit="s").tolist()  # type: ignore[no-any-return]  # numpy says Any


def stamp(at_s: int) -> str:
    """Return ISO 8601 to the second, without a zone."""
    return hour_stamps(at_s, 1)[0]
