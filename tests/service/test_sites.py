from __future__ import annotations

import contextlib
import datetime as dt
import itertools
import math
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from alertd.errors import InputError
from alertd.records.site import Climate, Exposure, Irrigation, Soil
from alertd.service.sites import elevation, import_sites, number, parse_planting, read_sites, whole_number
from alertd.store.store import Store, open_store

NOW = dt.datetime(2026, 7, 1, 12, tzinfo=dt.UTC)
HEADER = "name,latitude,longitude,zone,plants,materials,elevation_m,climate,biofix\n"
ROW = "Yard {n},40.1,-74.2,America/New_York,spruce,soap,120,dry,2026-03-01\n"


@pytest.fixture(scope="module")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("service") / "empty.db"
    open_store(f"sqlite:///{path}", create=True).close()
    return path


@pytest.fixture
def store(tmp_path: Path, empty_file: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{shutil.copy(empty_file, tmp_path / 'alertd.db')}") as opened:
        yield opened


def bring(store: Store, text: str, strict: bool = False) -> tuple[list[str], list[tuple[int, str]]]:
    report = import_sites(store, text, strict=strict, now=NOW, new_id=store.new_id)
    return [site.name for site in report.added], [(row.line, row.field) for row in report.bad]


def test_a_planting_is_read_with_every_option() -> None:
    planting = parse_planting(
        "rose:label=front bed:count=12:planted_on=2026-04-02:soil=sandy loam:root_depth_m=0.4:"
        "irrigation=drip:irrigation_mm_per_week=20:exposure=reflected_heat",
        lambda: "id-1",
    )
    assert (planting.id, planting.host, planting.label, planting.count) == ("id-1", "rose", "front bed", 12)
    assert planting.planted_on == dt.date(2026, 4, 2)
    assert planting.soil is Soil.SANDY_LOAM
    assert planting.irrigation is Irrigation.DRIP
    assert planting.exposure is Exposure.REFLECTED_HEAT
    assert (planting.root_depth_m, planting.irrigation_mm_per_week) == (0.4, 20.0)


@pytest.mark.parametrize("key", ["Burning Bush", "burning-bush", " burning_bush "])
def test_a_key_may_be_written_as_people_do(key: str) -> None:
    assert parse_planting(key, str).host == "burning_bush"


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("", "plant"),
        ("rose:count", "plant"),
        ("rose:count=0", "count"),
        ("rose:count=1.7", "count"),
        ("rose:count=" + "9" * 400, "count"),
        ("rose:height=3", "plant"),
        ("rose:root_depth_m=40", "root_depth_m"),
        ("rose:planted_on=2026-02-30", "planted_on"),
        ("rose:label=", "label"),
        ("rose:irrigation=sometimes", "irrigation"),
    ],
)
def test_a_wrong_option_is_refused_by_its_name(text: str, field: str) -> None:
    with pytest.raises(InputError) as refused:
        parse_planting(text, str)
    assert refused.value.field == field


@given(st.text())
def test_whatever_is_typed_for_a_planting_is_read_or_refused(text: str) -> None:
    try:
        planting = parse_planting(text, lambda: "id")
    except InputError:
        return
    assert planting.count >= 1


@given(st.text())
@example("0\x1f")
def test_whatever_is_typed_for_a_number_is_finite_or_refused(text: str) -> None:
    for read in (number, whole_number):
        with contextlib.suppress(InputError):
            assert math.isfinite(read(text, "x"))


def test_a_height_is_metres_unless_it_says_feet() -> None:
    # 5280 ft are a statute mile, 1609.344 m (NIST Handbook 44, Appendix C, from memory).
    assert elevation("5280ft") == pytest.approx(1609.3, abs=0.05)
    assert elevation("5280 FT") == pytest.approx(1609.3, abs=0.05)
    assert elevation("120") == elevation("120m") == 120.0
    with pytest.raises(InputError, match="elevation"):
        elevation("high")


def test_a_file_as_spreadsheets_write_it_is_read(store: Store) -> None:
    text = "\ufeff" + (HEADER + ROW.format(n=1) + ROW.format(n=2)).replace("\n", "\r\n")
    assert bring(store, text) == (["Yard 1", "Yard 2"], [])
    site = store.site("Yard 1")
    assert (site.elevation_m, site.climate, site.biofix) == (120.0, Climate.DRY, dt.date(2026, 3, 1))


