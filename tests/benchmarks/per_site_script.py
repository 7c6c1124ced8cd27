"""What a competent analyst would write: pandas, one site after the other, with the same formulas.

It takes its formulas (saturation, wet bulb, Turner's classes, reference evapotranspiration, rate of
increase, score) and every limit from alertd, and does everything between them in pandas. It leaves out
what alertd's assessment does besides: the stages of the population, the chances of windows and spells,
the wording. So the ratio to it errs on the script's side.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np
import pandas as pd

from alertd.assess.batch import SiteWeather
from alertd.catalog.alerts import load_alert_policy
from alertd.catalog.materials import BeeCategory
from alertd.catalog.plants import load_plants
from alertd.catalog.pressure import load_pressure
from alertd.catalog.soils import load_soils
from alertd.catalog.species import load_species
from alertd.catalog.triggers import load_triggers
from alertd.catalog.water import load_water_rules
from alertd.records.season import HISTORY_COLUMNS, HISTORY_DAYS
from alertd.records.site import Exposure, Irrigation
from alertd.science import degree_days, humidity, sun, water
from alertd.science.development import intrinsic_rate
from alertd.science.pressure import mite_pressure
from alertd.science.season import season_phase
from alertd.science.spray import Reason, SprayRules, rules_for
from alertd.science.stability import turner_class
from alertd.units import w_m2_to_mj_m2_h

Rolling = dict[tuple[Any, ...], pd.Series]
BITS = np.array([int(reason) for reason in Reason])


def assess_site(member: SiteWeather, now: dt.datetime, drought: int) -> dict[str, Any]:
    """Return days, mites, water, spell levels and spray windows of one site.

    ``drought`` is the state of the plants; the script has no wording of water states of its own.
    """
    hours = hourly_frame(member, now)
    days = daily_frame(member, hours)
    today = pd.Timestamp(now).tz_convert(member.site.zone).date()
    spelled = spells(days, spell_levels(days), today)
    dry = any(start <= today for start, _, _ in spelled)
    return {
        "days": days,
        "mites": mites(member, hours, days, today),
        "water": soil_water(member, days, today),
        "spells": spelled,
        "spray": spraying(member, hours, now, drought, dry),
    }


def hourly_frame(member: SiteWeather, now: dt.datetime) -> pd.DataFrame:
    """Return the table on local days, with what follows from its columns."""
    site = member.site
    assert member.season is not None
    table = member.weather.table
    local = (table.index + pd.Timedelta(minutes=30)).tz_convert(site.zone)
    frame = table.assign(day=local.date, hour=local.hour)
    frame = frame[frame["day"] > member.season.day]
    last = pd.Timestamp(now).tz_convert(site.zone).date() + dt.timedelta(days=9)
    frame = frame[frame["day"] <= last].copy()
    temperature, relative = frame["air_temperature_c"], frame["relative_humidity_pct"]
    standard = float(humidity.standard_pressure(site.elevation_m or 0.0))
    frame["relative_humidity_pct"] = relative.fillna(
        pd.Series(np.clip(humidity.relative_humidity(temperature, frame["dew_point_c"]), 0, 100), frame.index)
    )
    frame["dew_point_c"] = frame["dew_point_c"].fillna(
        pd.Series(humidity.dew_point(temperature, frame["relative_humidity_pct"]), frame.index)
    )
    frame["pressure_hpa"] = frame["pressure_hpa"].fillna(standard)
    frame["vpd"] = humidity.vapour_pressure_deficit(temperature, frame["relative_humidity_pct"])
    frame["vapour"] = humidity.saturation_vapour_pressure(frame["dew_point_c"])
    frame["delta_t"] = humidity.wet_bulb_depression(
        temperature, frame["relative_humidity_pct"], frame["pressure_hpa"]
    )
    middle = (frame.index + pd.Timedelta(minutes=30)).tz_localize(None).to_numpy()
    frame["altitude"] = sun.altitude(site.latitude_deg, site.longitude_deg, middle)
    return frame


def daily_frame(member: SiteWeather, hours: pd.DataFrame) -> pd.DataFrame:
    """Return history and new days, NaN where too few hours are known."""
    by_day = hours.groupby("day")
    count = by_day["air_temperature_c"].size()
    most = hours["relative_humidity_pct"].fillna(100.0)
    afternoon = hours[(hours["hour"] >= 12) & (hours["hour"] < 18)]
    by_afternoon = afternoon.groupby("day")["relative_humidity_pct"]
    above = float(load_triggers().severe.moist_humidity_above)
    species = load_species()["twospotted"]
    warm = degree_days.above_threshold(
        hours["air_temperature_c"], float(species.lower_c), float(species.optimum_c)
    )

    def enough(values: pd.Series, name: str, required: int = 20) -> pd.Series:
        return values.where(by_day[name].count() >= required * count / 24)

    days = pd.DataFrame({
        "temperature_min_c": enough(by_day["air_temperature_c"].min(), "air_temperature_c"),
        "temperature_max_c": enough(by_day["air_temperature_c"].max(), "air_temperature_c"),
        "temperature_mean_c": enough(by_day["air_temperature_c"].mean(), "air_temperature_c"),
        "precipitation_mm": enough(by_day["precipitation_mm"].sum(), "precipitation_mm", 24),
        "precipitation_known_mm": enough(by_day["precipitation_mm"].sum(), "precipitation_mm", 1),
        "vapour_pressure_deficit_max_kpa": enough(by_day["vpd"].max(), "vpd"),
        "humidity_mean_pct": enough(by_day["relative_humidity_pct"].mean(), "relative_humidity_pct"),
        "humidity_afternoon_pct": by_afternoon.mean().where(by_afternoon.count() >= 4),
        "humidity_afternoon_most_pct": most.loc[afternoon.index].groupby(afternoon["day"]).mean(),
        "humid_hours": (most > above).groupby(hours["day"]).sum().astype(float),
        "wind_max_m_s": enough(by_day["wind_speed_m_s"].max(), "wind_speed_m_s"),
        "twospotted_heat_c_d": enough(
            pd.Series(warm / 24.0, hours.index).groupby(hours["day"]).sum(), "air_temperature_c"
        ),
    })  # fmt: skip
    of_year = np.array([day.timetuple().tm_yday for day in days.index], dtype=float)
    wind = enough(by_day["wind_speed_m_s"].mean(), "wind_speed_m_s")
    irradiance = enough(by_day["shortwave_w_m2"].mean(), "shortwave_w_m2")
    reference = water.reference_evapotranspiration(
        days["temperature_min_c"].to_numpy(),
        days["temperature_max_c"].to_numpy(),
        enough(by_day["vapour"].mean(), "vapour").to_numpy(),
        w_m2_to_mj_m2_h(irradiance.to_numpy()) * count.to_numpy(),
        water.wind_at_2m(wind.to_numpy(), 10.0),
        member.site.elevation_m,
        member.site.latitude_deg,
        of_year,
    )
    simple = water.hargreaves(
        days["temperature_min_c"].to_numpy(),
        days["temperature_max_c"].to_numpy(),
        member.site.latitude_deg,
        of_year,
    )
    days["evapotranspiration_mm"] = np.maximum(np.where(np.isnan(reference), simple, reference), 0.0)
    assert member.season is not None
    before = [member.season.day - dt.timedelta(days=back) for back in range(HISTORY_DAYS - 1, -1, -1)]
    history = pd.DataFrame(list(member.season.history), index=before, columns=list(HISTORY_COLUMNS))
    return pd.concat([history, days])


def spell_levels(days: pd.DataFrame) -> pd.Series:
    """Return 2, 3 or 4 on the days on which a step of a hot dry spell holds."""
    triggers = load_triggers()

    def hot_and_dry(step: Any, most_mm: float) -> pd.Series:
        window = int(float(step.window))
        hot = (
            (days["temperature_max_c"] >= float(step.temperature_max_c)).rolling(window, min_periods=1).sum()
        )
        rain = days["precipitation_mm"].rolling(window).sum().round(9)
        return (hot >= float(step.days)) & (rain <= most_mm)

    watch = hot_and_dry(triggers.watch.hot, float(triggers.watch.precipitation_max))
    window = int(float(triggers.high.hotter.window))
    dry_air = days["humidity_afternoon_most_pct"].rolling(window).mean() < float(
        triggers.high.humidity_afternoon_below
    )
    most_mm = float(triggers.high.precipitation_max)
    high = (hot_and_dry(triggers.high.long, most_mm) | hot_and_dry(triggers.high.hotter, most_mm)) & dry_air
    severe = triggers.severe
    window = int(float(severe.window))
    gained = days["twospotted_heat_c_d"].rolling(window).sum() / float(
        load_species()["twospotted"].egg_to_egg
    )
    moist = days["humid_hours"].rolling(2).sum() >= float(severe.moist_hours)
    fungus = moist.rolling(window, min_periods=1).sum() > 0
    dry = days["precipitation_mm"].rolling(window).sum().round(9) <= float(severe.precipitation_max)
    hot_now = (days["temperature_max_c"] >= float(triggers.watch.hot.temperature_max_c)).rolling(
        int(float(triggers.watch.hot.window)), min_periods=1
    ).sum() >= float(triggers.watch.hot.days)
    worst = (gained >= float(severe.generations)) & dry & ~fungus & hot_now
    levels = pd.Series(0, days.index)
    return levels.mask(watch, 2).mask(high, 3).mask(worst, 4)


def spells(days: pd.DataFrame, levels: pd.Series, today: dt.date) -> list[tuple[dt.date, dt.date, int]]:
    """Return first day, last day and level of the spells that are not over."""
    hot = days["temperature_max_c"] >= float(load_triggers().watch.hot.temperature_max_c)
    window = int(float(load_triggers().watch.hot.window))
    run = ((levels > 0) != (levels > 0).shift()).cumsum()
    found = []
    for _, held in levels[levels > 0].groupby(run[levels > 0]):
        if held.index[-1] < today:
            continue
        reach = hot[held.index[0] - dt.timedelta(days=window - 1) : held.index[-1]]
        found.append((reach.idxmax(), reach[::-1].idxmax(), int(held.max())))
    return found


def mites(member: SiteWeather, hours: pd.DataFrame, days: pd.DataFrame, today: dt.date) -> dict[str, Any]:
    """Return score today, highest score ahead, degree-days and phase by species."""
    assert member.season is not None
    weights = load_pressure().irrigation
    found = {}
    mean_7 = days["temperature_mean_c"].rolling(7, min_periods=4).mean()
    max_7 = days["temperature_max_c"].rolling(7, min_periods=4).mean()
    mean_10 = days["temperature_mean_c"].rolling(10, min_periods=5).mean()
    min_10 = days["temperature_min_c"].rolling(10, min_periods=1).min()
    for key, species in load_species().items():
        hosts = [one for one in member.site.plantings if one.host in species.hosts]
        if not hosts:
            continue
        before = member.season.species[key]
        rate = pd.Series(intrinsic_rate(hours["air_temperature_c"].to_numpy(), key), hours.index)
        past = pd.Series(before.growth, days.index[: len(before.growth)])
        growth = pd.concat([past, rate.groupby(hours["day"]).mean()])
        base = float(species.season.base_c)
        warm = pd.Series(degree_days.above_threshold(hours["air_temperature_c"], base), hours.index) / 24.0
        heat = before.degree_days_c_d + warm.groupby(hours["day"]).sum().cumsum()
        phase, phases = before.phase, {}
        for day in heat.index:
            if day <= today:
                of_year = float(day.timetuple().tm_yday)
                length = sun.day_length(member.site.latitude_deg, of_year, twilight="civil")
                phase = int(
                    season_phase(
                        heat[day], mean_7[day], max_7[day], mean_10[day], min_10[day], length, of_year,
                        member.site.latitude_deg, key, phase,
                    )
                )  # fmt: skip
            phases[day] = phase
        host, irrigation = max(
            ((float(species.hosts[one.host]), float(weights[one.irrigation])) for one in hosts),
            key=lambda pair: pair[0] * pair[1],
        )
        scores = []
        for ahead in range(8):
            end = today + dt.timedelta(days=ahead)
            window = days.loc[end - dt.timedelta(days=HISTORY_DAYS - 1) : end]
            parts = mite_pressure(
                growth.loc[window.index].to_numpy()[None],
                window["temperature_max_c"].to_numpy()[None],
                window["precipitation_mm"].to_numpy()[None],
                window["vapour_pressure_deficit_max_kpa"].to_numpy()[None],
                window["humidity_mean_pct"].to_numpy()[None],
                phases[end],
                host,
                irrigation,
                key,
            )
            scores.append(float(parts.score[0]))
        found[key] = {
            "score": scores[0],
            "ahead": max(scores),
            "degree_days": heat[today],
            "phase": phases[today],
        }
    return found


def soil_water(member: SiteWeather, days: pd.DataFrame, today: dt.date) -> dict[str, float]:
    """Return the depletion at the end of today by planting, in mm."""
    assert member.season is not None
    rules = load_water_rules()
    found = {}
    for planting in member.site.plantings:
        plant, soil = load_plants()[planting.host], load_soils()[planting.soil]
        total = float(water.total_available_water(float(soil.available_water), float(plant.root_depth)))
        exposure = {
            Exposure.SHADE: rules.exposure.shade,
            Exposure.OPEN: rules.exposure.open,
            Exposure.REFLECTED_HEAT: rules.exposure.reflected_heat,
        }[planting.exposure]
        coefficient = float(plant.plant_factor_humid) * float(exposure)
        watered = planting.irrigation in (Irrigation.DRIP, Irrigation.OVERHEAD)
        irrigation = (planting.irrigation_mm_per_week or 0.0) / 7.0 if watered else 0.0
        depletion = member.season.depletion_mm[planting.id]
        for day, row in days.loc[member.season.day + dt.timedelta(days=1) : today].iterrows():
            del day
            use = row["evapotranspiration_mm"] * coefficient
            share = water.readily_available_fraction(float(plant.depletion_fraction), use) * float(
                soil.depletion_factor
            )
            rain = water.effective_rain(row["precipitation_known_mm"], row["evapotranspiration_mm"])
            depletion = float(
                water.root_zone_depletion(depletion, rain, irrigation, use, total, share * total)
            )
        found[planting.id] = depletion
    return found


def spraying(
    member: SiteWeather, hours: pd.DataFrame, now: dt.datetime, drought: int, dry_spell: bool
) -> dict[str, Any]:
    """Return block bits, caution bits, windows and main reasons of each material for seven days."""
    frame = hours[hours.index >= pd.Timestamp(now) - pd.Timedelta(hours=6)].copy()
    site = member.site
    days = np.unique(frame["day"].to_numpy())
    rise, sets = sun.sunrise_sunset(site.latitude_deg, site.longitude_deg, days.astype("datetime64[D]"))
    stamps = frame.index.tz_localize(None).to_numpy()
    hour = np.timedelta64(3600, "s")
    frame["since"] = (stamps - pd.Series(rise, days).loc[frame["day"]].to_numpy()) / hour
    frame["until"] = (pd.Series(sets, days).loc[frame["day"]].to_numpy() - stamps) / hour
    plants = sorted({planting.host for planting in site.plantings})
    rolled: Rolling = {}
    general: dict[bool, tuple[pd.Series, pd.Series, pd.Series]] = {}
    found = {}
    for material in site.materials:
        rules = rules_for(material, str(site.profile), str(site.method), plants)
        if rules.plain_water not in general:
            general[rules.plain_water] = general_gates(frame, rules, dry_spell)
        blocks, cautions, margin = general[rules.plain_water]
        blocks, cautions, margin = blocks.copy(), cautions.copy(), margin.copy()
        blocks, cautions, margin = material_gates(frame, rules, rolled, blocks, cautions, margin)
        blocks, cautions = plant_gates(rules, drought, blocks, cautions)
        if rules.plain_water:
            gates = int(
                Reason.MISSING_WEATHER | Reason.COARSE_STEP | Reason.COLD | Reason.WIND_HIGH | Reason.GUST
                | Reason.GUST_UNKNOWN | Reason.OUTSIDE_HOURS
            )  # fmt: skip
            blocks, cautions = blocks & gates, cautions & gates
        cautions = cautions & ~blocks
        margin = margin.clip(0.0, 1.0).where(blocks == 0, 0.0)
        shown = frame.index >= pd.Timestamp(now).floor("h")
        blocks, cautions, margin = blocks[shown][:168], cautions[shown][:168], margin[shown][:168]
        found[material] = {
            "blocks": blocks,
            "cautions": cautions,
            "windows": windows(blocks, cautions, margin),
            "reasons": commonest(blocks),
        }
    return found


def bit(mask: pd.Series, reason: Reason) -> pd.Series:
    """Return the bit of a reason where the mask holds."""
    return mask.astype("int64") * int(reason)


def ahead(
    frame: pd.DataFrame, name: str, hours: float, how: str, rolled: Rolling, values: pd.Series | None = None
) -> pd.Series:
    """Return a rolling figure over an hour and the hours after it, remembered by name and length."""
    key = (name, hours, how)
    if key not in rolled:
        series = frame[name] if values is None else values
        window = series[::-1].rolling(math.ceil(hours) + 1, min_periods=1)
        rolled[key] = getattr(window, how)()[::-1]
    return rolled[key]


def general_gates(
    frame: pd.DataFrame, rules: SprayRules, dry_spell: bool
) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Return bits and margin of what holds for every material."""
    needed = [
        "air_temperature_c", "relative_humidity_pct", "dew_point_c", "delta_t", "wind_speed_m_s",
        "precipitation_mm", "cloud_cover_pct",
    ]  # fmt: skip
    wind = frame["wind_speed_m_s"]
    gust_unknown = frame["wind_gust_m_s"].isna()
    expected = ~frame["coarse"] & bool((frame["wind_gust_m_s"].notna() & frame["forecast"]).any())
    gust = frame[["wind_gust_m_s", "wind_speed_m_s"]].max(axis=1, skipna=False)
    blocks = (
        bit(frame[needed].isna().any(axis=1) | (gust_unknown & expected), Reason.MISSING_WEATHER)
        | bit(frame["coarse"] & rules.coarse_step_blocks, Reason.COARSE_STEP)
        | bit(wind > rules.wind_upper_block_m_s, Reason.WIND_HIGH)
        | bit(gust > rules.gust_block_m_s, Reason.GUST)
        | bit(gust_unknown & ~expected & (wind > rules.wind_upper_gust_unknown_m_s), Reason.GUST_UNKNOWN)
    )
    start, end = rules.crew_start, rules.crew_end
    if rules.fine:
        start, end = max(start, rules.noise_start), min(end, rules.noise_end)
    blocks |= bit((frame["hour"] < start) | (frame["hour"] + 1 > end), Reason.OUTSIDE_HOURS)
    cautions = (
        bit(frame["coarse"] & (not rules.coarse_step_blocks), Reason.COARSE_STEP)
        | bit(wind > rules.wind_upper_caution_m_s, Reason.WIND_HIGH)
        | bit(gust > rules.gust_caution_m_s, Reason.GUST)
        | bit(gust_unknown & ~expected, Reason.GUST_UNKNOWN)
    )
    rooms = [
        (rules.wind_upper_block_m_s - wind) / rules.scale_wind_m_s,
        (rules.gust_block_m_s - gust) / rules.scale_gust_m_s,
    ]
    if not rules.plain_water:
        nozzle = wind * rules.wind_height_factor
        blocks |= bit(nozzle < rules.wind_lower_block_m_s, Reason.WIND_LOW)
        rooms.append(
            (nozzle - rules.wind_lower_block_m_s) / (rules.scale_wind_m_s * rules.wind_height_factor)
        )
        before = rules.inversion_before_sunset_dry_h if dry_spell else rules.inversion_before_sunset_h
        room = np.minimum(frame["since"] - rules.inversion_after_sunrise_h, frame["until"] - 1.0 - before)
        down = frame["altitude"] <= 0.0
        blocks |= bit((room < 0.0) | down, Reason.INVERSION_CLOCK)
        rooms.append(room / rules.scale_clock_h)
        night = down | (np.minimum(frame["since"], frame["until"] - 1.0) < 1.0)
        stability = pd.Series(
            turner_class(wind, frame["cloud_cover_pct"] / 10.0, math.inf, frame["altitude"], night),
            frame.index,
        )
        blocks |= bit(stability >= rules.stability_block_class, Reason.INVERSION_CLASS)
        cautions |= bit(stability >= rules.stability_caution_class, Reason.INVERSION_CLASS)
        delta = frame["delta_t"]
        blocks |= bit(delta > rules.wet_bulb_depression_block_c, Reason.DELTA_T_HIGH)
        cautions |= bit(delta > rules.wet_bulb_depression_caution_c, Reason.DELTA_T_HIGH)
        rooms.append((rules.wet_bulb_depression_block_c - delta) / rules.scale_wet_bulb_depression_c)
        hot_dry = bit(
            (frame["relative_humidity_pct"] < rules.hot_dry_humidity_pct)
            & (frame["air_temperature_c"] > rules.hot_dry_temperature_c),
            Reason.HOT_DRY_AIR,
        )
        blocks, cautions = (
            (blocks | hot_dry, cautions) if rules.hot_dry_blocks else (blocks, cautions | hot_dry)
        )
        blocks |= bit(frame["precipitation_mm"] >= rules.rain_now_block_mm, Reason.RAIN_NOW)
    return blocks, cautions, pd.concat(rooms, axis=1).min(axis=1)


