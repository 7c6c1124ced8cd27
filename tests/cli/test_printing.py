from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass

import numpy as np
import pytest

from alertd.cli.printing import examples, facts, paragraph, plain, print_json, table
from alertd.records.assessment import Level
from alertd.records.site import Channel


@dataclass(frozen=True, slots=True)
class Record:
    at: dt.datetime
    day: dt.date
    level: Level
    channel: Channel
    values: object


def test_a_record_becomes_what_json_knows(capsys: pytest.CaptureFixture[str]) -> None:
    at = dt.datetime(2026, 7, 14, 8, tzinfo=dt.timezone(dt.timedelta(hours=-4)))
    record = Record(at, dt.date(2026, 7, 14), Level.HIGH, Channel.EMAIL, {"x": (1, float("nan"), None, True)})
    print_json(record)
    assert json.loads(capsys.readouterr().out) == {
        "at": "2026-07-14T12:00:00Z",
        "day": "2026-07-14",
        "level": "high",
        "channel": "email",
        "values": {"x": [1, None, None, True]},
    }
    assert plain(np.array([1.5, np.inf])) == [1.5, None]


def test_names_are_printed_as_they_are_never_as_markup(capsys: pytest.CaptureFixture[str]) -> None:
    table(("Name", "[b]"), [("[red]Yard[/red]", ":sparkles: [/]")])
    facts([("Name", "[bold]x"), ("Empty", "")])
    paragraph("[link=https://example.com]y")
    printed = capsys.readouterr().out
    for text in ("[red]Yard[/red]", ":sparkles: [/]", "[bold]x", "[link=https://example.com]y"):
        assert text in printed
    assert "Empty" not in printed


def test_nothing_is_printed_beyond_the_width(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    table(("Name", "What"), [("word " * 30, "other " * 30)], whole=("Name",))
    paragraph("word " * 60)
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 60


def test_examples_stand_line_by_line() -> None:
    assert examples("one", "two").splitlines() == ["\b", "Examples:", "  one", "  two"]
