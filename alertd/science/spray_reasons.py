"""Why an hour is closed, one bit each, and the words for it."""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntFlag
from types import MappingProxyType


class Reason(IntFlag):
    """Why an hour is closed or asks for caution. The numbers are stored: never reuse or move one."""

    MISSING_WEATHER = 1 << 0
    COARSE_STEP = 1 << 1
    HEAT = 1 << 2
    SUN_HEAT = 1 << 3
    HEAT_AHEAD = 1 << 4
    COLD = 1 << 5
    FREEZE_AHEAD = 1 << 6
    RAIN_NOW = 1 << 7
    RAIN_AHEAD = 1 << 8
    RAIN_CHANCE_UNKNOWN = 1 << 9
    LEAF_WET = 1 << 10
    WIND_HIGH = 1 << 11
    WIND_LOW = 1 << 12
    GUST = 1 << 13
    GUST_UNKNOWN = 1 << 14
    INVERSION_CLOCK = 1 << 15
    INVERSION_CLASS = 1 << 16
    DELTA_T_HIGH = 1 << 17
    DELTA_T_LOW = 1 << 18
    HOT_DRY_AIR = 1 << 19
    DROUGHT = 1 << 20
    BLOOM = 1 << 21
    OUTSIDE_HOURS = 1 << 22
    SENSITIVE_PLANT = 1 << 23
    NOT_DORMANT = 1 << 24
    HORIZON_END = 1 << 25
    MIN_INTERVAL = 1 << 26
    SEASON_MAX = 1 << 27
    ROTATION = 1 << 28
    SULFUR_OIL = 1 << 29
    PATCH_TEST = 1 << 30
    LOOK_AGAIN = 1 << 31
    LIMITS_UNUSABLE = 1 << 32


REASON_WORDS: Mapping[Reason, str] = MappingProxyType(
    {
        Reason.MISSING_WEATHER: "weather missing",
        Reason.COARSE_STEP: "forecast too coarse for single hours",
        Reason.HEAT: "too hot",
        Reason.SUN_HEAT: "too hot in full sun",
        Reason.HEAT_AHEAD: "heat to follow",
        Reason.COLD: "too cold",
        Reason.FREEZE_AHEAD: "freeze to follow",
        Reason.RAIN_NOW: "rain",
        Reason.RAIN_AHEAD: "rain to follow",
        Reason.RAIN_CHANCE_UNKNOWN: "chance of rain not known",
        Reason.LEAF_WET: "leaves wet",
        Reason.WIND_HIGH: "too windy",
        Reason.WIND_LOW: "wind too light",
        Reason.GUST: "gusts",
        Reason.GUST_UNKNOWN: "gusts not known",
        Reason.INVERSION_CLOCK: "inversion hours around sunrise and sunset, and at night",
        Reason.INVERSION_CLASS: "stable air, inversion likely",
        Reason.DELTA_T_HIGH: "air too dry, drops evaporate",
        Reason.DELTA_T_LOW: "air too damp, drops dry slowly",
        Reason.HOT_DRY_AIR: "hot and dry air",
        Reason.DROUGHT: "plants short of water",
        Reason.BLOOM: "bloom, bees",
        Reason.OUTSIDE_HOURS: "outside working hours",
        Reason.SENSITIVE_PLANT: "plant sensitive to the material",
        Reason.NOT_DORMANT: "for dormant plants only",
        Reason.HORIZON_END: "forecast ends too soon",
        Reason.MIN_INTERVAL: "too soon after the last application",
        Reason.SEASON_MAX: "season maximum reached",
        Reason.ROTATION: "same mode of action too often",
        Reason.SULFUR_OIL: "sulfur and oil too close together",
        Reason.PATCH_TEST: "patch test not passed",
        Reason.LOOK_AGAIN: "look again before repeating",
        Reason.LIMITS_UNUSABLE: "limits entered for the site cannot be used",
    }
)


def reasons_in(bits: int) -> tuple[Reason, ...]:
    """Return the reasons in a bit pattern, lowest bit first; bits without a meaning are passed over."""
    return tuple(reason for bit, reason in _BY_BIT if bits & bit)


_BY_BIT = tuple((int(reason), reason) for reason in Reason)
