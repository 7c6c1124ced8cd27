"""What digests and briefs say, before it is put into words: SI units, instants in UTC."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from alertd.records.alert import Alert
from alertd.records.assessment import Level
from alertd.records.preferences import Brief
from alertd.records.site import Site, Subscriber


@dataclass(frozen=True, slots=True)
class DigestEntry:
    """One alert that waited for the digest; ``over`` says that it is no longer true."""

    alert: Alert
    site: Site
    over: bool = False


@dataclass(frozen=True, slots=True)
class WaitingAlert:
    """An alert that waits, as the store found it when its digest was due.

    ``told_sequence`` is the latest alert of its episode that the reader got, 0 if none.
    """

    message_id: str
    alert: Alert
    site: Site
    episode_closed: bool
    told_sequence: int
    wanted: bool


@dataclass(frozen=True, slots=True)
class WindowLine:
    """Hours of one material group with no block found, ``[start_at, end_at)``."""

    material: str
    start_at: dt.datetime
    end_at: dt.datetime
    closed_by: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    chance: float | None = None


@dataclass(frozen=True, slots=True)
class SiteLine:
    """One site in a brief. Without ``known`` there was no weather to judge it on.

    ``level`` is the highest of spell, pressure and water and ``rank`` orders the sites, highest first.
    ``gaps`` name what could not be judged, although the rest could.
    Materials without a window stand in ``closed`` with the reasons; ``loosened`` are the site's own limits
    that are looser than the usual ones, each with the materials that it holds for. ``last_today`` are
    windows still open today of materials that have none tomorrow.
    """

    site_id: str
    name: str
    zone: str
    known: bool
    level: Level = Level.NONE
    rank: tuple[float, ...] = ()
    spell_start_day: dt.date | None = None
    spell_end_day: dt.date | None = None
    spell_days: int = 0
    spell_chance: float | None = None
    peak_temperature_c: float | None = None
    hot_days: tuple[dt.date, ...] = ()
    pressure_name: str = ""
    pressure: float = 0.0
    pressure_ahead: float = 0.0
    dry_plants: tuple[str, ...] = ()
    dry_on: dt.date | None = None
    windows: tuple[WindowLine, ...] = ()
    closed: tuple[tuple[str, tuple[str, ...]], ...] = ()
    actions: tuple[str, ...] = ()
    gaps: tuple[str, ...] = ()
    loosened: tuple[tuple[str, tuple[str, ...]], ...] = ()
    last_today: tuple[WindowLine, ...] = ()
    mites_active: bool = False
    data_as_of: dt.datetime | None = None
    attribution: str = ""


@dataclass(frozen=True, slots=True)
class Letter:
    """One digest or brief with everything needed to word it. ``entries`` or ``lines``, strongest first."""

    brief: Brief
    reader: Subscriber
    entries: tuple[DigestEntry, ...] = ()
    lines: tuple[SiteLine, ...] = ()
