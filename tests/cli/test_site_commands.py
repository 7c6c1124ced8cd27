from __future__ import annotations

import json

import pytest

from tests.cli.conftest import COURT, Program

HEADER = "name,latitude,longitude,zone,plants,materials\n"
GOOD = 'Invented Yard,40.1,-74.2,America/New_York,"spruce:count=3;rose",soap\n'
SWAPPED = "Swapped Place,-74.2,40.1,America/New_York,spruce,\n"
NO_ZONE = "Zoneless Place,40.1,-74.2,America/Nowhere,spruce,\n"
NO_PLANT = "Plantless Place,40.1,-74.2,America/New_York,sprunce,\n"


def add(program: Program, *changes: str) -> tuple[str, ...]:
    return ("site", "add", *COURT, "--plant", "spruce", *changes)


def test_an_added_site_is_shown_and_round_trips_through_json(watching: Program) -> None:
    (site,) = json.loads(watching.done("site", "list", "--json"))
    assert site["name"] == "Invented Court"
    assert (site["latitude_deg"], site["longitude_deg"]) == (40.24, -74.18)
    assert site["materials"] == ["soap", "horticultural_oil"]
    assert [one["host"] for one in site["plantings"]] == ["spruce", "rose"]
    assert site["plantings"][0]["label"] == "north hedge"
    shown = json.loads(watching.done("site", "show", site["id"], "--json"))
    assert {key: value for key, value in shown.items() if key != "subscribers"} == site


def test_a_site_is_readable_in_a_narrow_terminal(watching: Program) -> None:
    watching.env["COLUMNS"] = "80"
    for told in (watching.done("site", "list"), watching.done("site", "show", "invented court")):
        assert max(map(len, told.splitlines())) <= 80
        assert "north hedge (12 spruce)" in " ".join(told.split()) or "spruce), rose" in told


def test_the_first_site_says_what_to_do_next(program: Program) -> None:
    told = program.done(*add(program))
    assert "Nobody hears about it yet" in told
    assert "--material" in told


def test_a_height_may_be_given_in_feet(program: Program) -> None:
    # The international foot is 0.3048 m exactly (NIST Handbook 44, Appendix C, from memory).
    site = json.loads(program.done(*add(program, "--elevation", "1000ft", "--json")))
    assert site["elevation_m"] == 304.8


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--lat", "-74.18", "--lon", "40.24"), "look swapped"),
        (("--lat", "-174.18", "--lon", "40.24"), "look swapped"),
        (("--lon", "74.18"), "west and south are negative"),
        (("--lat", "north"), "latitude: 'north' is not a number"),
        (("--lat", "nan"), "latitude: 'nan' is not a number"),
        (("--lon", "-190"), "longitude: -190.0 is outside"),
        (("--zone", "America/NewYork"), "did you mean 'America/New_York'"),
        (("--zone", "../etc"), "is not an IANA time zone"),
        (("--plant", "sprunce"), "did you mean 'spruce'"),
        (("--plant", "rose:count=many"), "count: 'many' is not a whole number"),
        (("--plant", "rose:cuont=3"), "use one of"),
        (("--plant", "rose:soil=mud"), "soil: 'mud' is not known"),
        (("--material", "sope"), "did you mean 'soap'"),
        (("--elevation", "9000"), "outside"),
        (("--biofix", "March"), "biofix: 'March' is not a date"),
        (("--tell", "Nobody"), "there is no subscriber 'Nobody'"),
    ],
)
def test_what_is_mistyped_is_refused_by_name_and_nothing_is_kept(
    program: Program, words: tuple[str, ...], told: str
) -> None:
    assert told in program.refused(2, *add(program, *words))
    listed = program("site", "list", "--json")
    assert listed.exit_code == 74 or json.loads(listed.stdout) == []


def test_a_name_is_given_once(watching: Program) -> None:
    told = watching.refused(2, "site", "add", "  invented COURT ", *COURT[1:], "--plant", "rose")
    assert "already a site" in told
    assert len(json.loads(watching.done("site", "list", "--json"))) == 1


def test_a_site_without_plants_is_refused(program: Program) -> None:
    assert "alertd plants" in program.refused(2, "site", "add", *COURT)


def test_an_edit_changes_what_is_given_and_keeps_the_rest(watching: Program) -> None:
    before = json.loads(watching.done("site", "show", "Invented Court", "--json"))
    watching.done(
        "site", "edit", "Invented Court", "--name", "Invented Close", "--material", "sulfur",
        "--drop-plant", "north hedge", "--plant", "holly:count=2", "--climate", "dry",
    )  # fmt: skip
    after = json.loads(watching.done("site", "show", "Invented Close", "--json"))
    assert after["id"] == before["id"]
    assert after["materials"] == ["sulfur"]
    assert [one["host"] for one in after["plantings"]] == ["rose", "holly"]
    assert after["plantings"][0] == before["plantings"][1]
    assert (after["climate"], after["zone"]) == ("dry", "America/New_York")


