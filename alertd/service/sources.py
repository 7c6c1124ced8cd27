"""The whole catalog as a list: every figure with its unit, its source and how firm it is."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any

from alertd.catalog.figure import Status

UNVERIFIED = frozenset({Status.FROM_MEMORY})
"""Figures of this status were never seen in a source."""
OURS = frozenset({Status.DERIVED, Status.COMMON_PRACTICE})
"""Figures of this status rest on no publication of their own."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One figure or curve of the catalog, or one entry of words with a source of its own.

    ``value`` is a number, the knots of a curve, or None for words.
    """

    file: str
    key: str
    value: float | tuple[tuple[float, float], ...] | None
    unit: str
    status: Status | None
    source: str
    note: str
    x_unit: str = ""

    @property
    def verified(self) -> bool:
        """Whether somebody saw the figure in its source, or it is openly our own."""
        return self.status not in UNVERIFIED


def catalog_entries(status: Status | None = None) -> list[Entry]:
    """Return every figure of the catalog by file and key; with ``status`` only those that firm."""
    folder = resources.files("alertd.catalog")
    names = sorted(item.name for item in folder.iterdir() if item.name.endswith(".toml"))
    found = [
        entry
        for name in names
        for entry in _walk(name, "", tomllib.loads(folder.joinpath(name).read_text(encoding="utf-8")))
    ]
    return [entry for entry in found if status is None or entry.status is status]


def _walk(file: str, key: str, value: Any) -> Iterator[Entry]:
    """Yield the figures below one key, in the order of the file."""
    if isinstance(value, Mapping):
        if {"unit", "source", "status"} <= value.keys():
            yield _entry(file, key, value)
            return
        yield from _words(file, key, value)
        for name, item in value.items():
            yield from _walk(file, f"{key}.{name}" if key else name, item)
    elif isinstance(value, list):
        for place, item in enumerate(value):
            yield from _walk(file, f"{key}[{place}]", item)


def _entry(file: str, key: str, raw: Mapping[str, Any]) -> Entry:
    value: Any = raw.get("value")
    if "x" in raw and "y" in raw:
        value = tuple((float(x), float(y)) for x, y in zip(raw["x"], raw["y"], strict=True))
    return Entry(
        file=file,
        key=key,
        value=float(value) if isinstance(value, int | float) else value,
        unit=str(raw["unit"]),
        status=Status(raw["status"]),
        source=str(raw["source"]),
        note=str(raw.get("note", "")),
        x_unit=str(raw.get("x_unit", "")),
    )


def _words(file: str, key: str, raw: Mapping[str, Any]) -> Iterator[Entry]:
    """Yield sources of what is no number, such as which plants a material harms."""
    for name, text in raw.items():
        if name.endswith("_source") and isinstance(text, str) and text:
            about = name.removesuffix("_source")
            yield Entry(file, f"{key}.{about}" if key else about, None, "", None, text, "")
