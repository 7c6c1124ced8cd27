"""``alertd site``: what is watched."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from alertd.catalog.materials import load_materials
from alertd.cli import limit_commands
from alertd.cli.exits import FINDINGS, OK
from alertd.cli.printing import bar, examples, facts, heading, plain, print_json, say, table
from alertd.cli.session import session_of
from alertd.cli.wording import planting_words
from alertd.errors import InputError
from alertd.records.site import Climate, Method, Planting, Profile, Site, Subscription
from alertd.service.limits import checked_limits, limit_line, own_limits
from alertd.service.places import checked_place, known_zone
from alertd.service.sites import (
    elevation,
    import_sites,
    known_keys,
    local_date,
    number,
    parse_planting,
)
from alertd.store.store import Store

FILE_BYTES_MAX = 50_000_000

Name = Annotated[str, typer.Argument(metavar="NAME", help="Name or id of the site.")]
Lat = Annotated[str, typer.Option("--lat", metavar="DEGREES", help="Latitude, north positive, as 40.71.")]
Lon = Annotated[str, typer.Option("--lon", metavar="DEGREES", help="Longitude, east positive, as -74.01.")]
Zone = Annotated[str, typer.Option("--zone", help="IANA time zone, as America/New_York.")]
Elevation = Annotated[
    str | None,
    typer.Option("--elevation", metavar="HEIGHT", help="Height above the sea: 120 (metres) or 390ft."),
]
Plants = Annotated[
    list[str] | None,
    typer.Option(
        "--plant",
        metavar="KEY[:OPTION=VALUE]...",
        help="Once for each planting, as spruce:count=12:label=north hedge. Keys: `alertd plants`. "
        "Options: label, count, planted_on, soil, root_depth_m, irrigation (none, drip, overhead, unknown, "
        "restricted), irrigation_mm_per_week, exposure (shade, open, reflected-heat).",
    ),
]
Materials = Annotated[
    list[str] | None,
    typer.Option(
        "--material", metavar="KEY", help="Once for each material in use. Keys: `alertd materials`."
    ),
]
Climates = Annotated[Climate | None, typer.Option("--climate", help="Whether summers are humid or dry.")]
Methods = Annotated[Method | None, typer.Option("--method", help="How materials are put on.")]
Profiles = Annotated[Profile | None, typer.Option("--profile", help="Which set of spraying limits holds.")]
Biofix = Annotated[
    str | None,
    typer.Option("--biofix", metavar="DAY", help="First day of the degree-day sum, as 2026-03-01."),
]
Tell = Annotated[
    list[str] | None,
    typer.Option("--tell", metavar="NAME", help="Subscriber who hears about it; may be repeated."),
]
AsJson = Annotated[bool, typer.Option("--json", help="As JSON, for machines.")]

_ADD = (
    'alertd site add "Invented Court" --lat 40.71 --lon -74.01 --zone America/New_York \\',
    "    --plant spruce:count=12:label=north\\ hedge --plant rose --material soap",
)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    site = typer.Typer(
        no_args_is_help=True,
        help="Say what is watched.",
        epilog=examples("alertd site list", *_ADD, "alertd site import sites.csv --strict"),
    )
    site.command("add", epilog=examples(*_ADD))(add)
    site.command("list", epilog=examples("alertd site list", "alertd site list --all --json"))(list_sites)
    site.command("show", epilog=examples('alertd site show "Invented Court"'))(show)
    site.command(
        "edit",
        short_help="Change a site.",
        epilog=examples(
            'alertd site edit "Invented Court" --material soap --material horticultural_oil',
            'alertd site edit "Invented Court" --plant rose:count=6 --drop-plant "north hedge"',
            'alertd site edit "Invented Court" --rest',
        ),
    )(edit)
    site.command("remove", epilog=examples('alertd site remove "Invented Court"'))(remove)
    site.command(
        "import",
        short_help="Add many sites from a CSV file.",
        epilog=examples("alertd site import sites.csv", "alertd site import - --strict < sites.csv"),
    )(import_file)
    limit_commands.register(site)
    app.add_typer(site, name="site")


def add(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="What people call the site.")],
    lat: Lat,
    lon: Lon,
    zone: Zone,
    plant: Plants = None,
    material: Materials = None,
    elevation_text: Elevation = None,
    climate: Climates = None,
    method: Methods = None,
    profile: Profiles = None,
    biofix: Biofix = None,
    tell: Tell = None,
    as_json: AsJson = False,
) -> None:
    """Watch a new site. Plant and material keys: `alertd plants`, `alertd materials`."""
    if not plant:
        raise InputError(
            "plant", "name at least one, as --plant spruce:count=12; `alertd plants` lists the keys"
        )
    given = Site(
        id="",
        name=name,
        latitude_deg=number(lat, "latitude"),
        longitude_deg=number(lon, "longitude"),
        zone=known_zone(zone),
    )
    wanted = checked_place(_with_choices(given, material, elevation_text, climate, method, profile, biofix))
    wanted = replace(wanted, plantings=tuple(parse_planting(text, str) for text in plant))
    with session_of(context).app(create=True) as app:
        readers = [app.store.subscriber(reader) for reader in tell or ()]
        kept = app.store.add_site(checked_limits(wanted), now=session_of(context).now())
        for reader in readers:
            app.store.subscribe(Subscription(reader.id, kept.id))
    if as_json:
        print_json(kept)
        return
    say(f"Watching {kept.name} (id {kept.id}).")
    if not kept.materials:
        say("No material is named, so no spray windows are worked out: `alertd site edit` with --material.")
    if not readers:
        say(
            'Nobody hears about it yet: alertd subscriber add "Your name" --email you@example.com --all-sites'
        )


def _with_choices(
    site: Site,
    material: Sequence[str] | None,
    elevation_text: str | None,
    climate: Climate | None,
    method: Method | None,
    profile: Profile | None,
    biofix: str | None,
) -> Site:
    """Return the site with those of the choices that were made."""
    changes: dict[str, Any] = {"climate": climate, "method": method, "profile": profile}
    if material:
        changes["materials"] = tuple(dict.fromkeys(known_keys(material, load_materials(), "material")))
    if elevation_text is not None:
        changes["elevation_m"] = elevation(elevation_text)
    if biofix is not None:
        changes["biofix"] = local_date(biofix, "biofix")
    return replace(site, **{key: value for key, value in changes.items() if value is not None})


def list_sites(
    context: typer.Context,
    everything: Annotated[bool, typer.Option("--all", help="Those that rest, too.")] = False,
    as_json: AsJson = False,
) -> None:
    """List the sites."""
    with session_of(context).app() as app:
        sites = app.store.sites(active=None if everything else True)
    if as_json:
        print_json(sites)
        return
    if not sites:
        say("No site is watched yet. Add one: alertd site add --help")
        return
    rows = [
        (
            site.name if site.active else f"{site.name} (rests)",
            f"{site.latitude_deg:.2f}, {site.longitude_deg:.2f}",
            ", ".join(planting_words(one) for one in site.plantings),
            ", ".join(site.materials),
        )
        for site in sites
    ]
    table(("Site", "Place", "Plants", "Materials"), rows, whole=("Place",))


def show(context: typer.Context, name: Name, as_json: AsJson = False) -> None:
    """Show one site and who hears about it."""
    with session_of(context).app() as app:
        site = app.store.site(name)
        hearing = [(reader.name, told.kinds) for told, reader in app.store.subscriptions_for([site.id])]
    if as_json:
        print_json({**plain(site), "subscribers": [{"name": who, "kinds": kinds} for who, kinds in hearing]})
        return
    heading(site.name)
    known = load_materials()
    facts([
        ("Id", site.id),
        ("State", "watched" if site.active else "rests; wake it with `alertd site edit NAME --watch`"),
        ("Place", f"{site.latitude_deg:.4f}, {site.longitude_deg:.4f}{_height(site)}"),
        ("Zone", site.zone),
        ("Summers", str(site.climate)),
        ("Spraying", f"{site.method}, {site.profile} limits"),
        ("Own limits", "; ".join(limit_line(one) for one in own_limits(site))),
        ("Biofix", "" if site.biofix is None else site.biofix.isoformat()),
        ("Materials", ", ".join(known[key].name for key in site.materials if key in known) or "none"),
        ("Told", ", ".join(who for who, _ in hearing) or "nobody; `alertd subscriber add`"),
    ])  # fmt: skip
    heading("Plantings")
    rows = [
        (
            str(place),
            planting_words(one),
            str(one.soil),
            _watered(one),
            str(one.exposure),
            str(one.planted_on or ""),
        )
        for place, one in enumerate(site.plantings, start=1)
    ]
    table(("No", "Plants", "Soil", "Watering", "Sun", "Planted"), rows)


def _height(site: Site) -> str:
    return "" if site.elevation_m is None else f", {site.elevation_m:g} m above the sea"


def _watered(one: Planting) -> str:
    amount = "" if one.irrigation_mm_per_week is None else f" {one.irrigation_mm_per_week:g} mm a week"
    return f"{one.irrigation}{amount}"


def edit(
    context: typer.Context,
    name: Name,
    new_name: Annotated[str | None, typer.Option("--name", help="New name.")] = None,
    lat: Annotated[str | None, typer.Option("--lat", metavar="DEGREES", help="Latitude.")] = None,
    lon: Annotated[str | None, typer.Option("--lon", metavar="DEGREES", help="Longitude.")] = None,
    zone: Annotated[str | None, typer.Option("--zone", help="IANA time zone.")] = None,
    plant: Plants = None,
    drop_plant: Annotated[
        list[str] | None,
        typer.Option("--drop-plant", metavar="WHICH", help="Label, key, number or id to take out."),
    ] = None,
    material: Materials = None,
    elevation_text: Elevation = None,
    climate: Climates = None,
    method: Methods = None,
    profile: Profiles = None,
    biofix: Biofix = None,
    watch: Annotated[
        bool | None, typer.Option("--watch/--rest", help="Watch it again, or let it rest.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Change a site: what is given replaces what was; --plant adds a planting, --drop-plant takes one out."""
    with session_of(context).app() as app:
        site = app.store.site(name)
        changes: dict[str, Any] = {
            "name": new_name,
            "latitude_deg": None if lat is None else number(lat, "latitude"),
            "longitude_deg": None if lon is None else number(lon, "longitude"),
            "zone": None if zone is None else known_zone(zone),
            "active": watch,
        }
        wanted = replace(site, **{key: value for key, value in changes.items() if value is not None})
        wanted = _with_choices(wanted, material, elevation_text, climate, method, profile, biofix)
        kept = _without(wanted.plantings, drop_plant or ())
        wanted = replace(wanted, plantings=(*kept, *(parse_planting(text, str) for text in plant or ())))
        if not wanted.plantings:
            raise InputError(
                "drop-plant", "would leave no plants; add the new ones with --plant in the same step"
            )
        if wanted == site:
            raise InputError("edit", "nothing to change was given; see alertd site edit --help")
        done = app.store.edit_site(checked_limits(checked_place(wanted)), now=session_of(context).now())
    if as_json:
        print_json(done)
    else:
        say(f"Changed {done.name} (id {done.id}).")


