"""How far forecasts stray before our own archive tells, and how much of it is needed to tell."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Annotated

from alertd.catalog.figure import Figure, Series
from alertd.catalog.loader import Between, load_record

Degrees = Annotated[Series, Between(0.1, 15.0, "degC")]
Speed = Annotated[Series, Between(0.1, 15.0, "m/s")]
Share = Annotated[Figure, Between(0.0, 0.99, "1")]
Days = Annotated[Figure, Between(1.0, 400.0, "d")]
Count = Annotated[Figure, Between(1.0, 100000.0, "count")]


@dataclass(frozen=True, slots=True)
class PriorSpread:
    """Standard deviation of forecast errors by lead time, before any error of one's own is known."""

    air_temperature_c: Degrees
    temperature_max_c: Degrees
    wind_speed_m_s: Speed
    wind_gust_m_s: Speed
    wet_bulb_depression_c: Degrees


@dataclass(frozen=True, slots=True)
class ChanceRules:
    """Every figure behind a chance.

    ``prior_worth``: as many days of own errors weigh as much as the prior. ``archive``: days of forecasts
    that are looked back on. ``learnt_expires``: age at which what was learnt from them is dropped.
    ``ensemble_floor``: least spread of an ensemble, as a share of what is believed without it.
    ``persistence``: correlation of the errors of one day's maximum with the next.
    """

    spread: PriorSpread
    prior_worth: Days
    archive: Days
    learnt_expires: Days
    ensemble_members: Count
    ensemble_floor: Annotated[Figure, Between(0.1, 1.0, "1")]
    ensemble_expires: Annotated[Figure, Between(1.0, 48.0, "h")]
    persistence: Share
    wet_day_rain: Annotated[Figure, Between(0.1, 50.0, "mm")]
    samples: Count
    least: Annotated[Figure, Between(0.001, 0.1, "1")]
    calibration_cases: Count
    score_cases: Count
    score_rain: Annotated[Figure, Between(0.1, 50.0, "mm")]
    score_rain_time: Annotated[Figure, Between(1.0, 72.0, "h")]
    score_ahead: Annotated[Figure, Between(1.0, 10.0, "d")]


@cache
def load_chance() -> ChanceRules:
    """Read ``chance.toml``. Raises CatalogError naming file, key and fix."""
    return load_record("chance", ChanceRules)
