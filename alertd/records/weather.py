"""The canonical hourly table and the cell it belongs to.

| column | unit | CF standard name | possible |
|---|---|---|---|
| air_temperature_c | degC at 2 m | air_temperature | -60..60 |
| relative_humidity_pct | % | relative_humidity | 0..100 |
| dew_point_c | degC | dew_point_temperature | -80..40 |
| wind_speed_m_s | m/s at 10 m | wind_speed | 0..75 |
| wind_gust_m_s | m/s at 10 m | wind_speed_of_gust | 0..110 |
| wind_direction_deg | degrees the wind comes from | wind_from_direction | 0..360 |
| precipitation_mm | mm in the hour | lwe_thickness_of_precipitation_amount | 0..200 |
| precipitation_probability_pct | % | - | 0..100 |
| cloud_cover_pct | % | cloud_area_fraction | 0..100 |
| shortwave_w_m2 | W/m2, mean of the hour | surface_downwelling_shortwave_flux_in_air | 0..1400 |
| pressure_hpa | hPa at the station | surface_air_pressure | 500..1090 |
| forecast | bool: not yet over when the table was made | | |
| coarse | bool: read off a step longer than an hour | | |

The index is UTC, strictly rising by one hour without gaps; a row stands for the half-open hour that
starts at its stamp. NaN means unknown, never zero.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

COLUMNS: tuple[str, ...] = (
    "air_temperature_c",
    "relative_humidity_pct",
    "dew_point_c",
    "wind_speed_m_s",
    "wind_gust_m_s",
    "wind_direction_deg",
    "precipitation_mm",
    "precipitation_probability_pct",
    "cloud_cover_pct",
    "shortwave_w_m2",
    "pressure_hpa",
)
FLAGS: tuple[str, ...] = ("forecast", "coarse")
HOUR = dt.timedelta(hours=1)


@dataclass(frozen=True, slots=True, order=True)
class WeatherCell:
    """A small square of the earth that one forecast serves. ``key`` is stable and unique."""

    key: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None = field(default=None, compare=False)


def cell_of(
    latitude_deg: float, longitude_deg: float, elevation_m: float | None = None, size_deg: float = 0.02
) -> WeatherCell:
    """Return the cell a place lies in: its coordinates rounded to a raster, its height to 100 m."""
    latitude = round(round(latitude_deg / size_deg) * size_deg, 4)
    longitude = round(round(longitude_deg / size_deg) * size_deg, 4)
    height = None if elevation_m is None else round(elevation_m / 100.0) * 100.0
    suffix = "" if height is None else f"@{height:.0f}"
    return WeatherCell(f"{latitude:.4f},{longitude:.4f}{suffix}", latitude, longitude, height)


def empty_table(start: dt.datetime, hours: int) -> pd.DataFrame:
    """Return a table of ``hours`` rows of unknown weather from ``start`` (aware, on the hour)."""
    index = pd.date_range(start, periods=hours, freq="h", tz="UTC", name="start_at", unit="s")
    table = pd.DataFrame(np.nan, index=index, columns=list(COLUMNS), dtype="float64")
    for flag in FLAGS:
        table[flag] = False
    return table


@dataclass(frozen=True, slots=True)
class HourlyWeather:
    """What one provider said about one cell, in the canonical form.

    ``issued_at`` is the provider's own time of the forecast, ``fetched_at`` ours. ``dropped`` counts,
    by reason, the values that quality control turned into unknown.
    """

    cell: WeatherCell
    provider: str
    issued_at: dt.datetime
    fetched_at: dt.datetime
    table: pd.DataFrame
    attribution: str
    dropped: Mapping[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        index = self.table.index
        if list(self.table.columns) != [*COLUMNS, *FLAGS]:
            raise ValueError(f"table: columns are {list(self.table.columns)}, not the canonical ones")
        if not isinstance(index, pd.DatetimeIndex) or str(index.tz) != "UTC" or len(index) == 0:
            raise ValueError("table: the index must be UTC instants and not empty")
        steps = np.diff(index.as_unit("s").asi8)
        if index.as_unit("s").asi8[0] % 3600 or (steps != 3600).any():
            raise ValueError("table: the index must rise by one hour without gaps, on the hour")
