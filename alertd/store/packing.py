"""Weather tables and season states as compact bytes, readable by later versions of the records."""

from __future__ import annotations

import datetime as dt
import json
import zlib
from dataclasses import asdict, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from alertd.errors import StoreUnusable
from alertd.records.season import SeasonState, SpeciesSeason
from alertd.records.weather import COLUMNS, FLAGS

SIGNIFICANT_DIGITS = 6  # what a float32 always keeps


def pack_table(table: pd.DataFrame) -> bytes:
    """Return the table as compressed columns: float32 values, one byte a flag, with a header that names them.

    Values of up to six significant digits come back exactly, others within 5e-6 of their size.
    """
    values = np.ascontiguousarray(table[list(COLUMNS)].to_numpy(dtype="<f4").T)
    flags = np.ascontiguousarray(table[list(FLAGS)].to_numpy(dtype="u1").T)
    header = json.dumps({"hours": len(table), "columns": COLUMNS, "flags": FLAGS}).encode() + b"\n"
    # Bytes of equal weight side by side: neighbouring hours share their high bytes and compress well.
    shuffled = values.view("u1").reshape(values.size, 4).T
    return zlib.compress(header + shuffled.tobytes() + flags.tobytes(), 6)


def unpack_table(packed: bytes, start_at: dt.datetime) -> pd.DataFrame:
    """Return the table; a column it was written without is unknown. Raises StoreUnusable if damaged."""
    try:
        header, _, body = zlib.decompress(packed).partition(b"\n")
        meta = json.loads(header)
        hours, names, flag_names = int(meta["hours"]), list(meta["columns"]), list(meta["flags"])
        size = hours * len(names)
        raw = np.frombuffer(body, dtype="u1")
        shuffled = raw[: size * 4].reshape(4, size).T
        values = np.ascontiguousarray(shuffled).view("<f4").reshape(len(names), hours)
        flags = raw[size * 4 :].reshape(len(flag_names), hours).astype(bool)
    except (zlib.error, ValueError, KeyError, TypeError) as error:
        raise StoreUnusable(f"a stored weather table is damaged ({error}); restore a backup") from error
    rounded = _shortest(values)
    index = pd.date_range(start_at, periods=hours, freq="h", tz="UTC", name="start_at", unit="s")
    unknown = np.full(hours, np.nan)
    columns: dict[str, Any] = {
        name: rounded[names.index(name)] if name in names else unknown.copy() for name in COLUMNS
    }
    for flag in FLAGS:
        columns[flag] = flags[flag_names.index(flag)] if flag in flag_names else np.zeros(hours, dtype=bool)
    return pd.DataFrame(columns, index=index)


def _shortest(values: npt.NDArray[np.float32]) -> npt.NDArray[np.float64]:
    """Return each value as the nearest number of six digits: 21.3, not 21.299999.

    A limit of 21.3 must decide the same before and after storage.
    """
    wide = values.astype(np.float64)
    size = np.abs(wide)
    magnitude = np.floor(np.log10(size, out=np.zeros_like(size), where=size > 0.0))
    factor = 10.0 ** (SIGNIFICANT_DIGITS - 1 - np.nan_to_num(magnitude, posinf=0.0))
    return np.asarray(np.round(wide * factor) / factor, dtype=np.float64)


def pack_season(state: SeasonState) -> bytes:
    """Return everything but the key of a season state; numbers come back bit for bit, NaN included."""
    content = {
        "species": {name: asdict(season) for name, season in state.species.items()},
        "depletion_mm": dict(state.depletion_mm),
        "last_wetting_day": dict(state.last_wetting_day),
        "history": state.history,
        "account_since": dict(state.account_since),
        "spell": state.spell,
    }
    return zlib.compress(json.dumps(content, separators=(",", ":")).encode(), 6)


_SPECIES_FIELDS = frozenset(field.name for field in fields(SpeciesSeason))


def unpack_season(packed: bytes, site_id: str, day: dt.date, made_at: dt.datetime) -> SeasonState:
    """Return the season state. Raises StoreUnusable if damaged."""
    try:
        content = json.loads(zlib.decompress(packed))
        return SeasonState(
            site_id=site_id,
            day=day,
            made_at=made_at,
            species={name: _species(entry) for name, entry in content["species"].items()},
            depletion_mm=content["depletion_mm"],
            last_wetting_day=content["last_wetting_day"],
            history=tuple(tuple(map(float, entry)) for entry in content["history"]),
            account_since=content.get("account_since", {}),
            spell=tuple(map(float, content.get("spell", ()))),
        )
    except (zlib.error, ValueError, KeyError, TypeError, AttributeError) as error:
        raise StoreUnusable(f"a stored season is damaged ({error}); restore a backup") from error


def _species(entry: dict[str, Any]) -> SpeciesSeason:
    """Return the season of one species; fields it was written without take their defaults."""
    known: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value
        for name, value in entry.items()
        if name in _SPECIES_FIELDS
    }
    return SpeciesSeason(**known)
