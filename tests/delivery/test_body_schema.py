"""The published schemas fit every body that is sent, let nothing else pass, and do not change unseen."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from alertd.delivery.body_schema import newest, published
from alertd.delivery.trial import TRIAL_KIND, trial_body
from alertd.delivery.webhook import BODY_VERSION, webhook_body
from alertd.errors import InputError
from alertd.records.alert import Alert, AlertKind, Change
from alertd.records.assessment import Level, Phase, WaterState
from alertd.records.evidence import AlertEvidence
from alertd.records.site import Channel, Site, Subscriber
from tests.alerts.builders import (
    DAY,
    HOT,
    HOUR,
    MILD,
    MORNING,
    TODAY,
    Story,
    outlook,
    pressure,
    spell,
    water,
    window,
)
from tests.delivery.evidence import every_alert, make_alert, make_hot_dry, make_site
from tests.delivery.schema_source import FOLDER, every_schema, written

Path = tuple[str | int, ...]
VALIDATORS = {kind: Draft202012Validator(newest(kind).schema) for kind in (*AlertKind, TRIAL_KIND)}
SITE = make_site("Café — Hof ☀")
BODIES = {name: json.loads(webhook_body(alert, SITE)) for name, alert in every_alert(SITE).items()}


def faults(body: dict[str, Any]) -> list[str]:
    return [
        f"{error.json_path}: {error.message[:200]}"
        for error in VALIDATORS[body["data"]["kind"]].iter_errors(body)
    ]


def test_the_files_are_what_the_types_of_the_evidence_say() -> None:
    """If not: python -m tests.delivery.schema_source, and a new BODY_VERSION for what breaks receivers."""
    found = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.glob(f"*.v{BODY_VERSION}.json")}
    assert found == {name: written(schema) for name, schema in every_schema().items()}


def test_every_kind_has_a_schema_of_the_version_that_bodies_carry() -> None:
    for kind in (*AlertKind, TRIAL_KIND):
        found = newest(kind)
        assert found.version == BODY_VERSION == found.schema["properties"]["version"]["const"]
        assert found.name.endswith(f"/{kind}.v{BODY_VERSION}.json")
        Draft202012Validator.check_schema(found.schema)
    assert len({one.name for one in published()}) == len(published()) >= len(AlertKind) + 1


def test_every_key_of_the_evidence_stands_in_a_schema() -> None:
    told = {
        key
        for kind in AlertKind
        for key in newest(kind).schema["properties"]["data"]["properties"]["evidence"]["properties"]
    }
    assert told == set(AlertEvidence.__annotations__)


def test_an_unknown_kind_is_refused_with_the_list() -> None:
    with pytest.raises(InputError, match="kind: 'rain' is not known; use one of all-clear, hot-dry-warning"):
        newest("rain")


@pytest.mark.parametrize("name", BODIES)
def test_the_body_of_every_kind_and_shape_fits_its_schema(name: str) -> None:
    assert faults(BODIES[name]) == []


def test_a_body_that_was_handed_over_or_cut_fits_too() -> None:
    alert = every_alert(SITE)["hot-dry"]
    body = json.loads(webhook_body(alert, SITE, "Crew lead"))
    assert body["data"]["handed_over_from"] == "Crew lead"
    assert faults(body) == []
    evidence = make_hot_dry(SITE)
    evidence["days"] = evidence["days"] * 100
    evidence["pressures"] = evidence["pressures"] * 500
    cut = json.loads(webhook_body(make_alert(AlertKind.HOT_DRY, evidence), SITE))
    assert cut["data"]["left_out"] == ["days", "pressures"]
    assert faults(cut) == []
    cut["data"]["left_out"] = ["days"]
    assert faults(cut)  # a key that is missing must be named


def test_numbers_that_are_not_known_fit_as_null() -> None:
    evidence = make_hot_dry(SITE)
    evidence["pressures"][0]["score"] = math.nan
    body = json.loads(webhook_body(make_alert(AlertKind.HOT_DRY, evidence), SITE))
    assert body["data"]["evidence"]["pressures"][0]["score"] is None
    assert faults(body) == []


def test_the_message_that_tries_the_way_fits_its_schema() -> None:
    reader = Subscriber("sub-1", "Board", Channel.WEBHOOK, "https://hooks.example.com/in")
    body = json.loads(trial_body(reader, MORNING))
    assert list(VALIDATORS[TRIAL_KIND].iter_errors(body)) == []
    del body["data"]["text"]
    assert list(VALIDATORS[TRIAL_KIND].iter_errors(body))


def places(value: Any, path: Path = ()) -> Iterator[Path]:
    """Yield the path of every object in a document."""
    if isinstance(value, dict):
        yield path
        for key, inner in value.items():
            yield from places(inner, (*path, key))
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from places(inner, (*path, place))


def at(document: Any, path: Path) -> Any:
    for step in path:
        document = document[step]
    return document


MAY_BE_MISSING = {
    "chance",
    "best_start_at",
    "also",
    "told_with",
    "instead",
    "chance_days",
    "chance_ensemble",
    "age_h",
    "missing_since",
}
OF_WHAT_IS_OVER = {"days", "pressures", "water", "materials", "horizon_end", "scouting"}
FREE = "figures"
"""The one object whose keys are not fixed: the figures of a rule, by name."""


def may_be_missing(body: dict[str, Any], path: Path, key: str) -> bool:
    if path == ("data", "evidence") and body["data"]["kind"] == AlertKind.ALL_CLEAR:
        return key in MAY_BE_MISSING | OF_WHAT_IS_OVER
    return key in MAY_BE_MISSING


@given(st.data())
def test_nothing_may_be_added_taken_away_or_turned_into_another_type(data: st.DataObject) -> None:
    body = copy.deepcopy(BODIES[data.draw(st.sampled_from(sorted(BODIES)))])
    validator = VALIDATORS[body["data"]["kind"]]
    path = data.draw(st.sampled_from([path for path in places(body) if FREE not in path]))
    there = at(body, path)
    how = data.draw(st.sampled_from(["add", "take", "turn"]))
    if how == "add":
        there[
            data.draw(
                st.text(min_size=1).filter(lambda name: name not in there and name not in MAY_BE_MISSING)
            )
        ] = 1
    else:
        key = data.draw(st.sampled_from(sorted(there)))
        if how == "turn":
            there[key] = {"not": ["what", "belongs", "here"]}
        elif may_be_missing(body, path, key):
            return
        else:
            del there[key]
    assert list(validator.iter_errors(body)), (how, path)


@pytest.mark.parametrize(
    ("path", "wrong"),
    [
        (("version",), 2),
        (("type",), "alertd.hot_dry_warning.closed"),
        (("type",), "alertd.hot_dry_warning.raised"),
        (("timestamp",), "2025-07-16 10:05"),
        (("data", "level"), 4),
        (("data", "level_name"), "watch"),
        (("data", "change"), "closed"),
        (("data", "kind"), "milestone"),
        (("data", "sequence"), 0),
        (("data", "expires_at"), "tomorrow"),
        (("data", "left_out"), ["spell"]),
        (("data", "evidence", "spell", "start_day"), "11 July"),
        (("data", "evidence", "spell", "level"), "extreme"),
        (("data", "evidence", "horizon_end"), "2025-07-24T04:00:00-04:00"),
        (("data", "evidence", "days", 0, "observed"), "yes"),
    ],
)
def test_values_outside_their_list_or_form_are_refused(path: Path, wrong: object) -> None:
    body = copy.deepcopy(BODIES["hot-dry"])
    at(body, path[:-1])[path[-1]] = wrong
    assert list(VALIDATORS[AlertKind.HOT_DRY].iter_errors(body))


LEVELS = st.sampled_from([Level.WATCH, Level.HIGH, Level.SEVERE])


@st.composite
def looks(draw: st.DrawFn) -> dict[str, Any]:
    """Return what one cycle sees: any mix of spells, pressures, dry plants and windows, or no weather."""
    if draw(st.integers(0, 9)) == 0:
        return {"blind": True}
    phase = draw(st.sampled_from([Phase.ACTIVE, Phase.ACTIVE, Phase.SEASON_OVER, Phase.WINTER_REST]))
    score = draw(st.sampled_from([5.0, 44.0, 60.0, 75.0, 95.0, math.nan]))
    start = TODAY + draw(st.integers(-3, 6)) * DAY
    dry = draw(st.sampled_from([WaterState.OK, WaterState.STRESSED, WaterState.UNKNOWN]))
    open_ = draw(st.booleans())
    return {
        "age_h": draw(st.sampled_from([1.0, 1.0, 1.0, 14.0, 80.0])),
        "days": draw(st.sampled_from([HOT, MILD])),
        "spells": (spell(draw(LEVELS), start_day=start, end_day=start + 6 * DAY),)
        if draw(st.booleans())
        else (),
        "pressures": (
            pressure(score=score, phase=phase),
            pressure(
                "spruce", draw(st.sampled_from([10.0, 80.0])), generations=draw(st.sampled_from([0.2, 2.1]))
            ),
        ),
        "water": (water(state=dry), water("screen")),
        "materials": (outlook(window(MORNING + draw(st.integers(1, 90)) * HOUR)) if open_ else outlook(),),
    }


@given(st.lists(looks(), min_size=1, max_size=8), st.sampled_from([6, 12, 30]))
def test_whatever_is_decided_fits_the_schema_of_its_kind(seen: list[dict[str, Any]], apart_h: int) -> None:
    story = Story()
    for step, what in enumerate(seen):
        now = MORNING + step * apart_h * HOUR
        for alert in story.see(now, **what):
            assert faults(json.loads(webhook_body(alert, story.site))) == []


def test_the_story_of_a_warning_from_opening_to_all_clear_fits() -> None:
    """So that the kinds the random stories meet rarely are met for certain."""
    told = list(_every_kind_told())
    assert {alert.kind for alert, _ in told} == set(AlertKind)
    assert {alert.change for alert, _ in told} >= {Change.OPENED, Change.RAISED, Change.CLOSED}
    for alert, site in told:
        body = json.loads(webhook_body(alert, site))
        assert faults(body) == []
        assert ("closed_because" in body["data"]["evidence"]) == (alert.change is Change.CLOSED)


def _every_kind_told() -> Iterator[tuple[Alert, Site]]:
    story = Story()
    hot = {"days": HOT, "pressures": (pressure(score=80.0), pressure("spruce", generations=2.1))}
    dry = (water(state=WaterState.STRESSED), water("screen"))
    soap = (outlook(window(MORNING + 26 * HOUR)),)
    story.see(MORNING, spells=(spell(Level.WATCH),), water=dry, materials=soap, **hot)
    story.see(MORNING + DAY, spells=(spell(Level.SEVERE),), water=dry, materials=soap, **hot)
    for n in range(2, 5):
        story.see(MORNING + n * DAY, blind=True)
    for n in range(5, 20):
        story.see(MORNING + n * DAY, days=MILD, pressures=(pressure(phase=Phase.SEASON_OVER),))
    yield from ((alert, story.site) for _, alerts in story.tellings for alert in alerts)
