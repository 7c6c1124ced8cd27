"""The program ``alertd``: its commands, and the one place where every error becomes a line and a code."""

from __future__ import annotations

import logging
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from alertd import __version__
from alertd.cli import (
    catalog_commands,
    check_command,
    database_commands,
    explain_command,
    history_command,
    outbox_commands,
    outlook_command,
    running_commands,
    schema_command,
    score_command,
    site_commands,
    sources_command,
    subscriber_commands,
)
from alertd.cli.exits import CODES, ended
from alertd.cli.session import Session
from alertd.daemon.logs import configure_logs

FIRST_STEPS = """\b
First steps:
  alertd demo                       see an invented season replayed
  alertd plants                     the plants and their keys
  alertd site add "Invented Court" --lat 40.71 --lon -74.01 \\
      --zone America/New_York --plant spruce:count=12 --material soap
  alertd subscriber add "Crew lead" --email crew@example.com --all-sites
  alertd check                      is everything there?
  alertd run                        watch, for as long as it runs"""


class Program(TyperGroup):
    """Runs a command and ends the process with its exit code; nothing leaves as a traceback."""

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> Any:
        """Run a command line and end the process, whether the caller wants that or not."""
        del standalone_mode
        run = super().main
        sys.exit(ended(lambda: run(args, prog_name, complete_var, False, windows_expand_args, **extra)))


def _epilog() -> str:
    codes = "\n".join(f"  {code:>3}  {meaning}" for code, meaning in CODES)
    return f"{FIRST_STEPS}\n\n\b\nExit codes:\n{codes}"


app = typer.Typer(
    name="alertd",
    cls=Program,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    epilog=_epilog(),
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"alertd {__version__}")
        raise typer.Exit


@app.callback()
def start(
    context: typer.Context,
    config: Annotated[
        Path | None,
        typer.Option("--config", metavar="PATH", help="Settings file; else ./alertd.toml or $ALERTD_CONFIG."),
    ] = None,
    debug: Annotated[bool, typer.Option("--debug", help="Log everything, tracebacks too.")] = False,
    _show_version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and end.")
    ] = False,
) -> None:
    """Watch the weather of ornamental plantings for spider mites.

    Says when to scout, water, wash or spray, and when not to. Advice only: the product label, local law
    and licensed practice win.
    """
    configure_logs("debug" if debug else "error")
    if not debug:
        for handler in logging.getLogger().handlers:
            handler.setLevel(logging.CRITICAL)  # a command tells its errors itself
    context.obj = Session(config, debug)


for commands in (
    running_commands,
    site_commands,
    subscriber_commands,
    outlook_command,
    history_command,
    outbox_commands,
    catalog_commands,
    check_command,
    database_commands,
    explain_command,
    sources_command,
    score_command,
    schema_command,
):
    commands.register(app)


def main() -> None:
    """Run the program."""
    app(prog_name="alertd")
