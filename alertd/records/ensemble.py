"""An ensemble forecast of one weather cell: many runs of one model that started a little apart."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from alertd.records.weather import WeatherCell


@dataclass(frozen=True, slots=True, eq=False)
class EnsembleForecast:
    """Members by column of the canonical table, each an array [member, hour] from ``start_at`` on.

    All arrays have the same members and hours; NaN is unknown. ``dropped`` counts values that were refused,
    by reason.
    """

    cell: WeatherCell
    model: str
    fetched_at: dt.datetime
    start_at: dt.datetime
    members: Mapping[str, npt.NDArray[np.float64]]
    dropped: Mapping[str, int] = field(default_factory=dict)

    @property
    def hours(self) -> int:
        """How many hours there are."""
        return next((values.shape[1] for values in self.members.values()), 0)