def test_an_edit_can_put_a_site_to_rest_and_wake_it(watching: Program) -> None:
    watching.done("site", "edit", "Invented Court", "--rest")
    assert json.loads(watching.done("site", "list", "--json")) == []
    assert "(rests)" in watching.done("site", "list", "--all")
    watching.done("site", "edit", "Invented Court", "--watch")
    assert len(json.loads(watching.done("site", "list", "--json"))) == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "nothing to change"),
        (("--lat", "-74.18", "--lon", "40.24"), "look swapped"),
        (("--drop-plant", "3"), "is not a planting here; use a number of: 1 north hedge (12 spruce); 2 rose"),
        (("--drop-plant", "1", "--drop-plant", "2"), "would leave no plants"),
    ],
)
def test_a_wrong_edit_changes_nothing(watching: Program, words: tuple[str, ...], told: str) -> None:
    before = watching.done("site", "show", "Invented Court", "--json")
    assert told in watching.refused(2, "site", "edit", "Invented Court", *words)
    assert watching.done("site", "show", "Invented Court", "--json") == before


def test_an_unknown_site_gets_near_names(watching: Program) -> None:
    assert "did you mean 'Invented Court'" in watching.refused(2, "site", "show", "Invented Cort")


def test_a_removed_site_frees_its_name(watching: Program) -> None:
    watching.done("site", "remove", "Invented Court")
    watching.done(*add(watching))
    assert len(json.loads(watching.done("site", "list", "--json"))) == 1


def test_an_import_keeps_the_good_rows_and_tells_every_bad_one_by_line(watching: Program) -> None:
    twice = GOOD.replace("Invented Yard", "invented yard")
    taken = GOOD.replace("Invented Yard", "Invented Court")
    text = HEADER + SWAPPED + GOOD + NO_ZONE + NO_PLANT + twice + taken
    (watching.folder / "sites.csv").write_text(text)
    result = watching("site", "import", "sites.csv")
    assert result.exit_code == 1
    assert "1 sites added, 5 bad rows left out" in result.stdout
    told = result.stderr.splitlines()
    assert [line.split(": ")[:3] for line in told] == [
        ["sites.csv", "line 2", "latitude"],
        ["sites.csv", "line 4", "zone"],
        ["sites.csv", "line 5", "plant"],
        ["sites.csv", "line 6", "name"],
        ["sites.csv", "line 7", "name"],
    ]
    names = {site["name"] for site in json.loads(watching.done("site", "list", "--json"))}
    assert names == {"Invented Court", "Invented Yard"}


def test_a_strict_import_keeps_all_or_nothing(program: Program) -> None:
    (program.folder / "sites.csv").write_text(HEADER + GOOD + SWAPPED)
    result = program("site", "import", "sites.csv", "--strict", "--json")
    assert result.exit_code == 1
    report = json.loads(result.stdout)
    assert report["added"] == []
    assert [row["line"] for row in report["bad"]] == [3]
    assert json.loads(program.done("site", "list", "--json")) == []
    assert "1 sites added." in program.done("site", "import", "-", "--strict", stdin=HEADER + GOOD)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (b"name;latitude;longitude\n", "parted by semicolons"),
        (b"name,latitude\nx,1\n", "misses longitude, zone, plants"),
        (b"", "misses name"),
        (HEADER.encode() + b"\xff\xfe", "is not UTF-8"),
    ],
)
def test_a_file_that_holds_no_sites_is_refused(program: Program, text: bytes, told: str) -> None:
    (program.folder / "sites.csv").write_bytes(text)
    assert told in program.refused(2, "site", "import", "sites.csv")


def test_a_file_that_is_not_there_is_refused(program: Program) -> None:
    assert "No such file" in program.refused(2, "site", "import", "none.csv")


def test_plants_and_materials_are_listed_by_the_key_that_sites_take(program: Program) -> None:
    plants = {one["key"] for one in json.loads(program.done("plants", "--json"))}
    materials = {one["key"] for one in json.loads(program.done("materials", "--json"))}
    assert {"spruce", "rose", "burning_bush"} <= plants
    assert {"soap", "horticultural_oil"} <= materials
    for key in plants:
        assert key in program.done("plants")
    assert "label" in program.done("materials", "--units", "metric")
    assert "alertd plants" in program.done("site", "add", "--help")
    assert "alertd materials" in " ".join(program.done("site", "add", "--help").split())
