"""What happened in the demo, as a page to read: alerts by day, and where to look next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from alertd.alerts.kinds import BY_NAME
from alertd.demo.scenario import Scenario
from alertd.records.alert import Alert, AlertKind, Change
from alertd.records.keeping import HistoryEntry
from alertd.records.site import Site
from alertd.store.store import Store
from alertd.units import celsius_to_fahrenheit

KIND_WORDS = {
    AlertKind.HOT_DRY: "hot-dry warning",
    AlertKind.MITE_PRESSURE: "mite pressure",
    AlertKind.WATER_SHORT: "short of water",
    AlertKind.SPRAY_WINDOW: "spray window",
    AlertKind.SCOUTING_DUE: "scouting due",
    AlertKind.MILESTONE: "milestone",
    AlertKind.WEATHER_MISSING: "weather missing",
    AlertKind.ALL_CLEAR: "all-clear",
}


def print_timeline(
    console: Console, store: Store, sites: Sequence[Site], scenario: Scenario, folder: Path, mails: int
) -> None:
    """Print the messages of the season, one line each, oldest first, and what to open."""
    entries = sorted(store.history(limit=None), key=lambda entry: entry.alert.made_at)
    zones = {site.id: site.zone for site in sites}
    console.print()
    console.print(
        f"[bold]{escape(scenario.firm)}[/bold], {scenario.first_day} to {scenario.last_day}, invented"
    )
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for title in ("When", "Site", "Message"):
        table.add_column(title, no_wrap=title != "Message")
    for together in _tellings(entries):
        first = together[0]
        when = first.alert.made_at.astimezone(ZoneInfo(zones[first.alert.site_id]))
        also = ", ".join(dict.fromkeys(KIND_WORDS[entry.alert.kind] for entry in together[1:]))
        says = _says(first)
        line = f"{_kind(first.alert)}{': ' if says else ''}{says}{f'; also {also}' if also else ''}"
        table.add_row(f"{when:%d %b}", escape(first.site_name), escape(line))
    console.print(table)
    kinds = Counter(KIND_WORDS[entry.alert.kind] for entry in entries)
    told = ", ".join(f"{n} {name}" for name, n in sorted(kinds.items()))
    console.print(f"\n{len(entries)} alerts on {len(sites)} sites: {told}. {mails} emails were delivered.")
    console.print(
        f"Emails to open in a browser:  [bold]{escape(str(folder / 'mail'))}[/bold]  (*.html, *.eml)"
    )
    console.print(f"Webhook bodies:               [bold]{escape(str(folder / 'webhooks'))}[/bold]")
    console.print(
        f"The same data from the command line:  "
        f"[bold]ALERTD_DATABASE__URL=sqlite:///{escape(str(folder / 'alertd.db'))} alertd history[/bold]"
    )


def _kind(alert: Alert) -> str:
    rated = alert.kind in (AlertKind.HOT_DRY, AlertKind.MITE_PRESSURE)
    level = f" ({alert.level.name.lower()})" if rated else ""
    return f"{KIND_WORDS[alert.kind]}{level}"


def _says(entry: HistoryEntry) -> str:
    evidence = entry.alert.evidence
    if "spell" in evidence and entry.alert.kind is AlertKind.HOT_DRY:
        spell = evidence["spell"]
        peak = celsius_to_fahrenheit(spell["peak_temperature_c"])
        lead_d = spell["lead_time_d"]
        raised = "now " if entry.alert.change is Change.RAISED else ""
        lead = f", {lead_d} {'day' if lead_d == 1 else 'days'} ahead" if lead_d and not raised else ""
        return f"{raised}{spell['start_day'][5:]} to {spell['end_day'][5:]}, up to {peak:.0f} degF{lead}"
    if evidence.get("spray_state") == "none":
        return "none usable in the forecast"
    if evidence.get("spray_state") == "open":
        first = min(
            (window["start_at"], material["name"])
            for material in evidence["materials"]
            for window in material["windows"]
        )
        return f"first one {first[0][5:10]}, {first[1].lower()}"
    if entry.alert.kind is AlertKind.ALL_CLEAR:
        return str(evidence.get("closed_because", "")).rstrip(".")
    return _subjects(entry.alert)


def _subjects(alert: Alert) -> str:
    """Return which mites or which plants an alert is about."""
    evidence = alert.evidence
    if alert.kind is AlertKind.WATER_SHORT:
        return ", ".join(one["plant"] for one in evidence.get("water", []) if one["state"] == "stressed")
    if alert.kind is AlertKind.WEATHER_MISSING:
        return "no fresh forecast"
    names = [one["name"] for one in evidence.get("pressures", [])]
    named = [name for name in names if name in BY_NAME[alert.kind].mention(alert)]
    return ", ".join(name.lower() for name in named)


def _tellings(entries: Sequence[HistoryEntry]) -> list[list[HistoryEntry]]:
    """Return the alerts by the message they were told in, the one that leads it first."""
    groups: dict[str, list[HistoryEntry]] = {}
    for entry in entries:
        groups.setdefault(entry.alert.evidence.get("told_with", entry.alert.id), []).append(entry)
    return [sorted(group, key=lambda entry: entry.alert.id != lead) for lead, group in groups.items()]
