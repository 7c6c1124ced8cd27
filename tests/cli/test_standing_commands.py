from __future__ import annotations

import datetime as dt
import json

import pytest

from alertd.records.alert import MessageState
from alertd.records.keeping import Bounce, BounceKind, Ration
from alertd.records.site import Standing
from alertd.store.store import Store, open_store
from tests.cli.conftest import NOW, Clock, Program


@pytest.fixture
def asking(watching: Program) -> Program:
    """The program with public pages, so that readers must confirm, and one reader who has not."""
    watching.env["ALERTD_WEB__BASE_URL"] = "https://alerts.example.com"
    watching.done("subscriber", "add", "Crew Lead", "--email", "crew@example.com", "--all-sites")
    return watching


def book(program: Program) -> Store:
    return open_store(f"sqlite:///{program.folder / 'alertd.db'}")


def standing(program: Program) -> tuple[str, str]:
    one = json.loads(program.done("subscriber", "show", "Crew Lead", "--json"))
    return one["standing"], one["standing_reason"]


def test_who_has_not_confirmed_is_told_so_with_what_became_of_the_request(asking: Program) -> None:
    assert "to confirm since 2026-07-14" in asking.done("subscriber", "list")
    assert "the request of 2026-07-14 12:10 UTC waits to be sent" in " ".join(
        asking.done("subscriber", "show", "Crew Lead").split()
    )
    with book(asking) as store:
        (notice,) = store.lease_notices(Ration(dt.timedelta(0), 9, 9), now=NOW, lease_s=60, limit=9)
        store.settle_notice(notice, MessageState.DEAD, now=NOW, error="550 no such mailbox")
    assert standing(asking) == (
        "pending",
        "the request of 2026-07-14 12:10 UTC was not taken: 550 no such mailbox",
    )


def test_the_operator_can_vouch_once(asking: Program, clock: Clock) -> None:
    clock.now = NOW + dt.timedelta(days=1)
    assert "you vouch" in asking.done("subscriber", "confirm", "crew lead")
    assert "active since 2026-07-15" in asking.done("subscriber", "list")
    assert standing(asking) == ("active", "")
    assert "is active: nothing to confirm" in asking.refused(2, "subscriber", "confirm", "Crew Lead")


def test_who_left_is_never_switched_on_by_vouching(asking: Program) -> None:
    with book(asking) as store:
        (reader,) = store.subscribers()
    asking.done("subscriber", "confirm", "Crew Lead")
    with book(asking) as store:
        store.set_standing(reader.id, Standing.LEFT, now=NOW)
    assert "stopped since" in asking.done("subscriber", "list")
    for command in ("confirm", "suspend"):
        assert "asked to be left alone" in asking.refused(2, "subscriber", command, "Crew Lead")
    assert "is left, not suspended" in asking.refused(2, "subscriber", "resume", "Crew Lead")


def test_a_suspended_reader_gets_nothing_until_resumed_and_confirmed(asking: Program, clock: Clock) -> None:
    asking.done("subscriber", "confirm", "Crew Lead")
    assert "until `alertd subscriber resume`" in asking.done("subscriber", "suspend", "Crew Lead")
    assert standing(asking)[0] == "suspended"
    assert "suspended since 2026-07-14" in asking.done("subscriber", "list")
    assert "is suspended already" in asking.refused(2, "subscriber", "suspend", "Crew Lead")
    clock.now = NOW + dt.timedelta(hours=1)
    told = asking.done("subscriber", "resume", "Crew Lead")
    assert "Waits for the owner of the address" in told
    assert "alertd subscriber confirm 'Crew Lead'" in told
    assert standing(asking)[0] == "pending"
    asking.done("subscriber", "confirm", "Crew Lead")
    assert standing(asking)[0] == "active"
    assert "is active, not suspended" in asking.refused(2, "subscriber", "resume", "Crew Lead")


def test_without_pages_a_resumed_reader_is_active_at_once(watching: Program) -> None:
    watching.done("subscriber", "add", "Crew Lead", "--email", "crew@example.com", "--all-sites")
    watching.done("subscriber", "suspend", "Crew Lead")
    assert "from the next alert on" in watching.done("subscriber", "resume", "Crew Lead")
    assert standing(watching) == ("active", "")


def test_why_mail_came_back_is_told(asking: Program) -> None:
    with book(asking) as store:
        (reader,) = store.subscribers()
        store.add_bounce(Bounce("m.1", BounceKind.HARD, "5.1.1", "failed", NOW, "no such mailbox"), reader.id)
    asking.done("subscriber", "suspend", "Crew Lead")
    assert standing(asking) == ("suspended", "mail came back: 5.1.1 no such mailbox")
