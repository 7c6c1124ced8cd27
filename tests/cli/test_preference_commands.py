from __future__ import annotations

import json

import pytest

from tests.cli.conftest import NOW, Clock, Program


@pytest.fixture
def told(watching: Program) -> Program:
    """The program with one site and two readers."""
    for name, address in (("Crew lead", "crew@example.com"), ("Office", "office@example.com")):
        watching.done("subscriber", "add", name, "--email", address, "--all-sites")
    return watching


def test_preferences_are_changed_and_shown(told: Program) -> None:
    shown = told.done(
        "subscriber", "prefs", "crew lead", "--digest", "7", "--weekly", "--evening", "--units", "metric",
        "--hand-over-to", "Office", "--after", "4", "--kinds", "hot dry warning", "--least-level", "watch",
    )  # fmt: skip
    for words in (
        "in a digest at 7:00",
        "Thursdays at 15:00",
        "17:00",
        "watch",
        "to Office after 4 h",
        "metric",
        "hot-dry-warning",
        "America/New_York",
    ):
        assert words in shown
    kept = json.loads(told.done("subscriber", "show", "crew lead", "--json"))
    assert kept["preferences"]["digest_hour"] == 7
    assert kept["preferences"]["weekly_day"] == 3
    assert kept["units"] == "metric"
    assert kept["weeks"] == []
    assert "secret" not in kept


def test_one_site_can_differ(told: Program) -> None:
    told.done("subscriber", "prefs", "Crew lead", "--digest", "7")
    told.done(
        "subscriber", "prefs", "Crew lead", "--site", "Invented Court", "--at-once", "--least-level", "high"
    )
    (site,) = json.loads(told.done("subscriber", "show", "Crew lead", "--json"))["sites"]
    assert (site["digest_hour"], site["least_level"]) == (None, "high")


def test_all_kinds_and_nobody_undo(told: Program) -> None:
    told.done(
        "subscriber", "prefs", "Crew lead", "--kinds", "milestone", "--hand-over-to", "Office", "--after", "1"
    )
    told.done("subscriber", "prefs", "Crew lead", "--kinds", "all", "--hand-over-to", "nobody")
    kept = json.loads(told.done("subscriber", "show", "Crew lead", "--json"))["preferences"]
    assert (kept["kinds"], kept["hand_over_to"]) == ([], None)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("prefs", "Crew lead", "--digest", "22"), "quiet hour"),
        (("prefs", "Crew lead", "--least-level", "loud"), "use one of none, note"),
        (("prefs", "Crew lead", "--kinds", "gossip"), "use one of"),
        (("prefs", "Crew lead", "--weekly-day", "t"), "use one of monday"),
        (("prefs", "Crew lead", "--hand-over-to", "Crew lead", "--after", "2"), "somebody else"),
        (("prefs", "Nobody"), "no subscriber"),
        (("snooze", "Crew lead", "--site", "Invented Court", "--until", "2026-07-01"), "within the next"),
        (("snooze", "Crew lead", "--site", "Invented Court", "--until", "soon"), "not a day"),
        (("acknowledge", "Crew lead", "--site", "Elsewhere"), "no site"),
    ],
)
def test_what_cannot_be_is_refused(told: Program, words: tuple[str, ...], why: str) -> None:
    assert why in told.refused(2, "subscriber", *words)


def test_a_site_is_snoozed_until_a_local_day_and_woken(told: Program) -> None:
    named = ("subscriber", "snooze", "Crew lead", "--site", "Invented Court", "--until")
    assert "quiet until 2026-07-20" in told.done(*named, "2026-07-20")
    (site,) = json.loads(told.done("subscriber", "show", "Crew lead", "--json"))["sites"]
    assert site["snoozed_until"] == "2026-07-20T04:00:00Z"  # midnight in New York
    assert "no longer quiet" in told.done(*named, "now")


@pytest.mark.enable_socket
@pytest.mark.allow_hosts(["127.0.0.1"])
def test_what_is_open_is_acknowledged(fetched: Program, clock: Clock) -> None:
    assert clock.now == NOW
    fetched.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    said = fetched.done("subscriber", "acknowledge", "Crew", "--site", "Invented Court")
    assert "Seen: hot-dry-warning at Invented Court" in said


def test_where_nothing_is_open_that_is_said(told: Program) -> None:
    said = told.done("subscriber", "acknowledge", "Crew lead", "--site", "Invented Court")
    assert said == "Nothing is open at Invented Court.\n"


@pytest.mark.parametrize("command", ["prefs", "show", "snooze", "acknowledge"])
def test_help_has_examples(told: Program, command: str) -> None:
    said = told.done("subscriber", command, "--help")
    assert f"alertd subscriber {command}" in said.partition("Examples:")[2]


def test_a_new_mail_reader_gets_the_usual_briefs_and_can_end_them(told: Program) -> None:
    shown = told.done("subscriber", "show", "Crew lead")
    assert "Thursdays at 15:00" in shown
    assert "17:00, when tomorrow has a window or loses one" in shown
    shown = told.done("subscriber", "prefs", "Crew lead", "--evening-always", "--no-weekly")
    assert "Weekly brief   off" in shown
    assert "when tomorrow" not in shown
    kept = json.loads(told.done("subscriber", "prefs", "Crew lead", "--no-evening", "--json"))
    assert (kept["preferences"]["weekly_hour"], kept["preferences"]["evening_hour"]) == (None, None)


def test_the_list_counts_what_everybody_got_in_seven_days(told: Program) -> None:
    assert "7 days" in told.done("subscriber", "list")
    listed = json.loads(told.done("subscriber", "list", "--json"))
    assert [one["mails_last_7_days"] for one in listed] == [0, 0]
