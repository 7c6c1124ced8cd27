"""``alertd history``: what was told, when and why."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import sys
from collections.abc import Iterable, Sequence
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer

from alertd.cli.moments import day_begins_anywhere, parse_day
from alertd.cli.printing import examples, plain, print_json, say, table
from alertd.cli.session import session_of
from alertd.cli.wording import headline_of
from alertd.errors import InputError
from alertd.records.alert import AlertKind, MessageState
from alertd.records.keeping import HistoryEntry
from alertd.records.site import UnitSystem
from alertd.service.sites import choice

COLUMNS = (
    "made_at", "local_time", "zone", "site", "kind", "subject", "level", "change", "sequence", "says",
    "data_as_of", "provider", "deliveries", "alert_id", "episode_id", "site_id",
)  # fmt: skip
KINDS = ", ".join(AlertKind)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(
        "history",
        short_help="List past alerts and how they reached people.",
        epilog=examples(
            "alertd history",
            'alertd history --site "Invented Court" --since 2026-07-01 --kind hot-dry-warning',
            "alertd history --csv --limit 0 > alerts.csv",
        ),
    )(history)


def history(
    context: typer.Context,
    site: Annotated[
        str | None, typer.Option("--site", metavar="NAME", help="Only this site, a removed one too.")
    ] = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="DAY", help="From this day on, on each site's calendar.")
    ] = None,
    kind: Annotated[
        list[str] | None, typer.Option("--kind", metavar="KIND", help=f"Only these: {KINDS}.")
    ] = None,
    limit: Annotated[int, typer.Option("--limit", min=0, help="Newest so many; 0 for all.")] = 50,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="As CSV, every cell quoted, for a spreadsheet.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON with the evidence, in SI units.")] = False,
    units: Annotated[UnitSystem, typer.Option("--units", help="The reader's units.")] = UnitSystem.US,
) -> None:
    """List the alerts of the past, newest first, with how they reached people."""
    if as_csv and as_json:
        raise InputError("csv", "give one of --csv and --json")
    kinds = [choice(AlertKind, text, "kind") for text in kind or ()]
    day = None if since is None else parse_day(since, "since")
    if day is not None and day > session_of(context).now().date() + dt.timedelta(days=1):
        raise InputError("since", f"{since} lies in the future; give a past day")
    start = None if day is None else day_begins_anywhere(day)
    with session_of(context).app() as app:
        entries = app.store.history(
            site, since=start, kinds=kinds, limit=(limit or None) if day is None else None
        )
    if day is not None:
        entries = [entry for entry in entries if _local(entry).date() >= day][: limit or None]
    if as_json:
        print_json(
            [
                {**plain(entry.alert), "site": entry.site_name, "deliveries": _deliveries(entry)}
                for entry in entries
            ]
        )
    elif as_csv:
        sys.stdout.write(csv_text(entries, units))
    else:
        _print(entries, units)


def _deliveries(entry: HistoryEntry) -> list[dict[str, Any]]:
    return [dict(plain(summary._asdict())) for summary in entry.deliveries]


def _local(entry: HistoryEntry) -> dt.datetime:
    return entry.alert.made_at.astimezone(ZoneInfo(entry.alert.evidence["place"]["zone"]))


def _reached(entry: HistoryEntry) -> str:
    return "; ".join(
        f"{one.subscriber}: {one.state}{f' ({one.detail})' if one.detail and one.state != 'sent' else ''}"
        for one in entry.deliveries
    )


def _told(entry: HistoryEntry) -> str:
    """Return how many got it, and by name whom it has not reached."""
    sent = sum(one.state is MessageState.SENT for one in entry.deliveries)
    rest = [
        f"{one.subscriber}: {one.state}{f' ({one.detail})' if one.detail else ''}"
        for one in entry.deliveries
        if one.state is not MessageState.SENT
    ]
    return "; ".join([*([f"{sent} sent"] if sent else []), *rest]) or "nobody"


def _print(entries: Sequence[HistoryEntry], units: UnitSystem) -> None:
    if not entries:
        say("No alert yet.")
        return
    rows = []
    for entry in entries:
        says = headline_of(entry.alert, units)
        rows.append((f"{_local(entry):%Y-%m-%d %H:%M %Z}", str(entry.alert.kind), says, _told(entry)))
    table(("When, at the site", "Kind", "What it says", "Told"), rows, whole=("When, at the site", "Kind"))


def csv_text(entries: Iterable[HistoryEntry], units: UnitSystem) -> str:
    """Return the entries as CSV, every cell quoted and none of them a formula."""
    written = io.StringIO()
    writer = csv.writer(written, quoting=csv.QUOTE_ALL, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for entry in entries:
        alert = entry.alert
        local = _local(entry)
        writer.writerow([
            harmless(cell)
            for cell in (
                plain(alert.made_at), f"{local:%Y-%m-%d %H:%M}", alert.evidence["place"]["zone"],
                entry.site_name,
                alert.kind, alert.subject, alert.level.name.lower(), alert.change, str(alert.sequence),
                headline_of(alert, units), alert.evidence["data_as_of"] or "", alert.evidence["provider"],
                _reached(entry), alert.id, alert.episode_id, alert.site_id,
            )
        ])  # fmt: skip
    return written.getvalue()


_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?\Z")
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def harmless(cell: str) -> str:
    """Return a cell that no spreadsheet takes for a formula (OWASP, CSV Injection); numbers stay."""
    text = str(cell)
    return f"'{text}" if text.startswith(_FORMULA_STARTS) and not _NUMBER.match(text) else text
