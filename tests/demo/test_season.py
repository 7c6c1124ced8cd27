"""The invented season: the same every time, possible, and with the spells that the story tells."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from alertd.catalog.materials import load_materials
from alertd.demo.scenario import DemoSite, load_scenario
from alertd.demo.season import season
from alertd.records.site import Site
from alertd.science.degree_days import hourly

SCENARIO = load_scenario()
SITES = pytest.mark.parametrize("site", SCENARIO.sites, ids=lambda site: site.name)


def year(site: DemoSite) -> pd.DataFrame:
    return season(site, SCENARIO.first_day, SCENARIO.last_day, SCENARIO.seed)


@SITES
def test_the_season_is_the_same_every_time(site: DemoSite) -> None:
    pd.testing.assert_frame_equal(year(site), year(site))


@SITES
def test_another_seed_gives_another_season(site: DemoSite) -> None:
    other = season(site, SCENARIO.first_day, SCENARIO.last_day, SCENARIO.seed + 1)
    assert not np.allclose(other["air_temperature_c"], year(site)["air_temperature_c"])


@SITES
def test_every_value_is_known_and_possible(site: DemoSite) -> None:
    table = year(site).drop(columns=["forecast", "coarse"])
    assert not table.isna().to_numpy().any()
    assert table["air_temperature_c"].between(-30.0, 48.0).all()
    assert table["relative_humidity_pct"].between(3.0, 100.0).all()
    assert (table["dew_point_c"] <= table["air_temperature_c"]).all()
    assert (table["wind_gust_m_s"] >= table["wind_speed_m_s"]).all()
    assert table["precipitation_mm"].between(0.0, 80.0).all()
    assert table["shortwave_w_m2"].between(0.0, 1350.0).all()


@SITES
def test_a_written_spell_is_dry(site: DemoSite) -> None:
    table = year(site)
    for spell in site.weather.spells:
        inside = table.loc[f"{spell.first_day} 12:00" : f"{spell.last_day} 12:00"]  # type: ignore[misc]  # text slices
        assert inside["precipitation_mm"].sum() == 0.0


def test_the_sites_differ_in_climate() -> None:
    heat = {site.name: hourly(year(site)["air_temperature_c"].to_numpy(), 10.0) for site in SCENARIO.sites}
    assert heat["Valley Office Park"] > 1.5 * heat["Cedar Ridge School"]


@SITES
def test_each_site_can_be_added_as_a_user_would(site: DemoSite) -> None:
    numbers = iter(range(100))
    record = site.site(lambda: f"id-{next(numbers)}")
    assert isinstance(record, Site)
    assert len(record.plantings) == len(site.plants)
    assert set(record.materials) <= set(load_materials())


def test_the_story_is_marked_as_invented_and_uses_reserved_domains() -> None:
    assert "(invented)" in SCENARIO.firm
    assert SCENARIO.subscriber_email.endswith(".example")
    assert SCENARIO.first_day < SCENARIO.last_day - dt.timedelta(days=80)
