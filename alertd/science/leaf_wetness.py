"""Leaf wetness from forecast quantities."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from alertd.science.arrays import BoolArray, FloatArray
from alertd.science.lookahead import any_ahead, steps


@dataclass(frozen=True, slots=True)
class LeafWetness:
    """Which hours have wet leaves, and for which hours that cannot be told."""

    wet: BoolArray
    unknown: BoolArray


def leaf_wetness(
    air_temperature_c: FloatArray,
    dew_point_c: FloatArray,
    relative_humidity_pct: FloatArray,
    precipitation_mm: FloatArray,
    *,
    humidity_wet_pct: float,
    dew_point_depression_wet_c: float,
    rain_time_h: float,
    rain_mm: float,
) -> LeafWetness:
    """Leaf wetness by humidity, dew-point depression and rain of the last hours.

    Parameters
    ----------
    air_temperature_c, dew_point_c : array of float, shape (..., n_hours)
        At 2 m, NaN where unknown. [degC]
    relative_humidity_pct : array of float, shape (..., n_hours)
        At 2 m, NaN where unknown. [%]
    precipitation_mm : array of float, shape (..., n_hours)
        Amount of the hour, NaN where unknown. [mm]
    humidity_wet_pct : float
        From this humidity on leaves count as wet. [%]
    dew_point_depression_wet_c : float
        Down from this depression leaves count as wet. [degC]
    rain_time_h : float
        Rain within this time before the hour, or in it, leaves them wet. [h]
    rain_mm : float
        The least amount of an hour that counts as rain. [mm]

    Returns
    -------
    LeafWetness
        ``wet`` where any of the three rules says so; ``unknown`` where none does but at least one
        cannot be told. The hours before the first one are unknown.

    Notes
    -----
    Wet if :math:`RH >= 90 %`, or :math:`T - T_d <= 2` degC, or rain within two hours. Irrigation is
    not seen.

    References
    ----------
    Sentelhas et al., suitability of relative humidity as an estimator of leaf wetness duration:
    90 % was the best of three simple rules in four climates. 2 degC and 2 h are from memory and
    common practice.

    Examples
    --------
    >>> import numpy as np
    >>> dry = np.array([20.0, 20.0, 20.0])
    >>> leaf_wetness(dry, dry - 8.0, np.array([60.0, 60.0, 95.0]), np.zeros(3),
    ...     humidity_wet_pct=90.0, dew_point_depression_wet_c=2.0, rain_time_h=2.0, rain_mm=0.1).wet.tolist()
    [False, False, True]
    """
    depression_c = air_temperature_c - dew_point_c
    rained, rain_unknown = _rain_before(precipitation_mm, rain_time_h, rain_mm)
    wet = (relative_humidity_pct >= humidity_wet_pct) | (depression_c <= dew_point_depression_wet_c) | rained
    unknown = np.isnan(relative_humidity_pct) | np.isnan(depression_c) | rain_unknown
    return LeafWetness(wet, unknown & ~wet)


def _rain_before(
    precipitation_mm: FloatArray, rain_time_h: float, rain_mm: float
) -> tuple[BoolArray, BoolArray]:
    # looking back is looking ahead on the reversed axis
    back = precipitation_mm[..., ::-1]
    rained = any_ahead(back >= rain_mm, rain_time_h)[..., ::-1]
    unknown = any_ahead(np.isnan(back), rain_time_h)[..., ::-1]
    before_start = np.arange(precipitation_mm.shape[-1]) < steps(rain_time_h)
    return rained, unknown | before_start
