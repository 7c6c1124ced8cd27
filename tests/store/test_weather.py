from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from alertd.errors import StoreUnusable
from alertd.records.keeping import CachedResponse
from alertd.records.season import SeasonState, SpeciesSeason
from alertd.records.weather import COLUMNS, cell_of, empty_table
from alertd.store.packing import pack_season, pack_table, unpack_season, unpack_table
from alertd.store.store import Store
from tests.store.builders import CELL, HOUR, NOW, make_site, make_weather


def test_a_table_comes_back_with_its_gaps_flags_and_decimals(store: Store) -> None:
    weather = make_weather()
    store.save_weather(weather)
    found = store.latest_weather([CELL.key], NOW)[CELL.key]
    pd.testing.assert_frame_equal(found.table, weather.table, check_freq=False)
    assert (found.cell, found.cell.elevation_m) == (CELL, CELL.elevation_m)
    assert (found.provider, found.issued_at, found.fetched_at) == ("invented", NOW - HOUR, NOW)
    assert (found.attribution, found.dropped) == ("made up for tests", {"out of range": 2})
    assert found.table.index.tz is not None


def test_the_newest_table_known_at_the_time_is_found_for_each_cell(store: Store) -> None:
    other = cell_of(41.0, -75.0)
    store.save_weather(
        [make_weather(NOW + n * HOUR, temperature_c=20.0 + n) for n in range(4)]
        + [make_weather(NOW + HOUR, cell=other, temperature_c=9.0)]
    )
    keys = [CELL.key, other.key, "nowhere"]
    assert store.latest_weather(keys, NOW - HOUR) == {}
    at_two = store.latest_weather(keys, NOW + 2.5 * HOUR)
    assert {key: one.table["air_temperature_c"].iloc[0] for key, one in at_two.items()} == {
        CELL.key: 22.0,
        other.key: 9.0,
    }
    assert store.latest_weather([CELL.key], NOW + 9 * HOUR)[CELL.key].fetched_at == NOW + 3 * HOUR


def test_of_two_tables_fetched_together_the_one_issued_later_wins(store: Store) -> None:
    import dataclasses

    early = make_weather(provider="b")
    late = dataclasses.replace(make_weather(provider="a"), issued_at=NOW)
    store.save_weather([late, early])
    assert store.latest_weather([CELL.key], NOW)[CELL.key].provider == "a"


def test_the_same_fetch_kept_twice_is_kept_once(store: Store) -> None:
    store.save_weather(make_weather())
    store.save_weather([make_weather(), make_weather()])
    store.save_weather([])
    assert store.sizes().rows["weather"] == 1


def test_tables_that_touch_a_stretch_are_found_oldest_fetch_first(store: Store) -> None:
    for day in range(4):
        at = NOW + day * 24 * HOUR
        store.save_weather(make_weather(at, start_at=at, hours=24))
    found = store.weather_between(CELL.key, NOW + 24 * HOUR, NOW + 48 * HOUR)
    assert [one.fetched_at for one in found] == [NOW + 24 * HOUR]
    wide = store.weather_between(CELL.key, NOW, NOW + 90 * HOUR, as_of=NOW + 30 * HOUR)
    assert [one.fetched_at for one in wide] == [NOW, NOW + 24 * HOUR]


def test_forgetting_old_weather_spares_the_last_table_of_a_cell(store: Store) -> None:
    store.save_weather([make_weather(NOW + n * HOUR) for n in range(5)])
    assert store.forget_weather(NOW + 100 * HOUR) == 4
    assert store.latest_weather([CELL.key], NOW + 100 * HOUR)[CELL.key].fetched_at == NOW + 4 * HOUR


values = arrays(
    np.float64,
    (7, len(COLUMNS)),
    elements=st.floats(-1400.0, 1400.0, width=32).map(lambda x: round(x, 2)) | st.just(float("nan")),
)


@settings(max_examples=60, deadline=None)
@given(values=values, flags=arrays(np.bool_, (7, 2)))
def test_any_table_survives_packing_to_the_second_decimal(values: np.ndarray, flags: np.ndarray) -> None:
    table = empty_table(NOW, 7)
    table[list(COLUMNS)] = values
    table["forecast"], table["coarse"] = flags[:, 0], flags[:, 1]
    found = unpack_table(pack_table(table), NOW)
    pd.testing.assert_frame_equal(found, table, check_freq=False, check_exact=True)


def test_numbers_of_many_digits_come_back_within_five_millionths() -> None:
    table = empty_table(NOW, 200)
    exact = np.geomspace(1e-5, 1400.0, 200)
    table["wind_speed_m_s"] = exact
    found = unpack_table(pack_table(table), NOW)["wind_speed_m_s"].to_numpy()
    assert np.max(np.abs(found / exact - 1.0)) < 5.1e-6


def test_ten_days_of_weather_pack_to_a_few_kilobytes() -> None:
    table = empty_table(NOW, 240)
    noise = np.random.default_rng(7)
    for column in COLUMNS:
        table[column] = np.round(
            20.0 + 5.0 * np.sin(np.arange(240) / 24 * 2 * np.pi) + noise.normal(size=240), 1
        )
    assert len(pack_table(table)) < 8_000


