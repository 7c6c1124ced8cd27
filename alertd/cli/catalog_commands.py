"""``alertd plants`` and ``alertd materials``: the keys that sites are described with."""

from __future__ import annotations

from typing import Annotated

import typer

from alertd.catalog.materials import MaterialGroup, load_materials
from alertd.catalog.plants import load_plants
from alertd.cli.printing import examples, print_json, say, table
from alertd.delivery.reading import Quantities
from alertd.records.site import UnitSystem

AsJson = Annotated[bool, typer.Option("--json", help="As JSON, for machines.")]
Units = Annotated[UnitSystem, typer.Option("--units", help="The reader's units.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(
        "plants",
        short_help="List the plants and their keys.",
        epilog=examples("alertd plants", "alertd plants --json"),
    )(plants)
    app.command(
        "materials",
        short_help="List the material groups and their keys.",
        epilog=examples("alertd materials", "alertd materials --units metric", "alertd materials --json"),
    )(materials)


def plants(*, as_json: AsJson = False) -> None:
    """List the plants that alertd knows, by the key that `site add --plant` takes."""
    known = load_plants()
    if as_json:
        print_json([
            {"key": key, "name": one.name, "kind": one.kind, "evergreen": one.evergreen, "avoid": one.avoid}
            for key, one in known.items()
        ])  # fmt: skip
        return
    rows = [
        (key, plant.name, f"{'evergreen ' if plant.evergreen else ''}{plant.kind}", _avoided(plant.avoid))
        for key, plant in known.items()
    ]
    table(("Key", "Plant", "Kind", "Never with"), rows, whole=("Key",))


def _avoided(keys: tuple[str, ...]) -> str:
    return ", ".join(load_materials()[key].name if key in load_materials() else key for key in keys)


def materials(*, units: Units = UnitSystem.US, as_json: AsJson = False) -> None:
    """List the material groups, by the key that `site add --material` takes."""
    known = load_materials()
    if as_json:
        print_json([
            {"key": key, "name": one.name, "kind": one.kind, "mode_of_action": one.irac,
             "heat_block_c": None if one.heat_block is None else float(one.heat_block),
             "rain_free_h": None if one.rain_free is None else float(one.rain_free)}
            for key, one in known.items()
        ])  # fmt: skip
        return
    quantities = Quantities(units)
    rows = [(key, one.name, _heat(one, quantities), _dry(one)) for key, one in known.items()]
    table(("Key", "Material", "Too hot from", "Rain-free"), rows, whole=("Key", "Too hot from", "Rain-free"))
    say("\n  Limits hold where the label is silent. The label of the product in hand always wins.")


def _heat(one: MaterialGroup, quantities: Quantities) -> str:
    return "" if one.heat_block is None else quantities.temperature(float(one.heat_block))


def _dry(one: MaterialGroup) -> str:
    return "" if one.rain_free is None else f"{float(one.rain_free):g} h"
