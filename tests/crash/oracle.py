"""Lives and deaths of the process, and what must be true at the end whatever happened on the way."""

from __future__ import annotations

import multiprocessing
import random
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

from sqlalchemy import text

from alertd.store.store import Store, open_store
from tests.crash import world
from tests.crash.servers import Copy, Hook, Mail
from tests.crash.world import POINTS, Plan

KILLED, DONE = -9, 0
MOODS = ("refuse", "drop", "late", "hang")


def _forks() -> Any:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.crash.world"])
    return context


@dataclass
class Tally:
    """What happened on the way."""

    kills: Counter[str] = field(default_factory=Counter)
    worlds: int = 0
    messages: int = 0
    copies: int = 0
    lost: int = 0
    doubled_alerts: int = 0
    foreign_copies: int = 0
    dead: int = 0

    @property
    def killed(self) -> int:
        return sum(self.kills.values())

    def line(self, title: str) -> str:
        return (
            f"{title}: {self.killed} kills in {self.worlds} worlds, {self.messages} messages, "
            f"{self.copies} copies, {self.lost} lost, {self.copies - self.messages + self.lost} extra copies "
            f"({self.foreign_copies} of them with another id), {self.doubled_alerts} alerts doubled"
        )


@dataclass
class Stage:
    """The receivers of one world."""

    mail: Mail
    hooks: list[Hook]

    def plan(self, url: str, **changes: Any) -> Plan:
        return Plan(url, self.mail.port, tuple(hook.port for hook in self.hooks), **changes)

    def copies(self) -> list[Copy]:
        return [*self.mail.copies, *(copy for hook in self.hooks for copy in hook.copies)]


def mood(draw: random.Random, share: float) -> Callable[[], str]:
    """Return a behaviour that misbehaves this often; hanging is the rarest, for it costs real time."""
    weights = (5, 5, 5, 1)
    return lambda: draw.choices(MOODS, weights)[0] if draw.random() < share else "ok"


@contextmanager
def staged(share: float = 0.0, seed: int = 0, boards: int = 2) -> Iterator[Stage]:
    draw = random.Random(seed)
    with Mail(mood(draw, share)) as mail:
        hooks = [Hook(mood(draw, share)) for _ in range(boards)]
        for hook in hooks:
            hook.__enter__()
        try:
            yield Stage(mail, hooks)
        finally:
            for hook in hooks:
                hook.__exit__(None, None, None)


class Lives:
    """Starts processes from one that has everything imported, so that a life costs little."""

    def __init__(self) -> None:
        self._context = _forks()

    def start(self, plan: Plan) -> Any:
        process = self._context.Process(target=world.live, args=(plan,))
        process.start()
        return process

    def end(self, process: Any, after_s: float | None = None, limit_s: float = 120.0) -> int:
        """Wait for the end, or kill after so many seconds; returns the exit code."""
        process.join(limit_s if after_s is None else after_s)
        if process.exitcode is None:
            process.kill()
            process.join(10)
            assert after_s is not None, f"a life did not end within {limit_s} s"
        code: int = process.exitcode
        return code


