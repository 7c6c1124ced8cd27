from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from alertd.assess.batch import Batch
from alertd.assess.daily import Daily, fold
from alertd.records.site import Site
from tests.assess.skies import HOT, SITE, Sky, Watch, at, truth_of

FIRST = dt.date(2025, 6, 1)


def folded(watch: Watch, now: dt.datetime) -> tuple[Batch, Daily]:
    batch = watch.batch(now)
    return batch, fold(batch, 90.0)


def test_a_day_with_one_unknown_hour_of_rain_is_not_dry_but_keeps_what_is_known() -> None:
    truth = truth_of(FIRST, [Sky(rain_mm=6.0)] * 20)
    truth.loc[truth.index[24 * 9 + 4], "precipitation_mm"] = np.nan
    batch, daily = folded(Watch(truth), at(dt.date(2025, 6, 11)))
    day = batch.local.days.index(dt.date(2025, 6, 10))
    assert np.isnan(daily.precipitation_mm[0, day])
    assert daily.precipitation_known_mm[0, day] == pytest.approx(6.0)
    assert daily.precipitation_mm[0, day - 1] == pytest.approx(6.0)


def test_unknown_humidity_counts_as_moist_where_dry_air_would_decide() -> None:
    truth = truth_of(FIRST, [HOT] * 20)
    hours = truth.index[24 * 9 + 12 : 24 * 9 + 14]  # two afternoon hours of 10 June
    truth.loc[hours, ["relative_humidity_pct", "dew_point_c"]] = np.nan
    batch, daily = folded(Watch(truth), at(dt.date(2025, 6, 11)))
    day = batch.local.days.index(dt.date(2025, 6, 10))
    known = daily.humidity_afternoon_pct[0, day]
    assert daily.humidity_afternoon_most_pct[0, day] == pytest.approx((4 * known + 200.0) / 6.0)
    assert daily.humid_hours[0, day] == daily.humid_hours[0, day - 1] + 2


@pytest.mark.parametrize(
    ("change", "hours"), [(dt.date(2025, 3, 9), 23), (dt.date(2025, 11, 2), 25)], ids=["spring", "autumn"]
)
def test_the_days_of_a_clock_change_have_23_and_25_hours(change: dt.date, hours: int) -> None:
    """Change-over days of the United States: second Sunday of March, first of November."""
    truth = truth_of(change - dt.timedelta(days=8), [HOT] * 20)
    truth["precipitation_mm"] = 1.0
    batch, daily = folded(Watch(truth), at(change + dt.timedelta(days=1)))
    day = batch.local.days.index(change)
    assert daily.precipitation_mm[0, day] == hours
    assert daily.precipitation_mm[0, day + 1] == 24
    assert daily.temperature_max_c[0, day] == pytest.approx(35.0)


def test_in_a_half_hour_zone_the_hour_across_midnight_belongs_to_the_new_day() -> None:
    site = Site("s1", "Invented Ghat", 19.0, 73.0, "Asia/Kolkata")
    truth = truth_of(FIRST, [HOT] * 20, "Asia/Kolkata")
    truth["precipitation_mm"] = 0.0
    across = dt.datetime(2025, 6, 9, 18, tzinfo=dt.UTC)  # 23:30 to 00:30 local
    truth.loc[across, "precipitation_mm"] = 7.0
    batch, daily = folded(Watch(truth, [site]), at(dt.date(2025, 6, 12), 6, "Asia/Kolkata"))
    assert daily.precipitation_mm[0, batch.local.days.index(dt.date(2025, 6, 10))] == 7.0
    assert daily.precipitation_mm[0, batch.local.days.index(dt.date(2025, 6, 9))] == 0.0
    assert batch.local.complete.all()


