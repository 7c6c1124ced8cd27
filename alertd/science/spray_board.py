"""What the gates of spraying share: look-aheads worked out once, and the bits they set."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray
from alertd.science.lookahead import maximum_ahead, minimum_ahead, sum_ahead, unknown_ahead
from alertd.science.spray_hours import SprayHours, offered
from alertd.science.spray_reasons import Reason

Part = TypeVar("Part")
Bits = npt.NDArray[np.uint32]
Room = npt.NDArray[np.float32]

# Distances from limits only rank open hours, so half the width is plenty.
ROOM = np.float32


class Look:
    """Hours with what was already worked out about them.

    ``hours`` are all of them, ``now`` those that are judged; the rest is only looked ahead at. Parts
    that stand for the judged hours are cut to them.
    """

    def __init__(self, hours: SprayHours, judged: slice = slice(None)) -> None:
        self.hours = hours
        self.judged = judged
        self._known: dict[Any, Any] = {}

    @cached_property
    def now(self) -> SprayHours:
        """The judged hours."""
        return self.hours.cut(self.judged)

    def once(self, key: Hashable, work: Callable[[], Part]) -> Part:
        """Return the part of that key, worked out at the first asking."""
        if key not in self._known:
            self._known[key] = work()
        part: Part = self._known[key]
        return part

    def cut(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Return values of all hours at the judged ones; values by site as they are."""
        return values if values.shape[-1] == 1 else np.ascontiguousarray(values[:, self.judged])

    @property
    def gust_expected(self) -> BoolArray:
        """Whether a gust is given in the judged hours, so that a gap in it is missing weather."""
        hours = self.hours
        if hours.gust_expected is not None:
            return self.cut(by_site(hours.gust_expected))
        # services that give gusts leave them out of their coarse steps
        return by_site(offered(hours.wind_gust_m_s)) & ~self.now.coarse

    @property
    def probability_expected(self) -> BoolArray:
        """Whether the chance of rain is given, so that a gap in it is missing weather."""
        hours = self.hours
        if hours.probability_expected is not None:
            return self.cut(by_site(hours.probability_expected))
        return by_site(offered(hours.precipitation_probability_pct))

    def sunlit_now(self, cloud_pct: float) -> BoolArray:
        """Judged hours in which the sun reaches the plants."""
        return self.once(("sunlit now", cloud_pct), lambda: self.cut(self.sunlit(cloud_pct)))

    def sunlit(self, cloud_pct: float) -> BoolArray:
        """Hours, all of them, in which the sun reaches the plants; unknown cloud or sun counts as sun."""
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

    def hottest(self, ahead_h: float, sun_cloud_pct: float | None = None) -> FloatArray:
        """Highest temperature [degC] after each judged hour, -inf where there is none.

        With a cloud limit only hours under the sun count.
        """
        temperature = self.hours.air_temperature_c

        def work() -> FloatArray:
            counted = temperature
            if sun_cloud_pct is not None:
                counted = np.where(self.sunlit(sun_cloud_pct), temperature, -np.inf)
            return self.cut(maximum_ahead(counted, ahead_h, skip_first=True))

        return self.once(("hottest", ahead_h, sun_cloud_pct), work)

    def warmest(self, ahead_h: float, sun_cloud_pct: float | None = None) -> FloatArray:
        """Highest temperature [degC] from each hour, of all of them, to ``ahead_h`` later, else -inf.

        With a cloud limit only hours under the sun count.
        """
        temperature = self.hours.air_temperature_c

        def work() -> FloatArray:
            if sun_cloud_pct is None:
                return maximum_ahead(temperature, ahead_h)
            return maximum_ahead(np.where(self.sunlit(sun_cloud_pct), temperature, -np.inf), ahead_h)

        return self.once(("warmest", ahead_h, sun_cloud_pct), work)

    def coldest(self, ahead_h: float) -> FloatArray:
        """Lowest temperature [degC] from each judged hour to ``ahead_h`` later."""
        return self.once(
            ("coldest", ahead_h), lambda: self.cut(minimum_ahead(self.hours.air_temperature_c, ahead_h))
        )

    def rain_sum(self, ahead_h: float) -> FloatArray:
        """Rain [mm] from each judged hour to ``ahead_h`` later."""
        return self.once(("rain", ahead_h), lambda: self.cut(sum_ahead(self.hours.precipitation_mm, ahead_h)))

    def rain_chance(self, ahead_h: float) -> FloatArray:
        """Highest chance of rain [%] from each judged hour to ``ahead_h`` later."""
        return self.once(
            ("chance", ahead_h),
            lambda: self.cut(maximum_ahead(self.hours.precipitation_probability_pct, ahead_h)),
        )

    def unknown(self, name: str, ahead_h: float) -> BoolArray:
        """Whether a quantity has a gap from each judged hour to ``ahead_h`` later."""
        return self.once(
            ("unknown", name, ahead_h),
            lambda: self.cut(unknown_ahead(np.isnan(getattr(self.hours, name)), ahead_h)),
        )


class Board:
    """Bits and margin while the gates add to them; None where no gate has had anything to say.

    Boards that were joined share their arrays: only the gate that made a board writes on it.
    """

    __slots__ = ("blocks", "cautions", "margin")

    def __init__(self) -> None:
        self.blocks: Bits | None = None
        self.cautions: Bits | None = None
        self.margin: Room | None = None

    def joined(self, other: Board) -> Board:
        """Return a new board with what both hold."""
        board = Board()
        board.blocks = _joined(self.blocks, other.blocks, np.bitwise_or)
        board.cautions = _joined(self.cautions, other.cautions, np.bitwise_or)
        board.margin = _joined(self.margin, other.margin, np.fmin)
        return board

    def block(self, reason: Reason, where: BoolArray) -> None:
        """Close hours; ``where`` is by site and hour, or broadcasts to it."""
        self.blocks = _marked(self.blocks, reason, where)

    def caution(self, reason: Reason, where: BoolArray) -> None:
        """Mark hours as open with a caution."""
        self.cautions = _marked(self.cautions, reason, where)

    def room(self, distance: FloatArray) -> None:
        """Take note of a distance from a limit, 1 being roomy; unknown ones belong to closed hours."""
        narrow = distance.astype(ROOM, copy=False)
        self.margin = narrow if self.margin is None else np.fmin(self.margin, narrow)


def _marked(words: Bits | None, reason: Reason, where: BoolArray) -> Bits | None:
    # most gates of most weather are silent, and asking is cheaper than writing
    if not where.any():
        return words
    marks = np.multiply(where, np.uint32(reason))
    return marks if words is None else np.bitwise_or(words, marks)


def _joined(one: Any, other: Any, join: np.ufunc) -> Any:
    if one is None or other is None:
        return other if one is None else one
    return join(one, other)


def by_site(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return values of sites with an axis for the hours."""
    return values[:, np.newaxis] if values.ndim == 1 else values