def material_gates(
    frame: pd.DataFrame,
    rules: SprayRules,
    rolled: Rolling,
    blocks: pd.Series,
    cautions: pd.Series,
    margin: pd.Series,
) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Return bits and margin with the gates of one material."""
    temperature = frame["air_temperature_c"]
    blocks |= bit(temperature < rules.cold_block_c, Reason.COLD)
    cautions |= bit(temperature < rules.cold_caution_c, Reason.COLD)
    rooms = [margin, (temperature - rules.cold_block_c) / rules.scale_temperature_c]
    if rules.plain_water:
        return blocks, cautions, pd.concat(rooms, axis=1).min(axis=1)
    sunny = ~(frame["cloud_cover_pct"] >= rules.sun_cloud_pct) & ~(frame["altitude"] <= 0.0)
    in_sun = min(rules.heat_block_c, rules.heat_sun_block_c)
    warn_in_sun = min(rules.heat_shade_caution_c, rules.heat_sun_caution_c)
    blocks |= bit(temperature >= rules.heat_block_c, Reason.HEAT)
    blocks |= bit(sunny & (temperature >= in_sun), Reason.SUN_HEAT)
    cautions |= bit(temperature >= rules.heat_shade_caution_c, Reason.HEAT)
    cautions |= bit(sunny & (temperature >= rules.heat_sun_caution_c), Reason.SUN_HEAT)
    horizon_h = rules.heat_horizon_h
    hottest = ahead(frame, "t later", horizon_h - 1, "max", rolled, temperature.shift(-1))
    sunniest = ahead(frame, "sun later", horizon_h - 1, "max", rolled, temperature.where(sunny).shift(-1))
    over = np.fmax(hottest - rules.heat_block_c, sunniest - in_sun)
    blocks |= bit(over >= 0.0, Reason.HEAT_AHEAD)
    cautions |= bit((hottest >= rules.heat_shade_caution_c) | (sunniest >= warn_in_sun), Reason.HEAT_AHEAD)
    limit_now = pd.Series(rules.heat_block_c, frame.index).mask(sunny, in_sun)
    rooms += [(limit_now - temperature) / rules.scale_temperature_c, -over / rules.scale_temperature_c]
    missing = temperature.isna().astype(float)
    unknown = ahead(frame, "t unknown", horizon_h, "max", rolled, missing) > 0
    if rules.freeze_gate:
        coldest = ahead(frame, "air_temperature_c", rules.freeze_block_time_h, "min", rolled)
        later = ahead(frame, "air_temperature_c", rules.freeze_caution_time_h, "min", rolled)
        limit = rules.freeze_evergreen_c if rules.evergreen else rules.freeze_deciduous_c
        blocks |= bit(coldest < limit, Reason.FREEZE_AHEAD)
        cautions |= bit(later < rules.freeze_deciduous_c, Reason.FREEZE_AHEAD)
        unknown |= ahead(frame, "t unknown", rules.freeze_block_time_h, "max", rolled, missing) > 0
        rooms.append((coldest - limit) / rules.scale_temperature_c)
    free_h = rules.rain_free_h
    rain = ahead(frame, "precipitation_mm", free_h, "sum", rolled)
    chance = ahead(frame, "precipitation_probability_pct", free_h, "max", rolled)
    later = ahead(frame, "precipitation_mm", max(rules.rain_caution_time_h, free_h), "sum", rolled)
    unknown |= (
        ahead(frame, "rain?", free_h, "max", rolled, frame["precipitation_mm"].isna().astype(float)) > 0
    )
    no_chance = frame["precipitation_probability_pct"].isna()
    expected = bool((~no_chance & frame["forecast"]).any())
    chance_unknown = ahead(frame, "chance?", free_h, "max", rolled, no_chance.astype(float)) > 0
    unknown |= chance_unknown & expected
    cautions |= bit(chance_unknown & (not expected), Reason.RAIN_CHANCE_UNKNOWN)
    amount = pd.Series(rules.rain_ahead_amount_mm, frame.index).mask(
        chance_unknown, rules.rain_ahead_amount_chance_unknown_mm
    )
    blocks |= bit((rain >= amount - 1e-9) | (chance >= rules.rain_ahead_chance_block_pct), Reason.RAIN_AHEAD)
    cautions |= bit(
        (later >= rules.rain_ahead_amount_mm - 1e-9) | (chance >= rules.rain_ahead_chance_caution_pct),
        Reason.RAIN_AHEAD,
    )
    rooms += [1.0 - rain / amount, 1.0 - chance.fillna(0.0) / rules.rain_ahead_chance_block_pct]
    rained = (frame["precipitation_mm"] >= rules.rain_now_block_mm).astype(float)
    back = int(rules.leaf_wet_rain_time_h) + 1
    wet = (
        (frame["relative_humidity_pct"] >= rules.leaf_wet_humidity_pct)
        | (temperature - frame["dew_point_c"] <= rules.leaf_wet_dew_point_depression_c)
        | (rained.rolling(back, min_periods=1).max() > 0)
    )
    untold = frame[["relative_humidity_pct", "dew_point_c", "air_temperature_c"]].isna().any(axis=1)
    untold |= frame["precipitation_mm"].isna().astype(float).rolling(back).max().fillna(1.0) > 0
    slow = bit(frame["delta_t"] < rules.wet_bulb_depression_low_c, Reason.DELTA_T_LOW)
    if rules.leaf_wet_blocks:
        blocks |= bit(wet, Reason.LEAF_WET)
        unknown |= untold & ~wet
    else:
        cautions |= bit(wet | untold, Reason.LEAF_WET)
    blocks, cautions = (blocks | slow, cautions) if rules.slow_drying_blocks else (blocks, cautions | slow)
    blocks |= bit(unknown, Reason.MISSING_WEATHER)
    needed_h = max(horizon_h, free_h, rules.freeze_block_time_h if rules.freeze_gate else 0.0)
    blocks |= bit(
        pd.Series(np.arange(len(frame)) + math.ceil(needed_h) > len(frame) - 1, frame.index),
        Reason.HORIZON_END,
    )
    return blocks, cautions, pd.concat(rooms, axis=1).min(axis=1)


def plant_gates(
    rules: SprayRules, drought: int, blocks: pd.Series, cautions: pd.Series
) -> tuple[pd.Series, pd.Series]:
    """Return the bits with what the plants forbid."""
    closed = drought != 0 if rules.drought_unknown_blocks else drought == 2
    if rules.drought_sensitive and closed:
        blocks |= int(Reason.DROUGHT)
    if drought != 0:
        cautions |= int(Reason.DROUGHT)
    if rules.sensitivity == 2:
        blocks |= int(Reason.SENSITIVE_PLANT)
    elif rules.sensitivity == 1:
        cautions |= int(Reason.SENSITIVE_PLANT)
    if rules.dormant_only:
        cautions |= int(Reason.NOT_DORMANT)
    if rules.bee_category is not BeeCategory.NONE:
        cautions |= int(Reason.BLOOM)
    return blocks, cautions


def windows(blocks: pd.Series, cautions: pd.Series, margin: pd.Series) -> list[tuple[Any, ...]]:
    """Return start, end, closing bits, caution bits and quality of each window."""
    shortest = round(float(load_alert_policy().spray_notice.shortest_window))
    opened = blocks == 0
    run = (opened != opened.shift()).cumsum()
    found = []
    for _, hours in blocks[opened].groupby(run[opened]):
        if len(hours) < shortest:
            continue
        end = hours.index[-1] + pd.Timedelta(hours=1)
        found.append(
            (
                hours.index[0],
                end,
                int(blocks[end]) if end in blocks.index else int(Reason.HORIZON_END),
                int(np.bitwise_or.reduce(cautions[hours.index].to_numpy())),
                float(margin[hours.index].rolling(shortest).min().max()),
            )
        )
    return found


def commonest(blocks: pd.Series) -> list[int]:
    """Return the bits of the four reasons that close most hours beside the night."""
    told = blocks[(blocks & int(Reason.OUTSIDE_HOURS | Reason.INVERSION_CLOCK)) == 0].to_numpy()
    counts = ((told[:, None] & BITS) != 0).sum(axis=0)
    if not counts.any():
        counts = ((blocks.to_numpy()[:, None] & BITS) != 0).sum(axis=0)
    order = np.argsort(-counts, kind="stable")[:4]
    return [int(BITS[i]) for i in order if counts[i] > 0]
