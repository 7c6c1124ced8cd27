"""Reference evapotranspiration against the library eto (FAO-56, Apache-2.0) over invented weather."""

from __future__ import annotations

import numpy as np
import pytest
from eto import ETo
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.science import humidity, water

DAYS = np.arange(5, 366, 12)
HOURS = np.arange(24)
latitudes, heights = st.floats(-55.0, 60.0), st.floats(0.0, 2500.0)


def invented_days(seed: int, latitude_deg: float, height_m: float) -> dict[str, np.ndarray]:
    """Return days that could be: dew below the minimum, radiation below that of a clear sky."""
    draw = np.random.default_rng(seed)
    low = draw.uniform(-5.0, 25.0, DAYS.size)
    high = low + draw.uniform(4.0, 18.0, DAYS.size)
    above = water.extraterrestrial_radiation(latitude_deg, DAYS)
    clear = water.clear_sky_radiation(above, height_m)
    return {
        "T_min": low,
        "T_max": high,
        "e_a": humidity.saturation_vapour_pressure(low) * draw.uniform(0.4, 1.0, DAYS.size),
        "R_s": clear * draw.uniform(0.3, 1.0, DAYS.size),
        "U_z": draw.uniform(0.5, 6.0, DAYS.size),
    }


@settings(max_examples=40)
@given(seed=st.integers(0, 2**32 - 1), latitude_deg=latitudes, height_m=heights)
def test_the_daily_equation_agrees_to_a_hundredth_of_a_millimetre(
    seed: int, latitude_deg: float, height_m: float
) -> None:
    days = invented_days(seed, latitude_deg, height_m)
    library = ETo(days, "D", z_msl=height_m, lat=latitude_deg, day_of_year=DAYS)
    theirs = library.eto_fao(max_ETo=100.0, min_ETo=-100.0, decimals=6)
    ours = water.reference_evapotranspiration(
        days["T_min"], days["T_max"], days["e_a"], days["R_s"], days["U_z"], height_m, latitude_deg, DAYS
    )
    assert ours == pytest.approx(theirs, abs=0.01)


@settings(max_examples=40)
@given(seed=st.integers(0, 2**32 - 1), latitude_deg=latitudes)
def test_hargreaves_agrees_to_two_hundredths_of_a_millimetre(seed: int, latitude_deg: float) -> None:
    days = invented_days(seed, latitude_deg, 100.0)
    library = ETo(days, "D", z_msl=100.0, lat=latitude_deg, day_of_year=DAYS)
    theirs = library.eto_hargreaves(max_ETo=100.0, min_ETo=-100.0)
    assert water.hargreaves(days["T_min"], days["T_max"], latitude_deg, DAYS) == pytest.approx(
        theirs, abs=0.02
    )


@settings(max_examples=40)
@given(
    seed=st.integers(0, 2**32 - 1),
    latitude_deg=st.floats(-45.0, 45.0),
    longitude_deg=st.floats(-180.0, 180.0),
    height_m=heights,
    day=st.integers(1, 365),
)
def test_the_hourly_equation_agrees_to_five_thousandths_while_the_sun_is_up(
    seed: int, latitude_deg: float, longitude_deg: float, height_m: float, day: int
) -> None:
    draw = np.random.default_rng(seed)
    above = water.extraterrestrial_radiation_hourly(latitude_deg, longitude_deg, day, HOURS + 0.5)
    clear = water.clear_sky_radiation(above, height_m)
    hours = {
        "T_mean": draw.uniform(5.0, 38.0, 24),
        "RH_mean": draw.uniform(15.0, 95.0, 24),
        "R_s": clear * draw.uniform(0.35, 1.0, 24),
        "U_z": draw.uniform(0.5, 6.0, 24),
    }
    library = ETo(
        hours, "h", z_msl=height_m, lat=latitude_deg, lon=longitude_deg, TZ_lon=0.0,
        day_of_year=np.full(24, day), hour=HOURS, rs_rso_init=0.75,
    )  # fmt: skip
    theirs = library.eto_fao(max_ETo=100.0, min_ETo=-100.0, decimals=6)
    vapour = humidity.vapour_pressure(hours["T_mean"], hours["RH_mean"])
    ours = water.reference_evapotranspiration_hourly(
        hours["T_mean"], vapour, hours["R_s"], hours["U_z"], height_m, latitude_deg, longitude_deg, day,
        HOURS + 0.5, 0.75,
    )  # fmt: skip
    # The library carries the ratio of the last sunny hour through the night, ours is given one: hours with
    # the sun low are left out.
    up = above > 1.5
    assert ours[up] == pytest.approx(theirs[up], abs=0.005)
