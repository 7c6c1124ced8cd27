"""What must be true at the end, whatever happened on the way: compared with an undisturbed twin."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections import Counter
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from typing import Any

from sqlalchemy import text

from alertd.store.store import Store
from tests.crash.servers import Copy
from tests.crash.world import Plan

GONE = "u-gone"
"""Suspended at the first refusal, however late that comes: what was queued for it by then may differ."""
Rows = list[tuple[Any, ...]]
Facts = dict[str, Rows]
_LINK = re.compile(r"https?://\S+")
_TOOK_AND_WENT = {"drop", "hang"}
_NO_ANSWER = "since the receiver took one and gave no answer"
_NOT_NOTED = "since the process ended or lost its lease between the send and its settling"


@dataclass
class Tally:
    """What happened on the way."""

    kills: Counter[str] = field(default_factory=Counter)
    worlds: int = 0
    messages: int = 0
    briefs: int = 0
    notices: int = 0
    copies: int = 0
    lost: int = 0
    doubled_alerts: int = 0
    foreign_copies: int = 0
    withdrawn: int = 0
    lapsed: int = 0
    dead: int = 0
    extra: Counter[str] = field(default_factory=Counter)

    @property
    def killed(self) -> int:
        return sum(self.kills.values())

    def line(self, title: str) -> str:
        extra = ", ".join(f"{count} {cause}" for cause, count in sorted(self.extra.items()))
        return (
            f"{title}: {self.killed} kills in {self.worlds} worlds; {self.messages} messages, "
            f"{self.briefs} digests and briefs, {self.notices} confirmations; {self.copies} copies, "
            f"{self.lost} lost, {sum(self.extra.values())} extra copies ({extra or 'none'}), "
            f"{self.foreign_copies} with another id; {self.doubled_alerts} alerts doubled; "
            f"{self.withdrawn} withdrawn from digests as no longer true, {self.lapsed} lapsed"
        )

    def __add__(self, other: Tally) -> Tally:
        return Tally(**{name: getattr(self, name) + getattr(other, name) for name in vars(self)})


_QUESTIONS = {
    "episodes": "SELECT id, site_id, kind, subject, level, alerts, closed_at, memory FROM episodes",
    "alerts": "SELECT id, site_id, episode_id, sequence, kind, change, level, made_at, subject, evidence "
    "FROM alerts",
    "messages": "SELECT id, alert_id, subscriber_id, channel FROM outbox "
    f"WHERE handed_over_from IS NULL AND subscriber_id != '{GONE}'",
    "notices": "SELECT subscriber_id, address FROM notices",
}
_TWO_KEYS = "SELECT episode_id, sequence FROM alerts"
_BRIEFS = "SELECT id, subscriber_id, kind, state, due_at, last_error FROM briefs"


def facts(store: Store, plan: Plan) -> Facts:
    """Return everything about what was decided and told, without what depends on the course of events."""
    with store._read() as session:
        found = {
            name: sorted((tuple(map(_plain, row)) for row in session.execute(text(sql))), key=str)
            for name, sql in _QUESTIONS.items()
        }
        briefs = session.execute(text(_BRIEFS)).all()
    # Digests come as often as there is something to merge, briefs at their hours.
    found["briefs"] = sorted(
        tuple(row[:4]) for row in briefs if row.kind != "digest" and _instant(row.due_at) <= plan.end_at
    )
    return found


def judge(store: Store, plan: Plan, twin: Facts, copies: list[Copy], tally: Tally) -> None:
    """Compare with the undisturbed twin; add what was found to the tally and fail on any loss."""
    tally.worlds += 1
    found = facts(store, plan)
    for name, rows in twin.items():
        assert found[name] == rows, f"{name} differ from the twin's: {_difference(found[name], rows)}"
    with store._read() as session:
        keys = Counter(tuple(row) for row in session.execute(text(_TWO_KEYS)))
    tally.doubled_alerts += sum(count - 1 for count in keys.values())
    _judge_arrivals(store, copies, tally)
    _judge_ends(store, plan, tally)
    bad = (tally.lost, tally.foreign_copies, tally.doubled_alerts, tally.dead)
    assert bad == (0, 0, 0, 0), tally.line("found wrong")
    assert store.check_integrity() == []


def _judge_arrivals(store: Store, copies: list[Copy], tally: Tally) -> None:
    """Whatever counts as sent has arrived where it belongs, every copy of it under the one id it has."""
    sent: dict[str, str] = {}
    known: dict[str, tuple[str, str]] = {}
    told: dict[str, set[str]] = {}
    with store._read() as session:
        readers = session.execute(text("SELECT id, address FROM subscribers")).all()
        address = {row.id: row.address for row in readers}
        outbox = session.execute(
            text(
                "SELECT o.id, o.alert_id, o.subscriber_id, o.state, o.digest_id, s.name FROM outbox o "
                "JOIN alerts a ON a.id = o.alert_id JOIN sites s ON s.id = a.site_id"
            )
        ).all()
        briefs = session.execute(text(_BRIEFS)).all()
        notices = session.execute(text("SELECT id, address, state FROM notices")).all()
    assert len({(row.alert_id, row.subscriber_id) for row in outbox}) == len(outbox)
    for row in outbox:
        where = _mailbox(address[row.subscriber_id])
        known[row.id] = where, row.alert_id
        if row.state == "sent" and row.digest_id is None:
            sent[row.id] = where
        elif row.state == "sent":
            told.setdefault(row.digest_id, set()).add(row.name)
    for row in briefs:
        known[row.id] = address[row.subscriber_id], ""
        if row.state == "sent":
            sent[row.id] = address[row.subscriber_id]
    for row in notices:
        known[f"notice-{row.id}"] = row.address, ""
        if row.state == "sent":
            sent[f"notice-{row.id}"] = row.address
    tally.messages += sum(row.subscriber_id != GONE for row in outbox)
    tally.briefs += sum(row.state == "sent" for row in briefs)
    tally.notices += len(notices)
    tally.copies += len(copies)
    arrived = {(copy.message_id, copy.reader) for copy in copies}
    tally.lost += sum((name, where) not in arrived for name, where in sent.items())
    for copy in copies:
        where, alert_id = known.get(copy.message_id, ("", ""))
        tally.foreign_copies += copy.reader != where or (copy.alert_id not in ("", alert_id))
    _judge_words(copies, told, {row.id for row in briefs}, tally)


def _judge_words(copies: list[Copy], told: dict[str, set[str]], letters: set[str], tally: Tally) -> None:
    """Every copy says the same; a digest names the sites it told of, though fewer things may still hold."""
    groups: dict[str, list[Copy]] = {}
    for copy in copies:
        groups.setdefault(copy.message_id, []).append(copy)
    for message_id, group in groups.items():
        if len(group) > 1 and message_id not in letters:
            words = {_words(copy) for copy in group}
            assert len(words) == 1, f"a retry of {message_id} says something else: {words}"
        for earlier in group[:-1]:
            tally.extra[_NO_ANSWER if earlier.act in _TOOK_AND_WENT else _NOT_NOTED] += 1
    for digest_id, names in told.items():
        for name in names:
            arrived = groups.get(digest_id, ())
            tally.lost += not any(name in _words(copy) for copy in arrived)


def _judge_ends(store: Store, plan: Plan, tally: Tally) -> None:
    """Nothing is stuck, and whatever was not sent has a good reason."""
    with store._read() as session:
        rows = session.execute(
            text("SELECT id, subscriber_id, state, expires_at, settled_at, last_error FROM outbox")
        ).all()
        briefs = session.execute(text(_BRIEFS)).all()
        notices = session.execute(text("SELECT id, state, last_error FROM notices")).all()
    dead = [row for row in rows if row.state == "dead" and row.subscriber_id != GONE]
    tally.dead += len(dead)
    assert not dead, f"given up for readers: {[(row.id, row.subscriber_id, row.last_error) for row in dead]}"
    assert {row.state for row in rows if row.subscriber_id == GONE} <= {"dead", "expired"}
    for row in rows:
        if row.subscriber_id == GONE or row.state == "sent":
            continue
        assert row.state == "expired", f"stuck: {row}"
        if row.last_error == "no longer true when its digest left":
            tally.withdrawn += 1
        else:
            assert _instant(row.expires_at) <= _instant(row.settled_at), row
            tally.lapsed += 1
    for row in briefs:
        due = _instant(row.due_at) <= plan.end_at
        assert row.state in ("sent", "expired") or (row.state == "pending" and not due), f"stuck: {row}"
        if row.state == "expired":
            assert row.last_error == "nothing left to say", row
    assert {row.state for row in notices} <= {"sent"}, notices


def _words(copy: Copy) -> str:
    """Return what a copy says, apart from links and dates, which may change from try to try."""
    if copy.alert_id:
        return copy.body.decode()
    part = message_from_bytes(copy.body, policy=policy.default).get_body(("plain",))
    assert part is not None
    return " ".join(_LINK.sub("", part.get_content()).split())


def _mailbox(address: str) -> str:
    """Return what a receiver calls its reader: the address, or the path of the webhook."""
    return address.rpartition("/")[2]


def _plain(value: Any) -> str:
    """Return a value as the same text whichever database it came from."""
    if isinstance(value, dict):
        return json.dumps(value, sort_keys=True)
    if isinstance(value, str) and value.startswith("{"):
        return json.dumps(json.loads(value), sort_keys=True)
    return str(value)


def _instant(value: Any) -> dt.datetime:
    found = dt.datetime.fromisoformat(str(value))
    return found if found.tzinfo is not None else found.replace(tzinfo=dt.UTC)


def _difference(found: Rows, rows: Rows) -> str:
    missing, extra = set(rows) - set(found), set(found) - set(rows)
    return f"missing {sorted(missing)[:2]}, extra {sorted(extra)[:2]}, {len(found)} instead of {len(rows)}"
