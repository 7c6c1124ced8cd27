from __future__ import annotations

import datetime as dt
import json
import re

import pytest

from alertd.weather.replay import ReplayServer
from tests.cli.conftest import NOW, Clock, Program

pytestmark = pytest.mark.enable_socket


@pytest.mark.parametrize("columns", ["80", "120"])
@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_outlook_fits_the_terminal_and_tells_everything(
    fetched: Program, columns: str, units: str
) -> None:
    fetched.env["COLUMNS"] = columns
    told = fetched.done("outlook", "Invented Court", "--units", units)
    assert max(map(len, told.splitlines())) <= int(columns)
    for part in (
        "Mite pressure, 0 to 100", "Hot dry spell", "Water", "Day by day", "Spray windows",
        "Spruce spider mite", "Insecticidal soap", "Cautions", "label", "Open-Meteo", "America/New_York",
    ):  # fmt: skip
        assert part in told
    assert ("°F" in told) == (units == "us")
    assert ("°C" in told) == (units == "metric")


def test_the_outlook_never_calls_anything_safe(fetched: Program) -> None:
    assert "safe" not in fetched.done("outlook", "Invented Court").lower()
    assert "safe" not in fetched.done("outlook", "Invented Court", "--json").lower()


def test_the_outlook_finds_the_invented_spell(fetched: Program) -> None:
    document = json.loads(fetched.done("outlook", "Invented Court", "--json"))
    spells = document["spells"]
    assert spells
    assert spells[0]["start_day"] <= "2026-07-18"
    assert spells[0]["end_day"] >= "2026-07-20"
    assert "Jul 2" in fetched.done("outlook", "Invented Court").partition("Hot dry spell")[2]


def test_the_json_tells_the_reasons_of_every_closed_hour(fetched: Program) -> None:
    document = json.loads(fetched.done("outlook", "Invented Court", "--json"))
    assert document == json.loads(json.dumps(document))
    assert {one["material"] for one in document["materials"]} == {"soap", "horticultural_oil"}
    for material in document["materials"]:
        hours = material["hours"]
        assert len(hours) == 7 * 24
        assert all(hour["open"] == (not hour["blocks"]) for hour in hours)
        starts = [dt.datetime.fromisoformat(hour["start_at"]) for hour in hours]
        assert starts[0] <= NOW < starts[1]
        inside = {
            at
            for window in material["windows"]
            for at in starts
            if dt.datetime.fromisoformat(window["start_at"])
            <= at
            < dt.datetime.fromisoformat(window["end_at"])
        }
        open_at = {at for at, hour in zip(starts, hours, strict=True) if hour["open"]}
        assert inside <= open_at
    assert document["cautions"]
    assert document["data_as_of"] <= document["made_at"]


def test_a_past_moment_shows_the_weather_stored_then(fetched: Program, clock: Clock) -> None:
    then = json.loads(fetched.done("outlook", "Invented Court", "--json"))
    clock.now = NOW + dt.timedelta(hours=30)
    fetched.done("cycle")
    now = json.loads(fetched.done("outlook", "Invented Court", "--json"))
    again = json.loads(fetched.done("outlook", "Invented Court", "--at", NOW.isoformat(), "--json"))
    assert now["data_as_of"] > then["data_as_of"]
    assert again == then


def test_a_time_without_offset_is_the_sites_own(fetched: Program, clock: Clock) -> None:
    clock.now = NOW + dt.timedelta(hours=5)
    local = json.loads(fetched.done("outlook", "Invented Court", "--at", "2026-07-14T09:00", "--json"))
    assert local["made_at"] == "2026-07-14T13:00:00Z"  # EDT is UTC-4
    zulu = json.loads(fetched.done("outlook", "Invented Court", "--at", "2026-07-14T13:00Z", "--json"))
    assert zulu == local


