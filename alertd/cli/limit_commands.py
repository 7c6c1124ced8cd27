"""``alertd site limit``: the spraying limits that a site sets for itself, from the label in hand."""

from __future__ import annotations

from typing import Annotated

import typer

from alertd.cli.printing import examples, print_json, say, table
from alertd.cli.session import session_of
from alertd.records.site import Profile, Site
from alertd.science.spray_own_limits import amount, settable, usual
from alertd.science.spray_rules import SIGNS
from alertd.service.limits import (
    EVERY_MATERIAL,
    OwnLimit,
    limit_key_of,
    limit_line,
    own_limits,
    with_limit,
    without_limit,
)

Name = Annotated[str, typer.Argument(metavar="SITE", help="Name or id of the site.")]
Material = Annotated[
    str, typer.Argument(metavar="MATERIAL", help="Key of a material (`alertd materials`), or all.")
]
Field = Annotated[str, typer.Argument(metavar="FIELD", help="A limit: `alertd site limit fields`.")]
AsJson = Annotated[bool, typer.Option("--json", help="As JSON, for machines.")]


def register(site: typer.Typer) -> None:
    """Add the commands of this module to those about sites."""
    tighten = 'alertd site limit set "Invented Court" soap heat_block 85F'
    loosen = (
        'alertd site limit set "Invented Court" horticultural_oil heat_block 33C \\',
        "    --reason 'label of 2026 allows up to 33 degC'",
    )
    limit = typer.Typer(
        no_args_is_help=True,
        help="Set a site's own spraying limits.",
        epilog=examples(tighten, *loosen, 'alertd site limit list "Invented Court"'),
    )
    limit.command(
        "set",
        short_help="Set a limit of a site.",
        epilog=examples(tighten, *loosen),
        context_settings={"ignore_unknown_options": True},  # a value may be below zero
    )(set_limit)
    limit.command(
        "list",
        short_help="List the limits that a site has set.",
        epilog=examples('alertd site limit list "Invented Court"'),
    )(list_limits)
    limit.command(
        "remove",
        short_help="Go back to the usual limit.",
        epilog=examples('alertd site limit remove "Invented Court" soap heat_block'),
    )(remove)
    limit.command(
        "fields",
        short_help="List what can be limited, and the usual figures.",
        epilog=examples("alertd site limit fields", "alertd site limit fields --material soap"),
    )(list_fields)
    site.add_typer(limit, name="limit")


def set_limit(
    context: typer.Context,
    name: Name,
    material: Material,
    field: Field,
    value: Annotated[
        str,
        typer.Argument(metavar="VALUE", help="A number in the limit's unit, or as 85F, 8mph, 0.1in, 20ft."),
    ],
    reason: Annotated[
        str, typer.Option("--reason", metavar="TEXT", help="Why it may be looser; stands on every message.")
    ] = "",
) -> None:
    """Set a limit of a site, as the label in hand asks. What is looser than usual needs a reason."""
    with session_of(context).app() as app:
        wanted = with_limit(app.store.site(name), material, field, value, reason)
        kept = app.store.edit_site(wanted, now=session_of(context).now())
    own = next(one for one in own_limits(kept) if one.key == limit_key_of(material, field))
    say(f"{kept.name}: {limit_line(own)}.")
    if own.looser:
        say("It is looser than usual: the reason stands on every message about spraying there.")
    elif reason:
        say("It is not looser than usual, so the reason was not kept.")


def list_limits(context: typer.Context, name: Name, as_json: AsJson = False) -> None:
    """List the limits that a site has set for itself, beside the usual ones."""
    with session_of(context).app() as app:
        site = app.store.site(name)
    limits = own_limits(site)
    if as_json:
        print_json(limits)
    elif limits:
        rows = [(one.material, one.name, _value(one), one.usual_words or "-", _why(one)) for one in limits]
        table(("Material", "Field", "Here", "Usual", "Reason"), rows, whole=("Field",))
    else:
        say(f"{site.name} has no limits of its own; the {site.profile} ones hold.")


def _value(one: OwnLimit) -> str:
    return amount(one.name, one.value) if one.name in settable() else f"{one.value:g}"


def _why(one: OwnLimit) -> str:
    return f"looser: {one.reason}" if one.looser else one.reason


def remove(context: typer.Context, name: Name, material: Material, field: Field) -> None:
    """Take a limit out, so that the usual one holds again."""
    with session_of(context).app() as app:
        site: Site = app.store.site(name)
        kept = app.store.edit_site(without_limit(site, material, field), now=session_of(context).now())
    say(f"{kept.name}: {field} for {material} is as usual again.")


def list_fields(
    context: typer.Context,
    material: Annotated[
        str, typer.Option("--material", metavar="KEY", help="The figures of this material.")
    ] = EVERY_MATERIAL,
    profile: Annotated[Profile, typer.Option("--profile", help="Which set of limits.")] = Profile.DEFAULT,
    as_json: AsJson = False,
) -> None:
    """List what can be limited, with bounds and the usual figures; `alertd sources` tells where from."""
    del context
    wanted = "" if material == EVERY_MATERIAL else limit_key_of(material, "rain_free").rpartition(".")[0]
    found = [
        {"field": name, "usual": usual(name, wanted, str(profile)), "low": bounds.low, "high": bounds.high,
         "unit": bounds.unit, "tighter": "lower" if SIGNS[name] > 0 else "higher"}
        for name, bounds in settable().items()
    ]  # fmt: skip
    if as_json:
        print_json(found)
        return
    rows = [
        (
            str(one["field"]),
            _usual(str(one["field"]), wanted, str(profile)),
            f"{amount(str(one['field']), settable()[str(one['field'])].low)} to "
            f"{amount(str(one['field']), settable()[str(one['field'])].high)}",
            str(one["tighter"]),
        )
        for one in found
    ]
    table(("Field", "Usual", "Between", "Tighter is"), rows, whole=("Field",))


def _usual(name: str, material: str, profile: str) -> str:
    catalog = usual(name, material, profile)
    if catalog is not None:
        return amount(name, catalog)
    return "none" if material else "by material"
