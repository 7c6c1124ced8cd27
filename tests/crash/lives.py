"""Lives and deaths of the process that the world is lived in."""

from __future__ import annotations

import multiprocessing
import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from typing import Any

from alertd.store.store import open_store
from tests.crash import world
from tests.crash.oracle import Facts, Tally, facts, judge
from tests.crash.servers import Copy, Hook, Mail
from tests.crash.world import Plan

KILLED, DONE = -9, 0
AT_RANDOM = "at random"
FIRST_STEPS = (":save_errors", ":release")
"""Passed above all in the first hours of a world, when there is most to say: their points come first."""
MOODS = ("refuse", "drop", "late", "hang")
LIFE_LIMIT_S = 1800.0
"""A life that has not ended by then hangs; nothing else is measured by the clock on the wall."""
STEPS_A_LIFE = 4
"""A life that has not passed its point by then is killed where it is."""


@dataclass
class Stage:
    """The receivers of one world."""

    mail: Mail
    hooks: list[Hook]

    def plan(self, url: str, **changes: Any) -> Plan:
        return Plan(url, self.mail.port, tuple(hook.port for hook in self.hooks), **changes)

    def calm(self) -> None:
        """Let every receiver behave from now on."""
        for one in (self.mail, *self.hooks):
            one.behave = lambda: "ok"

    def copies(self) -> list[Copy]:
        return [*self.mail.copies, *(copy for hook in self.hooks for copy in hook.copies)]


def mood(draw: random.Random, share: float) -> Callable[[], str]:
    """Return a behaviour that misbehaves this often; hanging is the rarest, for it costs real time."""
    weights = (5, 5, 5, 1)
    return lambda: draw.choices(MOODS, weights)[0] if draw.random() < share else "ok"


@contextmanager
def staged(share: float = 0.0, seed: int = 0, boards: int = 2) -> Iterator[Stage]:
    draw = random.Random(seed)
    with ExitStack() as stack:
        mail = stack.enter_context(Mail(mood(draw, share)))
        yield Stage(mail, [stack.enter_context(Hook(mood(draw, share))) for _ in range(boards)])


@dataclass
class Life:
    """One process."""

    process: Any
    met: Any

    @property
    def was_met(self) -> bool:
        """Whether it died at the point that its plan names."""
        return bool(self.met.value)

    @property
    def code(self) -> int | None:
        """The exit code, None while it lives."""
        code: int | None = self.process.exitcode
        return code

    def end(self) -> int:
        """Wait for the end and return the exit code."""
        self.process.join(LIFE_LIMIT_S)
        if self.process.exitcode is None:
            self.process.kill()
            self.process.join(10)
            raise AssertionError(f"a life did not end within {LIFE_LIMIT_S} s")
        return int(self.process.exitcode)


class Lives:
    """Starts processes from one that has used everything once, so that a life costs little."""

    def __init__(self) -> None:
        self._context = multiprocessing.get_context("forkserver")
        self._context.set_forkserver_preload(["tests.crash.warm"])
        self._twins: dict[tuple[Any, ...], Facts] = {}

    def start(self, plan: Plan) -> Life:
        met = self._context.RawValue("b", 0)
        process = self._context.Process(target=world.live, args=(plan, met))
        process.start()
        return Life(process, met)

    def whole(self, plan: Plan) -> None:
        """Live to the end."""
        code = self.start(plan).end()
        assert code == DONE, f"a life ended by itself with {code}"

    def undisturbed(self, fresh_url: Callable[[], str], **changes: Any) -> Facts:
        """Run the twin to its end and return its facts; a twin that was run before is remembered."""
        key = (fresh_url.__qualname__, *sorted(changes.items()))
        if key not in self._twins:
            with staged() as stage:
                plan = stage.plan(fresh_url(), **changes)
                world.prepare(plan)
                self.whole(plan)
                with open_store(plan.url) as store:
                    judge(store, plan, {}, stage.copies(), Tally())
                    self._twins[key] = facts(store, plan)
        return self._twins[key]


def kill_course(
    lives: Lives,
    fresh_url: Callable[[], str],
    points: Sequence[str],
    kills: int,
    *,
    seed: int = 0,
    share: float = 0.2,
    **changes: Any,
) -> Tally:
    """Kill at these points in turn and at random moments, and judge each world at its end.

    Ends after so many kills and when every point was met, and fails if one never is.
    """
    tally, draw = Tally(), random.Random(seed)
    queue = draw.sample(points, len(points))
    while tally.killed < kills or set(points) - set(tally.kills):
        twin = lives.undisturbed(fresh_url, seed=seed, **changes)
        with staged(share, seed + tally.worlds) as stage:
            plan = stage.plan(fresh_url(), seed=seed, **changes)
            world.prepare(plan)
            queue.sort(key=lambda point: not point.endswith(FIRST_STEPS))
            while tally.killed < kills or set(points) - set(tally.kills):
                assert tally.killed < 6 * kills, f"never met: {set(points) - set(tally.kills)}"
                if _one_life(lives, plan, queue, draw, tally) == DONE:
                    break
            lives.whole(plan)
            with open_store(plan.url) as store:
                judge(store, plan, twin, stage.copies(), tally)
    return tally


def _one_life(lives: Lives, plan: Plan, queue: list[str], draw: random.Random, tally: Tally) -> int:
    """One life with one planned death: four times of five at a point, else at a random moment."""
    if draw.random() < 0.2:
        life, point = lives.start(replace(plan, kill_after_s=draw.uniform(0.02, 0.8))), AT_RANDOM
    else:
        point = queue.pop(0)
        queue.append(point)
        life = lives.start(
            replace(
                plan,
                kill_point=point,
                kill_hit=draw.randint(1, 3) if point in tally.kills else 1,
                kill_after_steps=STEPS_A_LIFE,
                # A lease is renewed when a third of it has gone by: here within the first mails of a round.
                lease_s=0.06 if point.endswith(":renew") else plan.lease_s,
            )
        )
    code = life.end()
    assert code in (DONE, KILLED), f"the process ended by itself with {code}"
    if code == KILLED:
        tally.kills[point if life.was_met else AT_RANDOM] += 1
    return code
