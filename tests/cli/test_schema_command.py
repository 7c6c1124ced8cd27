"""The contract with receivers of webhooks can be had from the program itself."""

from __future__ import annotations

import json

from alertd.records.alert import AlertKind
from tests.cli.conftest import Program


def test_every_kind_is_listed_with_its_version(program: Program) -> None:
    listed = json.loads(program.done("schema", "--json"))
    assert {(one["kind"], one["version"]) for one in listed} >= {(kind.value, 1) for kind in AlertKind}
    told = program.done("schema")
    assert all(kind in told for kind in (*AlertKind, "test"))


def test_one_kind_is_printed_as_it_was_published(program: Program) -> None:
    schema = json.loads(program.done("schema", "weather-missing"))
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["properties"]["data"]["properties"]["kind"] == {"const": "weather-missing"}


def test_an_unknown_kind_is_answered_with_the_list(program: Program) -> None:
    assert "use one of all-clear, " in program.refused(2, "schema", "rain")
