"""``alertd sources``: every figure that decides something, where it comes from and how firm it is."""

from __future__ import annotations

from collections import Counter
from typing import Annotated

import typer

from alertd.catalog.figure import Status
from alertd.cli.printing import examples, paragraph, plain, print_json, say, table
from alertd.service.sites import choice
from alertd.service.sources import UNVERIFIED, Entry, catalog_entries

STATUSES = ", ".join(str(status).replace(" ", "-") for status in Status)
MARK = "! "
"""Stands before a figure that nobody has seen in a source."""


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(
        "sources",
        short_help="List every figure of the catalog with its source.",
        epilog=examples(
            "alertd sources",
            "alertd sources --status from-memory",
            "alertd sources --json",
        ),
    )(sources)


def sources(
    *,
    status: Annotated[
        str | None, typer.Option("--status", metavar="STATUS", help=f"Only these: {STATUSES}.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for machines.")] = False,
) -> None:
    """List every figure that decides something: file, key, value, how firm it is, source and note."""
    found = catalog_entries(None if status is None else _status(status))
    if as_json:
        print_json([{**plain(entry), "verified": entry.verified} for entry in found])
        return
    for file in dict.fromkeys(entry.file for entry in found):
        say(f"\n{file}", style="bold")
        rows = [_row(entry) for entry in found if entry.file == file]
        table(("Key", "Value", "Status", "Source"), rows)
    counts = Counter(entry.status for entry in found if entry.status is not None)
    told = ", ".join(f"{count} {name}" for name, count in counts.most_common())
    say(f"\n{len(found)} entries: {told}." if counts else "\nNo entry.")
    unseen = sum(not entry.verified for entry in found)
    if unseen:
        names = " and ".join(sorted(UNVERIFIED))
        paragraph(
            f"{MARK}marks {unseen} unverified figures ({names}): nobody has seen them in a source yet.",
            indent=0,
            style="yellow",
        )
    say("The label of the product in hand always wins over every limit.")


def _status(text: str) -> Status:
    """Return the status written as ``text``, with spaces or dashes. Raises InputError."""
    spaced = {str(status).replace(" ", "-"): status for status in Status}
    key = text.strip().lower().replace(" ", "-").replace("_", "-")
    return spaced[key] if key in spaced else choice(Status, text, "status")


def _row(entry: Entry) -> tuple[str, str, str, str]:
    note = f"; {entry.note}" if entry.note else ""
    status = "" if entry.status is None else str(entry.status)
    mark = "" if entry.verified else MARK
    return f"{mark}{entry.key}", _value(entry), status, f"{entry.source}{note}"


def _value(entry: Entry) -> str:
    if entry.value is None:
        return "in words"
    unit = "" if entry.unit == "1" else f" {entry.unit}"
    if isinstance(entry.value, float):
        return f"{entry.value:g}{unit}"
    x_unit = "" if entry.x_unit == "1" else f" {entry.x_unit}"
    return ", ".join(f"{x:g}{x_unit}: {y:g}{unit}" for x, y in entry.value)
