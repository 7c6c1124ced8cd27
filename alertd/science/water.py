"""Water: what the air asks for, what the soil holds, when plants go short."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import FloatArray, floating
from alertd.science.evapotranspiration import (
    hargreaves,
    net_radiation,
    psychrometric_constant,
    reference_evapotranspiration,
    reference_evapotranspiration_hourly,
    slope_of_saturation,
    wind_at_2m,
)
from alertd.science.radiation import (
    clear_sky_radiation,
    extraterrestrial_radiation,
    extraterrestrial_radiation_hourly,
)

__all__ = [
    "clear_sky_radiation",
    "depletion_as_felt",
    "effective_rain",
    "extraterrestrial_radiation",
    "extraterrestrial_radiation_hourly",
    "hargreaves",
    "net_radiation",
    "psychrometric_constant",
    "readily_available_fraction",
    "readily_available_water",
    "reference_evapotranspiration",
    "reference_evapotranspiration_hourly",
    "root_zone_depletion",
    "root_zone_depletion_daily",
    "slope_of_saturation",
    "stress_coefficient",
    "total_available_water",
    "wind_at_2m",
]

# Rain credit of the Texas ET Network (Texas A&M): the first 0.1 in is lost, all up to 1 in and two
# thirds up to 2 in count, nothing above.
LADDER_LOST_MM, LADDER_FULL_MM, LADDER_PART_MM, LADDER_PART = 2.54, 25.4, 50.8, 2.0 / 3.0
NEGLIGIBLE_RAIN_SHARE = 0.2  # of reference evapotranspiration, FAO-56 p. 170


def effective_rain(
    precipitation_mm: npt.ArrayLike, reference_evapotranspiration_mm: npt.ArrayLike
) -> FloatArray:
    """Part of a day's rain that reaches the roots.

    Parameters
    ----------
    precipitation_mm : array_like
        Rain of the day; NaN where missing. [mm d-1]
    reference_evapotranspiration_mm : array_like
        Reference evapotranspiration of the day, broadcastable; NaN where missing. [mm d-1]

    Returns
    -------
    ndarray
        Broadcast shape, 0..39.8, never falling as the rain rises; NaN where missing. [mm d-1]

    Notes
    -----
    A ladder: the first 2.54 mm is lost, all up to 25.4 mm counts, two thirds of what falls up to
    50.8 mm, nothing above (it runs off). Rain below a fifth of the reference evapotranspiration counts
    for nothing, which only matters above 12.7 mm d-1.

    References
    ----------
    Texas A&M AgriLife Extension, Texas ET Network, effective rainfall (the ladder, in inches).
    FAO-56 (Allen et al. 1998), p. 170 (the fifth).

    Examples
    --------
    >>> effective_rain([2.5, 12.7, 38.1, 80.0], 5.0).round(1).tolist()
    [0.0, 10.2, 31.3, 39.8]
    """
    rain, demand = floating(precipitation_mm, reference_evapotranspiration_mm)
    full = np.clip(rain, LADDER_LOST_MM, LADDER_FULL_MM) - LADDER_LOST_MM
    part = LADDER_PART * (np.clip(rain, LADDER_FULL_MM, LADDER_PART_MM) - LADDER_FULL_MM)
    counted = np.where(rain < NEGLIGIBLE_RAIN_SHARE * demand, 0.0, full + part)
    return np.where(np.isnan(rain + demand), np.nan, counted).astype(rain.dtype)


def total_available_water(available_water_mm_m: npt.ArrayLike, root_depth_m: npt.ArrayLike) -> FloatArray:
    """Water that the root zone holds between field capacity and wilting point (FAO-56 eq. 82).

    Parameters
    ----------
    available_water_mm_m : array_like
        Available water of the soil. [mm m-1]
    root_depth_m : array_like
        Depth of the roots, broadcastable. [m]

    Returns
    -------
    ndarray
        Broadcast shape. [mm]
    """
    available, depth = floating(available_water_mm_m, root_depth_m)
    return available * depth


def readily_available_fraction(
    table_fraction: npt.ArrayLike, crop_evapotranspiration_mm: npt.ArrayLike
) -> FloatArray:
    r"""Share of the available water that a plant takes up without stress, at today's demand.

    Parameters
    ----------
    table_fraction : array_like
        The share at 5 mm d-1, as tabulated by plant. [1]
    crop_evapotranspiration_mm : array_like
        Evapotranspiration of the unstressed plant; NaN where missing. [mm d-1]

    Returns
    -------
    ndarray
        Broadcast shape, 0.1..0.8. [1]

    Notes
    -----
    .. math:: p = p_{table} + 0.04\,(5 - ET_c), \quad 0.1 \le p \le 0.8

    The small demand of ornamentals (2 to 4 mm d-1) raises the share.

    References
    ----------
    FAO-56 (Allen et al. 1998), p. 162 and Table 22 footnote.
    """
    table, demand = floating(table_fraction, crop_evapotranspiration_mm)
    return np.clip(table + 0.04 * (5.0 - demand), 0.1, 0.8)


def readily_available_water(total_mm: npt.ArrayLike, fraction: npt.ArrayLike) -> FloatArray:
    """Water taken up without stress (FAO-56 eq. 83).

    Parameters
    ----------
    total_mm : array_like
        Total available water. [mm]
    fraction : array_like
        Share taken up without stress, see `readily_available_fraction`. [1]

    Returns
    -------
    ndarray
        Broadcast shape. [mm]
    """
    total, share = floating(total_mm, fraction)
    return total * share


def stress_coefficient(
    depletion_mm: npt.ArrayLike, total_mm: npt.ArrayLike, readily_mm: npt.ArrayLike
) -> FloatArray:
    r"""Factor by which short water lowers transpiration.

    Parameters
    ----------
    depletion_mm : array_like
        Water missing from the root zone at the start of the day; NaN where unknown. [mm]
    total_mm, readily_mm : array_like
        Total and readily available water, broadcastable, readily below total. [mm]

    Returns
    -------
    ndarray
        Broadcast shape: 1 without stress, 0 at the wilting point; NaN where unknown. [1]

    Notes
    -----
    .. math:: K_s = \frac{TAW - D_r}{TAW - RAW}, \quad D_r > RAW

    Valid for a depletion of 0 to the total; cut to 0..1 beyond. The same form gives the evaporation
    reduction coefficient of bare soil (eq. 74) from the depletion of its surface layer, with the total and
    readily evaporable water in place of TAW and RAW.

    References
    ----------
    FAO-56 (Allen et al. 1998), eq. 84.

    Examples
    --------
    >>> stress_coefficient([55.0, 112.0, 160.0], 160.0, 64.0).tolist()
    [1.0, 0.5, 0.0]
    """
    depletion, total, readily = floating(depletion_mm, total_mm, readily_mm)
    # Where all water is readily available the plant goes from no stress to wilting in one step.
    span = np.maximum(total - readily, 1e-6)
    return np.clip((total - depletion) / span, 0.0, 1.0)


def root_zone_depletion(
    depletion_mm: npt.ArrayLike,
    effective_rain_mm: npt.ArrayLike,
    irrigation_mm: npt.ArrayLike,
    crop_evapotranspiration_mm: npt.ArrayLike,
    total_mm: npt.ArrayLike,
    readily_mm: npt.ArrayLike,
) -> FloatArray:
    r"""Water missing from the root zone at the end of a day.

    Parameters
    ----------
    depletion_mm : array_like
        Depletion at the start of the day, 0 at field capacity; NaN where unknown. [mm]
    effective_rain_mm, irrigation_mm : array_like
        Water that enters the soil; NaN where unknown. [mm d-1]
    crop_evapotranspiration_mm : array_like
        Evapotranspiration of the unstressed plant; negative counts as 0. [mm d-1]
    total_mm, readily_mm : array_like
        Total and readily available water. [mm]

    Returns
    -------
    ndarray
        Broadcast shape, 0..`total_mm`; NaN where an input is unknown. [mm]

    Notes
    -----
    .. math:: D_i = \min(TAW, \max(0, D_{i-1} - P - I) + K_s\,ET_c)

    Water comes early in the day: it fills the soil to field capacity, the rest drains, and then the
    plant draws. The stress coefficient is that of the start of the day (as in FAO-56 Example 37).
    Capillary rise is left out.

    References
    ----------
    FAO-56 (Allen et al. 1998), eqs. 81, 84-88.

    Examples
    --------
    >>> float(root_zone_depletion(55.0, 0.0, 0.0, 6.0, 160.0, 64.0))
    61.0
    """
    depletion, rain, irrigation, demand, total, readily = floating(
        depletion_mm, effective_rain_mm, irrigation_mm, crop_evapotranspiration_mm, total_mm, readily_mm
    )
    drawn = stress_coefficient(depletion, total, readily) * np.maximum(demand, 0.0)
    return np.minimum(np.maximum(depletion - rain - irrigation, 0.0) + drawn, total)


def root_zone_depletion_daily(
    depletion_mm: npt.ArrayLike,
    effective_rain_mm: npt.ArrayLike,
    irrigation_mm: npt.ArrayLike,
    crop_evapotranspiration_mm: npt.ArrayLike,
    total_mm: npt.ArrayLike,
    readily_mm: npt.ArrayLike,
) -> FloatArray:
    """Water missing from the root zone at the end of each of several days.

    Parameters
    ----------
    depletion_mm : array_like, shape (...)
        Depletion before the first day. [mm]
    effective_rain_mm, irrigation_mm, crop_evapotranspiration_mm : array_like, shape (..., day)
        As for `root_zone_depletion`, broadcastable against each other. [mm d-1]
    total_mm : array_like, shape (...)
        Total available water. [mm]
    readily_mm : array_like, shape (..., day) or (..., 1)
        Readily available water, which may change with the demand of the day. [mm]

    Returns
    -------
    ndarray, shape (..., day)
        Depletion at the end of each day, so that the last column starts the next run; NaN from the
        first day that is unknown on. [mm]
    """
    start, rain, irrigation, demand, total, readily = floating(
        depletion_mm, effective_rain_mm, irrigation_mm, crop_evapotranspiration_mm, total_mm, readily_mm
    )
    shape = np.broadcast_shapes(
        (*start.shape, 1), rain.shape, irrigation.shape, demand.shape, (*total.shape, 1), readily.shape
    )
    rain, irrigation, demand, readily = (
        np.broadcast_to(part, shape) for part in (rain, irrigation, demand, readily)
    )
    out = np.empty(shape, dtype=rain.dtype)
    current = start
    for day in range(shape[-1]):
        current = root_zone_depletion(
            current, rain[..., day], irrigation[..., day], demand[..., day], total, readily[..., day]
        )
        out[..., day] = current
    return out


def depletion_as_felt(
    depletion_mm: npt.ArrayLike,
    total_mm: npt.ArrayLike,
    least_available: npt.ArrayLike,
    most_available: npt.ArrayLike,
) -> FloatArray:
    """Water missing from the root zone once somebody has felt the soil.

    Parameters
    ----------
    depletion_mm : array_like
        Depletion by the account; NaN where unknown. [mm]
    total_mm : array_like
        Total available water. [mm]
    least_available, most_available : array_like
        Bounds of the class felt, as shares of the available water still held; NaN where nobody felt it. [1]

    Returns
    -------
    ndarray
        Broadcast shape: the depletion within the class that is nearest to the account's, the middle of
        the class where the account has none, the account's own where nobody felt the soil. [mm]

    References
    ----------
    USDA Natural Resources Conservation Service, chart of soil moisture by feel and appearance: classes of
    a quarter of the available water.

    Examples
    --------
    >>> depletion_as_felt([60.0, 30.0, float("nan")], 80.0, 0.5, 0.75).tolist()
    [40.0, 30.0, 30.0]
    """
    depletion, total, least, most = floating(depletion_mm, total_mm, least_available, most_available)
    lower, upper = (1.0 - most) * total, (1.0 - least) * total
    felt = np.where(np.isnan(depletion), (lower + upper) / 2.0, np.clip(depletion, lower, upper))
    return np.where(np.isnan(least + most), depletion, felt).astype(depletion.dtype)
