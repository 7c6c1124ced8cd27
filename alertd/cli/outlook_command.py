"""``alertd outlook``: one site as it stands, or stood."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any

import typer

from alertd.alerts import evidence
from alertd.catalog.alerts import load_alert_policy
from alertd.cli.moments import TIME_HELP, parse_moment
from alertd.cli.outlook_page import CAUTIONS, print_outlook
from alertd.cli.printing import examples, print_json
from alertd.cli.session import session_of
from alertd.cli.spray_grid import hours_of
from alertd.errors import WeatherUnavailable
from alertd.records.assessment import Assessment, MitePressure
from alertd.records.site import Site, UnitSystem


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(
        "outlook",
        short_help="Show pressure, dry spell, water and windows of a site.",
        epilog=examples(
            'alertd outlook "Invented Court"',
            'alertd outlook "Invented Court" --at 2026-07-14T06:00 --units metric',
            'alertd outlook "Invented Court" --json',
        ),
    )(outlook)


def outlook(
    context: typer.Context,
    site_name: Annotated[str, typer.Argument(metavar="SITE", help="Name or id of the site.")],
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="TIME", help=f"As it stood then, from stored weather. {TIME_HELP}"),
    ] = None,
    units: Annotated[UnitSystem, typer.Option("--units", help="The reader's units.")] = UnitSystem.US,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON in SI units, for machines.")] = False,
) -> None:
    """Show mite pressure, dry spell, water and spray windows of a site, from the weather stored last."""
    now = session_of(context).now()
    with session_of(context).app() as app:
        site = app.store.site(site_name)
        moment = now if at is None else parse_moment(at, site.zone, now)
        (look,) = app.outlooks.look([site], moment)
    if look.assessment is None:
        when = "yet" if at is None else f"by {at}"
        raise WeatherUnavailable(
            f"no weather was stored for {site.name!r} {when}; run `alertd cycle` to fetch some"
        )
    useless_h = float(load_alert_policy().weather_age.useless_after)
    if look.assessment.age_h >= useless_h:
        raise WeatherUnavailable(
            f"the newest weather stored for {site.name!r} is {look.assessment.age_h / 24:.0f} days old, "
            "too old to say anything; run `alertd cycle` to fetch some"
        )
    if as_json:
        print_json(outlook_document(site, look.assessment))
    else:
        print_outlook(site, look.assessment, units)


def outlook_document(site: Site, found: Assessment) -> dict[str, Any]:
    """Return an outlook for machines, in SI units."""
    windows = evidence.materials(found.materials, found.made_at, 1.0)
    return {
        "site": {"id": site.id, "name": site.name, "zone": site.zone},
        "made_at": found.made_at,
        "data_as_of": found.data_as_of,
        "fetched_at": found.fetched_at,
        "age_h": round(found.age_h, 2),
        "provider": found.provider,
        "attribution": found.attribution,
        "units": "SI",
        "days": evidence.days(found.days),
        "pressures": evidence.pressures(found.pressures, site),
        "populations": [_population(one) for one in found.pressures],
        "spells": [evidence.spell(one) for one in found.spells],
        "water": evidence.water(found.water, site),
        "scouting": evidence.scouting(site, [one.id for one in site.plantings]),
        "materials": [
            {**shown, "hours": hours_of(found, one)}
            for shown, one in zip(windows, found.materials, strict=True)
        ],
        "horizon_end": found.start_at + dt.timedelta(hours=_hours(found)),
        "chance_days": found.chance_days,
        "chance_ensemble": found.chance_ensemble,
        "missing": found.missing,
        "cautions": list(CAUTIONS),
    }


def _population(one: MitePressure) -> dict[str, Any]:
    return {
        "species": one.species,
        "abundance": one.abundance,
        "egg_share": one.egg_share,
        "next_hatch_on": one.next_hatch_on,
        "next_adults_on": one.next_adults_on,
        "doubling_time_d": one.doubling_time_d,
        "doubling_ahead_d": one.doubling_ahead_d,
    }


def _hours(found: Assessment) -> int:
    return max((len(one.block_bits) for one in found.materials), default=0)
