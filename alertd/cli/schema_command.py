"""``alertd schema``: what stands in the body of a webhook, as JSON Schema."""

from __future__ import annotations

from typing import Annotated

import typer

from alertd.cli.printing import examples, print_json, say, table
from alertd.delivery.body_schema import newest, published


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(
        "schema",
        short_help="Show what stands in the body of a webhook.",
        epilog=examples(
            "alertd schema",
            "alertd schema hot-dry-warning > hot-dry-warning.v1.json",
            "alertd schema --json",
        ),
    )(schema)


def schema(
    kind: Annotated[
        str | None,
        typer.Argument(metavar="KIND", help="Kind of alert, or `test`; without it all are listed."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="The list as JSON, for machines.")] = False,
) -> None:
    """Print the JSON Schema (2020-12) of one kind of body, or list the kinds.

    The version stands in every body. A version only ever gains keys that a receiver may do without.
    """
    if kind is not None:
        print(newest(kind).text, end="")
        return
    if as_json:
        print_json([{"kind": one.kind, "version": one.version, "id": one.name} for one in published()])
        return
    rows = [(one.kind, str(one.version), one.name) for one in published()]
    table(("Kind", "Version", "Name of the schema"), rows, whole=("Kind", "Version"))
    say("\n  alertd schema KIND prints one.")
