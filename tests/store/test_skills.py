"""What was learnt of forecasts comes back bit for bit, with its history, on both databases."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import create_engine, text

from alertd.errors import StoreUnusable
from alertd.records.skill import LearntCorrection, LearntErrors
from alertd.science.chance import Calibration, ErrorSpread
from alertd.store.engines import newest_sqlite, parse_url
from alertd.store.models import ForecastErrorsRow
from alertd.store.schema import alembic_config
from alertd.store.store import Store, open_store
from tests.store.builders import NOW, make_site

DAY = dt.timedelta(days=1)
ZONE = "America/New_York"


def errors(at: dt.datetime, bias: float = 0.1, cell: str = "40.0,-74.0") -> LearntErrors:
    spread = ErrorSpread((12.0, 36.0), (bias, -1.0 / 3.0), (1.2, 1.6000000000000003), (9, 8))
    return LearntErrors(cell, ZONE, at, {"air_temperature_c": spread, "wind_speed_m_s": spread})


def fix(site_id: str, at: dt.datetime, slope: float = 1.1) -> LearntCorrection:
    return LearntCorrection(site_id, at, Calibration(1.0 / 3.0, slope, 45), None, 45, 12)


def test_errors_come_back_bit_for_bit(store: Store) -> None:
    store.save_errors([errors(NOW), errors(NOW, 0.2, "41.0,-74.0")])
    found = store.learnt_errors(["40.0,-74.0"], NOW - DAY, NOW)
    assert found == {("40.0,-74.0", ZONE): errors(NOW)}
    assert found["40.0,-74.0", ZONE].days == 9


def test_a_look_back_finds_what_was_known_then_and_nothing_older_than_asked_for(store: Store) -> None:
    store.save_errors([errors(NOW - 7 * DAY, 0.5), errors(NOW)])
    (then,) = store.learnt_errors(["40.0,-74.0"], NOW - 30 * DAY, NOW - DAY).values()
    assert then == errors(NOW - 7 * DAY, 0.5)
    assert store.learnt_errors(["40.0,-74.0"], NOW - 7 * DAY, NOW - DAY) == {}


def test_learning_the_same_moment_twice_keeps_the_later(store: Store) -> None:
    store.save_errors([errors(NOW)])
    store.save_errors([errors(NOW, 0.7)])
    assert list(store.learnt_errors(["40.0,-74.0"], NOW - DAY, NOW).values()) == [errors(NOW, 0.7)]


def test_corrections_come_back_with_when_and_from_how_many(store: Store) -> None:
    site = store.add_site(make_site(), now=NOW)
    store.save_correction(fix(site.id, NOW - 7 * DAY))
    store.save_correction(fix(site.id, NOW))
    assert store.corrections([site.id, "none"], NOW - 30 * DAY, NOW) == {site.id: fix(site.id, NOW)}
    assert store.corrections([site.id], NOW - 30 * DAY, NOW - DAY) == {site.id: fix(site.id, NOW - 7 * DAY)}
    assert store.corrections([site.id], NOW - 7 * DAY, NOW - DAY) == {}
    assert [one.learnt_at for one in store.corrections_of(site.id, NOW - 30 * DAY)] == [NOW - 7 * DAY, NOW]


def test_too_few_pairs_are_kept_as_no_correction(store: Store) -> None:
    site = store.add_site(make_site(), now=NOW)
    none = LearntCorrection(site.id, NOW, None, None, 7, 0)
    store.save_correction(none)
    assert store.corrections([site.id], NOW - DAY, NOW) == {site.id: none}


def test_what_is_old_is_dropped(store: Store) -> None:
    site = store.add_site(make_site(), now=NOW)
    store.save_errors([errors(NOW - 400 * DAY), errors(NOW)])
    store.save_correction(fix(site.id, NOW - 400 * DAY))
    assert store.forget_skill(NOW - 100 * DAY) == 2
    assert len(store.learnt_errors(["40.0,-74.0"], NOW - 900 * DAY, NOW)) == 1
    assert store.corrections_of(site.id, NOW - 900 * DAY) == []


def test_damaged_errors_are_named(store: Store) -> None:
    with store._write() as session:
        session.add(
            ForecastErrorsRow(cell_key="c", zone=ZONE, learnt_at=NOW, days=1, spreads={"x": {"bias": [1]}})
        )
    with pytest.raises(StoreUnusable, match="stored forecast errors are damaged"):
        store.learnt_errors(["c"], NOW - DAY, NOW)


def of_ensemble(at: dt.datetime, model: str = "invented_eps") -> LearntErrors:
    spread = ErrorSpread((3.5, 9.5), (0.0, 0.0), (0.7, 1.1), (0, 0))
    return LearntErrors("40.0,-74.0", ZONE, at, {"wind_speed_m_s": spread}, model)


def test_what_was_learnt_and_the_spread_of_an_ensemble_do_not_hide_each_other(store: Store) -> None:
    store.save_errors([errors(NOW - DAY), errors(NOW), of_ensemble(NOW), of_ensemble(NOW - DAY)])
    place = "40.0,-74.0", ZONE
    assert store.learnt_errors([place[0]], NOW - 2 * DAY, NOW) == {place: errors(NOW)}
    assert store.ensemble_spreads([place[0]], NOW - 2 * DAY, NOW) == {place: of_ensemble(NOW)}
    then = NOW - DAY / 2
    assert store.ensemble_spreads([place[0]], NOW - 2 * DAY, then) == {place: of_ensemble(NOW - DAY)}
    store.save_errors([of_ensemble(NOW + DAY, "another_eps")])
    assert store.ensemble_spreads([place[0]], NOW, NOW + DAY)[place].model == "another_eps"
    assert store.ensemble_spreads([place[0]], NOW + DAY, NOW + 2 * DAY) == {}


def test_what_was_learnt_before_ensembles_is_still_there_after_an_upgrade(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'alertd.db'}"
    engine = create_engine(parse_url(url), module=newest_sqlite())
    spreads = {"wind_speed_m_s": {"lead_h": [12.0], "bias": [0.1], "spread": [1.2], "days": [9]}}
    with engine.begin() as connection:
        command.upgrade(alembic_config(connection), "r0006")
        connection.execute(
            text("INSERT INTO forecast_errors VALUES ('c', :zone, :at, 9, :spreads)"),
            {"zone": ZONE, "at": NOW.strftime("%Y-%m-%d %H:%M:%S.%f"), "spreads": json.dumps(spreads)},
        )
    engine.dispose()
    with open_store(url, upgrade_schema=True) as store:
        (found,) = store.learnt_errors(["c"], NOW - DAY, NOW).values()
        assert (found.model, found.days, found.errors["wind_speed_m_s"].spread) == ("", 9, (1.2,))
        assert store.ensemble_spreads(["c"], NOW - DAY, NOW) == {}