def facts(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """Return everything about what was decided and told, without what depends on the course of events."""
    questions = {
        "episodes": "SELECT id, site_id, subject, level, alerts, closed_at, memory FROM episodes",
        "alerts": "SELECT id, site_id, episode_id, sequence, change, level, made_at, subject FROM alerts",
        "messages": "SELECT id, alert_id, subscriber_id, channel FROM outbox",
    }
    with store._read() as session:
        return {
            name: sorted((tuple(map(str, row)) for row in session.execute(text(sql))), key=str)
            for name, sql in questions.items()
        }


def judge(store: Store, twin: dict[str, list[tuple[Any, ...]]], copies: list[Copy], tally: Tally) -> None:
    """Compare with the undisturbed twin; add what was found to the tally and fail on any loss."""
    tally.worlds += 1
    found = facts(store)
    keys = Counter((row[2], row[3]) for row in found["alerts"])
    tally.doubled_alerts += sum(count - 1 for count in keys.values())
    for name, rows in twin.items():
        assert found[name] == rows, f"{name} differ from the twin's"
    with store._read() as session:
        rows = session.execute(
            text("SELECT id, alert_id, subscriber_id, state, last_error FROM outbox")
        ).all()
    addresses = {reader.id: reader.address for reader in world.readers()}
    wanted = {(addresses.get(row[2], row[2]), row[1]): row[0] for row in rows if row[2] != "u-gone"}
    assert len(wanted) == len([row for row in rows if row[2] != "u-gone"])
    tally.messages += len(wanted)
    tally.copies += len(copies)
    got = Counter((copy.reader, copy.alert_id) for copy in copies)
    tally.lost += len(set(wanted) - set(got))
    tally.foreign_copies += sum(
        copy.message_id != wanted.get((copy.reader, copy.alert_id)) for copy in copies
    )
    tally.dead += sum(row[3] == "dead" for row in rows if row[2] != "u-gone")
    bodies: dict[str, bytes] = {}
    for copy in copies:
        assert bodies.setdefault(copy.message_id, copy.body) == copy.body, "a retry says something else"
    states = Counter((row[2] == "u-gone", row[3]) for row in rows)
    assert set(states) <= {(False, "sent"), (True, "dead")}, (states, [r for r in rows if r[3] == "dead"][:3])
    assert (tally.lost, tally.foreign_copies, tally.doubled_alerts, tally.dead) == (0, 0, 0, 0), tally


def undisturbed(lives: Lives, url: str, **changes: Any) -> dict[str, list[tuple[Any, ...]]]:
    """Run the twin to its end and return its facts."""
    with staged() as stage:
        plan = stage.plan(url, **changes)
        world.prepare(plan)
        assert lives.end(lives.start(plan)) == DONE
        with open_store(url) as store:
            return facts(store)


def kill_course(
    lives: Lives,
    fresh_url: Callable[[], str],
    kills: int,
    *,
    first_point: int = 0,
    seed: int = 0,
    share: float = 0.2,
    **changes: Any,
) -> Tally:
    """Kill at every point in turn and at random moments until there were so many kills; judge each world."""
    tally, draw = Tally(), random.Random(seed)
    number = first_point
    while tally.killed < kills:
        life = {"seed": seed * 1000 + tally.worlds, **changes}
        twin = undisturbed(lives, fresh_url(), **life)
        with staged(share, seed) as stage:
            plan = stage.plan(fresh_url(), **life)
            world.prepare(plan)
            while True:
                code, number = _one_life(lives, plan, draw, number, tally)
                if code == DONE:
                    break
                assert code == KILLED, f"the process ended by itself with {code}"
                if tally.killed >= kills and draw.random() < 0.5:
                    break
            assert lives.end(lives.start(plan)) == DONE
            with open_store(plan.url) as store:
                judge(store, twin, stage.copies(), tally)
                assert store.check_integrity() == []
    return tally


def _one_life(lives: Lives, plan: Plan, draw: random.Random, number: int, tally: Tally) -> tuple[int, int]:
    """One life with one planned death: four times of five at a point, else at a random moment."""
    if draw.random() < 0.2:
        code = lives.end(lives.start(plan), after_s=draw.uniform(0.08, 0.3))
        tally.kills["at random"] += code == KILLED
        return code, number
    point = POINTS[number % len(POINTS)]
    hit = 1 if point.endswith("release") else draw.randint(1, 4)
    process, passed = lives.start(replace(plan, kill_point=point, kill_hit=hit)), threading.Event()
    # A point that is not passed in time must not cost a whole life.
    timer = threading.Timer(1.5, lambda: (passed.set(), process.kill()))
    timer.start()
    try:
        code = lives.end(process)
    finally:
        timer.cancel()
        timer.join()
    if code == KILLED:
        tally.kills["at random" if passed.is_set() else point] += 1
    return code, number + 1
