"""Where the published schemas of webhook bodies come from: the types of the evidence, and a table of kinds.

``python -m tests.delivery.schema_source`` writes ``alertd/delivery/schemas`` anew. A receiver may rely on
what stands there: whatever would make a body of today fail is a new version (``BODY_VERSION``) in a new
file beside the old one; only a new key that receivers may do without is added to a version.
"""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NotRequired, Required, get_args, get_origin, get_type_hints, is_typeddict

from alertd.delivery.webhook import BODY_VERSION, LEFT_OUT_FIRST, SCHEMA_BASE
from alertd.records import evidence as shapes
from alertd.records.alert import AlertKind, Change
from alertd.records.assessment import Level

DIALECT = "https://json-schema.org/draft/2020-12/schema"
FOLDER = Path(__file__).parents[2] / "alertd" / "delivery" / "schemas"
TEST_MESSAGE = "test"
INSTANT = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|\+00:00)$"
DAY = r"^\d{4}-\d\d-\d\d$"

BASE = ("place", "plantings", "data_as_of", "fetched_at", "provider", "attribution", "changes")
GROWING = ("days", "pressures", "water", "materials", "horizon_end")
EVER = ("also", "told_with", "chance_days", "chance_ensemble")
"""What any kind may hold."""
ALWAYS: Mapping[AlertKind, tuple[str, ...]] = {
    AlertKind.HOT_DRY: (*GROWING, "spell", "rule", "scouting", "clears_when"),
    AlertKind.MITE_PRESSURE: (*GROWING, "rule", "scouting", "clears_when"),
    AlertKind.WATER_SHORT: (*GROWING, "short", "rule", "clears_when"),
    AlertKind.SPRAY_WINDOW: (*GROWING, "spray_state", "rule", "scouting", "clears_when"),
    AlertKind.SCOUTING_DUE: (*GROWING, "looks", "rule", "scouting"),
    AlertKind.MILESTONE: (*GROWING, "milestones", "scouting"),
    AlertKind.WEATHER_MISSING: ("faults",),
    AlertKind.ALL_CLEAR: ("closes_kind", "closed_because", "opened_at"),
}
"""What the evidence of a kind holds besides the base, in every body."""
SOMETIMES: Mapping[AlertKind, tuple[str, ...]] = {
    AlertKind.SPRAY_WINDOW: ("instead",),
    AlertKind.WEATHER_MISSING: ("age_h", "missing_since"),
    AlertKind.ALL_CLEAR: (*GROWING, "rule", "scouting", "clears_when", "faults", "age_h", "missing_since"),
}
PLAIN: Mapping[type, Mapping[str, Any]] = {
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": ["number", "null"]},
}
CHOICES: Mapping[str, list[str]] = {
    "spray_state": ["open", "none"],
    "closes_kind": [kind.value for kind in AlertKind if kind is not AlertKind.ALL_CLEAR],
    "level": [level.name.lower() for level in Level],
}


def schema_of(kind: AlertKind) -> dict[str, Any]:
    """Return the schema of the body of one kind."""
    kept = (*BASE, *ALWAYS[kind], *EVER, *SOMETIMES.get(kind, ()))
    found: dict[str, Any] = {}
    hints = get_type_hints(shapes.AlertEvidence, include_extras=True)
    evidence = _object({key: _of(hints[key], key, found) for key in hints if key in kept})
    evidence["required"] = sorted(key for key in (*BASE, *ALWAYS[kind]) if key not in LEFT_OUT_FIRST)
    droppable = [key for key in LEFT_OUT_FIRST if key in (*BASE, *ALWAYS[kind])]
    changes = (
        [Change.CLOSED] if kind is AlertKind.ALL_CLEAR else [c for c in Change if c is not Change.CLOSED]
    )
    data = _object(
        {
            "alert_id": _text("The same for every receiver of this alert."),
            "episode_id": _text("What belongs to one stretch of one condition has the same."),
            "sequence": {"type": "integer", "minimum": 1, "description": "Rises within an episode."},
            "site_id": _text(),
            "site_name": _text(),
            "kind": {"const": kind.value},
            "subject": {"type": "string", "description": "What part of the site it is about, often empty."},
            "change": {"enum": [change.value for change in changes]},
            "level": {"type": "integer"},
            "level_name": {"type": "string"},
            "expires_at": _instant(nullable=True),
            "handed_over_from": {
                "type": ["string", "null"],
                "description": "Who was told first and has not acknowledged it; null if you are the first.",
            },
            "left_out": {
                "type": "array",
                "items": {"enum": [key for key in LEFT_OUT_FIRST if key in kept]},
                "uniqueItems": True,
                "description": "Keys of the evidence that would have made the body too large.",
            },
            "evidence": evidence,
        }
    )
    data["oneOf"] = [
        _object_part({"level": {"const": int(level)}, "level_name": {"const": level.name.lower()}})
        for level in Level
    ]
    data["allOf"] = [_unless_left_out(key) for key in droppable]
    types_ = {change: f"alertd.{kind.value.replace('-', '_')}.{change.value}" for change in changes}
    body = _body(kind.value, {"enum": list(types_.values())}, data)
    body["oneOf"] = [
        _object_part({"type": {"const": name}, "data": _object_part({"change": {"const": change.value}})})
        for change, name in types_.items()
    ]
    return {**body, "$defs": dict(sorted(found.items()))}


