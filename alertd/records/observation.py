"""What somebody saw on a site; it outranks what a model says."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import StrEnum

from alertd.errors import InputError


class SoilFeel(StrEnum):
    """How the soil of the root zone feels in the hand, driest first; wilted is seen on the plant."""

    WILTED = "wilted"
    DRY = "dry"
    SLIGHTLY_MOIST = "slightly moist"
    MOIST = "moist"
    WET = "wet"


@dataclass(frozen=True, slots=True)
class WaterObservation:
    """The soil or the leaves of one planting as found on a local day, entered at ``noted_at``."""

    planting_id: str
    day: dt.date
    feel: SoilFeel
    noted_at: dt.datetime

    def __post_init__(self) -> None:
        if self.noted_at.tzinfo is None:
            raise InputError("noted_at", f"{self.noted_at.isoformat()} has no time zone; give one")
