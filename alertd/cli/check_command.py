"""``alertd check``: whether everything is there that watching for real needs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Annotated

import typer
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from alertd import __version__
from alertd.cli.exits import FINDINGS, OK
from alertd.cli.printing import examples, out, print_json, say
from alertd.cli.session import Session, session_of
from alertd.errors import ConfigError, StoreError
from alertd.records.site import Site, Subscriber
from alertd.service.checks import (
    Finding,
    check_clock,
    check_daemon,
    check_database,
    check_ensemble,
    check_mail,
    check_operator,
    check_outbox,
    check_provider,
    check_sites,
    fault_of,
    sample_cell,
)
from alertd.settings import ProviderName, Settings
from alertd.weather.client import ClientSettings
from alertd.weather.server_time import fetch_server_time


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(
        "check",
        short_help="See whether everything is there.",
        epilog=examples("alertd check", "alertd check --json"),
    )(check)


def check(
    context: typer.Context,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for machines.")] = False,
) -> int:
    """Look at settings, database, mail server, weather providers and clock; nothing is sent or changed.

    Ends with 1 if anything is at fault; every fault comes with what to do about it.
    """
    findings = []
    for finding in _findings(session_of(context)):
        findings.append(finding)
        if not as_json:
            _print(finding)
    faults = sum(not finding.ok for finding in findings)
    if as_json:
        print_json({"ok": not faults, "findings": findings})
    else:
        say(f"\n{faults} faults." if faults else "\nEverything is there.")
    return FINDINGS if faults else OK


def _print(finding: Finding) -> None:
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(width=5, no_wrap=True)
    grid.add_column(width=17, no_wrap=True)
    grid.add_column(overflow="fold")
    state = Text("ok", style="green") if finding.ok else Text("FAULT", style="bold red")
    told = Text(finding.detail)
    if finding.fix:
        told.append(f"\nfix: {finding.fix}", style="" if finding.ok else "bold")
    grid.add_row(state, finding.what, told)
    out().print(Padding(grid, (0, 0, 0, 0), expand=False))


def _findings(session: Session) -> Iterator[Finding]:
    try:
        settings = session.settings
    except ConfigError as error:
        for line in str(error).splitlines():
            if line.startswith("- ") or "settings are wrong" not in line:
                yield fault_of("settings", ConfigError(line.removeprefix("- ")))
        return
    yield from _needs(settings)
    yield from _inside(session)


def _needs(settings: Settings) -> Iterator[Finding]:
    try:
        settings.require(weather=True)
    except ConfigError as error:
        yield fault_of("settings", error)
    else:
        yield Finding(
            "settings", ok=True, detail=f"read; weather from {', '.join(settings.weather.providers)}"
        )


def _inside(session: Session) -> Iterator[Finding]:
    settings = session.settings
    sites: Sequence[Site] = ()
    people: Sequence[Subscriber] = ()
    try:
        with session.app() as app:
            yield from check_database(app.store)
            yield from check_sites(app.store)
            yield from check_daemon(app.store, session.now(), settings.daemon.cycle_every_min)
            yield from check_outbox(app.store, session.now(), settings.daemon.cycle_every_min)
            sites, people = app.store.sites(), app.store.subscribers()
    except StoreError as error:
        yield fault_of("database", error)
    except ConfigError as error:
        yield fault_of("settings", error)
    yield from _world(session, sites, people)


def _world(session: Session, sites: Sequence[Site], people: Sequence[Subscriber]) -> Iterator[Finding]:
    from alertd.app import build_ensemble, build_provider, build_smtp

    settings = session.settings
    try:
        smtp = build_smtp(settings)
        yield from check_mail(smtp, people)
        yield check_operator(settings.daemon.operator_address, smtp)
    except ConfigError as error:
        yield fault_of("mail", error)
    cell = sample_cell(sites, settings.weather.cell_size_deg)
    for name in settings.weather.providers:
        yield check_provider(str(name), partial(build_provider, name, settings), cell, session.now())
    yield from check_ensemble(partial(build_ensemble, settings), cell, session.now())
    agent = ClientSettings(contact=settings.weather.contact or "", version=__version__).user_agent
    times = {str(name): fetch_server_time(_url(name, settings), agent) for name in settings.weather.providers}
    yield check_clock(session.now(), times)


def _url(name: ProviderName, settings: Settings) -> str:
    weather = settings.weather
    return {
        ProviderName.OPENMETEO: weather.openmeteo.effective_base_url,
        ProviderName.NWS: weather.nws.base_url,
        ProviderName.METNO: weather.metno.base_url,
    }[name]
