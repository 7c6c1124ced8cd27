"""``alertd db upgrade``, ``db prune`` and ``alertd backup``: looking after the database."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from alertd.cli.printing import examples, facts, plain, say
from alertd.cli.session import session_of


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    db = typer.Typer(
        no_args_is_help=True, help="Look after the database.", epilog=examples("alertd db upgrade")
    )
    db.command(
        "upgrade",
        short_help="Make the database or bring it up to date.",
        epilog=examples("alertd db upgrade"),
    )(upgrade)
    db.command(
        "prune",
        short_help="Drop what is older than the settings say.",
        epilog=examples("alertd db prune"),
    )(prune)
    app.add_typer(db, name="db")
    app.command(
        "backup",
        short_help="Copy the database and check the copy.",
        epilog=examples("alertd backup /srv/copies/alertd-monday.db", "alertd backup /srv/copies/"),
    )(backup)


def upgrade(context: typer.Context) -> None:
    """Make the database, or bring an older one up to this program; safe to repeat.

    An SQLite database is copied beside itself first.
    """
    with session_of(context).app(create=True, upgrade=True) as app:
        known = app.store.diagnostics
        say(f"database {known.location}: schema {known.schema}, up to date")
        for warning in known.warnings:
            say(f"note: {warning}")


def prune(context: typer.Context) -> None:
    """Drop old forecasts, answers, letters and tries now, as `alertd run` does once a day.

    The settings [database] keep_..._days say after how many days. Alerts, their evidence and who got them
    stay for good.
    """
    session = session_of(context)
    with session.app() as app:
        gone = app.prune.run(session.now())
    rows = [(name, str(count)) for name, count in plain(gone).items() if count]
    if not rows:
        say("Nothing is old enough to be dropped.")
        return
    facts([(f"{name} dropped", count) for name, count in rows])
    say("The room is used again; the file stays as large. `alertd backup` makes a copy without gaps.")


def backup(
    context: typer.Context,
    target: Annotated[Path, typer.Argument(help="New file, or a directory to put a dated file into.")],
) -> None:
    """Copy the database while it is in use, and check the copy."""
    if target.is_dir():
        target /= f"alertd-{session_of(context).now():%Y%m%dT%H%M%SZ}.db"
    with session_of(context).app() as app:
        done = app.store.backup(target)
    say(f"copied to {done.path}, {done.size_bytes / 1e6:.1f} MB, checked")
    say("It holds mail addresses and webhook secrets: keep it as safe as the database itself.")
