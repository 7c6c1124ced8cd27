"""Every kind of alert, the one that matters most first: the only list that a new kind must join.

A new kind brings, and touches nothing else:

1. ``records/alert.py``: its name in ``AlertKind``; ``records/evidence.py``: keys of its own, if any;
2. ``catalog/alerts.toml``: its calm (``calm.<name>``) and whatever figures it decides by;
3. ``alerts/<name>.py``: ``KIND``, whose ``find`` looks at a ``Sight`` and yields a ``Finding`` per subject,
   and whose ``mention`` says it in one sentence; then one line in the list below;
4. ``templates/email/<name>.words.j2`` (subject, headline, preview, content) with its two wrappers; the
   names that its words use come from ``delivery/wording.py``;
5. tests: its finding, its off limits, its words; ``tests/delivery/evidence.py`` gets one alert of it;
6. what its evidence holds, in ``tests/delivery/schema_source.py``, which then writes its published schema.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from alertd.alerts import (
    hot_dry,
    milestone,
    mite_pressure,
    scouting_due,
    spray_window,
    water_short,
    weather_missing,
)
from alertd.alerts.kind import Kind
from alertd.records.alert import AlertKind

KINDS: tuple[Kind, ...] = (
    weather_missing.KIND,
    hot_dry.KIND,
    mite_pressure.KIND,
    water_short.KIND,
    spray_window.KIND,
    scouting_due.KIND,
    milestone.KIND,
)
BY_NAME: Mapping[AlertKind, Kind] = MappingProxyType({kind.name: kind for kind in KINDS})
