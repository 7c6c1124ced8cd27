"""The loader refuses whatever is not exactly as declared, naming file, key and fix."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.catalog.figure import Figure, Series, Status
from alertd.catalog.limits import SprayLimits
from alertd.catalog.loader import Between, load_record, load_table
from alertd.catalog.materials import MaterialGroup
from alertd.errors import CatalogError


class Colour(StrEnum):
    """A plain choice."""

    RED = "red"
    GREEN = "green"


@dataclass(frozen=True, slots=True)
class Inner:
    """A record in a record."""

    depth: Figure


@dataclass(frozen=True, slots=True)
class Sample:
    """One of everything the loader reads."""

    heat: Annotated[Figure, Between(-10.0, 45.0, "degC")]
    name: str
    flag: bool = False
    count: int = 0
    colour: Colour = Colour.RED
    words: tuple[str, ...] = ()
    curve: Series | None = None
    inner: Inner | None = None
    table: Mapping[str, Figure] | None = None
    cold: Annotated[Figure, Between(-10.0, 45.0, "degC")] | None = None

    def __post_init__(self) -> None:
        if self.cold is not None and self.cold.value >= self.heat.value:
            raise ValueError("cold is not below heat")


HEAT = 'heat = { value = 30.0, unit = "degC", source = "common practice", status = "common practice" }'
GOOD = f'{HEAT}\nname = "oil"\n'


def figure(**changes: str | None) -> str:
    parts = {"value": "30.0", "unit": '"degC"', "source": '"x 1998, Table 2"', "status": '"published"'}
    kept = {name: text for name, text in {**parts, **changes}.items() if text is not None}
    return "{ " + ", ".join(f"{name} = {text}" for name, text in kept.items()) + " }"


def curve(knots: str) -> str:
    return f'curve = {{ {knots}, unit = "1", source = "s", status = "derived" }}\n'


def load(text: str) -> Sample:
    return load_record("sample", Sample, text=text)


def test_a_good_file_is_read_into_frozen_records() -> None:
    sample = load(
        GOOD + 'flag = true\ncount = 3\ncolour = "green"\nwords = ["a", "b"]\n'
        f"cold = {figure(value='5', note=chr(34) + 'why' + chr(34))}\n"
        + curve('x = [0, 1], y = [2.0, 3], x_unit = "degC"')
        + f"[inner]\ndepth = {figure()}\n[table]\none = {figure()}\n"
    )  # fmt: skip
    assert sample.heat == Figure(30.0, "degC", "common practice", Status.COMMON_PRACTICE)
    assert float(sample.heat) == 30.0
    assert (sample.flag, sample.count, sample.colour, sample.words) == (True, 3, Colour.GREEN, ("a", "b"))
    assert sample.curve == Series((0.0, 1.0), (2.0, 3.0), "degC", "1", "s", Status.DERIVED)
    assert sample.inner is not None
    assert sample.inner.depth.value == 30.0
    assert sample.cold is not None
    assert (sample.cold.value, sample.cold.note) == (5.0, "why")
    assert sample.table is not None
    assert set(sample.table) == {"one"}


@pytest.mark.parametrize(
    ("text", "key", "fix"),
    [
        (GOOD + "haet = 1\n", "haet", "use one of"),
        (f'name = "oil"\nheat = {figure(unit=None)}\n', "heat.unit", "add a unit in words"),
        (f'name = "oil"\nheat = {figure(source=None)}\n', "heat.source", "add a source in words"),
        (f'name = "oil"\nheat = {figure(source=chr(34) + "  " + chr(34))}\n', "heat.source", "add a source"),
        (f'name = "oil"\nheat = {figure(status=None)}\n', "heat.status", "use one of published"),
        (f'name = "oil"\nheat = {figure(status=chr(34) + "sure" + chr(34))}\n', "heat.status", "use one of"),
        (f'name = "oil"\nheat = {figure(value=None)}\n', "heat.value", "give a finite number"),
        (f'name = "oil"\nheat = {figure(value="nan")}\n', "heat.value", "give a finite number"),
        (f'name = "oil"\nheat = {figure(value="inf")}\n', "heat.value", "give a finite number"),
        (f'name = "oil"\nheat = {figure(value="true")}\n', "heat.value", "give a finite number"),
        (f'name = "oil"\nheat = {figure(value="1" + "0" * 400)}\n', "heat.value", "give a finite number"),
        (f'name = "oil"\nheat = {figure(value="85.0")}\n', "heat.value", "keep it within -10.0..45.0 degC"),
        (f'name = "oil"\nheat = {figure(unit=chr(34) + "degF" + chr(34))}\n', "heat.unit", "use SI"),
        (f'name = "oil"\nheat = {figure(unit=chr(34) + "%" + chr(34))}\n', "heat.unit", "convert to degC"),
        (f'name = "oil"\nheat = {figure(author=chr(34) + "x" + chr(34))}\n', "heat.author", "use one of"),
        (f'name = "oil"\nheat = {figure(note="3")}\n', "heat.note", "write the note in words"),
        ('name = "oil"\nheat = 30.0\n', "heat", "write { value"),
        (HEAT, "name", "add it"),
        (f"{HEAT}\nname = 3\n", "name", "give a str"),
        (GOOD + "flag = 1\n", "flag", "give a bool"),
        (GOOD + "count = true\n", "count", "give a int"),
        (GOOD + 'colour = "blue"\n', "colour", "use one of red, green"),
        (GOOD + "colour = []\n", "colour", "use one of red, green"),
        (GOOD + 'words = "a"\n', "words", "make it a list"),
        (GOOD + 'words = ["a", 1]\n', "words[1]", "give a str"),
        (GOOD + "inner = 1\n", "inner", "make it a table"),
        (GOOD + "table = 1\n", "table", "make it a table"),
        (GOOD + f"cold = {figure(value='40.0')}\n", "top level", "make the figures fit each other"),
        (GOOD + curve('x = [0], y = [1], x_unit = "1"'), "curve", "as many x as y"),
        (GOOD + curve('x = [1, 0], y = [1, 2], x_unit = "1"'), "curve.x", "sort"),
        (GOOD + curve('x = [0, 1], y = [1, 2], x_unit = "F"'), "curve.x_unit", "use SI"),
        (GOOD + curve("x = [0, 1], y = [1, 2]"), "curve.x_unit", "add a x_unit"),
        ("name = \n", "not valid TOML", "line 1"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_refused_naming_file_key_and_fix(text: str, key: str, fix: str) -> None:
    with pytest.raises(CatalogError) as caught:
        load(text)
    message = str(caught.value)
    assert message.startswith("sample.toml: ")
    assert key in message
    assert fix in message


def test_tables_complete_themselves_from_their_base() -> None:
    text = f'[plain]\nname = "a"\nheat = {figure()}\n[tight]\nheat = {figure(value="20")}\n'
    table = load_table("sample", Sample, text=text, base="plain")
    found = {key: (one.name, one.heat.value) for key, one in table.items()}
    assert found == {"plain": ("a", 30.0), "tight": ("a", 20.0)}
    with pytest.raises(CatalogError, match=r"sample.toml: tight.name: missing"):
        load_table("sample", Sample, text=text)
    with pytest.raises(CatalogError, match=r"sample.toml: loose: missing"):
        load_table("sample", Sample, text=text, base="loose")
    with pytest.raises(CatalogError, match=r"sample.toml: odd: is int"):
        load_table("sample", Sample, text="odd = 1\n" + text, base="plain")


def test_a_file_that_is_not_there_is_a_catalog_error() -> None:
    with pytest.raises(CatalogError, match=r"nowhere.toml: cannot be read"):
        load_table("nowhere", Sample)


@pytest.mark.parametrize(
    "text", ["a = " + "[" * 5000, "a = " + "9" * 5000, "a = 2025-13-45", "\x00", "[a]\n[a]", "a.b = 1\na = 2"]
)
def test_what_the_toml_reader_trips_over_is_a_catalog_error(text: str) -> None:
    with pytest.raises(CatalogError, match=r"sample.toml"):
        load(text)


WHOLE = GOOD + f'colour = "green"\nwords = ["a"]\ncold = {figure(value="5")}\n[inner]\ndepth = {figure()}\n'
SCRAPS = st.sampled_from([
    "nan", "-inf", "[", "]", "{", "}", "=", '"', "'", ",", ".", "\n", "true", "1e999",
    "9" * 5000, "1979-05-27", "[[inner]]", "\x00", "\ud7ff", "# ", "unit", '"degF"', "heat", "0x1F",
    "-0", '""',
])  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_only_a_catalog_error_escapes_from_a_damaged_file(data: st.DataObject) -> None:
    text = WHOLE
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text)))
        end = data.draw(st.integers(start, min(len(text), start + 12)))
        text = text[:start] + data.draw(st.one_of(SCRAPS, st.text(max_size=4))) + text[end:]
    found = outcome(text, Sample)
    if isinstance(found, str):
        assert found.startswith("sample.toml: ")
    else:
        assert isinstance(found, Sample)
        assert -10.0 <= found.heat.value <= 45.0
        assert found.heat.source.strip()


def outcome(text: str, record: type[object]) -> object:
    """Return the record, or the message of the one error that may escape."""
    try:
        return load_record("sample", record, text=text)
    except CatalogError as error:
        return str(error)


def plain_values() -> st.SearchStrategy[str]:
    leaf = st.one_of(
        st.integers(-(10**6), 10**6).map(str), st.floats().map(repr),
        st.booleans().map(lambda b: str(b).lower()),
        st.sampled_from(['"degC"', '"published"', '"red"', '"x"', '""', "2025-01-01", "07:00:00"]),
    )  # fmt: skip
    keys = st.sampled_from(["value", "unit", "source", "status", "note", "x", "y", "x_unit", "depth", "z"])
    return st.recursive(
        leaf,
        lambda inner: st.one_of(
            st.lists(inner, max_size=3).map(lambda parts: "[" + ", ".join(parts) + "]"),
            st.dictionaries(keys, inner, max_size=5).map(
                lambda table: "{" + ", ".join(f"{key} = {value}" for key, value in table.items()) + "}"
            ),
        ),
        max_leaves=8,
    )


@settings(max_examples=300, deadline=None)
@given(st.dictionaries(st.sampled_from([*Sample.__dataclass_fields__, "other"]), plain_values(), max_size=5))
def test_only_a_catalog_error_escapes_from_values_of_the_wrong_kind(entries: dict[str, str]) -> None:
    whole = {"heat": figure(), "name": '"oil"', **entries}
    text = "\n".join(f"{key} = {value}" for key, value in whole.items())
    for record in (Sample, SprayLimits, MaterialGroup):
        found = outcome(text, record)
        if isinstance(found, str):
            assert "sample.toml" in found
        else:
            assert isinstance(found, Sample)
