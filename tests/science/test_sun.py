"""The sun against ephem, Skyfield values and the NREL example."""

from __future__ import annotations

import datetime as dt
import itertools

import ephem
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.science import sun

UTC = dt.UTC
PLACES = {
    "dallas": (32.7767, -96.797),
    "phoenix": (33.4484, -112.074),
    "new york": (40.7128, -74.006),
    "london": (51.5074, -0.1278),
    "anchorage": (61.2181, -149.9003),
}


def _observer(latitude: float, longitude: float, at: dt.datetime) -> ephem.Observer:
    observer = ephem.Observer()
    observer.lat, observer.lon, observer.pressure = str(latitude), str(longitude), 0
    observer.date = at.astimezone(UTC).replace(tzinfo=None)
    return observer


def test_altitude_is_within_a_hundredth_of_a_degree_of_ephem_over_the_globe() -> None:
    start = dt.datetime(2013, 1, 3, 1, 30, tzinfo=UTC)
    instants = [start + dt.timedelta(hours=1001.7 * step) for step in range(60)]
    worst = 0.0
    for latitude, longitude in itertools.product((-65, -33, 0, 20, 41, 60, 80), (-170, -75, 0, 100)):
        ours = sun.altitude(latitude, longitude, instants)
        for at, degrees in zip(instants, ours, strict=True):
            theirs = np.degrees(float(ephem.Sun(_observer(latitude, longitude, at)).alt))
            worst = max(worst, abs(theirs - degrees))
    assert worst < 0.01


@pytest.mark.parametrize(
    ("place", "at", "degrees"),
    # Geometric altitudes by pvlib 0.16 (SPA), 2025, local daylight time written as UTC.
    [
        ("dallas", dt.datetime(2025, 7, 15, 18, tzinfo=UTC), 76.436),
        ("new york", dt.datetime(2025, 7, 15, 17, tzinfo=UTC), 70.682),
        ("new york", dt.datetime(2025, 12, 15, 17, tzinfo=UTC), 25.952),
        ("phoenix", dt.datetime(2025, 7, 15, 13, 30, tzinfo=UTC), 10.755),
        ("london", dt.datetime(2025, 7, 15, 17, tzinfo=UTC), 26.841),
        ("anchorage", dt.datetime(2025, 12, 15, 21, tzinfo=UTC), 4.742),
    ],
)
def test_altitude_agrees_with_spa(place: str, at: dt.datetime, degrees: float) -> None:
    assert sun.altitude(*PLACES[place], at) == pytest.approx(degrees, abs=0.01)


def test_altitude_is_that_of_the_nrel_worked_example() -> None:
    # Reda and Andreas, Solar position algorithm, NREL/TP-560-34302: zenith 50.11162 with refraction, about
    # 0.0168 degrees at 820 hPa and 11 degC (the refraction from memory).
    at = dt.datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC)
    assert sun.altitude(39.742476, -105.1786, at) + 0.0168 == pytest.approx(90.0 - 50.11162, abs=0.01)


def _hms(day: dt.date, clock: str, zone_h: int, plus_days: int = 0) -> dt.datetime:
    hour, minute, second = (int(part) for part in clock.split(":"))
    local = dt.datetime(day.year, day.month, day.day, hour, minute, second, tzinfo=UTC)
    return local + dt.timedelta(days=plus_days) - dt.timedelta(hours=zone_h)


@pytest.mark.parametrize(
    ("place", "day", "zone_h", "rise", "sets"),
    # Skyfield 1.55 with DE421; local clock times.
    [
        ("dallas", dt.date(2025, 6, 21), -5, "06:19:42", "20:38:29"),
        ("dallas", dt.date(2025, 9, 15), -5, "07:11:05", "19:32:49"),
        ("phoenix", dt.date(2025, 9, 15), -7, "06:12:00", "18:34:04"),
        ("new york", dt.date(2025, 6, 21), -4, "05:25:03", "20:30:46"),
        ("new york", dt.date(2025, 9, 15), -4, "06:36:59", "19:04:27"),
        ("london", dt.date(2025, 9, 15), 1, "06:35:39", "19:14:34"),
        ("anchorage", dt.date(2025, 6, 21), -8, "04:20:19", "23:42:42"),
        ("anchorage", dt.date(2025, 9, 15), -8, "07:27:34", "20:20:02"),
    ],
)
def test_sunrise_and_sunset_of_the_local_day_are_within_15_s_of_skyfield(
    place: str, day: dt.date, zone_h: int, rise: str, sets: str
) -> None:
    ours = sun.sunrise_sunset(*PLACES[place], day)
    assert ours[0] is not None
    assert ours[1] is not None
    assert abs((ours[0] - _hms(day, rise, zone_h)).total_seconds()) < 15.0
    assert abs((ours[1] - _hms(day, sets, zone_h)).total_seconds()) < 15.0


def test_sunset_is_that_of_the_evening_asked_for_and_not_of_the_utc_day() -> None:
    # The NREL example by UTC day gives 17:20:19 MST, the evening before; Skyfield for 17 October: 17:18:51.
    _, sets = sun.sunrise_sunset(39.742476, -105.1786, dt.date(2003, 10, 17))
    assert sets is not None
    assert abs((sets - dt.datetime(2003, 10, 18, 0, 18, 51, tzinfo=UTC)).total_seconds()) < 15.0


