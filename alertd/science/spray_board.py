"""What the gates of spraying share: look-aheads worked out once, and the bits they set."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray
from alertd.science.lookahead import sum_ahead, unknown_ahead
from alertd.science.spray_hours import SprayHours
from alertd.science.spray_reasons import Reason

Part = TypeVar("Part")


class Look:
    """Hours with what was already worked out about them."""

    def __init__(self, hours: SprayHours) -> None:
        self.hours = hours
        self._known: dict[Any, Any] = {}

    def once(self, key: Hashable, work: Callable[[], Part]) -> Part:
        """Return the part of that key, worked out at the first asking."""
        if key not in self._known:
            self._known[key] = work()
        part: Part = self._known[key]
        return part

    def sunlit(self, cloud_pct: float) -> BoolArray:
        """Hours in which the sun reaches the plants; unknown cloud or sun counts as sun."""
        hours = self.hours
        # written as "not under cloud" and "not night", so that NaN falls on the sunny side
        return self.once(
            ("sunlit", cloud_pct),
            lambda: (
                by_site(hours.full_sun)
                & ~(hours.cloud_cover_pct >= cloud_pct)
                & ~(hours.sun_altitude_deg <= 0.0)
            ),
        )

    def rain_sum(self, ahead_h: float) -> FloatArray:
        """Rain [mm] from each hour to ``ahead_h`` later."""
        return self.once(("rain", ahead_h), lambda: sum_ahead(self.hours.precipitation_mm, ahead_h))

    def unknown(self, name: str, ahead_h: float) -> BoolArray:
        """Whether a quantity has a gap from each hour to ``ahead_h`` later."""
        return self.once(
            ("unknown", name, ahead_h), lambda: unknown_ahead(np.isnan(getattr(self.hours, name)), ahead_h)
        )


class Board:
    """Bits and margin while the gates add to them."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self.blocks = np.zeros(shape, dtype=np.int64)
        self.cautions = np.zeros(shape, dtype=np.int64)
        self.margin = np.ones(shape)

    def copy(self) -> Board:
        """Return a board that can be written on without touching this one."""
        twin = Board.__new__(Board)
        twin.blocks, twin.cautions, twin.margin = self.blocks.copy(), self.cautions.copy(), self.margin.copy()
        return twin

    def add(self, other: Board) -> None:
        """Take over what another board holds."""
        self.blocks |= other.blocks
        self.cautions |= other.cautions
        np.fmin(self.margin, other.margin, out=self.margin)

    def block(self, reason: Reason, where: BoolArray) -> None:
        """Close hours; ``where`` is by site and hour, or broadcasts to it."""
        np.bitwise_or(self.blocks, np.int64(reason), out=self.blocks, where=where)

    def caution(self, reason: Reason, where: BoolArray) -> None:
        """Mark hours as open with a caution."""
        np.bitwise_or(self.cautions, np.int64(reason), out=self.cautions, where=where)

    def room(self, distance: FloatArray) -> None:
        """Take note of a distance from a limit, 1 being roomy."""
        # fmin: an unknown distance belongs to an hour that is closed anyway
        np.fmin(self.margin, distance, out=self.margin)


def by_site(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return values of sites with an axis for the hours."""
    return values[:, np.newaxis] if values.ndim == 1 else values
