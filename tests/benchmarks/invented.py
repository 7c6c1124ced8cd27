"""Invented sites under invented summer weather, the same at every run."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from alertd.assess.batch import SiteWeather
from alertd.assess.stages import settled
from alertd.catalog.materials import load_materials
from alertd.catalog.species import load_species
from alertd.records.season import HISTORY_COLUMNS, HISTORY_DAYS, SeasonState, SpeciesSeason
from alertd.records.site import Irrigation, Planting, Site
from alertd.records.weather import COLUMNS, HourlyWeather, cell_of
from alertd.science.season import SeasonPhase

ZONE = "America/New_York"
NOW = dt.datetime(2025, 7, 10, 12, tzinfo=dt.UTC)
HOURS = 18 * 24
START = dt.datetime(2025, 7, 2, 4, tzinfo=dt.UTC)
"""Local midnight of the first of 18 local days; today is the ninth."""


def members(count: int, materials: int | None = None) -> list[SiteWeather]:
    """Return sites on which every species has a host and every material group (or the first few) is used."""
    rng = np.random.default_rng(20250710)
    chosen = tuple(sorted(load_materials()))[:materials]
    plantings = _plantings()
    found = []
    for i in range(count):
        latitude, longitude = float(rng.uniform(38.0, 43.0)), float(rng.uniform(-78.0, -72.0))
        site = Site(
            id=f"site-{i}",
            name=f"Invented garden {i}",
            latitude_deg=latitude,
            longitude_deg=longitude,
            zone=ZONE,
            elevation_m=float(rng.uniform(0.0, 500.0)),
            plantings=plantings,
            materials=chosen,
        )
        table = _table(rng, i)
        weather = HourlyWeather(
            cell_of(latitude, longitude), "invented", NOW, NOW, table, attribution="invented"
        )
        found.append(SiteWeather(site, weather, _season(rng, site)))
    return found


def _season(rng: np.random.Generator, site: Site) -> SeasonState:
    """Return a season that ends the day before the table begins, so that all of it is new."""
    usual = {
        "temperature_min_c": 16.0, "temperature_max_c": 28.0, "temperature_mean_c": 22.0,
        "precipitation_mm": 1.0, "vapour_pressure_deficit_max_kpa": 2.0, "humidity_mean_pct": 60.0,
        "humidity_afternoon_pct": 45.0, "humid_hours": 2.0, "wind_max_m_s": 5.0,
        "precipitation_known_mm": 1.0, "humidity_afternoon_most_pct": 45.0, "evapotranspiration_mm": 5.0,
        "twospotted_heat_c_d": 10.0,
    }  # fmt: skip
    first = (START - dt.timedelta(hours=4)).date()
    history = tuple(tuple(usual[name] for name in HISTORY_COLUMNS) for _ in range(HISTORY_DAYS))
    return SeasonState(
        site_id=site.id,
        day=first - dt.timedelta(days=1),
        made_at=START,
        species={
            key: SpeciesSeason(
                degree_days_c_d=float(rng.uniform(600.0, 900.0)),
                generations=3.0,
                phase=int(SeasonPhase.ACTIVE),
                growth=(0.1,) * HISTORY_DAYS,
                stages=tuple(settled(key).tolist()),
            )
            for key in load_species()
        },
        depletion_mm={planting.id: float(rng.uniform(0.0, 20.0)) for planting in site.plantings},
        history=history,
    )


def _plantings() -> tuple[Planting, ...]:
    """Return one planting of the best host of each species, watered differently."""
    ways = tuple(Irrigation)
    hosts: list[str] = []
    for species in load_species().values():
        best = max(species.hosts, key=lambda host: float(species.hosts[host]))
        if best not in hosts:
            hosts.append(best)
    return tuple(Planting(f"planting-{i}", host, irrigation=ways[i % 4]) for i, host in enumerate(hosts))


def _table(rng: np.random.Generator, i: int) -> pd.DataFrame:
    clock = (np.arange(HOURS) - 4 + 4) % 24
    day = np.repeat(np.arange(HOURS // 24), 24)
    wave = np.cos((clock - 15.0) / 24.0 * 2.0 * np.pi)
    mean = rng.uniform(18.0, 27.0) + np.cumsum(rng.normal(0.0, 1.2, HOURS // 24))[day]
    temperature = mean + rng.uniform(4.0, 8.0) * wave + rng.normal(0.0, 0.5, HOURS)
    humidity = np.clip(rng.uniform(50.0, 75.0) - 22.0 * wave + rng.normal(0.0, 4.0, HOURS), 15.0, 100.0)
    wind = np.abs(rng.uniform(1.5, 3.5) + 1.2 * wave + rng.normal(0.0, 0.6, HOURS))
    wet = rng.random(HOURS // 24)[day] < 0.25
    rain = np.where(wet & (rng.random(HOURS) < 0.3), np.round(rng.gamma(0.8, 2.0, HOURS), 1), 0.0)
    values = {
        "air_temperature_c": np.round(temperature, 1),
        "relative_humidity_pct": np.round(humidity),
        "dew_point_c": np.round(temperature - (100.0 - humidity) / 5.0, 1),
        "wind_speed_m_s": np.round(wind, 1),
        "wind_gust_m_s": np.round(wind * rng.uniform(1.2, 2.2, HOURS), 1),
        "wind_direction_deg": np.round(rng.uniform(0.0, 360.0, HOURS)),
        "precipitation_mm": rain,
        "precipitation_probability_pct": np.where(wet, np.round(rng.uniform(20.0, 90.0, HOURS)), 5.0),
        "cloud_cover_pct": np.where(wet, 95.0, np.round(rng.uniform(0.0, 80.0, HOURS))),
        "shortwave_w_m2": np.round(np.clip(800.0 * np.cos((clock - 12.5) / 15.0 * np.pi), 0.0, None)),
        "pressure_hpa": np.round(rng.uniform(980.0, 1015.0) + rng.normal(0.0, 1.0, HOURS), 1),
    }
    index = pd.date_range(START, periods=HOURS, freq="h", tz="UTC", name="start_at", unit="s")
    table = pd.DataFrame({name: values[name] for name in COLUMNS}, index=index)
    if i % 10 == 0:  # a gap now and then
        table.iloc[300:303, :4] = np.nan
    table["forecast"] = index >= pd.Timestamp(NOW)
    table["coarse"] = False
    return table
