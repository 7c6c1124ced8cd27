"""Read catalog TOML into frozen records, refusing whatever is not exactly as declared.

A catalog record is a dataclass whose fields are annotated with ``Figure``, ``Series``, ``str``,
``bool``, ``int``, ``StrEnum`` classes, ``tuple[...]`` of those, ``Mapping[str, ...]``, another such
dataclass, or an optional (``X | None``) of one of these. Fields with a default may be left out.
Per-field limits are declared with ``Annotated[Figure, Between(low, high, "unit")]``.
"""

from __future__ import annotations

import itertools
import tomllib
import types
import typing
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from enum import Enum
from importlib import resources
from typing import Annotated, Any, TypeVar

from alertd.catalog.figure import Figure, Series, Status
from alertd.errors import CatalogError

Record = TypeVar("Record")

UNITS = frozenset({
    "degC", "1", "%", "d", "h", "min", "m", "mm", "mm/h", "mm/d", "mm/m", "m/s", "km/h", "kPa", "hPa",
    "degC d", "1/d", "W/m2", "MJ/m2", "MJ/m2/d", "deg", "tenths", "count", "day of year", "points",
    "eV", "1/degC", "1/(d degC2.5)", "mites", "local hour", "m3/m3", "eggs", "eggs/d", "points/d", "mm/week",
})  # fmt: skip
NUMBER_MAX = 1e15
"""No figure of the trade comes near it; NaN and infinity do not pass it either."""


@dataclass(frozen=True, slots=True)
class Between:
    """The possible range and the unit of a figure; outside it the catalog is refused."""

    low: float
    high: float
    unit: str


def load_table(
    name: str, record: type[Record], *, text: str | None = None, base: str | None = None
) -> dict[str, Record]:
    """Read ``catalog/<name>.toml`` as a table of records by key.

    With ``base`` every other record takes from the one of that key whatever it does not say itself.

    Raises
    ------
    CatalogError
        Naming file, key and fix.
    """
    table = _read(name, text)
    if base is not None:
        table = _completed(f"{name}.toml", table, base)
    return {key: _record(f"{name}.toml", key, record, entry) for key, entry in table.items()}


def load_record(name: str, record: type[Record], *, text: str | None = None) -> Record:
    """Read ``catalog/<name>.toml`` as one record. Raises CatalogError naming file, key and fix."""
    return _record(f"{name}.toml", "", record, _read(name, text))


def _completed(file: str, table: dict[str, Any], base: str) -> dict[str, Any]:
    whole = table.get(base)
    if not isinstance(whole, dict):
        raise _refuse(file, base, "missing", "add the table that the others complete themselves from")
    return {key: {**whole, **entry} if isinstance(entry, dict) else entry for key, entry in table.items()}


def _read(name: str, text: str | None) -> dict[str, Any]:
    try:
        if text is None:
            text = resources.files("alertd.catalog").joinpath(f"{name}.toml").read_text(encoding="utf-8")
        return tomllib.loads(text)
    except OSError as error:
        raise CatalogError(
            f"{name}.toml: cannot be read: {error}; install alertd with its catalog"
        ) from error
    # besides its own error tomllib lets through those of int(), of UTF-8 and of too deep a nesting
    except (ValueError, RecursionError) as error:
        raise CatalogError(f"{name}.toml: top level: not valid TOML: {error}; correct that line") from error


def _refuse(file: str, key: str, problem: str, fix: str) -> CatalogError:
    return CatalogError(f"{file}: {key or 'top level'}: {problem}; {fix}")


def _record(file: str, key: str, record: type[Record], entry: object) -> Record:
    if not isinstance(entry, dict):
        raise _refuse(file, key, f"is {type(entry).__name__}", "make it a table")
    hints = typing.get_type_hints(record, include_extras=True)
    known = {f.name: f for f in fields(record)}  # type: ignore[arg-type]  # always a dataclass
    for name in entry:
        if name not in known:
            raise _refuse(file, _join(key, name), "unknown key", f"use one of {', '.join(sorted(known))}")
    values: dict[str, Any] = {}
    for name, declared in known.items():
        if name in entry:
            values[name] = _value(file, _join(key, name), hints[name], entry[name])
        elif declared.default is MISSING and declared.default_factory is MISSING:
            raise _refuse(file, _join(key, name), "missing", "add it with value, unit and source")
    try:
        return record(**values)
    except ValueError as error:
        raise _refuse(file, key, str(error), "make the figures fit each other") from error


def _join(key: str, name: str) -> str:
    return f"{key}.{name}" if key else name


def _value(file: str, key: str, hint: Any, raw: object) -> Any:
    limits: Between | None = None
    if typing.get_origin(hint) is Annotated:
        hint, *extras = typing.get_args(hint)
        limits = next((extra for extra in extras if isinstance(extra, Between)), None)
    if isinstance(hint, types.UnionType) or typing.get_origin(hint) is typing.Union:
        hint = next(arg for arg in typing.get_args(hint) if arg is not type(None))
        if typing.get_origin(hint) is Annotated:
            return _value(file, key, hint, raw)
    if hint is Figure:
        return _figure(file, key, raw, limits)
    if hint is Series:
        return _series(file, key, raw, limits)
    if is_dataclass(hint):
        return _record(file, key, typing.cast("type[Any]", hint), raw)
    return _plain(file, key, hint, raw)


