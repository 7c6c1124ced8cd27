"""``alertd explain``: where every number comes from, for one hour and material or for the whole site."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any

import typer

from alertd.catalog.materials import load_materials
from alertd.cli.explain_page import print_hour, print_site
from alertd.cli.moments import TIME_HELP, parse_moment
from alertd.cli.outlook_page import CAUTIONS
from alertd.cli.printing import examples, plain, print_json
from alertd.cli.session import session_of
from alertd.errors import InputError
from alertd.records.site import UnitSystem
from alertd.service.explain import HourExplanation, explain_hour, scene_at
from alertd.service.explain_site import explain_site
from alertd.service.sites import known_keys

END_OF_TIME = dt.datetime.max.replace(tzinfo=dt.UTC)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(
        "explain",
        short_help="Show why: inputs, rules, limits, sources, margins.",
        epilog=examples(
            'alertd explain "Invented Court"',
            'alertd explain "Invented Court" --hour 2026-07-15T07:00 --material soap',
            'alertd explain "Invented Court" --at 2026-07-14T06:00 --json',
        ),
    )(explain)


def explain(
    context: typer.Context,
    site_name: Annotated[str, typer.Argument(metavar="SITE", help="Name or id of the site.")],
    hour: Annotated[
        str | None, typer.Option("--hour", metavar="TIME", help=f"This hour of the forecast. {TIME_HELP}")
    ] = None,
    material: Annotated[
        str | None, typer.Option("--material", metavar="KEY", help="With --hour: only this material.")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="TIME", help=f"As it stood then, from stored weather. {TIME_HELP}"),
    ] = None,
    units: Annotated[UnitSystem, typer.Option("--units", help="The reader's units.")] = UnitSystem.US,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON in SI units, for machines.")] = False,
) -> None:
    """Show the inputs, the rule, the limit, its source and the margin behind every number of a site."""
    if material is not None and hour is None:
        raise InputError("material", "goes with --hour; give the hour to explain")
    now = session_of(context).now()
    with session_of(context).app() as app:
        site = app.store.site(site_name)
        moment = now if at is None else parse_moment(at, site.zone, now)
        size = app.settings.weather.cell_size_deg
        skill = app.skill_of([site], moment)[site.id]
        correction = app.skills.correction(site, moment)
        scene = scene_at(app.store, size, site, moment, skill)
    if hour is None:
        whole = explain_site(scene, skill, correction)
        if as_json:
            print_json({**plain(whole), "units": "SI", "cautions": list(CAUTIONS)})
        else:
            print_site(whole, site, units)
        return
    wanted = parse_moment(hour, site.zone, END_OF_TIME, "hour")
    keys = site.materials if material is None else known_keys([material], load_materials(), "material")
    if not keys:
        raise InputError(
            "material", f"no material is chosen for {site.name!r}; add one with `alertd site edit`"
        )
    found = [explain_hour(scene, key, wanted) for key in keys]
    if as_json:
        print_json({
            "units": "SI", "cautions": list(CAUTIONS), "hours": [_hour_document(one) for one in found],
        })  # fmt: skip
        return
    for one in found:
        print_hour(one, site, units)


def _hour_document(one: HourExplanation) -> dict[str, Any]:
    return {**plain(one), "inputs": dict(one.inputs), "open": one.is_open}
