"""Truth through the replay server and each provider comes back as the same values."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator

import numpy as np
import pandas as pd
import pytest
import requests

from alertd.errors import WeatherRefused
from alertd.records.weather import COLUMNS, HourlyWeather, cell_of, empty_table
from alertd.weather.failover import Forecasts, Provider
from alertd.weather.hours import Reason
from alertd.weather.metno import MetNo, MetNoSettings
from alertd.weather.nws import Nws, NwsSettings
from alertd.weather.openmeteo import OpenMeteo, OpenMeteoSettings
from alertd.weather.replay import Fault, ReplayServer, Trouble
from alertd.weather.replay_truth import ForecastError, Truth
from tests.weather import nyc
from tests.weather.documents import QUIET

pytestmark = pytest.mark.enable_socket

SPRING = dt.datetime(2026, 4, 1, tzinfo=dt.UTC)
PLACE = cell_of(35.0, -80.0)
ROUNDING = {
    "air_temperature_c": 0.051,
    "relative_humidity_pct": 0.51,
    "dew_point_c": 0.051,
    "wind_speed_m_s": 0.051,
    "wind_gust_m_s": 0.051,
    "wind_direction_deg": 0.51,
    "precipitation_mm": 0.051,
    "precipitation_probability_pct": 0.51,
    "cloud_cover_pct": 0.51,
    "shortwave_w_m2": 0.051,
    "pressure_hpa": 0.15,
}


class Clock:
    def __init__(self, at: dt.datetime) -> None:
        self.at = at

    def __call__(self) -> dt.datetime:
        return self.at


def full_truth(days: int = 40) -> pd.DataFrame:
    """Return invented weather that knows every column."""
    hours = days * 24
    draw = np.random.default_rng(7)
    sun = np.maximum(np.sin((np.arange(hours) % 24 - 6) / 12 * np.pi), 0.0)
    table = empty_table(SPRING, hours)
    table["air_temperature_c"] = np.round(15 + 8 * sun + draw.normal(0, 0.5, hours), 2)
    table["dew_point_c"] = np.round(8 + draw.normal(0, 0.5, hours), 2)
    table["relative_humidity_pct"] = np.round(80 - 40 * sun, 1)
    table["wind_speed_m_s"] = np.round(2 + 3 * sun + draw.uniform(0, 1, hours), 2)
    table["wind_gust_m_s"] = table["wind_speed_m_s"] * 1.8
    table["wind_direction_deg"] = draw.integers(0, 361, hours).astype(float)
    table["precipitation_mm"] = np.where(
        draw.uniform(size=hours) < 0.1, draw.integers(1, 90, hours) / 10, 0.0
    )
    table["precipitation_probability_pct"] = draw.integers(0, 101, hours).astype(float)
    table["cloud_cover_pct"] = draw.integers(0, 101, hours).astype(float)
    table["shortwave_w_m2"] = np.round(800 * sun + draw.uniform(0, 1, hours) * sun, 1)
    table["pressure_hpa"] = np.round(990 + draw.normal(0, 2, hours), 1)
    return table


def providers(server: ReplayServer) -> dict[str, Provider]:
    return {
        "openmeteo": OpenMeteo(OpenMeteoSettings(base_url=server.openmeteo_url), QUIET),
        "nws": Nws(NwsSettings(base_url=server.nws_url), QUIET),
        "metno": MetNo(MetNoSettings(base_url=server.metno_url), QUIET),
    }


@pytest.fixture
def clock() -> Clock:
    return Clock(SPRING + dt.timedelta(days=10, hours=9, minutes=25))


@pytest.fixture
def server(clock: Clock) -> Iterator[ReplayServer]:
    with ReplayServer({PLACE: full_truth()}, clock, nordic=True, rain_block_h=1) as server:
        yield server


def differences(got: pd.DataFrame, truth: pd.DataFrame, column: str) -> pd.Series:
    known = got[column].dropna()
    return (known - truth[column].reindex(known.index)).abs()


@pytest.mark.parametrize("name", ["openmeteo", "nws", "metno"])
def test_every_value_that_comes_back_is_the_truth_of_its_hour(
    server: ReplayServer, clock: Clock, name: str
) -> None:
    truth = full_truth()
    weather = providers(server)[name].fetch(PLACE, clock.at)
    table = weather.table[~weather.table["coarse"]]
    assert weather.dropped == {}
    assert weather.provider == name
    for column in COLUMNS:
        off = differences(table, truth, column)
        assert (off <= ROUNDING[column]).all(), (column, off.max())


def test_each_provider_covers_the_hours_and_columns_it_documents(server: ReplayServer, clock: Clock) -> None:
    here = clock.at.replace(minute=0)
    tables = {name: provider.fetch(PLACE, clock.at).table for name, provider in providers(server).items()}
    openmeteo, nws, metno = tables["openmeteo"], tables["nws"], tables["metno"]
    assert openmeteo[list(COLUMNS)].iloc[1:-1].notna().all(axis=None)
    assert openmeteo.index[-1] == here.replace(hour=23) + dt.timedelta(days=15)
    assert nws.index[0] == here - dt.timedelta(hours=72)
    ahead = nws[nws["forecast"]]
    assert ahead.drop(columns=["shortwave_w_m2", "pressure_hpa"]).notna().all(axis=None)
    behind = nws[~nws["forecast"]].drop(
        columns=["shortwave_w_m2", "cloud_cover_pct", "precipitation_probability_pct"]
    )
    assert behind.notna().all(axis=None)
    assert metno.index[0] == here
    assert not metno["coarse"].iloc[:54].any()
    assert metno["coarse"].iloc[60:].all()
    assert metno["wind_gust_m_s"].iloc[:54].notna().all()


def test_six_hour_totals_of_the_nws_add_up_to_the_truth(clock: Clock) -> None:
    truth = full_truth()
    with ReplayServer({PLACE: truth}, clock) as server:
        weather = providers(server)["nws"].fetch(PLACE, clock.at)
    ahead = weather.table[weather.table["forecast"]]
    whole = ahead.loc[ahead.index[0].ceil("6h") :].iloc[: 24 * 6]
    blocks = whole["precipitation_mm"].resample("6h").sum()
    expected = truth["precipitation_mm"].reindex(whole.index).resample("6h").sum()
    assert expected.sum() > 10
    np.testing.assert_allclose(blocks, expected, atol=0.01)


def test_the_wide_steps_of_metno_keep_the_rain_and_leave_the_wind_unknown(
    server: ReplayServer, clock: Clock
) -> None:
    truth = full_truth()
    table = providers(server)["metno"].fetch(PLACE, clock.at).table
    wide = table[table["coarse"]].iloc[:-1]
    assert wide["wind_speed_m_s"].isna().all()
    blocks = wide["precipitation_mm"].resample("6h").sum()
    expected = truth["precipitation_mm"].reindex(wide.index).resample("6h").sum()
    np.testing.assert_allclose(blocks, expected, atol=0.051)
    snapshots = wide["air_temperature_c"].iloc[::6]
    np.testing.assert_allclose(snapshots, truth["air_temperature_c"].reindex(snapshots.index), atol=0.051)


def test_metno_answers_304_within_the_hour_after_expiry(server: ReplayServer, clock: Clock) -> None:
    provider = providers(server)["metno"]
    clock.at = clock.at.replace(minute=2)
    first = provider.fetch(PLACE, clock.at)
    clock.at = clock.at.replace(minute=20)
    provider.fetch(PLACE, clock.at)
    assert server.counts["metno"] == 1
    clock.at = clock.at.replace(minute=50)
    again = provider.fetch(PLACE, clock.at)
    assert server.counts["metno"] == 2
    assert "if-modified-since" in server.asked[-1].headers
    assert again.table.equals(first.table)
    assert again.fetched_at > first.fetched_at


def test_unnamed_programs_are_blocked_as_the_providers_do(server: ReplayServer) -> None:
    reply = requests.get(f"{server.nws_url}/points/35,-80", timeout=5, headers={"User-Agent": ""})
    assert reply.status_code == 403
    assert "Access Denied" in reply.text


def test_unknown_places_and_names_are_refused_in_the_documented_way(
    server: ReplayServer, clock: Clock
) -> None:
    for provider in providers(server).values():
        with pytest.raises(WeatherRefused):
            provider.fetch(cell_of(10.0, 10.0), clock.at)
    query = "latitude=35&longitude=-80&timeformat=unixtime&wind_speed_unit=ms&hourly=x"
    reply = requests.get(f"{server.openmeteo_url}/v1/forecast?{query}", timeout=5)
    assert reply.status_code == 400
    assert "Cannot initialize" in reply.json()["reason"]


def test_a_fault_lasts_as_often_as_asked_and_heals(server: ReplayServer, clock: Clock) -> None:
    provider = providers(server)["openmeteo"]
    server.inject("openmeteo", Fault(Trouble.STATUS, status=403), times=2)
    for _ in range(2):
        with pytest.raises(WeatherRefused):
            provider.fetch(PLACE, clock.at)
    provider.fetch(PLACE, clock.at)
    server.inject("openmeteo", Fault(Trouble.STATUS, status=403))
    server.heal("openmeteo")
    clock.at += dt.timedelta(hours=2)
    provider.fetch(PLACE, clock.at)


def test_the_forecast_error_grows_with_lead_time_and_repeats_with_its_seed() -> None:
    truth = full_truth(120)
    error = ForecastError(seed=5, temperature_c=1.0)
    one, two = Truth(PLACE, truth, error), Truth(PLACE, truth, error)
    start_s = int(SPRING.timestamp())
    off: dict[int, list[float]] = {1: [], 5: []}
    for issue in range(300):
        now_s = start_s + issue * 6 * 3600
        values = one.values("air_temperature_c", now_s, 24 * 7, now_s)
        assert np.array_equal(values, two.values("air_temperature_c", now_s, 24 * 7, now_s), equal_nan=True)
        exact = truth["air_temperature_c"].to_numpy()[issue * 6 : issue * 6 + 24 * 7]
        assert values[0] == exact[0]
        for day, found in off.items():
            found.append(values[day * 24] - exact[day * 24])
    assert np.std(off[1]) == pytest.approx(1.0, abs=0.15)
    assert np.std(off[5]) == pytest.approx(np.sqrt(5.0), abs=0.3)


def test_the_past_of_a_replay_with_error_is_the_truth(clock: Clock) -> None:
    truth = full_truth()
    with ReplayServer({PLACE: truth}, clock, error=ForecastError(seed=1)) as server:
        table = providers(server)["openmeteo"].fetch(PLACE, clock.at).table
    past, ahead = table[~table["forecast"]], table[table["forecast"]]
    assert (differences(past, truth, "air_temperature_c") <= 0.051).all()
    assert differences(ahead, truth, "air_temperature_c").max() > 0.3


def test_an_empty_truth_is_refused() -> None:
    with pytest.raises(ValueError, match="no hours"):
        Truth(PLACE, full_truth().iloc[:0])


@pytest.mark.parametrize("name", ["openmeteo", "nws", "metno"])
def test_new_york_2013_comes_back_and_its_wind_fault_does_not(name: str) -> None:
    truths = nyc.truths()
    clock = Clock(nyc.FAULT_AT - dt.timedelta(hours=20))
    cell = nyc.cell(nyc.FAULT_ORIGIN)
    assert truths[cell].at[nyc.FAULT_AT, "wind_speed_m_s"] == pytest.approx(468.7, abs=0.1)
    with ReplayServer(truths, clock) as server:
        weather = providers(server)[name].fetch(cell, clock.at)
    assert np.isnan(weather.table.at[nyc.FAULT_AT, "wind_speed_m_s"])
    assert weather.dropped == {Reason.OUT_OF_RANGE: 1}
    fine = weather.table[~weather.table["coarse"]]
    assert fine.at[nyc.FAULT_AT - dt.timedelta(hours=1), "wind_speed_m_s"] > 0
    for column in ("air_temperature_c", "dew_point_c", "relative_humidity_pct", "wind_speed_m_s"):
        off = differences(fine, truths[cell], column)
        assert len(off) >= 50
        assert (off <= ROUNDING[column]).all(), (column, off.max())
    for column in ("cloud_cover_pct", "shortwave_w_m2", "precipitation_probability_pct"):
        assert weather.table[column].isna().all()


def test_the_whole_of_2013_loses_two_hours_of_real_faults_and_nothing_else(
    capsys: pytest.CaptureFixture[str],
) -> None:
    truths = nyc.truths()
    clock = Clock(nyc.START_AT)
    totals: Counter[str] = Counter()
    seen: dict[str, set[dt.datetime]] = {column: set() for column in ("wind_speed_m_s", "air_temperature_c")}
    with ReplayServer(truths, clock) as server:
        provider = OpenMeteo(
            OpenMeteoSettings(base_url=server.openmeteo_url, past_days=14, forecast_days=8), QUIET
        )
        for day in range(14, 365, 15):
            clock.at = nyc.START_AT + dt.timedelta(days=day)
            for cell, truth in truths.items():
                weather = provider.fetch(cell, clock.at)
                totals.update(weather.dropped)
                for column, hours in seen.items():
                    got, exact = (
                        weather.table[column].iloc[1:],
                        truth[column].reindex(weather.table.index[1:]),
                    )
                    hours.update((got.isna() & exact.notna()).pipe(lambda lost: lost[lost].index))
    with capsys.disabled():
        print(f"\n2013 at EWR, JFK, LGA through quality control: dropped {dict(totals)}")
    assert seen["wind_speed_m_s"] == {pd.Timestamp(nyc.FAULT_AT)}
    assert seen["air_temperature_c"] == {pd.Timestamp("2013-05-09 02:00", tz="UTC")}


def test_many_cells_at_once_get_their_own_weather_and_one_request_each() -> None:
    truths = {cell_of(35.0 + row / 5, -80.0): full_truth() for row in range(8)}
    for row, table in enumerate(truths.values()):
        table["air_temperature_c"] += row
    now = SPRING + dt.timedelta(days=10, hours=9, minutes=25)
    with ReplayServer(truths, lambda: now) as server:
        forecasts = Forecasts([providers(server)["openmeteo"]])
        found = forecasts.fetch_all([*truths, *truths], now, workers=4)
        assert server.counts["openmeteo"] == 8
    for row, cell in enumerate(truths):
        weather = found[cell.key]
        assert isinstance(weather, HourlyWeather)
        expected = full_truth()["air_temperature_c"].iloc[24 * 10] + row
        assert weather.table.at[SPRING + dt.timedelta(days=10), "air_temperature_c"] == pytest.approx(
            expected, abs=0.06
        )
