"""Who is watched, what grows there, and who is told."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from alertd.errors import InputError

DEFAULT_FIRM = "default"
NAME_LENGTH_MAX = 200


class Exposure(StrEnum):
    """How the sun reaches the planting."""

    SHADE = "shade"
    OPEN = "open"
    REFLECTED_HEAT = "reflected-heat"


class Irrigation(StrEnum):
    """How the planting gets water besides rain."""

    NONE = "none"
    DRIP = "drip"
    OVERHEAD = "overhead"
    UNKNOWN = "unknown"
    RESTRICTED = "restricted"


class Soil(StrEnum):
    """Soil texture classes of FAO-56 Table 19."""

    SAND = "sand"
    LOAMY_SAND = "loamy-sand"
    SANDY_LOAM = "sandy-loam"
    LOAM = "loam"
    SILT_LOAM = "silt-loam"
    SILT = "silt"
    SILTY_CLAY_LOAM = "silty-clay-loam"
    SILTY_CLAY = "silty-clay"
    CLAY = "clay"


class Climate(StrEnum):
    """Sets the plant factor of woody plants: humid or dry summers."""

    HUMID = "humid"
    DRY = "dry"


class Method(StrEnum):
    """How a material is put on."""

    HAND = "hand"
    MIST_BLOWER = "mist-blower"


class Profile(StrEnum):
    """Which set of spraying limits holds."""

    DEFAULT = "default"
    STRICT = "strict"


class Channel(StrEnum):
    """How a subscriber is reached."""

    EMAIL = "email"
    WEBHOOK = "webhook"


class Standing(StrEnum):
    """Where a subscriber stands: only an active one is sent alerts.

    pending has not confirmed the address yet, suspended could not be reached, left asked to be left alone.
    """

    PENDING = "pending"
    ACTIVE = "active"
    SUSPENDED = "suspended"
    LEFT = "left"


class UnitSystem(StrEnum):
    """The reader's units."""

    US = "us"
    METRIC = "metric"


def checked_zone(zone: str) -> str:
    """Return the IANA zone name. Raises InputError naming the fix."""
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(
            "zone", f"{zone!r} is not an IANA time zone; write it like America/New_York or Europe/Berlin"
        ) from error
    return zone


def checked_name(name: str, what: str = "name") -> str:
    """Return the name, trimmed. Raises InputError on an empty, overlong or unprintable one."""
    trimmed = " ".join(name.split()) if "\n" not in name and "\r" not in name else ""
    if not trimmed or not trimmed.isprintable():
        raise InputError(what, "give one line of printable text")
    if len(trimmed) > NAME_LENGTH_MAX:
        raise InputError(what, f"is {len(trimmed)} characters long; keep it within {NAME_LENGTH_MAX}")
    return trimmed


@dataclass(frozen=True, slots=True)
class Planting:
    """Plants of one kind on one site. ``host`` is a key of the host-plant catalog."""

    id: str
    host: str
    label: str = ""
    count: int = 1
    planted_on: dt.date | None = None
    soil: Soil = Soil.LOAM
    root_depth_m: float | None = None
    irrigation: Irrigation = Irrigation.UNKNOWN
    irrigation_mm_per_week: float | None = None
    exposure: Exposure = Exposure.OPEN

    def __post_init__(self) -> None:
        if self.count < 1:
            raise InputError("count", f"{self.count} plants; give 1 or more")
        if self.root_depth_m is not None and not 0.05 <= self.root_depth_m <= 3.0:
            raise InputError("root_depth_m", f"{self.root_depth_m} m; keep it within 0.05..3 m")
        if self.irrigation_mm_per_week is not None and not 0.0 <= self.irrigation_mm_per_week <= 200.0:
            raise InputError(
                "irrigation_mm_per_week", f"{self.irrigation_mm_per_week}; keep it within 0..200 mm"
            )


@dataclass(frozen=True, slots=True)
class Site:
    """One property that is watched. ``materials`` are keys of the material catalog.

    ``limits`` are the site's own spraying limits, by the names that ``alertd.science.spray.rules_for``
    takes; ``limit_reasons`` says of those that are looser than the catalog why.
    """

    id: str
    name: str
    latitude_deg: float
    longitude_deg: float
    zone: str
    elevation_m: float | None = None
    firm_id: str = DEFAULT_FIRM
    climate: Climate = Climate.HUMID
    plantings: tuple[Planting, ...] = ()
    materials: tuple[str, ...] = ()
    method: Method = Method.HAND
    profile: Profile = Profile.DEFAULT
    limits: Mapping[str, float] = field(default_factory=dict)
    limit_reasons: Mapping[str, str] = field(default_factory=dict)
    biofix: dt.date | None = None
    active: bool = True

    def __post_init__(self) -> None:
        checked_name(self.name)
        checked_zone(self.zone)
        if not -90.0 <= self.latitude_deg <= 90.0:
            swapped = -90.0 <= self.longitude_deg <= 90.0
            hint = "; latitude and longitude look swapped" if swapped else ""
            raise InputError("latitude", f"{self.latitude_deg} is outside -90..90{hint}")
        if not -180.0 <= self.longitude_deg <= 180.0:
            raise InputError("longitude", f"{self.longitude_deg} is outside -180..180")
        if self.elevation_m is not None and not -430.0 <= self.elevation_m <= 6000.0:
            raise InputError("elevation_m", f"{self.elevation_m} is outside -430..6000 m")

    @property
    def southern(self) -> bool:
        """Whether the site lies south of the equator."""
        return self.latitude_deg < 0.0


@dataclass(frozen=True, slots=True)
class Subscriber:
    """One person or machine and the one way to reach it. ``address`` is an email address or a URL.

    Messages go out between ``wake_hour`` and ``rest_hour``, local to the site they are about.
    ``active`` is the operator's switch, ``standing`` the reader's own word; since ``standing_at``.
    After a change of ``secret``, ``old_secret`` is good as well until ``old_secret_until``.
    """

    id: str
    name: str
    channel: Channel
    address: str
    firm_id: str = DEFAULT_FIRM
    secret: str = field(default="", repr=False)
    units: UnitSystem = UnitSystem.US
    wake_hour: int = 6
    rest_hour: int = 20
    active: bool = True
    standing: Standing = Standing.ACTIVE
    standing_at: dt.datetime | None = None
    old_secret: str = field(default="", repr=False)
    old_secret_until: dt.datetime | None = None

    def secrets_at(self, now: dt.datetime) -> tuple[str, ...]:
        """Return the secrets that sign a message now, newest first: two while one replaces another."""
        old_holds = self.old_secret_until is not None and now < self.old_secret_until
        return tuple(one for one in (self.secret, self.old_secret if old_holds else "") if one)

    def __post_init__(self) -> None:
        checked_name(self.name)
        if not (0 <= self.wake_hour < self.rest_hour <= 24):
            raise InputError(
                "wake_hour", f"{self.wake_hour}..{self.rest_hour}; wake before rest, both within 0..24"
            )


@dataclass(frozen=True, slots=True)
class Subscription:
    """A subscriber wants to hear about a site; empty ``kinds`` means every kind.

    Until ``snoozed_until`` only the severest is told; ``acknowledged`` names the open episodes of the site
    that the subscriber has seen.
    """

    subscriber_id: str
    site_id: str
    kinds: tuple[str, ...] = ()
    snoozed_until: dt.datetime | None = None
    acknowledged: frozenset[str] = frozenset()
