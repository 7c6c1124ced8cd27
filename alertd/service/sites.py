"""Adding, changing and importing sites: every value is checked before anything is written."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Protocol, TypeVar

from alertd.catalog.materials import load_materials
from alertd.catalog.plants import load_plants
from alertd.errors import InputError
from alertd.records.site import (
    DEFAULT_FIRM,
    Climate,
    Exposure,
    Irrigation,
    Method,
    Planting,
    Profile,
    Site,
    Soil,
    checked_name,
)
from alertd.service.places import checked_place, known_zone, nearest
from alertd.store.rows import name_key
from alertd.units import feet_to_metres

Choice = TypeVar("Choice", bound=StrEnum)


class SiteBook(Protocol):
    """What this module needs of the store."""

    def add_site(self, site: Site, *, now: dt.datetime) -> Site:
        """Keep a new site. Raises InputError on a name that is taken."""
        ...

    def edit_site(self, site: Site, *, now: dt.datetime) -> Site:
        """Replace a site. Raises InputError on a name that is taken."""
        ...

    def site(self, id_or_name: str, firm_id: str = ...) -> Site:
        """Return the site with this id or name. Raises InputError if there is none."""
        ...


IdFactory = Callable[[], str]


def choice(kind: type[Choice], text: str, field: str) -> Choice:
    """Return the member written as ``text``. Raises InputError listing the choices."""
    try:
        return kind(text.strip().lower().replace("_", "-").replace(" ", "-"))
    except ValueError as error:
        raise InputError(field, f"{text!r} is not known; use one of {', '.join(kind)}") from error


def known_keys(keys: Iterable[str], table: Mapping[str, object], field: str) -> tuple[str, ...]:
    """Return the keys, trimmed. Raises InputError naming the first unknown one and the nearest known ones."""
    cleaned = tuple(key.strip().lower().replace(" ", "_").replace("-", "_") for key in keys if key.strip())
    for key in cleaned:
        if key not in table:
            near = nearest(key, sorted(table))
            hint = f"did you mean {near}?" if near else f"use one of {', '.join(sorted(table))}"
            raise InputError(field, f"{key!r} is not in the catalog; {hint}")
    return cleaned


_NUMBER = re.compile(r"[+-]?\d{1,15}(\.\d{1,30})?")


def number(text: str, field: str) -> float:
    """Return the number written as ``text``. Raises InputError naming the field."""
    plain = text.strip()
    if not _NUMBER.fullmatch(plain):
        raise InputError(field, f"{text!r} is not a number; write it like 40.7128")
    return float(plain)


def whole_number(text: str, field: str) -> int:
    """Return the whole number written as ``text``. Raises InputError naming the field."""
    plain = text.strip()
    if not re.fullmatch(r"\d{1,7}", plain):
        raise InputError(field, f"{text!r} is not a whole number; write it like 12")
    return int(plain)


def elevation(text: str) -> float:
    """Return the height in metres, written as ``120``, ``120m`` or ``390ft``. Raises InputError."""
    plain = text.strip().lower()
    if plain.endswith("ft"):
        return round(feet_to_metres(number(plain.removesuffix("ft"), "elevation")), 1)
    return number(plain.removesuffix("m"), "elevation")


def local_date(text: str, field: str) -> dt.date:
    """Return the ISO date written as ``text``. Raises InputError naming the field."""
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError as error:
        raise InputError(field, f"{text!r} is not a date; write it like 2026-04-30") from error


def parse_planting(text: str, new_id: IdFactory) -> Planting:
    """Read ``host[:option=value]...`` such as ``spruce:label=north hedge:count=12:soil=sandy-loam``.

    Raises InputError naming the option and the fix.
    """
    host, *options = text.split(":")
    (host,) = known_keys([host], load_plants(), "plant") or ("",)
    if not host:
        raise InputError("plant", "is empty; write it like spruce or rose:count=12")
    planting = Planting(id=new_id(), host=host)
    for option in options:
        name, found, value = option.partition("=")
        if not found:
            raise InputError("plant", f"{option!r} has no value; write it like count=12")
        planting = _with_option(planting, name.strip().lower().replace("-", "_"), value.strip())
    return planting


def _with_option(planting: Planting, name: str, value: str) -> Planting:
    readers: dict[str, Callable[[], Any]] = {
        "label": lambda: checked_name(value, "label"),
        "count": lambda: whole_number(value, "count"),
        "planted_on": lambda: local_date(value, "planted_on"),
        "soil": lambda: choice(Soil, value, "soil"),
        "root_depth_m": lambda: number(value, "root_depth_m"),
        "irrigation": lambda: choice(Irrigation, value, "irrigation"),
        "irrigation_mm_per_week": lambda: number(value, "irrigation_mm_per_week"),
        "exposure": lambda: choice(Exposure, value, "exposure"),
    }
    if name not in readers:
        raise InputError("plant", f"{name!r} is not an option; use one of {', '.join(sorted(readers))}")
    return replace(planting, **{name: readers[name]()})


SITE_COLUMNS = (
    "name", "latitude", "longitude", "zone", "elevation_m", "climate", "plants", "materials", "method",
    "profile", "biofix",
)  # fmt: skip
_REQUIRED = ("name", "latitude", "longitude", "zone", "plants")


def site_from_row(row: Mapping[str, str], new_id: IdFactory) -> Site:
    """Build a site from one CSV row; plants and materials are lists parted by ``;``.

    Raises InputError naming the column and the fix.
    """
    for column in _REQUIRED:
        if not (row.get(column) or "").strip():
            raise InputError(column, "is empty; every site needs one")
    filled = {key: value.strip() for key, value in row.items() if value and value.strip()}
    site = Site(
        id=new_id(),
        name=checked_name(filled["name"]),
        latitude_deg=number(filled["latitude"], "latitude"),
        longitude_deg=number(filled["longitude"], "longitude"),
        zone=known_zone(filled["zone"]),
        elevation_m=elevation(filled["elevation_m"]) if "elevation_m" in filled else None,
        climate=choice(Climate, filled.get("climate", Climate.HUMID), "climate"),
        plantings=tuple(parse_planting(part, new_id) for part in filled["plants"].split(";") if part.strip()),
        materials=known_keys(filled.get("materials", "").split(";"), load_materials(), "materials"),
        method=choice(Method, filled.get("method", Method.HAND), "method"),
        profile=choice(Profile, filled.get("profile", Profile.DEFAULT), "profile"),
        biofix=local_date(filled["biofix"], "biofix") if "biofix" in filled else None,
    )
    return checked_place(site)


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that was not imported, by its line in the file."""

    line: int
    field: str
    message: str


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What an import did."""

    added: tuple[Site, ...]
    bad: tuple[BadRow, ...]


def read_sites(text: str, new_id: IdFactory) -> tuple[list[tuple[int, Site]], list[BadRow]]:
    """Read a CSV file of sites; returns the good ones and every bad row, each with its line.

    Raises InputError if the header is not one of sites.
    """
    reader = csv.DictReader(io.StringIO(text.lstrip("\ufeff"), newline=""), strict=True)
    try:
        header = [name.strip().lower() for name in reader.fieldnames or ()]
    except csv.Error as error:
        raise InputError("header", f"not readable as CSV: {error}; check the quotes") from error
    missing = [name for name in _REQUIRED if name not in header]
    unknown = [name for name in header if name not in SITE_COLUMNS]
    if len(header) == 1 and ";" in header[0]:
        raise InputError("header", "the columns are parted by semicolons; save the file with commas")
    if missing or unknown or len(set(header)) != len(header):
        told = [f"misses {', '.join(missing)}"] if missing else []
        told += [f"has the unknown {', '.join(map(repr, unknown))}"] if unknown else []
        told = told or ["names a column twice"]
        raise InputError("header", f"{' and '.join(told)}; the columns are {', '.join(SITE_COLUMNS)}")
    reader.fieldnames = header
    return _read_rows(reader, new_id)


def _read_rows(reader: csv.DictReader[str], new_id: IdFactory) -> tuple[list[tuple[int, Site]], list[BadRow]]:
    good: list[tuple[int, Site]] = []
    bad: list[BadRow] = []
    while True:
        try:
            row = next(reader, None)
        except csv.Error as error:
            bad.append(
                BadRow(reader.reader.line_num, "row", f"not readable as CSV: {error}; check the quotes")
            )
            continue
        if row is None:
            return good, bad
        if None in row:
            bad.append(BadRow(reader.line_num, "row", "has more cells than the header; quote the commas"))
            continue
        try:
            good.append((reader.line_num, site_from_row(row, new_id)))
        except InputError as error:
            bad.append(BadRow(reader.line_num, error.field, error.message))


class AtomicBook(SiteBook, Protocol):
    """A store that can keep many sites in one transaction."""

    def sites(self, *, active: bool | None = ..., firm_id: str | None = ...) -> Sequence[Site]:
        """Return the sites of a firm; ``active=None`` means those that rest, too."""
        ...

    def add_sites(self, sites: Sequence[Site], *, now: dt.datetime) -> None:
        """Keep all or none. Raises InputError naming the first name that is taken."""
        ...


Progress = Callable[[int, int], None]


def import_sites(
    book: AtomicBook,
    text: str,
    *,
    strict: bool,
    now: dt.datetime,
    new_id: IdFactory,
    progress: Progress = lambda _done, _all: None,
) -> ImportReport:
    """Import a CSV file: the good rows, or with ``strict`` all rows or none.

    Raises InputError if the header is wrong; a bad row is reported by line instead.
    """
    rows, bad = read_sites(text, new_id)
    good, twice = _without_repeats(
        rows, {name_key(site.name) for site in book.sites(active=None, firm_id=DEFAULT_FIRM)}
    )
    bad += twice
    added = _add_all(book, good, bad, now) if strict else _add_each(book, good, bad, now, progress)
    return ImportReport(tuple(added), tuple(sorted(bad, key=lambda row: row.line)))


def _without_repeats(
    rows: Sequence[tuple[int, Site]], taken: set[str]
) -> tuple[list[tuple[int, Site]], list[BadRow]]:
    good: list[tuple[int, Site]] = []
    bad: list[BadRow] = []
    for line, site in rows:
        key = name_key(site.name)
        if key in taken:
            bad.append(
                BadRow(line, "name", f"there is already a site called {site.name!r}; choose another name")
            )
        else:
            taken.add(key)
            good.append((line, site))
    return good, bad


def _add_all(
    book: AtomicBook, good: Sequence[tuple[int, Site]], bad: list[BadRow], now: dt.datetime
) -> list[Site]:
    """Keep every row or, if one is bad, none."""
    sites = [site for _, site in good]
    if bad:
        return []
    try:
        book.add_sites(sites, now=now)
    except InputError as error:  # somebody else took the name meanwhile
        bad.append(BadRow(0, error.field, error.message))
        return []
    return sites


def _add_each(
    book: AtomicBook,
    good: Sequence[tuple[int, Site]],
    bad: list[BadRow],
    now: dt.datetime,
    progress: Progress,
) -> list[Site]:
    added: list[Site] = []
    for done, (line, site) in enumerate(good, start=1):
        try:
            added.append(book.add_site(site, now=now))
        except InputError as error:
            bad.append(BadRow(line, error.field, error.message))
        progress(done, len(good))
    return added