@pytest.mark.parametrize(
    ("at", "told"),
    [("2027-01-01", "lies in the future"), ("noon", "is not a time"), ("0001-01-01T00:00", "no weather")],
)
def test_an_impossible_time_is_refused(fetched: Program, at: str, told: str) -> None:
    result = fetched("outlook", "Invented Court", "--at", at)
    assert result.exit_code in {2, 75}
    assert told in result.stderr


def test_a_site_without_weather_says_how_to_fetch_some(watching: Program) -> None:
    assert "alertd cycle" in watching.refused(75, "outlook", "Invented Court")


def test_weather_of_last_week_says_nothing_at_all(fetched: Program, clock: Clock) -> None:
    clock.now = NOW + dt.timedelta(days=6)
    told = fetched.refused(75, "outlook", "Invented Court")
    assert "6 days old, too old to say anything; run `alertd cycle`" in told
    assert fetched("outlook", "Invented Court", "--json").exit_code == 75
    assert fetched("outlook", "Invented Court", "--at", NOW.isoformat()).exit_code == 0


def test_old_weather_says_so_and_opens_nothing(fetched: Program, clock: Clock) -> None:
    clock.now = NOW + dt.timedelta(hours=30)
    told = fetched.done("outlook", "Invented Court")
    assert "too old" in told
    document = json.loads(fetched.done("outlook", "Invented Court", "--json"))
    assert not any(hour["open"] for one in document["materials"] for hour in one["hours"])


def test_the_chance_of_a_spell_is_told_in_tens_and_as_what_it_is(fetched: Program) -> None:
    document = json.loads(fetched.done("outlook", "Invented Court", "--json"))
    assert document["chance_days"] == 0
    assert document["spells"][0]["chance"] > 0.9
    told = " ".join(fetched.done("outlook", "Invented Court").split())
    assert "at least the first level: over 90%, from the forecast alone; no promise" in told


@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_chance_of_each_window_is_told_in_tens_and_as_what_it_is(
    watching: Program, world: ReplayServer, clock: Clock, units: str
) -> None:
    clock.now = dt.datetime(2026, 6, 22, 12, 10, tzinfo=dt.UTC)
    watching.env |= {"ALERTD_WEATHER__OPENMETEO__BASE_URL": world.openmeteo_url, "COLUMNS": "80"}
    watching.done("cycle")
    document = json.loads(watching.done("outlook", "Invented Court", "--json"))
    windows = [one for material in document["materials"] for one in material["windows"]]
    assert windows
    assert all(one["chance"] is not None for one in windows)
    lines = watching.done("outlook", "Invented Court", "--units", units).splitlines()
    shown = [sign for line in lines for sign in re.findall(r"[~<>](\d0)%", line) if line[2:5].istitle()]
    assert len(shown) >= len(windows) // 2, "each window in the grid, unless the line is full"
    told = " ".join(" ".join(lines).split())
    assert re.search(r"First window: .*? \(\d+ h, chance (about \d0|over 90|under 10)%", told)
    assert "likeliest hours of that window stay open, from the forecast alone; no promise" in told


def test_what_the_population_model_says_is_told_for_species_that_are_active(fetched: Program) -> None:
    document = json.loads(fetched.done("outlook", "Invented Court", "--json"))
    found = {one["species"]: one for one in document["populations"]}
    active, resting = found["twospotted"], found["spruce"]
    assert active["abundance"] > 0.0
    assert 0.0 < active["egg_share"] < 1.0
    assert active["next_hatch_on"] >= "2026-07-14"
    assert active["doubling_ahead_d"] > 0.0
    assert [resting[name] for name in ("abundance", "egg_share", "next_hatch_on", "next_adults_on")] == [
        None
    ] * 4
    for command in ("outlook", "explain"):
        told = " ".join(fetched.done(command, "Invented Court").split())
        assert f"{active['egg_share']:.0%} eggs, half of them hatched by" in told
        assert "without predators and treatments: counts decide" in told
