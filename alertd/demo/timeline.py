"""What happened in the demo, as a page to read: alerts by day, and where to look next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from alertd.demo.scenario import Scenario
from alertd.records.alert import Alert, AlertKind, Change
from alertd.records.keeping import HistoryEntry
from alertd.records.site import Site
from alertd.store.store import Store
from alertd.units import celsius_to_fahrenheit

KIND_WORDS = {
    AlertKind.HOT_DRY: "hot-dry warning",
    AlertKind.SPRAY_WINDOW: "spray window",
    AlertKind.WEATHER_MISSING: "weather missing",
    AlertKind.ALL_CLEAR: "all-clear",
}


def print_timeline(
    console: Console, store: Store, sites: Sequence[Site], scenario: Scenario, folder: Path, mails: int
) -> None:
    """Print the alerts of the season, one line each, oldest first, and what to open."""
    entries = sorted(store.history(limit=None), key=lambda entry: entry.alert.made_at)
    zones = {site.id: site.zone for site in sites}
    console.print()
    console.print(
        f"[bold]{escape(scenario.firm)}[/bold], {scenario.first_day} to {scenario.last_day}, invented"
    )
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for title in ("When (local)", "Site", "Alert", "What it says"):
        table.add_column(title, no_wrap=title != "What it says")
    for entry in entries:
        when = entry.alert.made_at.astimezone(ZoneInfo(zones[entry.alert.site_id]))
        table.add_row(
            f"{when:%d %b %H:%M}", escape(entry.site_name), _kind(entry.alert), escape(_says(entry))
        )
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
    level = f" ({alert.level.name.lower()})" if alert.kind is AlertKind.HOT_DRY else ""
    return f"{KIND_WORDS[alert.kind]}{level}"


def _says(entry: HistoryEntry) -> str:
    evidence = entry.alert.evidence
    if "spell" in evidence and entry.alert.kind is AlertKind.HOT_DRY:
        spell = evidence["spell"]
        peak = celsius_to_fahrenheit(spell["peak_temperature_c"])
        lead = f", {spell['lead_time_d']} days ahead" if spell["lead_time_d"] else ""
        raised = "now " if entry.alert.change is Change.RAISED else ""
        return f"{raised}{spell['start_day'][5:]} to {spell['end_day'][5:]}, up to {peak:.0f} degF{lead}"
    if evidence.get("spray_state") == "none":
        return "no usable window in the forecast"
    if evidence.get("spray_state") == "open":
        first = min(
            (window["start_at"], material["name"])
            for material in evidence["materials"]
            for window in material["windows"]
        )
        return f"first window {first[0][5:10]}: {first[1]}"
    return evidence.get("closed_because", "")