def test_a_column_the_writer_did_not_know_is_unknown_and_a_damaged_one_is_refused() -> None:
    import json
    import zlib

    body = np.arange(3, dtype="<f4").view("u1").reshape(3, 4).T.tobytes() + b"\x01\x00\x01"
    header = (
        json.dumps({"hours": 3, "columns": ["air_temperature_c"], "flags": ["forecast"]}).encode() + b"\n"
    )
    table = unpack_table(zlib.compress(header + body), NOW)
    assert table["air_temperature_c"].tolist() == [0.0, 1.0, 2.0]
    assert table["wind_speed_m_s"].isna().all()
    assert table["forecast"].tolist() == [True, False, True]
    assert not table["coarse"].any()
    for damaged in (b"", b"junk", zlib.compress(b"{}\n"), zlib.compress(header + body[:-5])):
        with pytest.raises(StoreUnusable, match="damaged"):
            unpack_table(damaged, NOW)


def make_state(site_id: str, day: dt.date, made_at: dt.datetime, degree_days: float = 1.0) -> SeasonState:
    return SeasonState(
        site_id=site_id,
        day=day,
        made_at=made_at,
        species={
            "twospotted": SpeciesSeason(
                degree_days_c_d=degree_days,
                generations=float("inf"),
                phase=2,
                stages=(0.1 + 0.2, 1e-300, float("nan")),
            )
        },
        depletion_mm={"p1": 12.345678901234567},
        last_wetting_day={"p1": "2026-06-30"},
        history=((12.0, 31.1, 0.0, float("nan"), 3.3, 0.0), (13.0, 32.0, 0.2, 40.0, 3.1, 1.0)),
    )


def test_a_season_comes_back_bit_for_bit(store: Store) -> None:
    site = store.add_site(make_site(), now=NOW)
    state = make_state(site.id, dt.date(2026, 6, 30), NOW)
    store.save_seasons([state])
    found = store.season(site.id, NOW)
    assert found is not None
    assert repr(found) == repr(state)  # NaN is not equal to itself; its writing is


def test_the_season_known_at_the_time_is_found_for_each_site(store: Store) -> None:
    store.add_sites([make_site(f"Site {n}", f"s{n}") for n in range(3)], now=NOW)
    first, second = dt.date(2026, 6, 29), dt.date(2026, 6, 30)
    store.save_seasons([
        make_state("s0", first, NOW), make_state("s0", second, NOW + 24 * HOUR), make_state("s1", first, NOW),
    ])  # fmt: skip
    assert {key: one.day for key, one in store.seasons(["s0", "s1", "s2"], NOW + HOUR).items()} == {
        "s0": first,
        "s1": first,
    }
    assert store.seasons(["s0"], NOW + 24 * HOUR)["s0"].day == second
    assert store.season("s2", NOW) is None


def test_the_state_made_later_wins_its_day(store: Store) -> None:
    store.add_site(make_site(site_id="s0"), now=NOW)
    day = dt.date(2026, 6, 30)
    store.save_seasons([make_state("s0", day, NOW + HOUR, 5.0)])
    store.save_seasons([make_state("s0", day, NOW, 4.0)])
    found = store.season("s0", NOW + HOUR)
    assert found is not None
    assert found.species["twospotted"].degree_days_c_d == 5.0


def test_forgetting_old_seasons_spares_the_newest_of_a_site(store: Store) -> None:
    store.add_site(make_site(site_id="s0"), now=NOW)
    store.save_seasons([make_state("s0", dt.date(2026, 6, day), NOW) for day in range(1, 11)])
    assert store.forget_seasons(dt.date(2026, 6, 5)) == 4
    assert store.forget_seasons(dt.date(2027, 1, 1)) == 5
    assert store.season("s0", NOW) is not None


def test_a_season_of_another_version_is_read_and_a_damaged_one_refused() -> None:
    import json
    import zlib

    content = {"species": {"spruce": {"degree_days_c_d": 3.0, "later": 1}}, "depletion_mm": {}}
    content |= {"last_wetting_day": {}, "history": []}
    state = unpack_season(zlib.compress(json.dumps(content).encode()), "s", NOW.date(), NOW)
    assert state.species["spruce"] == SpeciesSeason(degree_days_c_d=3.0)
    with pytest.raises(StoreUnusable, match="damaged"):
        unpack_season(pack_season(state)[:-4], "s", NOW.date(), NOW)


def test_an_answer_is_kept_replaced_and_forgotten(store: Store) -> None:
    first = CachedResponse("https://weather.example/a", b"\x00\xff", 200, {"etag": 'W/"1"'}, NOW, NOW + HOUR)
    assert store.responses.get("a") is None
    store.responses.put("a", first)
    assert store.responses.get("a") == first
    second = CachedResponse("https://weather.example/a", b"new", 203, {}, NOW + HOUR, NOW + 2 * HOUR)
    store.responses.put("a", second)
    assert store.responses.get("a") == second
    assert store.responses.forget(NOW + HOUR) == 0
    assert store.responses.forget(NOW + 2 * HOUR) == 1
