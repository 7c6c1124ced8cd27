"""Reading JSON that may hold anything: the right shape, or WeatherInvalid saying what was missing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import numpy as np

from alertd.errors import WeatherInvalid
from alertd.records.weather import HourlyWeather

USABLE_AHEAD_H = 24
USABLE_HOURS_MIN = 6


def mapping(value: object, provider: str, name: str) -> Mapping[str, object]:
    """Return a JSON object."""
    if not isinstance(value, dict):
        raise WeatherInvalid(f"{provider}: the answer lacks {name}; its format may have changed")
    return value


def sequence(value: object, provider: str, name: str) -> list[object]:
    """Return a JSON list."""
    if not isinstance(value, list):
        raise WeatherInvalid(f"{provider}: the answer lacks {name}; its format may have changed")
    return value


def sub_mapping(record: Mapping[str, object], name: str) -> Mapping[str, object]:
    """Return an object inside of another, or an empty one."""
    value = record.get(name)
    return value if isinstance(value, dict) else {}


def text(record: Mapping[str, object], name: str) -> str:
    """Return a text inside of an object, or an empty one."""
    value = record.get(name)
    return value if isinstance(value, str) else ""


def usable(weather: HourlyWeather) -> HourlyWeather:
    """Return the weather if it says something about the coming day. Raises WeatherInvalid otherwise."""
    ahead = weather.table[weather.table["forecast"].to_numpy()].iloc[:USABLE_AHEAD_H]
    hours = int(np.count_nonzero(~np.isnan(ahead["air_temperature_c"].to_numpy())))
    if hours < USABLE_HOURS_MIN:
        counts = ", ".join(f"{reason} {count}" for reason, count in sorted(weather.dropped.items()))
        raise WeatherInvalid(
            f"{weather.provider}: air temperature is known for {hours} of the next {USABLE_AHEAD_H} hours, "
            f"{USABLE_HOURS_MIN} are needed" + (f" (dropped: {counts})" if counts else "")
        )
    return weather


def age_h(issued_at: dt.datetime, now: dt.datetime) -> float:
    """Return the age of a forecast in hours."""
    return (now - issued_at).total_seconds() / 3600.0