def _without(plantings: tuple[Planting, ...], named: Iterable[str]) -> tuple[Planting, ...]:
    """Return the plantings that are not named. Raises InputError for a name that fits none or several."""
    left = list(plantings)
    for which in named:
        numbered = {str(place): one for place, one in enumerate(plantings, start=1)}
        fits = [
            one
            for one in left
            if which.casefold() in {one.id, one.label.casefold(), one.host} or numbered.get(which) == one
        ]
        if len(fits) != 1:
            choices = "; ".join(f"{place} {planting_words(one)}" for place, one in numbered.items())
            told = "fits several plantings" if fits else "is not a planting here"
            raise InputError("drop-plant", f"{which!r} {told}; use a number of: {choices}")
        left.remove(fits[0])
    return tuple(left)


def remove(context: typer.Context, name: Name) -> None:
    """Stop watching a site; its history stays."""
    with session_of(context).app() as app:
        gone = app.store.remove_site(name, now=session_of(context).now())
    say(f"No longer watching {gone.name}; its history stays: alertd history --site {gone.id}")


def import_file(
    context: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="CSV file in UTF-8, or - for standard input.")],
    strict: Annotated[bool, typer.Option("--strict", help="All rows or none.")] = False,
    as_json: AsJson = False,
) -> int:
    """Add many sites from a CSV file; bad rows are told by line, the good ones are kept.

    Columns: name, latitude, longitude, zone, plants; and if you like elevation_m, climate, materials,
    method, profile, biofix. Plants and materials are lists parted by semicolons.
    """
    text = _text_of(file)
    with session_of(context).app(create=True) as app, bar("Importing", shown=not as_json) as advance:
        store: Store = app.store
        report = import_sites(
            store,
            text,
            strict=strict,
            now=session_of(context).now(),
            new_id=store.new_id,
            progress=lambda done, total: advance("", done, total),
        )
    if as_json:
        print_json({"added": report.added, "bad": report.bad})
    else:
        for row in report.bad:
            place = f"line {row.line}: " if row.line else ""
            print(f"{file}: {place}{row.field}: {row.message}", file=sys.stderr)
        left = f", {len(report.bad)} bad rows left out" if report.bad else ""
        none = " (--strict: all or none)" if strict and report.bad else ""
        say(f"{len(report.added)} sites added{left}{none}.")
    return FINDINGS if report.bad else OK


def _text_of(file: str) -> str:
    try:
        raw = sys.stdin.buffer.read(FILE_BYTES_MAX + 1) if file == "-" else _bytes_of(Path(file))
    except OSError as error:
        raise InputError("file", f"{file} cannot be read: {error.strerror}; check the path") from error
    if len(raw) > FILE_BYTES_MAX:
        raise InputError("file", f"{file} is larger than {FILE_BYTES_MAX // 1_000_000} MB; part it")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            "file", f"{file} is not UTF-8 text (byte {error.start}); save it as CSV in UTF-8"
        ) from error


def _bytes_of(path: Path) -> bytes:
    with path.open("rb") as opened:
        return opened.read(FILE_BYTES_MAX + 1)
