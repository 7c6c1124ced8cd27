"""In which order the gates of several materials are worked out, so that nothing is worked out twice."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from alertd.science.spray_board import Board, Look
from alertd.science.spray_hours import SprayRecords
from alertd.science.spray_plants import PLANT_LIMITS
from alertd.science.spray_rules import SprayRules
from alertd.science.spray_weather import Gate, gates_of


@dataclass(frozen=True, slots=True)
class Step:
    """One gate added to the board of the last step of less ``depth``; none at depth 0.

    Equal gates with equal limits have the same ``part``. ``verdicts`` are those that end here.
    """

    depth: int
    gate: Gate
    part: int
    rules: SprayRules
    verdicts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """The rules and records that finish a verdict."""

    rules: SprayRules
    records: SprayRecords | None


@dataclass(frozen=True, slots=True)
class Plan:
    """Steps branch by branch, the different verdicts, and which of them each of the rules gets."""

    steps: tuple[Step, ...]
    verdicts: tuple[Verdict, ...]
    verdict_of: tuple[int, ...]

    def boards(self, look: Look) -> Iterator[tuple[int, Board]]:
        """Yield the position and the board of each verdict, not yet with what the plants forbid.

        Steps are taken branch by branch, and a board is let go with its branch: what is at work at any
        one time stays small enough for the processor's cache.
        """
        parts: dict[int, Board] = {}
        branch: list[Board] = []
        for step in self.steps:
            if step.part not in parts:
                parts[step.part] = step.gate(look, step.rules)
            del branch[step.depth :]
            branch.append(branch[-1].joined(parts[step.part]) if branch else parts[step.part])
            for verdict in step.verdicts:
                yield verdict, branch[-1]


def plan_of(rules: Sequence[SprayRules], records: Sequence[SprayRecords | None] | None = None) -> Plan:
    """Return the plan for these rules; rules with a record behind them never share a verdict."""
    if records is None:
        return _without_records(tuple(rules))
    return _plan(rules, records)


@lru_cache(maxsize=256)
def _without_records(rules: tuple[SprayRules, ...]) -> Plan:
    return _plan(rules, [None] * len(rules))


def _plan(rules: Sequence[SprayRules], records: Sequence[SprayRecords | None]) -> Plan:
    parts: dict[Any, int] = {}
    verdicts: list[Verdict] = []
    numbers: dict[Any, int] = {}
    ends: dict[tuple[int, ...], list[int]] = {}
    gates: dict[int, tuple[Gate, SprayRules]] = {}
    verdict_of = []
    for i, (rule, book) in enumerate(zip(rules, records, strict=True)):
        path = []
        for gate, limits in gates_of(rule):
            part = parts.setdefault((gate, limits), len(parts))
            gates.setdefault(part, (gate, rule))
            path.append(part)
        plants = tuple(getattr(rule, name) for name in PLANT_LIMITS)
        key = (tuple(path), plants, rule.plain_water, None if book is None else i)
        number = numbers.setdefault(key, len(verdicts))
        if number == len(verdicts):
            verdicts.append(Verdict(rule, book))
            ends.setdefault(tuple(path), []).append(number)
        verdict_of.append(number)
    return Plan(_steps(ends, gates), tuple(verdicts), tuple(verdict_of))


def _steps(
    ends: Mapping[tuple[int, ...], Sequence[int]], gates: Mapping[int, tuple[Gate, SprayRules]]
) -> tuple[Step, ...]:
    """Return the steps to the end of each path, what neighbouring paths share only once."""
    steps = []
    last: tuple[int, ...] = ()
    for path in sorted(ends):
        shared = next((i for i, (a, b) in enumerate(zip(last, path, strict=False)) if a != b), 0)
        for depth in range(shared, len(path)):
            gate, rule = gates[path[depth]]
            verdicts = tuple(ends[path]) if depth == len(path) - 1 else ()
            steps.append(Step(depth, gate, path[depth], rule, verdicts))
        last = path
    return tuple(steps)