def test_evapotranspiration_of_hourly_weather_agrees_with_fao56_example_18() -> None:
    """Allen et al. 1998, FAO-56, Example 18: Uccle, 6 July, 21.5/12.3 degC, 3.88 mm/d."""
    site = Site("s1", "Invented Uccle", 50.8, 4.35, "UTC", 100.0)
    truth = truth_of(dt.date(2025, 6, 28), [Sky(12.3, 21.5)] * 20, "UTC")
    vapour_kpa = 1.409
    log = np.log(vapour_kpa / 0.6108)
    truth["dew_point_c"] = 237.3 * log / (17.27 - log)  # FAO-56 eq. 11 turned round
    truth["wind_speed_m_s"] = 10.0 / 3.6  # 10 km/h at 10 m
    truth["shortwave_w_m2"] = 22.07e6 / 86400.0  # 22.07 MJ m-2 d-1
    batch, daily = folded(Watch(truth, [site]), at(dt.date(2025, 7, 7), 6, "UTC"))
    day = batch.local.days.index(dt.date(2025, 7, 6))
    assert daily.evapotranspiration_mm[0, day] == pytest.approx(3.88, abs=0.05)


def test_without_humidity_wind_and_sun_evapotranspiration_falls_back_to_hargreaves() -> None:
    """Allen et al. 1998, FAO-56, Example 20: Lyon, July, 26.6/14.8 degC, 5.0 mm/d by eq. 52."""
    site = Site("s1", "Invented Lyon", 45.0 + 43.0 / 60.0, 4.85, "UTC", 200.0)
    truth = truth_of(dt.date(2025, 7, 8), [Sky(14.8, 26.6)] * 20, "UTC")
    blank = ["relative_humidity_pct", "dew_point_c", "wind_speed_m_s", "shortwave_w_m2", "cloud_cover_pct"]
    truth[blank] = np.nan
    batch, daily = folded(Watch(truth, [site]), at(dt.date(2025, 7, 16), 6, "UTC"))
    day = batch.local.days.index(dt.date(2025, 7, 15))
    assert daily.evapotranspiration_mm[0, day] == pytest.approx(5.0, abs=0.05)


@pytest.mark.parametrize("latitude_deg", [-89.0, -70.0, 70.0, 89.0])
@pytest.mark.parametrize("month", [6, 12])
def test_polar_day_and_polar_night_give_finite_evapotranspiration(latitude_deg: float, month: int) -> None:
    site = Site("s1", "Invented Station", latitude_deg, 0.0, "UTC", 10.0)
    first = dt.date(2025, month, 10)
    watch = Watch(truth_of(first, [Sky(-12.0, -3.0, -14.0)] * 20, "UTC"), [site])
    _, daily = folded(watch, at(first + dt.timedelta(days=9), 6, "UTC"))
    known = daily.evapotranspiration_mm[~np.isnan(daily.temperature_min_c)]
    assert known.size > 0
    assert ((known >= 0.0) & (known < 10.0)).all()


def test_a_finished_day_is_settled_only_when_observed_with_its_rain() -> None:
    truth = truth_of(FIRST, [HOT] * 20)
    truth.loc[truth.index[24 * 8 + 3], "precipitation_mm"] = np.nan  # 9 June
    batch, daily = folded(Watch(truth), at(dt.date(2025, 6, 11)))
    told = dict(zip(batch.local.days, daily.settled[0].tolist(), strict=True))
    assert told[dt.date(2025, 6, 8)]
    assert not told[dt.date(2025, 6, 9)]
    assert told[dt.date(2025, 6, 10)]
    assert not told[dt.date(2025, 6, 11)], "today is partly a forecast"


def test_the_known_hours_of_a_site_stay_its_own() -> None:
    near, far = SITE, Site("s2", "Other", 41.0, -75.0, SITE.zone, 50.0)
    truth = truth_of(FIRST, [HOT] * 20)
    alone = fold(Watch(truth, [near]).batch(at(dt.date(2025, 6, 11))), 90.0)
    both = fold(Watch(truth, [far, near]).batch(at(dt.date(2025, 6, 11))), 90.0)
    assert np.array_equal(both.evapotranspiration_mm[1], alone.evapotranspiration_mm[0], equal_nan=True)
