"""``alertd demo``, ``run`` and ``cycle``: everything that makes alertd work."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple
from zoneinfo import ZoneInfo

import typer

from alertd.catalog.alerts import load_alert_policy
from alertd.cli.exits import FAULT, OK, PASSING, complain
from alertd.cli.moments import TIME_HELP, parse_moment
from alertd.cli.printing import bar, examples, paragraph, plain, print_json, say
from alertd.cli.session import Session, session_of
from alertd.cli.wording import headline_of
from alertd.daemon.logs import configure_logs
from alertd.errors import InputError
from alertd.records.alert import MessageState
from alertd.records.site import Channel, Site, UnitSystem

if TYPE_CHECKING:
    from alertd.app import App
    from alertd.service.briefs import BriefReport
    from alertd.service.cycle import CycleReport
    from alertd.service.deliver import DeliveryReport
    from alertd.service.notices import NoticeReport
    from alertd.service.outlook import Look

DEMO_FOLDER = "alertd-demo"
FAULTS_SHOWN = 5
LEARNED_AT_ONCE = 3
"""Sites whose past chances are looked back on after a single cycle, a second or two each."""


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(
        "demo",
        short_help="Replay an invented season; no account, no network.",
        epilog=examples("alertd demo", "alertd demo --days 30 --folder june-demo"),
    )(demo)
    app.command(
        "run",
        short_help="Watch every site until stopped.",
        epilog=examples("alertd run", "alertd --config /etc/alertd/alertd.toml run"),
    )(run)
    app.command(
        "cycle",
        short_help="Fetch, assess, decide and send once, now.",
        epilog=examples(
            "alertd cycle",
            'alertd cycle --site "Invented Court"',
            "alertd cycle --at 2026-07-14T06:00 --json",
        ),
    )(cycle)


def demo(
    folder: Annotated[
        Path | None,
        typer.Option("--folder", help="New or empty folder for mails and database; else ./alertd-demo."),
    ] = None,
    days: Annotated[
        int | None, typer.Option("--days", min=1, max=365, help="Days of the season; else all.")
    ] = None,
) -> int:
    """Replay an invented season of an invented firm through the real parts; no account, no network."""
    from alertd.demo.play import play  # brings the whole pipeline along

    return play(folder or _free_folder(), days=days, progress=True)


def _free_folder() -> Path:
    """Return the first demo folder that is not taken."""
    names = (DEMO_FOLDER, *(f"{DEMO_FOLDER}-{n}" for n in range(2, 1000)))
    return next((Path(name) for name in names if not Path(name).exists()), Path(DEMO_FOLDER))


def run(context: typer.Context) -> int:
    """Watch every site until stopped: weather every hour, messages as they fall due.

    Ends cleanly on SIGTERM or Ctrl-C. Tells its health on http://127.0.0.1:8642/readyz and /livez.
    """
    from alertd.daemon import run as daemon  # brings the scheduler along

    session = session_of(context)
    settings = session.settings
    settings.require(weather=True)
    configure_logs("debug" if session.debug else settings.log.level, settings.log.format)
    with session.app(create=True) as app:
        if any(one.channel is Channel.EMAIL for one in app.store.subscribers()):
            settings.require(mail=True)
        return daemon.run(app.daemon_parts(), app.run_settings())


def cycle(
    context: typer.Context,
    at: Annotated[
        str | None,
        typer.Option(
            "--at", metavar="TIME", help=f"Dry look back: fetches, writes and sends nothing. {TIME_HELP}"
        ),
    ] = None,
    site: Annotated[
        str | None, typer.Option("--site", metavar="NAME", help="Only this site, by name or id.")
    ] = None,
    deliver: Annotated[
        bool, typer.Option("--deliver/--no-deliver", help="Hand over the messages that are due, too.")
    ] = True,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for machines.")] = False,
) -> int:
    """Fetch, assess, decide and send once, now; or look at what would have been decided then."""
    session = session_of(context)
    if at is not None:
        return _look_back(session, at, site, as_json)
    session.settings.require(weather=True)
    with session.app(create=True) as app:
        chosen = None if site is None else {app.store.site(site).id}
        now = session.now()
        with bar("Cycle", shown=not as_json) as advance:
            report = app.cycle.run(now, advance, chosen)
        handed = app.delivery.run(session.now()) if deliver else None
        letters = _letters(app, session.now()) if deliver else _Letters()
        app.learn(now, LEARNED_AT_ONCE)
        reasons = _waiting_reasons(app) if handed and (handed.deferred or handed.dead) else []
        reasons += letters.reasons
        names = {one.id: one.name for one in app.store.sites_by_id(report.failed_sites).values()}
    if as_json:
        delivered = {"delivery": handed, "requests_to_confirm": letters.notices, "briefs": letters.briefs}
        print_json({**plain(report), "ok": report.ok, **delivered, "delivery_faults": reasons})
    else:
        _tell(report, handed, letters, reasons)
    for site_id, fault in list(report.failed_sites.items())[:FAULTS_SHOWN]:
        complain(f"site {names.get(site_id, site_id)!r} could not be assessed: {fault}")
    if report.failed_sites:
        return FAULT
    return OK if report.ok and not reasons else PASSING


class _Letters(NamedTuple):
    """What became of mails that are no single alert: requests to confirm, digests and briefs."""

    notices: NoticeReport | None = None
    briefs: BriefReport | None = None
    reasons: tuple[str, ...] = ()


def _letters(app: App, now: dt.datetime) -> _Letters:
    """Send what else is due, as far as it is set up; without mail there is nothing to send by."""
    from alertd.service.briefs import WAITS_FOR_DAY  # brings the pipeline along

    asking, telling = app.notices, app.briefs
    notices = None if asking is None else asking.run(now)
    briefs = None if telling is None else telling.run(now)
    kept = [
        *(app.store.notices() if notices and (notices.deferred or notices.dead) else ()),
        *(app.store.briefs() if briefs and (briefs.deferred or briefs.dead) else ()),
    ]
    troubles = (
        one.last_error
        for one in kept
        if one.state in {MessageState.PENDING, MessageState.DEAD} and one.last_error != WAITS_FOR_DAY
    )
    return _Letters(notices, briefs, tuple(dict.fromkeys(filter(None, troubles)))[:FAULTS_SHOWN])


def _tell(
    report: CycleReport, handed: DeliveryReport | None, letters: _Letters, reasons: Sequence[str]
) -> None:
    if not report.sites:
        say("No site is watched yet. Add one: alertd site add --help")
        return
    say(
        f"{report.sites} sites in {report.cells} weather cells: {report.fetched} cells fetched, "
        f"{report.assessed} sites assessed, {report.alerts} new alerts, {report.messages} messages queued, "
        f"{report.seconds:.1f} s"
    )
    if handed is not None:
        say(
            f"Messages: {handed.sent} sent, {handed.deferred} put off, {handed.dead} given up, "
            f"{handed.expired} lapsed"
        )
    for name, one in (("Requests to confirm", letters.notices), ("Digests and briefs", letters.briefs)):
        if one is not None and (one.sent or one.deferred or one.dead):
            say(f"{name}: {one.sent} sent, {one.deferred} put off, {one.dead} given up")
    for cell, fault in list(report.faults.items())[:FAULTS_SHOWN]:
        complain(f"no new weather for cell {cell}: {fault}")
    if len(report.faults) > FAULTS_SHOWN:
        complain(f"and {len(report.faults) - FAULTS_SHOWN} more cells without new weather")
    for reason in reasons:
        complain(f"message not delivered: {reason}")


def _waiting_reasons(app: App) -> list[str]:
    """Return why messages of late were not delivered, each reason once."""
    details = (
        summary.detail
        for entry in app.store.history(limit=100)
        for summary in entry.deliveries
        if summary.state in {MessageState.PENDING, MessageState.DEAD} and summary.attempts and summary.detail
    )
    return list(dict.fromkeys(details))[:FAULTS_SHOWN]


def _look_back(session: Session, at: str, name: str | None, as_json: bool) -> int:
    now = session.now()
    with session.app() as app:
        sites = app.store.sites() if name is None else [app.store.site(name)]
        if not sites:
            raise InputError("site", "no site is watched yet; add one with `alertd site add`")
        moments: dict[dt.datetime, list[Site]] = {}
        for site in sites:
            moments.setdefault(parse_moment(at, site.zone, now), []).append(site)
        with bar("Looking back", shown=not as_json) as advance:
            looks: list[tuple[dt.datetime, Look]] = []
            for moment, group in moments.items():
                looks += [(moment, look) for look in app.outlooks.look(group, moment)]
                advance("", len(looks), len(sites))
    looks.sort(key=lambda pair: pair[1].site.name.casefold())
    if as_json:
        print_json([_look_json(moment, look) for moment, look in looks])
    else:
        say(f"Dry look back to {at}; nothing was fetched, written or sent.")
        for moment, look in looks:
            _tell_look(moment, look)
    if all(look.assessment is None for _, look in looks):
        complain(f"no weather was stored by {at}; `alertd cycle` stores it from now on")
        return PASSING
    return OK


def _look_json(moment: dt.datetime, look: Look) -> Mapping[str, Any]:
    return {
        "site": {"id": look.site.id, "name": look.site.name},
        "at": moment,
        "data_as_of": None if look.assessment is None else look.assessment.data_as_of,
        "alerts": list(look.decisions.alerts),
    }


def _tell_look(moment: dt.datetime, look: Look) -> None:
    local = moment.astimezone(ZoneInfo(look.site.zone))
    say(f"\n{look.site.name}, {local:%Y-%m-%d %H:%M %Z} ({look.site.zone})", style="bold")
    if look.assessment is None:
        paragraph("no weather was stored by then")
        return
    age = (moment - look.assessment.data_as_of).total_seconds() / 3600.0
    missing = float(load_alert_policy().weather_age.missing_after)
    paragraph(f"forecast {age:.0f} h old{', too old to open a window' if age >= missing else ''}")
    for alert in look.decisions.alerts:
        paragraph(f"would tell: {headline_of(alert, UnitSystem.US)}")
    if not look.decisions.alerts:
        paragraph("nothing new to tell")
