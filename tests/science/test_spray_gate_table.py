"""The table of gates, row by row: each is data of the catalog and says block or caution where it should.

The verdict under the default and under the strict profile stands beside each row; the sources of the
limits stand in the catalog (limits.toml, materials.toml, plants.toml).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from alertd.science.spray import Reason, SprayRecords, figure_of, rules_for
from alertd.science.spray_rules import SIGNS
from alertd.units import mph_to_m_s
from tests.science.spray_cases import HOUR, f, fair_hours, set_hours, verdict_at

BLOCK, CAUTION, OPEN = "block", "caution", "open"
OIL, DORMANT = "horticultural_oil", "dormant_oil"


@dataclass(frozen=True)
class Row:
    """One row: what is done to fair hours or the records, and what each profile makes of it."""

    gate: str
    reason: Reason
    default: str
    strict: str
    material: str = "soap"
    method: str = "hand"
    plants: tuple[str, ...] = ()
    always: dict[str, Any] = field(default_factory=dict)
    later: tuple[int, dict[str, float]] | None = None
    records: dict[str, float] = field(default_factory=dict)


FLAGS = ("looked_since", "patch_test_needed", "patch_injury")
ROWS = (
    Row("wind, upper", Reason.WIND_HIGH, CAUTION, BLOCK, always={"wind_speed_m_s": mph_to_m_s(9.0)}),
    Row("wind, upper", Reason.WIND_HIGH, BLOCK, BLOCK, always={"wind_speed_m_s": mph_to_m_s(10.5)}),
    Row("wind, at the nozzle", Reason.WIND_LOW, OPEN, BLOCK, always={"wind_speed_m_s": mph_to_m_s(4.5)}),
    Row("wind, at the nozzle", Reason.WIND_LOW, BLOCK, BLOCK, always={"wind_speed_m_s": mph_to_m_s(3.5)}),
    Row("gust", Reason.GUST, CAUTION, BLOCK, always={"wind_gust_m_s": mph_to_m_s(13.0)}),
    Row("gust", Reason.GUST, BLOCK, BLOCK, always={"wind_gust_m_s": mph_to_m_s(16.0)}),
    Row("inversion, clock", Reason.INVERSION_CLOCK, OPEN, BLOCK, always={"hours_since_sunrise": 2.5}),
    Row("inversion, clock", Reason.INVERSION_CLOCK, BLOCK, BLOCK, always={"hours_to_sunset": 1.5}),
    Row("inversion, dry spell", Reason.INVERSION_CLOCK, BLOCK, BLOCK,
        always={"hours_to_sunset": 2.5, "dry_spell": True}),
    Row("inversion, overcast", Reason.INVERSION_CLOCK, OPEN, OPEN,
        always={"hours_to_sunset": 1.5, "cloud_cover_pct": 100.0, "ceiling_m": 900.0, "wind_speed_m_s": 3.3}),
    Row("inversion, Turner class 5", Reason.INVERSION_CLASS, CAUTION, BLOCK,
        always={"hours_to_sunset": 0.5, "wind_speed_m_s": 4.0}),
    Row("inversion, Turner class 5, fine drops", Reason.INVERSION_CLASS, BLOCK, BLOCK, method="mist-blower",
        always={"hours_to_sunset": 0.5, "wind_speed_m_s": 4.0}),
    Row("inversion, Turner class 6-7", Reason.INVERSION_CLASS, BLOCK, BLOCK,
        always={"hours_to_sunset": 0.5, "wind_speed_m_s": 1.0}),
    Row("Delta T, dry", Reason.DELTA_T_HIGH, CAUTION, BLOCK, always={"wet_bulb_depression_c": 9.0}),
    Row("Delta T, dry", Reason.DELTA_T_HIGH, BLOCK, BLOCK, always={"wet_bulb_depression_c": 10.5}),
    Row("Delta T, damp", Reason.DELTA_T_LOW, CAUTION, CAUTION, always={"wet_bulb_depression_c": 1.5}),
    Row("Delta T, damp, oil", Reason.DELTA_T_LOW, BLOCK, BLOCK, OIL,
        always={"wet_bulb_depression_c": 1.5}),
    Row("Delta T, damp, fine drops", Reason.DELTA_T_LOW, BLOCK, BLOCK, method="mist-blower",
        always={"wet_bulb_depression_c": 1.5}),
    Row("hot and dry", Reason.HOT_DRY_AIR, CAUTION, BLOCK,
        always={"relative_humidity_pct": 35.0, "air_temperature_c": 26.0}),
    Row("hot and dry, fine drops", Reason.HOT_DRY_AIR, BLOCK, BLOCK, method="mist-blower",
        always={"relative_humidity_pct": 35.0, "air_temperature_c": 26.0}),
    Row("rain now", Reason.RAIN_NOW, OPEN, BLOCK, always={"precipitation_mm": 0.05}),
    Row("rain now", Reason.RAIN_NOW, BLOCK, BLOCK, always={"precipitation_mm": 0.2}),
    Row("leaf wet", Reason.LEAF_WET, CAUTION, CAUTION, always={"relative_humidity_pct": 92.0}),
    Row("leaf wet, oil", Reason.LEAF_WET, BLOCK, BLOCK, OIL,
        always={"relative_humidity_pct": 92.0}),
    Row("leaf wet, dew, oil", Reason.LEAF_WET, BLOCK, BLOCK, OIL, always={"dew_point_c": 18.5}),
    Row("rain to come, amount", Reason.RAIN_AHEAD, OPEN, BLOCK, OIL,
        later=(9, {"precipitation_mm": 0.15})),
    Row("rain to come, amount", Reason.RAIN_AHEAD, BLOCK, BLOCK, OIL,
        later=(9, {"precipitation_mm": 0.3})),
    Row("rain to come, later", Reason.RAIN_AHEAD, CAUTION, CAUTION, OIL,
        later=(40, {"precipitation_mm": 3.0})),
    Row("rain to come, probability", Reason.RAIN_AHEAD, CAUTION, BLOCK, OIL,
        later=(9, {"precipitation_probability_pct": 40.0})),
    Row("rain to come, probability", Reason.RAIN_AHEAD, BLOCK, BLOCK, OIL,
        later=(9, {"precipitation_probability_pct": 60.0})),
    Row("heat, shade, oil", Reason.HEAT, BLOCK, BLOCK, OIL, always={"air_temperature_c": f(86.0)}),
    Row("heat, shade, soap", Reason.HEAT, CAUTION, CAUTION, always={"air_temperature_c": f(86.0)}),
    Row("heat, shade, soap", Reason.HEAT, BLOCK, BLOCK, always={"air_temperature_c": f(91.0)}),
    Row("heat, sulfur", Reason.HEAT, BLOCK, BLOCK, "sulfur", always={"air_temperature_c": f(86.0)}),
    Row("heat, full sun", Reason.SUN_HEAT, CAUTION, CAUTION, "bifenazate",
        always={"air_temperature_c": f(76.0), "full_sun": True}),
    Row("heat, full sun", Reason.SUN_HEAT, BLOCK, BLOCK, "bifenazate",
        always={"air_temperature_c": f(86.0), "full_sun": True}),
    Row("heat within 6 h", Reason.HEAT_AHEAD, BLOCK, BLOCK, later=(5, {"air_temperature_c": f(91.0)})),
    Row("heat within 24 h", Reason.HEAT_AHEAD, OPEN, BLOCK, later=(20, {"air_temperature_c": f(91.0)})),
    Row("cold, summer oil", Reason.COLD, BLOCK, BLOCK, OIL, always={"air_temperature_c": f(48.0)}),
    Row("cold, soap", Reason.COLD, BLOCK, BLOCK, always={"air_temperature_c": f(38.0)}),
    Row("cold, dormant oil", Reason.COLD, BLOCK, BLOCK, DORMANT,
        always={"air_temperature_c": f(38.0), "dormant": True}),
    Row("freeze after oil, deciduous", Reason.FREEZE_AHEAD, BLOCK, BLOCK, DORMANT, plants=("crabapple",),
        always={"dormant": True}, later=(20, {"air_temperature_c": -1.0})),
    Row("freeze after oil, deciduous", Reason.FREEZE_AHEAD, CAUTION, CAUTION, DORMANT,
        plants=("crabapple",), always={"dormant": True}, later=(60, {"air_temperature_c": -1.0})),
    Row("freeze after oil, evergreen", Reason.FREEZE_AHEAD, BLOCK, BLOCK, DORMANT, plants=("boxwood",),
        always={"dormant": True}, later=(20, {"air_temperature_c": 3.0})),
    Row("drought, soap", Reason.DROUGHT, BLOCK, BLOCK, always={"drought": 2}),
    Row("drought, sulfur", Reason.DROUGHT, BLOCK, BLOCK, "sulfur", always={"drought": 2}),
    Row("drought, other sprays", Reason.DROUGHT, CAUTION, CAUTION, "bifenazate", always={"drought": 2}),
    Row("drought, not known", Reason.DROUGHT, CAUTION, BLOCK, always={"drought": 3}),
    Row("bloom, category I", Reason.BLOOM, BLOCK, BLOCK, "abamectin", always={"in_bloom": True}),
    Row("bloom, category II by day", Reason.BLOOM, BLOCK, BLOCK, "bifenazate", always={"in_bloom": True}),
    Row("bloom, category II after sunset", Reason.BLOOM, CAUTION, CAUTION, "bifenazate",
        always={"in_bloom": True, "hours_to_sunset": -0.5}),
    Row("bloom, soap, bees do not fly", Reason.BLOOM, CAUTION, CAUTION,
        always={"in_bloom": True, "air_temperature_c": f(48.0)}),
    Row("weeds in bloom", Reason.BLOOM, CAUTION, CAUTION, always={"weeds_in_bloom": True}),
    Row("crew hours", Reason.OUTSIDE_HOURS, BLOCK, BLOCK, always={"local_hour": 5.0}),
    Row("noise hours", Reason.OUTSIDE_HOURS, BLOCK, BLOCK, method="mist-blower", always={"local_hour": 6.0}),
    Row("noise hours, by hand", Reason.OUTSIDE_HOURS, OPEN, OPEN, always={"local_hour": 6.0}),
    Row("sulfur after oil", Reason.SULFUR_OIL, BLOCK, BLOCK, "sulfur", records={"days_since_oil": 29.0}),
    Row("oil after sulfur", Reason.SULFUR_OIL, CAUTION, CAUTION, OIL,
        records={"days_since_sulfur": 33.0}),
    Row("minimum interval", Reason.MIN_INTERVAL, BLOCK, BLOCK, "abamectin", records={"days_since_same": 6.0}),
    Row("look again", Reason.LOOK_AGAIN, CAUTION, CAUTION, records={"days_since_same": 15.0}),
    Row("season maximum", Reason.SEASON_MAX, BLOCK, BLOCK, "hexythiazox", records={"uses_this_season": 1.0}),
    Row("mode of action", Reason.ROTATION, BLOCK, BLOCK, "bifenazate", records={"group_uses_in_a_row": 2.0}),
    Row("mode of action", Reason.ROTATION, OPEN, OPEN, "bifenazate", records={"group_uses_in_a_row": 1.0}),
    Row("sensitive plant", Reason.SENSITIVE_PLANT, BLOCK, BLOCK, OIL,
        plants=("japanese_maple",)),
    Row("patch test not yet passed", Reason.PATCH_TEST, BLOCK, BLOCK,
        records={"patch_test_needed": 1.0, "hours_since_patch_test": 48.0}),
    Row("patch test waited for", Reason.PATCH_TEST, OPEN, OPEN,
        records={"patch_test_needed": 1.0, "hours_since_patch_test": 90.0}),
    Row("patch test with injury", Reason.PATCH_TEST, BLOCK, BLOCK, records={"patch_injury": 1.0}),
    Row("dormant plants only", Reason.NOT_DORMANT, BLOCK, BLOCK, DORMANT, always={"dormant": False}),
    Row("three-hour steps", Reason.COARSE_STEP, CAUTION, BLOCK, always={"coarse": True}),
    Row("missing weather", Reason.MISSING_WEATHER, BLOCK, BLOCK, always={"air_temperature_c": np.nan}),
    Row("no gusts forecast", Reason.GUST_UNKNOWN, CAUTION, BLOCK,
        always={"wind_gust_m_s": np.nan, "wind_speed_m_s": 2.5}),
    Row("no gusts forecast, some wind", Reason.GUST_UNKNOWN, BLOCK, BLOCK,
        always={"wind_gust_m_s": np.nan, "wind_speed_m_s": 3.0}),
    Row("no chance of rain forecast", Reason.RAIN_CHANCE_UNKNOWN, CAUTION, CAUTION,
        always={"precipitation_probability_pct": np.nan}),
)  # fmt: skip


def told(row: Row, profile: str) -> str:
    """Return what a profile makes of a row, looking at the bit of its gate alone."""
    hours = fair_hours(**row.always)
    if row.later is not None:
        hours = set_hours(hours, HOUR + row.later[0], **row.later[1])
    records: dict[str, Any] = {
        name: np.array([bool(value)]) if name in FLAGS else np.array([value])
        for name, value in row.records.items()
    }
    rules = rules_for(row.material, profile, row.method, row.plants)
    block, caution, _ = verdict_at(hours, rules, SprayRecords(**records))
    return BLOCK if block & row.reason else CAUTION if caution & row.reason else OPEN


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.gate}-{row.material}-{row.default}")
def test_each_row_of_the_table_says_block_or_caution_as_it_should(row: Row) -> None:
    assert told(row, "default") == row.default
    assert told(row, "strict") == row.strict


def test_every_reason_to_close_an_hour_has_a_row() -> None:
    elsewhere = {
        Reason.HORIZON_END,
        Reason.LIMITS_UNUSABLE,
    }  # the end of the data; a fault of what was entered
    assert {row.reason for row in ROWS} == set(Reason) - elsewhere


def test_every_limit_is_a_figure_of_the_catalog_with_unit_source_and_standing() -> None:
    for profile in ("default", "strict"):
        for name in SIGNS:
            found = [figure_of(name, material, profile) for material in (OIL, "hexythiazox")]
            figures = [one for one in found if one is not None]
            assert figures, name
            assert all(one.unit and one.source and one.status for one in figures), name


def test_the_strict_profile_is_nowhere_looser() -> None:
    for row in ROWS:
        default, strict = (rules_for(row.material, profile, row.method) for profile in ("default", "strict"))
        for name, sign in SIGNS.items():
            if not name.startswith("scale_"):
                assert getattr(strict, name) * sign <= getattr(default, name) * sign, name
