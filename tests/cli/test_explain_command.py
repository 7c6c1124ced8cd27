from __future__ import annotations

import datetime as dt
import json

import pytest

from alertd.delivery.message import StopNotice
from alertd.delivery.render import render
from alertd.records.site import Channel, Subscriber
from alertd.store.store import open_store
from tests.cli.conftest import Clock, Program

pytestmark = pytest.mark.enable_socket
HOUR = "2026-07-15T09:00"
STOP = StopNotice("alerts@example.com")


@pytest.mark.parametrize("columns", ["80", "120"])
@pytest.mark.parametrize("units", ["us", "metric"])
def test_an_hour_is_explained_in_the_order_of_deciding(fetched: Program, columns: str, units: str) -> None:
    fetched.env["COLUMNS"] = columns
    told = fetched.done("explain", "Invented Court", "--hour", HOUR, "--material", "soap", "--units", units)
    assert max(map(len, told.splitlines())) <= int(columns)
    order = [
        "Label and plants",
        "Bloom and bees",
        "Water status",
        "Inversion",
        "Wind",
        "Temperature",
        "Rain",
        "People",
    ]
    places = [told.index(f"\n{title}\n") for title in order]
    assert places == sorted(places)
    assert ("°F" in told) == (units == "us")
    assert "label" in told
    assert "safe" not in told.lower()


def test_the_json_of_an_hour_agrees_with_the_outlook(fetched: Program) -> None:
    outlook = json.loads(fetched.done("outlook", "Invented Court", "--json"))
    soap = next(one for one in outlook["materials"] if one["material"] == "soap")
    for hour in soap["hours"][::47]:
        words = ("explain", "Invented Court", "--hour", hour["start_at"], "--material", "soap", "--json")
        (found,) = json.loads(fetched.done(*words))["hours"]
        assert found["open"] == hour["open"]
        closed = [gate["reason"] for gate in found["gates"] if gate["state"] == "closed"]
        assert sorted(closed) == sorted(hour["blocks"])


def test_without_a_material_every_chosen_one_is_explained(fetched: Program) -> None:
    found = json.loads(fetched.done("explain", "Invented Court", "--hour", HOUR, "--json"))
    assert [one["material"] for one in found["hours"]] == ["soap", "horticultural_oil"]


def test_the_site_is_explained_with_parts_inputs_and_sources(fetched: Program) -> None:
    told = fetched.done("explain", "Invented Court")
    for part in (
        "Mite pressure: Spruce spider mite", "Hot dry triggers", "Water: north hedge (spruce)", "FAO-56",
        "degree-days", "Chance: how far forecasts stray", "unverified", "Cautions",
    ):  # fmt: skip
        assert part in told
    assert "safe" not in told.lower()


def test_the_site_in_json_holds_the_numbers_of_the_outlook(fetched: Program) -> None:
    outlook = json.loads(fetched.done("outlook", "Invented Court", "--json"))
    found = json.loads(fetched.done("explain", "Invented Court", "--json"))
    scores = {one["species"]: round(one["score"], 1) for one in found["pressures"]}
    assert scores == {one["species"]: one["score"] for one in outlook["pressures"]}
    assert [one["status"]["state"] for one in found["water"]] == [one["state"] for one in outlook["water"]]
    assert found["spells"][0]["spell"]["start_day"] == outlook["spells"][0]["start_day"]


def test_an_hour_beyond_the_forecast_is_refused(fetched: Program) -> None:
    assert "hour" in fetched.refused(2, "explain", "Invented Court", "--hour", "2026-08-15T09:00")


def test_a_material_that_is_not_chosen_is_refused(fetched: Program) -> None:
    told = fetched.refused(2, "explain", "Invented Court", "--hour", HOUR, "--material", "sulfur")
    assert "not chosen" in told


def test_a_material_without_an_hour_is_refused(fetched: Program) -> None:
    assert "--hour" in fetched.refused(2, "explain", "Invented Court", "--material", "soap")


def test_a_site_without_weather_is_a_passing_failure(watching: Program) -> None:
    assert "alertd cycle" in watching.refused(75, "explain", "Invented Court")


def test_the_command_under_a_message_finds_the_numbers_of_that_message(
    fetched: Program, clock: Clock
) -> None:
    with open_store(str(fetched.env["ALERTD_DATABASE__URL"])) as store:
        (site,) = store.sites()
        alert = next(one.alert for one in store.history(site.id) if "pressures" in one.alert.evidence)
    told = render(alert, site, Subscriber("r", "Invented Reader", Channel.EMAIL, "r@example.org"), STOP).text
    (command,) = (line.split() for line in told.splitlines() if line.startswith("  alertd explain "))
    clock.now += dt.timedelta(hours=30)
    fetched.done("cycle")
    found = json.loads(fetched.done(*command[1:], "--json"))
    scores = {one["species"]: round(one["score"], 1) for one in found["pressures"]}
    for one in alert.evidence["pressures"]:
        assert scores[one["species"]] == one["score"]
    if "spell" in alert.evidence:
        assert round(found["spells"][0]["spell"]["chance"], 2) == alert.evidence["spell"]["chance"]
    later = json.loads(fetched.done("explain", site.id, "--json"))
    assert later["made_at"] != found["made_at"]
