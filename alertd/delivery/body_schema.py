"""The published JSON Schemas of webhook bodies: one file a kind and version, read from the package."""

from __future__ import annotations

import json
import re
from functools import cache
from importlib import resources
from typing import Any, NamedTuple

from alertd.errors import InputError

_NAME = re.compile(r"([a-z-]+)\.v([0-9]+)\.json")


class Published(NamedTuple):
    """One schema: the kind of body it is about, its version, its text and its parsed form."""

    kind: str
    version: int
    text: str

    @property
    def schema(self) -> dict[str, Any]:
        """The schema, parsed."""
        return dict(json.loads(self.text))

    @property
    def name(self) -> str:
        """The ``$id``: a name that stays, not an address."""
        return str(self.schema["$id"])


@cache
def published() -> tuple[Published, ...]:
    """Return every schema there is, by kind and version."""
    folder = resources.files("alertd.delivery") / "schemas"
    found = [
        Published(match[1], int(match[2]), entry.read_text(encoding="utf-8"))
        for entry in folder.iterdir()
        if (match := _NAME.fullmatch(entry.name))
    ]
    return tuple(sorted(found))


def newest(kind: str) -> Published:
    """Return the newest schema of a kind. Raises InputError listing the kinds."""
    found = [one for one in published() if one.kind == kind.strip().lower()]
    if not found:
        kinds = ", ".join(dict.fromkeys(one.kind for one in published()))
        raise InputError("kind", f"{kind!r} is not known; use one of {kinds}")
    return found[-1]
