from __future__ import annotations

import csv
import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.cli.history_command import COLUMNS, harmless
from tests.cli.conftest import Program


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("=1+2", "'=1+2"),  # OWASP, CSV Injection: cells that begin with = + - @ tab or return
        ("+cmd|' /C calc'!A0", "'+cmd|' /C calc'!A0"),
        ("-2+3", "'-2+3"),
        ("@SUM(1)", "'@SUM(1)"),
        ("\t=1", "'\t=1"),
        ("\r=1", "'\r=1"),
        ("＝1", "'＝1"),
        ("-12.5", "-12.5"),
        ("+3", "+3"),
        ("Invented Court", "Invented Court"),
        ("", ""),
    ],
)
def test_no_cell_is_taken_for_a_formula(cell: str, written: str) -> None:
    assert harmless(cell) == written


@given(st.text(max_size=12) | st.sampled_from(["-1", "+2.5", "=1", "\t1"]))
def test_a_cell_begins_like_a_formula_only_if_it_is_a_number(cell: str) -> None:
    written = harmless(cell)
    if written[:1] in {"=", "+", "-", "@", "\t", "\r"}:
        assert float(written) == float(cell)
    assert written.removeprefix("'") == cell.removeprefix("'")


@pytest.fixture
def told(fetched: Program) -> Program:
    """The program after a cycle that warned."""
    return fetched


@pytest.mark.enable_socket
def test_the_history_lists_alerts_and_round_trips(told: Program) -> None:
    entries = json.loads(told.done("history", "--json"))
    assert "hot-dry-warning" in {entry["kind"] for entry in entries}
    for entry in entries:
        assert entry["site"] == "Invented Court"
        assert entry["evidence"]["place"]["zone"] == "America/New_York"
    printed = told.done("history")
    assert "Invented Court" in printed
    assert "EDT" in printed


@pytest.mark.enable_socket
def test_the_csv_holds_the_same_alerts_with_every_cell_quoted(told: Program) -> None:
    name = '=HYPERLINK("https://example.com")'
    told.done("site", "edit", "Invented Court", "--name", name)
    text = told.done("history", "--csv")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert list(rows[0]) == list(COLUMNS)
    ids = [entry["id"] for entry in json.loads(told.done("history", "--json"))]
    assert [row["alert_id"] for row in rows] == ids
    assert all(row["site"] == f"'{name}" for row in rows)
    assert all(line.startswith('"') and line.endswith('"') for line in text.splitlines())


@pytest.mark.enable_socket
def test_the_history_can_be_narrowed(told: Program) -> None:
    every = json.loads(told.done("history", "--json", "--limit", "0"))
    assert len(every) >= 2
    assert len(json.loads(told.done("history", "--json", "--limit", "1"))) == 1
    hot = json.loads(told.done("history", "--json", "--kind", "hot-dry-warning"))
    assert {entry["kind"] for entry in hot} == {"hot-dry-warning"}
    assert json.loads(told.done("history", "--json", "--since", "2026-07-14")) == every
    assert json.loads(told.done("history", "--json", "--since", "2026-07-15")) == []
    assert json.loads(told.done("history", "--json", "--site", "Invented Court")) == every


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--kind", "gossip"), "use one of"),
        (("--since", "spring"), "is not a day"),
        (("--since", "2999-01-01"), "lies in the future"),
        (("--site", "Elsewhere"), "no site 'Elsewhere'"),
        (("--csv", "--json"), "give one of"),
    ],
)
def test_what_is_mistyped_is_refused(watching: Program, words: tuple[str, ...], told: str) -> None:
    assert told in watching.refused(2, "history", *words)


def test_an_empty_history_says_so(watching: Program) -> None:
    assert "No alert yet" in watching.done("history")
    assert json.loads(watching.done("history", "--json")) == []
    assert watching.done("history", "--csv").startswith('"made_at"')
