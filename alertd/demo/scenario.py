"""The invented firm and its sites, read from ``scenario.toml``."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any

from alertd.records.site import Climate, Site
from alertd.service.sites import parse_planting


@dataclass(frozen=True, slots=True)
class DemoSpell:
    """A hot dry spell written into the invented season."""

    first_day: dt.date
    last_day: dt.date
    warmer_c: float
    drier_c: float


@dataclass(frozen=True, slots=True)
class DemoWeather:
    """The invented climate of a site."""

    temperature_mean_c: float
    temperature_swing_c: float
    warmest_day: int
    daily_range_c: float
    dew_point_below_minimum_c: float
    rain_day_share: float
    rain_mean_mm: float
    wind_mean_m_s: float
    spells: tuple[DemoSpell, ...]


@dataclass(frozen=True, slots=True)
class DemoSite:
    """An invented site."""

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    zone: str
    climate: Climate
    materials: tuple[str, ...]
    plants: tuple[str, ...]
    weather: DemoWeather

    def site(self, new_id: Callable[[], str]) -> Site:
        """Return the record that a user would have added."""
        return Site(
            id=new_id(),
            name=self.name,
            latitude_deg=self.latitude_deg,
            longitude_deg=self.longitude_deg,
            zone=self.zone,
            elevation_m=self.elevation_m,
            climate=self.climate,
            plantings=tuple(parse_planting(text, new_id) for text in self.plants),
            materials=self.materials,
        )


@dataclass(frozen=True, slots=True)
class Scenario:
    """The whole invented story."""

    firm: str
    first_day: dt.date
    last_day: dt.date
    history_days: int
    seed: int
    subscriber_name: str
    subscriber_email: str
    webhook_name: str
    sites: tuple[DemoSite, ...]


def load_scenario() -> Scenario:
    """Read the packaged scenario."""
    raw = tomllib.loads(resources.files("alertd.demo").joinpath("scenario.toml").read_text(encoding="utf-8"))
    return Scenario(
        firm=raw["firm"],
        first_day=raw["first_day"],
        last_day=raw["last_day"],
        history_days=raw["history_days"],
        seed=raw["seed"],
        subscriber_name=raw["subscriber"]["name"],
        subscriber_email=raw["subscriber"]["email"],
        webhook_name=raw["subscriber"]["webhook_name"],
        sites=tuple(_site(entry) for entry in raw["site"]),
    )


def _site(entry: Mapping[str, Any]) -> DemoSite:
    weather = dict(entry["weather"])
    spells = tuple(DemoSpell(**spell) for spell in weather.pop("spell", ()))
    plain = {
        key: value for key, value in entry.items() if key not in {"weather", "climate", "materials", "plants"}
    }
    return DemoSite(
        **plain,
        climate=Climate(entry["climate"]),
        materials=tuple(entry["materials"]),
        plants=tuple(entry["plants"]),
        weather=DemoWeather(**weather, spells=spells),
    )