def test_rise_and_set_are_within_60_s_of_ephem_over_the_globe() -> None:
    compared = 0
    for latitude, longitude, month in itertools.product((-60, -35, 0, 45, 62), (-150, 10, 170), range(1, 13)):
        day = dt.date(2026, month, 21)
        ours = sun.sunrise_sunset(float(latitude), float(longitude), day)
        noon = dt.datetime(2026, month, 21, 12, tzinfo=UTC) - dt.timedelta(hours=longitude / 15.0)
        observer = _observer(latitude, longitude, noon)
        observer.horizon = "-0:34"
        theirs = (observer.previous_rising(ephem.Sun()), observer.next_setting(ephem.Sun()))
        for mine, other in zip(ours, theirs, strict=True):
            assert mine is not None
            assert abs((mine - other.datetime().replace(tzinfo=UTC)).total_seconds()) < 60.0
            compared += 1
    assert compared == 360


def test_the_polar_day_and_night_have_neither_rise_nor_set() -> None:
    assert sun.sunrise_sunset(78.2, 15.6, dt.date(2025, 6, 21)) == (None, None)
    assert sun.sunrise_sunset(78.2, 15.6, dt.date(2025, 12, 21)) == (None, None)
    assert sun.sunrise_sunset(90.0, 0.0, dt.date(2025, 12, 21)) == (None, None)


def test_arrays_of_places_and_days_give_arrays_with_not_a_time_at_the_poles() -> None:
    days = np.array(["2025-06-21", "2025-09-15"], dtype="datetime64[D]")
    rise, sets = sun.sunrise_sunset(np.array([[32.7767], [85.0]]), np.array([[-96.797], [0.0]]), days)
    assert rise.shape == sets.shape == (2, 2)
    assert rise.dtype == np.dtype("datetime64[s]")
    one, _ = sun.sunrise_sunset(32.7767, -96.797, dt.date(2025, 9, 15))
    assert one is not None
    assert rise[0, 1] == np.datetime64(one.replace(tzinfo=None), "s")
    assert np.isnat(rise[1, 0])
    assert np.isnat(sets[1, 0])


def test_day_length_is_within_two_minutes_of_ephem() -> None:
    for latitude, (month, day) in itertools.product((-45, 0, 30, 52), ((1, 15), (3, 20), (6, 21), (10, 5))):
        date = dt.date(2026, month, day)
        observer = _observer(latitude, 0, dt.datetime(2026, month, day, 12, tzinfo=UTC))
        for twilight, horizon, centre in (("none", "-0:34", False), ("civil", "-6", True)):
            observer.horizon = horizon
            rise = observer.previous_rising(ephem.Sun(), use_center=centre)
            sets = observer.next_setting(ephem.Sun(), use_center=centre)
            ours = sun.day_length(latitude, date.timetuple().tm_yday, twilight)
            assert ours == pytest.approx((sets - rise) * 24.0, abs=2.0 / 60.0)


def test_day_length_has_its_bounds_and_missing_stays_missing() -> None:
    assert sun.day_length([80.0, -80.0, 89.9], 172).tolist() == [24.0, 0.0, 24.0]
    assert np.isnan(sun.day_length(40.0, [float("nan"), 100.0])).tolist() == [True, False]
    assert sun.day_length(np.zeros((3, 1)), np.arange(1, 366)).shape == (3, 365)


def test_what_is_no_instant_or_date_is_refused() -> None:
    with pytest.raises(ValueError, match="aware"):
        sun.altitude(0.0, 0.0, dt.datetime(2025, 1, 1))  # noqa: DTZ001  # that is the point
    with pytest.raises(ValueError, match="instant"):
        sun.altitude(0.0, 0.0, 3.0)
    with pytest.raises(ValueError, match="day"):
        sun.sunrise_sunset(0.0, 0.0, dt.datetime(2025, 1, 1, tzinfo=UTC))
    with pytest.raises(ValueError, match="twilight"):
        sun.day_length(0.0, 1, "nautical")  # type: ignore[arg-type]  # that is the point


def test_instants_broadcast_against_sites_and_a_missing_instant_stays_missing() -> None:
    hours = np.array(["2025-07-15T18", "NaT"], dtype="datetime64[s]")
    grid = sun.altitude(np.array([[32.7767], [40.7128]]), np.array([[-96.797], [-74.006]]), hours)
    assert grid.shape == (2, 2)
    assert grid[0, 0] == pytest.approx(76.436, abs=0.01)
    assert np.isnan(grid[:, 1]).all()


@given(st.floats(-66.0, 66.0), st.floats(-180.0, 180.0), st.dates(dt.date(1990, 1, 1), dt.date(2049, 1, 1)))
def test_at_rise_and_set_the_sun_stands_on_the_seen_horizon(
    latitude: float, longitude: float, day: dt.date
) -> None:
    rise, sets = sun.sunrise_sunset(latitude, longitude, day)
    if rise is None or sets is None:
        assert abs(latitude) > 65.0
        return
    assert dt.timedelta(0) < sets - rise < dt.timedelta(days=1)
    for at in (rise, sets):
        assert sun.altitude(latitude, longitude, at) == pytest.approx(-0.835, abs=0.02)
    middle = rise + (sets - rise) / 2
    assert (middle + dt.timedelta(hours=longitude / 15.0)).date() == day


@given(st.floats(-65.0, 65.0), st.integers(1, 365))
def test_civil_twilight_lengthens_the_day(latitude: float, day: int) -> None:
    plain, civil = sun.day_length(latitude, day), sun.day_length(latitude, day, "civil")
    assert 0.0 <= plain < civil <= 24.0