def _plain(file: str, key: str, hint: Any, raw: object) -> Any:
    origin = typing.get_origin(hint)
    if origin is tuple:
        if not isinstance(raw, list):
            raise _refuse(file, key, f"is {type(raw).__name__}", "make it a list")
        item = typing.get_args(hint)[0]
        return tuple(_value(file, f"{key}[{i}]", item, entry) for i, entry in enumerate(raw))
    if origin in (Mapping, dict) or (isinstance(origin, type) and issubclass(origin, Mapping)):
        if not isinstance(raw, dict):
            raise _refuse(file, key, f"is {type(raw).__name__}", "make it a table")
        item = typing.get_args(hint)[1]
        return {name: _value(file, f"{key}.{name}", item, entry) for name, entry in raw.items()}
    if isinstance(hint, type) and issubclass(hint, Enum):
        try:
            return hint(raw)
        except ValueError as error:
            choices = ", ".join(str(member.value) for member in hint)
            raise _refuse(file, key, f"{raw!r} is not known", f"use one of {choices}") from error
    if isinstance(hint, type) and type(raw) is hint:
        return raw
    raise _refuse(file, key, f"is {type(raw).__name__}", f"give a {getattr(hint, '__name__', hint)}")


def _text(file: str, key: str, raw: Mapping[str, object], name: str) -> str:
    text = raw.get(name)
    if not isinstance(text, str) or not text.strip():
        raise _refuse(file, f"{key}.{name}", "missing or empty", f"add a {name} in words")
    return text


def _head(
    file: str, key: str, raw: object, names: frozenset[str], limits: Between | None
) -> tuple[dict[str, Any], str, str, Status]:
    if not isinstance(raw, dict):
        raise _refuse(
            file, key, "is a bare value", "write { value = ..., unit = ..., source = ..., status = ... }"
        )
    for name in raw:
        if name not in names:
            raise _refuse(file, f"{key}.{name}", "unknown key", f"use one of {', '.join(sorted(names))}")
    unit = _text(file, key, raw, "unit")
    if unit not in UNITS:
        raise _refuse(
            file, f"{key}.unit", f"{unit!r} is not a unit of the catalog", "use SI as the other figures do"
        )
    if limits is not None and unit != limits.unit:
        raise _refuse(
            file, f"{key}.unit", f"{unit!r} where {limits.unit!r} is meant", f"convert to {limits.unit}"
        )
    source = _text(file, key, raw, "source")
    status: Status = _plain(file, f"{key}.status", Status, raw.get("status", "missing"))
    if not isinstance(raw.get("note", ""), str):
        raise _refuse(file, f"{key}.note", "is not text", "write the note in words")
    return raw, unit, source, status


_FIGURE_KEYS = frozenset({"value", "unit", "source", "status", "note"})
_SERIES_KEYS = frozenset({"x", "y", "x_unit", "unit", "source", "status", "note"})


def _number(file: str, key: str, raw: object, limits: Between | None) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not abs(raw) <= NUMBER_MAX:
        raise _refuse(file, key, f"{raw!r:.40} is not a usable number", "give a finite number")
    if limits is not None and not limits.low <= raw <= limits.high:
        raise _refuse(
            file,
            key,
            f"{raw} {limits.unit} is impossible",
            f"keep it within {limits.low}..{limits.high} {limits.unit}",
        )
    return float(raw)


def _figure(file: str, key: str, raw: object, limits: Between | None) -> Figure:
    entry, unit, source, status = _head(file, key, raw, _FIGURE_KEYS, limits)
    value = _number(file, f"{key}.value", entry.get("value"), limits)
    return Figure(value, unit, source, status, entry.get("note", ""))


def _series(file: str, key: str, raw: object, limits: Between | None) -> Series:
    entry, unit, source, status = _head(file, key, raw, _SERIES_KEYS, limits)
    xs, ys = entry.get("x"), entry.get("y")
    if not isinstance(xs, list) or not isinstance(ys, list) or len(xs) != len(ys) or len(xs) < 2:
        raise _refuse(file, key, "x and y are not lists of one length", "give as many x as y, two at least")
    x = tuple(_number(file, f"{key}.x", value, None) for value in xs)
    y = tuple(_number(file, f"{key}.y", value, limits) for value in ys)
    if any(b <= a for a, b in itertools.pairwise(x)):
        raise _refuse(file, f"{key}.x", "does not rise", "sort the knots")
    x_unit = _text(file, key, entry, "x_unit")
    if x_unit not in UNITS:
        raise _refuse(
            file,
            f"{key}.x_unit",
            f"{x_unit!r} is not a unit of the catalog",
            "use SI as the other figures do",
        )
    return Series(x, y, x_unit, unit, source, status, entry.get("note", ""))
