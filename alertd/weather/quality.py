"""Quality control: impossible values become unknown, hour by hour, and are counted by reason.

The limits are common practice, chosen wide: a record of nature must pass, a broken sensor must not.
Ranges are those of ``alertd.records.weather``. A spike must stand off both neighbours in the same
direction, so that a front, which is a step, passes. A run of equal values counts as stuck only beyond
the lengths below, which are of the order that station archives use at 0.1 degC resolution (common
practice); rain 0, calm, cloud 0 or 100 %, saturated air and darkness are not stuck. Wind and rain may stay
equal for a day in a forecast that is written in steps, so their runs are judged only in the past.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from alertd.records.weather import COLUMNS
from alertd.weather.hours import BoolArray, Reason, known
from alertd.weather.measure import FloatArray

RANGES: Mapping[str, tuple[float, float]] = {
    "air_temperature_c": (-60.0, 60.0),
    "relative_humidity_pct": (0.0, 105.0),
    "dew_point_c": (-80.0, 40.0),
    "wind_speed_m_s": (0.0, 75.0),
    "wind_gust_m_s": (0.0, 110.0),
    "wind_direction_deg": (0.0, 360.0),
    "precipitation_mm": (0.0, 200.0),
    "precipitation_probability_pct": (0.0, 100.0),
    "cloud_cover_pct": (0.0, 100.0),
    "shortwave_w_m2": (0.0, 1400.0),
    "pressure_hpa": (500.0, 1090.0),
}

SPIKES: Mapping[str, float] = {
    "air_temperature_c": 12.0,
    "dew_point_c": 15.0,
    "wind_speed_m_s": 25.0,
    "pressure_hpa": 12.0,
}

DEW_POINT_SLACK_C = 1.5
"""Air and dew point may be rounded to whole degrees, each on its own."""


@dataclass(frozen=True, slots=True)
class Run:
    """The longest plausible run of one value, in hours, and which values may stay for ever."""

    hours: int
    may_stay: Callable[[FloatArray], BoolArray]
    past_only: bool = False


def _never(values: FloatArray) -> BoolArray:
    return np.zeros(len(values), dtype=np.bool_)


def _zero(values: FloatArray) -> BoolArray:
    return np.equal(values, 0.0)


def _near_saturation(values: FloatArray) -> BoolArray:
    return np.greater_equal(values, 95.0)


RUNS: Mapping[str, Run] = {
    "air_temperature_c": Run(24, _never),
    "relative_humidity_pct": Run(48, _near_saturation),
    "dew_point_c": Run(48, _never),
    "wind_speed_m_s": Run(24, _zero, past_only=True),
    "wind_gust_m_s": Run(24, _zero, past_only=True),
    "wind_direction_deg": Run(72, _zero, past_only=True),
    "precipitation_mm": Run(18, _zero, past_only=True),
    "shortwave_w_m2": Run(6, _zero),
    "pressure_hpa": Run(48, _never),
}


def checked(table: pd.DataFrame, dropped: Counter[str]) -> pd.DataFrame:
    """Return the table with every implausible value unknown; ``dropped`` gains the counts."""
    columns = {name: table[name].to_numpy(dtype=np.float64, copy=True) for name in COLUMNS}
    past = ~table["forecast"].to_numpy(dtype=np.bool_)
    for name, values in columns.items():
        _drop(values, _out_of_range(name, values), Reason.OUT_OF_RANGE, dropped)
        if name in SPIKES:
            _drop(values, _spikes(values, SPIKES[name]), Reason.SPIKE, dropped)
        if name in RUNS:
            _drop(values, _stuck(values, RUNS[name], past), Reason.STUCK, dropped)
    humidity = columns["relative_humidity_pct"]
    np.minimum(humidity, 100.0, out=humidity)
    _agree(columns, dropped)
    result = pd.DataFrame(np.column_stack(list(columns.values())), index=table.index, columns=list(COLUMNS))
    result["forecast"] = table["forecast"].to_numpy()
    result["coarse"] = table["coarse"].to_numpy()
    return result


def _drop(values: FloatArray, wrong: BoolArray, reason: Reason, dropped: Counter[str]) -> None:
    if wrong.any():
        dropped[reason] += known(values[wrong])
        values[wrong] = np.nan


def _out_of_range(name: str, values: FloatArray) -> BoolArray:
    low, high = RANGES[name]
    return (values < low) | (values > high)


def _spikes(values: FloatArray, limit: float) -> BoolArray:
    wrong: BoolArray = np.zeros(len(values), dtype=np.bool_)
    if len(values) > 2:
        before, after = values[1:-1] - values[:-2], values[1:-1] - values[2:]
        wrong[1:-1] = ((before > limit) & (after > limit)) | ((before < -limit) & (after < -limit))
    return wrong


def _stuck(values: FloatArray, run: Run, past: BoolArray) -> BoolArray:
    judged = ~np.isnan(values) & ~run.may_stay(values)
    if run.past_only:
        judged &= past
    same = judged[1:] & judged[:-1] & (values[1:] == values[:-1])
    edges = np.flatnonzero(np.concatenate([[True], ~same, [True]]))
    lengths = np.diff(edges)
    return judged & np.repeat(lengths > run.hours, lengths)


def _agree(columns: Mapping[str, FloatArray], dropped: Counter[str]) -> None:
    wind, gust = columns["wind_speed_m_s"], columns["wind_gust_m_s"]
    below = gust < wind
    if below.any():
        # A gust cannot be weaker than the mean of the same hour: rounding or another averaging period.
        dropped[Reason.GUST_BELOW_WIND] += int(np.count_nonzero(below))
        gust[below] = wind[below]
    air, dew = columns["air_temperature_c"], columns["dew_point_c"]
    _drop(dew, dew > air + DEW_POINT_SLACK_C, Reason.DEW_ABOVE_AIR, dropped)
