"""What was learnt of the forecasts of one place, as it is kept."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from alertd.science.chance import Calibration, ErrorSpread


@dataclass(frozen=True, slots=True)
class LearntErrors:
    """How far the forecasts of one weather cell strayed, by quantity, as known at ``learnt_at``.

    ``zone`` is the clock by which its daily maxima were cut. With a ``model`` it is not learnt: the spread
    of that model's ensemble, asked for at ``learnt_at``, from which its lead times count.
    """

    cell_key: str
    zone: str
    learnt_at: dt.datetime
    errors: Mapping[str, ErrorSpread]
    model: str = ""

    @property
    def days(self) -> int:
        """Distinct verified days behind it; 0: nothing but the prior."""
        return max((max(spread.days) for spread in self.errors.values()), default=0)


@dataclass(frozen=True, slots=True)
class LearntCorrection:
    """What became of one site's chances, as known at ``learnt_at``.

    The pairs are verified chances looked at; with too few of them there is no correction.
    """

    site_id: str
    learnt_at: dt.datetime
    windows: Calibration | None
    spells: Calibration | None
    window_pairs: int
    spell_pairs: int
