"""Whether a place can lie in the time zone given with it: catches swapped and mistyped coordinates."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from functools import cache
from importlib import resources
from zoneinfo import available_timezones

from alertd.errors import InputError
from alertd.records.site import Site, checked_zone

SWAPPED_BEYOND_DEG = 25.0
"""Nearer than this to its zone's city a place is left alone, whatever its mirror image looks like."""
FAR_BEYOND_DEG = 60.0
"""No zone reaches so far from its city (Asia/Shanghai, the widest, about 40 degrees; from memory)."""

Place = tuple[float, float]
_ISO6709 = re.compile(r"([+-])(\d{2})(\d{2})(\d{2})?([+-])(\d{3})(\d{2})(\d{2})?\Z")


def known_zone(text: str) -> str:
    """Return the IANA zone name. Raises InputError naming the nearest known ones."""
    zone = text.strip()
    try:
        return checked_zone(zone)
    except InputError as error:
        near = nearest(zone, sorted(available_timezones() - _BARE))
        if not near:
            raise
        raise InputError("zone", f"{zone!r} is not an IANA time zone; did you mean {near}?") from error


_BARE = frozenset({"localtime", "posixrules", "Factory"})


def nearest(wanted: str, known: list[str]) -> str:
    """Return the known words that come near the wanted one, as ``'a' or 'b'``; nothing if none does."""
    ends = {name.rpartition("/")[2].lower(): name for name in known}
    by_end = difflib.get_close_matches(
        wanted.rpartition("/")[2].lower().replace(" ", "_"), list(ends), n=2, cutoff=0.8
    )
    folded = {name.lower(): name for name in known}
    whole = difflib.get_close_matches(wanted.lower().replace(" ", "_"), list(folded), n=2)
    found = dict.fromkeys([*(folded[name] for name in whole), *(ends[name] for name in by_end)])
    return " or ".join(map(repr, list(found)[:3]))


def checked_place(site: Site) -> Site:
    """Return the site. Raises InputError if its coordinates cannot lie in its time zone."""
    city = zone_city(site.zone)
    if city is None:
        return site
    given = (site.latitude_deg, site.longitude_deg)
    away = degrees_between(given, city)
    if away > SWAPPED_BEYOND_DEG and abs(given[1]) <= 90.0:
        mirrored = degrees_between((given[1], given[0]), city)
        if mirrored < min(SWAPPED_BEYOND_DEG, away / 2.0):
            raise InputError(
                "latitude",
                f"{given[0]:g} with longitude {given[1]:g} is far from {site.zone}; "
                f"latitude and longitude look swapped, give latitude {given[1]:g} and longitude {given[0]:g}",
            )
    if away > FAR_BEYOND_DEG:
        raise InputError(
            "zone",
            f"{site.zone} is about {round(away * 111.2, -2):.0f} km from {given[0]:g}, {given[1]:g}; "
            "correct the coordinates (west and south are negative) or the zone",
        )
    return site


def degrees_between(a: Place, b: Place) -> float:
    """Return the great-circle distance of two places in degrees (haversine formula)."""
    lat1, lon1, lat2, lon2 = (math.radians(value) for value in (*a, *b))
    half = (
        math.sin((lat2 - lat1) / 2) ** 2 + math.cos(lat1) * math.cos(lat2) * math.sin((lon2 - lon1) / 2) ** 2
    )
    return math.degrees(2 * math.asin(math.sqrt(min(half, 1.0))))


def zone_city(zone: str) -> Place | None:
    """Return the latitude and longitude of the city a zone is named after, None where it has none."""
    return _cities().get(_links().get(zone, zone))


@cache
def _cities() -> Mapping[str, Place]:
    """Read the public-domain table that comes with the IANA time zones."""
    found: dict[str, Place] = {}
    for line in _table("zone.tab"):
        fields = line.split("\t")
        place = _ISO6709.match(fields[1]) if not line.startswith("#") and len(fields) > 2 else None
        if place:
            found[fields[2]] = (_angle(*place.groups()[:4]), _angle(*place.groups()[4:]))
    return found


@cache
def _links() -> Mapping[str, str]:
    """Return former and other names of zones, such as US/Eastern, with the zone each stands for."""
    rows = (line.split() for line in _table("tzdata.zi") if line.startswith("L "))
    return {row[2]: row[1] for row in rows if len(row) == 3 and row[2] not in _cities()}


def _table(name: str) -> list[str]:
    return resources.files("tzdata.zoneinfo").joinpath(name).read_text(encoding="utf-8").splitlines()


def _angle(sign: str, degrees: str, minutes: str, seconds: str | None) -> float:
    size = int(degrees) + int(minutes) / 60.0 + int(seconds or 0) / 3600.0
    return -size if sign == "-" else size