def trial_schema() -> dict[str, Any]:
    """Return the schema of the message that only tries the way."""
    data = _object({"subscriber_id": _text(), "subscriber_name": _text(), "text": _text()})
    return _body(TEST_MESSAGE, {"const": "alertd.test"}, data)


def _body(name: str, type_: dict[str, Any], data: dict[str, Any]) -> dict[str, Any]:
    what = "a test message" if name == TEST_MESSAGE else f"an alert of the kind {name}"
    return {
        "$schema": DIALECT,
        "$id": f"{SCHEMA_BASE}/{name}.v{BODY_VERSION}.json",
        "title": f"alertd webhook body: {what}",
        "description": "SI units; instants in UTC; a number that is not known is null, never 0. "
        "The $id is a name and leads nowhere.",
        **_object(
            {
                "type": type_,
                "timestamp": _instant(),
                "version": {"const": BODY_VERSION},
                "data": data,
            }
        ),
    }


def _object(properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": sorted(properties),
        "additionalProperties": False,
    }


def _object_part(properties: dict[str, Any]) -> dict[str, Any]:
    return {"properties": properties}


def _unless_left_out(key: str) -> dict[str, Any]:
    return {
        "if": _object_part({"left_out": {"contains": {"const": key}}}),
        "then": _object_part({"evidence": {"not": {"required": [key]}}}),
        "else": _object_part({"evidence": {"required": [key]}}),
    }


def _text(description: str = "") -> dict[str, Any]:
    return {"type": "string", "minLength": 1} | ({"description": description} if description else {})


def _instant(*, nullable: bool = False) -> dict[str, Any]:
    return {"type": ["string", "null"] if nullable else "string", "format": "date-time", "pattern": INSTANT}


def _of(hint: Any, key: str, found: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of one field; shapes that it is made of are put into ``found``."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (NotRequired, Required):
        return _of(inner[0], key, found)
    if origin in (typing.Union, types.UnionType):
        (kind,) = [one for one in inner if one is not type(None)]
        schema = _of(kind, key, found)
        nullable = [schema["type"]] if isinstance(schema["type"], str) else list(schema["type"])
        return {**schema, "type": [*dict.fromkeys([*nullable, "null"])]}
    if origin is list:
        return {"type": "array", "items": _of(inner[0], "", found)}
    if origin is dict:
        return {"type": "object", "additionalProperties": _of(inner[1], "", found)}
    if is_typeddict(hint):
        return _shape(hint, found)
    if hint is str:
        return _string(key)
    return dict(PLAIN[hint])


def _shape(hint: Any, found: dict[str, Any]) -> dict[str, Any]:
    name = hint.__name__.removesuffix("Evidence").lower()
    if name not in found:
        found[name] = {}
        hints = get_type_hints(hint, include_extras=True)
        found[name] = _object({key: _of(one, key, found) for key, one in hints.items()})
        found[name]["required"] = sorted(
            key for key, one in hints.items() if get_origin(one) is not NotRequired
        )
        found[name]["description"] = (hint.__doc__ or "").strip().replace("``", "")
    return {"$ref": f"#/$defs/{name}"}


def _string(key: str) -> dict[str, Any]:
    """Return the schema of a text; its name says what it is (DEVELOPERS.md, the register of quantities)."""
    if key in CHOICES:
        return {"type": "string", "enum": CHOICES[key]}
    if key.endswith("_at") or key in ("data_as_of", "missing_since", "horizon_end", "blocked_until"):
        return {"type": "string", "format": "date-time", "pattern": INSTANT}
    if key == "day" or key.endswith(("_day", "_on")):
        return {"type": "string", "format": "date", "pattern": DAY}
    return {"type": "string"}


def every_schema() -> dict[str, dict[str, Any]]:
    """Return the schemas by the name of their file."""
    found = {f"{kind.value}.v{BODY_VERSION}.json": schema_of(kind) for kind in AlertKind}
    return {**found, f"{TEST_MESSAGE}.v{BODY_VERSION}.json": trial_schema()}


def written(schema: Mapping[str, Any]) -> str:
    """Return a schema as its file reads."""
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for file_name, made in every_schema().items():
        (FOLDER / file_name).write_text(written(made), encoding="utf-8")