def test_columns_may_stand_in_any_order_and_case(store: Store) -> None:
    text = "Zone,PLANTS,name,Longitude,latitude\nAmerica/New_York,rose;spruce,Yard,-74.2,40.1\n"
    assert bring(store, text) == (["Yard"], [])
    assert [one.host for one in store.site("Yard").plantings] == ["rose", "spruce"]


@pytest.mark.parametrize(
    ("row", "field"),
    [
        (ROW.format(n=1).replace("40.1,-74.2", "-74.2,40.1"), "latitude"),
        (ROW.format(n=1).replace("40.1", '"40,1"'), "latitude"),
        (ROW.format(n=1).replace("40.1", "95"), "latitude"),
        (ROW.format(n=1).replace("America/New_York", "EST5PDT"), "zone"),
        (ROW.format(n=1).replace("spruce", "sprunce"), "plant"),
        (ROW.format(n=1).replace("soap", "sope"), "materials"),
        (ROW.format(n=1).replace("dry", "wet"), "climate"),
        (ROW.format(n=1).replace("Yard 1", ""), "name"),
        (ROW.format(n=1).replace("2026-03-01", "1 March"), "biofix"),
        (ROW.format(n=1).rstrip() + ",too,many\n", "row"),
        ("short\n", "latitude"),
        ('"Yard" 1,40.1,-74.2,America/New_York,spruce,,,,\n', "row"),
    ],
)
def test_a_bad_row_is_told_by_line_and_the_others_are_kept(store: Store, row: str, field: str) -> None:
    added, bad = bring(store, HEADER + ROW.format(n=2) + row + ROW.format(n=3))
    assert added == ["Yard 2", "Yard 3"]
    assert bad == [(3, field)]


def test_an_open_quote_at_the_end_is_told(store: Store) -> None:
    added, bad = bring(store, HEADER + ROW.format(n=1) + '"Yard 2,40.1\n')
    assert added == ["Yard 1"]
    assert [field for _, field in bad] == ["row"]


def test_a_name_that_is_taken_or_twice_in_the_file_is_told_by_line(store: Store) -> None:
    bring(store, HEADER + ROW.format(n=1))
    text = HEADER + ROW.format(n="1") + ROW.format(n=2) + ROW.format(n=2).replace("Yard", "YARD")
    assert bring(store, text) == (["Yard 2"], [(2, "name"), (4, "name")])


def test_a_strict_import_with_any_bad_row_keeps_nothing(store: Store) -> None:
    bring(store, HEADER + ROW.format(n=1))
    for bad_row in (ROW.format(n=1), ROW.format(n=3).replace("40.1", "140.1")):
        added, bad = bring(store, HEADER + ROW.format(n=2) + bad_row, strict=True)
        assert added == []
        assert [line for line, _ in bad] == [3]
        assert [site.name for site in store.sites()] == ["Yard 1"]


def test_a_strict_import_without_bad_rows_keeps_all(store: Store) -> None:
    assert bring(store, HEADER + ROW.format(n=1) + ROW.format(n=2), strict=True) == (["Yard 1", "Yard 2"], [])
    assert [site.name for site in store.sites()] == ["Yard 1", "Yard 2"]


def test_progress_is_told_row_by_row(store: Store) -> None:
    told: list[tuple[int, int]] = []
    text = HEADER + "".join(ROW.format(n=n) for n in range(3))
    import_sites(
        store, text, strict=False, now=NOW, new_id=store.new_id, progress=lambda *step: told.append(step)
    )
    assert told == [(1, 3), (2, 3), (3, 3)]


@pytest.mark.parametrize(
    ("header", "told"),
    [
        ("name,latitude\n", "misses longitude, zone, plants"),
        (HEADER.replace("zone", "zone,colour"), "unknown 'colour'"),
        (HEADER.replace(",", ";"), "semicolons"),
        (HEADER.replace("climate", "name"), "twice"),
        ("", "misses"),
    ],
)
def test_a_wrong_header_is_refused_as_a_whole(header: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        read_sites(header, str)


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=300))
def test_whatever_a_file_holds_it_is_read_or_reported(text: str) -> None:
    ids = map(str, itertools.count())
    good, bad = read_sites(HEADER + text, lambda: next(ids))
    assert all(row.message for row in bad)
    assert all(site.name for _, site in good)
