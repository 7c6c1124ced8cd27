from __future__ import annotations

import datetime as dt
import json
import re

import pytest

from alertd.store.store import open_store
from tests.cli.conftest import NOW, Clock, Program
from tests.store.builders import make_alert, make_episode, make_message

WHY = "recipient refused for good: 550 5.1.1 no such mailbox here"


@pytest.fixture
def dead(watching: Program) -> Program:
    """The program with three messages for one reader: m0 and m1 given up, m2 waiting."""
    watching.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    with open_store(f"sqlite:///{watching.folder / 'alertd.db'}") as store:
        (site,), (reader,) = store.sites(), store.subscribers()
        store.commit_decisions(
            episodes=[make_episode(site.id)],
            alerts=[make_alert(site.id, f"a{n}", sequence=n, at=NOW) for n in range(3)],
            messages=[make_message(reader.id, f"m{n}", f"a{n}", NOW) for n in range(3)],
            now=NOW,
        )
        first, second, third = store.lease(NOW, "one", 9, 60)
        store.mark_dead(first, NOW, WHY)
        store.mark_dead(second, NOW, WHY)
        store.release([third])
    return watching


def states(program: Program) -> dict[str, str]:
    return {
        one["id"]: one["state"]
        for one in json.loads(program.done("outbox", "list", "--state", "all", "--json"))
    }


def test_without_options_what_was_given_up_is_told_with_the_reason(dead: Program) -> None:
    told = dead.done("outbox", "list")
    assert "m0  given up on 2026-07-14 12:10 UTC, 1 try" in told
    assert "hot-dry-warning at Invented Court, for Crew" in told
    assert WHY in told
    assert "m2" not in told
    assert "In all: 1 waits, 2 given up." in told
    assert "alertd outbox requeue ID" in told


def test_other_states_are_told_where_asked_and_an_unknown_one_is_refused(dead: Program) -> None:
    told = dead.done("outbox", "list", "--state", "pending")
    assert "m2  waits since 2026-07-14 12:10 UTC, 0 tries" in told
    assert "m0" not in told
    assert len(re.findall(r"^m\d", dead.done("outbox", "list", "--state", "all"), re.MULTILINE)) == 3
    assert len(re.findall(r"^m\d", dead.done("outbox", "list", "--limit", "1"), re.MULTILINE)) == 1
    assert "use one of pending" in dead.refused(2, "outbox", "list", "--state", "lost")


def test_an_empty_outbox_says_so(watching: Program) -> None:
    assert "No message was given up." in watching.done("outbox", "list")
    assert "Nothing was changed." in watching.done("outbox", "requeue", "--all-dead")


def test_one_message_is_shown_with_every_try(dead: Program) -> None:
    told = dead.done("outbox", "show", "m0")
    assert "crew@example.com (email), active" in told
    assert "given up on 2026-07-14 12:10 UTC" in told
    assert re.search(rf"1 +2026-07-14 12:10 +dead +{re.escape(WHY)}", told)
    document = json.loads(dead.done("outbox", "show", "m0", "--json"))
    assert document["subscriber"] == "Crew"
    assert [one["outcome"] for one in document["deliveries"]] == ["dead"]
    assert "None yet." in dead.done("outbox", "show", "m2")
    assert "no message 'm9'" in dead.refused(2, "outbox", "show", "m9")


def test_named_messages_are_queued_again_and_the_others_stay(dead: Program, clock: Clock) -> None:
    clock.now = NOW + dt.timedelta(hours=1)
    assert "1 message queued again" in dead.done("outbox", "requeue", "m0")
    assert states(dead) == {"m0": "pending", "m1": "dead", "m2": "pending"}
    result = dead("outbox", "requeue", "m1", "m2", "m9")
    assert result.exit_code == 2
    assert "1 message queued again" in result.stdout
    assert "'m2' is pending; only dead" in result.stderr
    assert "no message 'm9'" in result.stderr


def test_all_of_them_are_taken_only_with_a_yes(dead: Program) -> None:
    assert "2 given up; add --yes" in dead.refused(2, "outbox", "requeue", "--all-dead")
    assert states(dead)["m0"] == "dead"
    assert "2 messages queued again" in dead.done("outbox", "requeue", "--all-dead", "--yes")
    assert set(states(dead).values()) == {"pending"}


@pytest.mark.parametrize("command", ["requeue", "discard"])
def test_one_has_to_say_which(dead: Program, command: str) -> None:
    assert "--all-dead" in dead.refused(2, "outbox", command)
    assert "--all-dead" in dead.refused(2, "outbox", command, "m0", "--all-dead")


def test_what_cannot_go_again_ends_with_1_where_all_were_meant(dead: Program) -> None:
    dead.done("subscriber", "suspend", "Crew")
    result = dead("outbox", "requeue", "--all-dead", "--yes")
    assert result.exit_code == 1
    assert "for Crew, who is suspended" in result.stderr


def test_closed_messages_are_no_trouble_any_more_and_history_keeps_why(dead: Program) -> None:
    assert "2 given up; add --yes" in dead.refused(2, "outbox", "discard", "--all-dead")
    assert "2 messages closed" in dead.done("outbox", "discard", "--all-dead", "--yes")
    assert "No message was given up." in dead.done("outbox", "list")
    assert WHY in dead.done("history", "--json")
