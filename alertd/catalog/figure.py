"""A figure of the trade with its unit, its source and how firm it is."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Status(StrEnum):
    """How firm a figure is."""

    PUBLISHED = "published"
    DERIVED = "derived"
    COMMON_PRACTICE = "common practice"
    FROM_MEMORY = "from memory"


@dataclass(frozen=True, slots=True)
class Figure:
    """One number that decides something.

    ``source`` names author, year and table or equation; for common practice and memory it says so
    in words. ``note`` holds a disagreement and the choice made, if any.
    """

    value: float
    unit: str
    source: str
    status: Status
    note: str = ""

    def __float__(self) -> float:
        return self.value


@dataclass(frozen=True, slots=True)
class Series:
    """A figure that depends on another one: knots joined by straight lines."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    x_unit: str
    unit: str
    source: str
    status: Status
    note: str = ""
