"""The species, trigger and pressure catalogs hold what they promise."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from importlib import resources

import pytest

from alertd.catalog.figure import Figure, Series, Status
from alertd.catalog.plants import load_plants
from alertd.catalog.pressure import load_pressure
from alertd.catalog.species import SeasonClass, load_species
from alertd.catalog.triggers import load_triggers
from alertd.errors import CatalogError

REQUIRED = ("twospotted", "spruce", "southern_red", "european_red", "honeylocust", "oak", "boxwood")


def text_of(name: str) -> str:
    return resources.files("alertd.catalog").joinpath(f"{name}.toml").read_text(encoding="utf-8")


def figures(record: object) -> Iterator[Figure | Series]:
    if isinstance(record, Figure | Series):
        yield record
    elif dataclasses.is_dataclass(record):
        for field in dataclasses.fields(record):
            yield from figures(getattr(record, field.name))
    elif isinstance(record, tuple):
        for item in record:
            yield from figures(item)
    elif hasattr(record, "values"):
        for item in record.values():
            yield from figures(item)


@pytest.mark.parametrize("key", REQUIRED)
def test_every_required_species_is_there(key: str) -> None:
    assert load_species()[key].scientific_name


def test_every_figure_names_its_source_in_words() -> None:
    for record in (*load_species().values(), load_triggers(), load_pressure()):
        for figure in figures(record):
            assert len(figure.source) > 4
            assert figure.unit


def test_what_is_recalled_is_never_called_published() -> None:
    for record in load_species().values():
        for figure in figures(record):
            if "from memory" in figure.source:
                assert figure.status is Status.FROM_MEMORY


def test_species_without_a_published_curve_say_so() -> None:
    for key in ("spruce", "southern_red", "honeylocust", "oak", "boxwood"):
        species = load_species()[key]
        assert "no curve is published" in species.curve.confidence
        assert all(p.status is Status.DERIVED for p in species.curve.parameters.values())
        assert species.lower_c.status is Status.DERIVED


def test_no_rate_of_increase_is_called_published_because_the_curves_are_read_from_several_papers() -> None:
    assert all(s.rate_of_increase.status is Status.DERIVED for s in load_species().values())


@pytest.mark.parametrize("key", REQUIRED)
def test_rates_of_increase_stand_still_at_both_ends_and_nowhere_fall_below_zero(key: str) -> None:
    knots = load_species()[key].rate_of_increase
    assert knots.y[0] == knots.y[-1] == 0.0
    assert min(knots.y) >= 0.0


def test_cool_season_mites_rest_in_summer_and_warm_season_mites_do_not() -> None:
    for species in load_species().values():
        cool = species.season_class is SeasonClass.COOL
        assert (species.season.summer_rest is not None) is cool
        assert (species.season.end.day_length_slope is None) is cool


def test_every_host_plant_has_a_species_but_bamboo_whose_nest_building_mites_are_not_modelled() -> None:
    covered = {host for species in load_species().values() for host in species.hosts}
    assert set(load_plants()) - covered == {"bamboo"}


def test_each_species_has_a_best_host() -> None:
    assert all(max(float(f) for f in s.hosts.values()) == 1.0 for s in load_species().values())


@pytest.mark.parametrize(
    ("key", "degree_days_f", "figure"),
    [
        ("twospotted", 363, "active_from"),  # UMass guide: overwintered females, 363-618
        ("spruce", 50, "hatch_start"),  # Cornell 2019/2020: hatch from 50
        ("spruce", 162, "hatch_end"),  # Ohio calendar, cited by Oregon State
        ("southern_red", 7, "hatch_start"),  # Rutgers list: 7-91
        ("southern_red", 91, "hatch_end"),
        ("honeylocust", 220, "hatch_start"),  # Rutgers: 220-250
        ("oak", 802, "active_from"),  # UMass and Rutgers: 802-1265
        ("boxwood", 450, "active_from"),  # Rutgers: 450-700
    ],
)
def test_season_figures_are_the_published_degree_days_above_50_degf(
    key: str, degree_days_f: float, figure: str
) -> None:
    celsius = float(getattr(load_species()[key].season, figure))
    assert celsius * 1.8 == pytest.approx(degree_days_f, abs=0.1)


@pytest.mark.parametrize(
    ("key", "label", "start_f", "end_f"),
    [
        ("twospotted", "summer build-up", 1300, 2000),  # UMass
        ("spruce", "spring feeding", 192, 363),  # UMass
        ("spruce", "autumn feeding", 2375, 2806),  # UMass and Cornell
        ("honeylocust", "build-up", 912, 1514),  # UMass
        ("southern_red", "autumn nymphs", 2401, 3584),  # University of Delaware 2008
    ],
)
def test_windows_are_the_published_ones(key: str, label: str, start_f: float, end_f: float) -> None:
    window = next(w for w in load_species()[key].season.windows if w.label == label)
    assert float(window.start) * 1.8 == pytest.approx(start_f, abs=0.1)
    assert float(window.end) * 1.8 == pytest.approx(end_f, abs=0.1)


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ('form = "briere"', 'form = "linear"', "twospotted.curve.parameters"),
        ("optimum_c = { value = 33.0", "optimum_c = { value = 50.0", "twospotted.optimum_c"),
        ("\nburning_bush = ", "\nburning_busch = ", "burning_busch"),
        ("lower_c = { value = 11.6, unit", "lower_c = { value = 11.6, units", "twospotted.lower_c.units"),
        ("egg_to_adult = { value = 128.0", "egg_to_adult = { value = -1.0", "twospotted.egg_to_adult"),
        ("\nstart = { value = 201.7", "\nstart = { value = 401.7", "overwintered females"),
        ("hatch_start = { value = 201.7", "hatch_start = { value = 401.7", "hatch_end"),
    ],
)
def test_a_wrong_species_file_is_refused_naming_the_key(old: str, new: str, named: str) -> None:
    text = text_of("species")
    assert old in text
    with pytest.raises(CatalogError, match=named):
        load_species(text=text.replace(old, new, 1))


def test_triggers_are_the_three_steps() -> None:
    triggers = load_triggers()
    assert (float(triggers.watch.hot.days), float(triggers.watch.hot.window)) == (5, 7)
    assert float(triggers.watch.hot.temperature_max_c) * 1.8 + 32 == pytest.approx(85, abs=0.1)
    assert (float(triggers.high.long.days), float(triggers.high.long.window)) == (7, 10)
    assert float(triggers.high.hotter.temperature_max_c) * 1.8 + 32 == pytest.approx(90, abs=0.1)
    assert (float(triggers.severe.window), float(triggers.severe.generations)) == (14, 1.5)
    steps = (triggers.watch, triggers.high, triggers.severe)
    assert all(figure.status is Status.COMMON_PRACTICE for step in steps for figure in figures(step))


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("hot.days = { value = 5,", "hot.days = { value = 8,", "watch.hot.days"),
        ("cool_day_below_c = { value = 27.0", "cool_day_below_c = { value = 35.0", "cool_day_below_c"),
        ('unit = "mm"', 'unit = "in"', "unit"),
    ],
)
def test_a_wrong_trigger_file_is_refused_naming_the_key(old: str, new: str, named: str) -> None:
    text = text_of("triggers")
    assert old in text
    with pytest.raises(CatalogError, match=named):
        load_triggers(text=text.replace(old, new, 1))


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("points = { value = 50", "points = { value = 60", "heat.points"),
        ("none_at = { value = 0.25", "none_at = { value = 1.0", "heat.full_at"),
        ("deficit_none_at = { value = 0.8", "deficit_none_at = { value = 4.0", "deficit_full_at"),
        ("watch = { value = 45", "watch = { value = 95", "levels"),
        ("overhead = { value = 0.75", "overhead = { value = 0.0", "irrigation.overhead"),
    ],
)
def test_a_wrong_pressure_file_is_refused_naming_the_key(old: str, new: str, named: str) -> None:
    text = text_of("pressure")
    assert old in text
    with pytest.raises(CatalogError, match=named):
        load_pressure(text=text.replace(old, new, 1))
