"""A webhook's secret can be replaced while the one before still holds; afterwards it is forgotten."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import create_engine, text

from alertd.errors import InputError
from alertd.records.site import Channel
from alertd.store.engines import newest_sqlite, parse_url
from alertd.store.schema import alembic_config
from alertd.store.store import Store, open_store
from tests.store.builders import HOUR, NOW, make_subscriber

DAY = dt.timedelta(days=1)


def hook(store: Store, key: str = "u1", secret: str = "whsec_one") -> None:
    reader = replace(make_subscriber(key, subscriber_id=key), channel=Channel.WEBHOOK, secret=secret)
    store.add_subscriber(reader, now=NOW)


def test_both_secrets_hold_until_the_old_ones_time_is_over(store: Store) -> None:
    hook(store)
    kept = store.rotate_secret("u1", "whsec_two", old_until=NOW + DAY, now=NOW)
    assert kept == store.subscriber("u1")
    assert kept.secrets_at(NOW + DAY - HOUR) == ("whsec_two", "whsec_one")
    assert kept.secrets_at(NOW + DAY) == ("whsec_two",)
    assert "whsec" not in repr(kept)


def test_a_change_within_a_change_is_refused_and_changes_nothing(store: Store) -> None:
    hook(store)
    store.rotate_secret("u1", "whsec_two", old_until=NOW + DAY, now=NOW)
    with pytest.raises(InputError, match="--finish"):
        store.rotate_secret("u1", "whsec_three", old_until=NOW + 2 * DAY, now=NOW + HOUR)
    assert store.subscriber("u1").secrets_at(NOW + HOUR) == ("whsec_two", "whsec_one")
    store.rotate_secret("u1", "whsec_three", old_until=NOW + 3 * DAY, now=NOW + DAY)
    assert store.subscriber("u1").secrets_at(NOW + 2 * DAY) == ("whsec_three", "whsec_two")


def test_what_is_over_is_erased_and_nothing_else(store: Store) -> None:
    for key in ("u1", "u2", "u3"):
        hook(store, key, f"whsec_{key}")
    store.rotate_secret("u1", "whsec_new1", old_until=NOW + HOUR, now=NOW)
    store.rotate_secret("u2", "whsec_new2", old_until=NOW + DAY, now=NOW)
    assert store.drop_old_secrets(NOW + HOUR) == 1
    assert store.drop_old_secrets(NOW + HOUR) == 0
    assert store.subscriber("u1").old_secret == ""
    assert store.subscriber("u2").old_secret == "whsec_u2"
    assert store.drop_old_secrets(NOW, "u2") == 1
    assert store.subscriber("u2").secrets_at(NOW) == ("whsec_new2",)
    assert store.subscriber("u3").secrets_at(NOW) == ("whsec_u3",)


def test_an_edit_of_something_else_leaves_the_old_secret_alone(store: Store) -> None:
    hook(store)
    kept = store.rotate_secret("u1", "whsec_two", old_until=NOW + DAY, now=NOW)
    store.edit_subscriber(kept, now=NOW)
    assert store.subscriber("u1").secrets_at(NOW) == ("whsec_two", "whsec_one")


def test_two_secrets_of_a_database_from_before_are_parted(tmp_path: Path) -> None:
    """They stood in one column, the newest first; the second holds for another day."""
    path = tmp_path / "alertd.db"
    url = f"sqlite:///{path}"
    engine = create_engine(parse_url(url), module=newest_sqlite())
    with engine.begin() as connection:
        command.upgrade(alembic_config(connection), "r0004")
        for key, secret in (("u1", "whsec_new whsec_old"), ("u2", "whsec_only"), ("u3", "")):
            connection.execute(
                text(
                    "INSERT INTO subscribers (id, firm_id, name, name_key, channel, address, secret, units, "
                    "wake_hour, rest_hour, active, standing, added_at, changed_at) VALUES (:id, 'default', "
                    ":id, :id, 'webhook', 'https://hooks.example.com', :secret, 'us', 6, 20, 1, 'active', "
                    "'2026-01-01', '2026-01-01')"
                ),
                {"id": key, "secret": secret},
            )
            connection.execute(
                text(
                    "INSERT INTO preferences (subscriber_id, zone, kinds, least_level, weekly_day, "
                    "evening_hour, hand_over_after_h, one_a_day, changed_at) "
                    "VALUES (:id, 'UTC', '[]', 0, 3, 17, 0, 1, '2026-01-01')"
                ),
                {"id": key},
            )
    engine.dispose()
    now = dt.datetime.now(dt.UTC)
    with open_store(url, upgrade_schema=True) as store:
        assert store.subscriber("u1").secrets_at(now) == ("whsec_new", "whsec_old")
        assert store.subscriber("u1").secrets_at(now + dt.timedelta(hours=25)) == ("whsec_new",)
        assert store.subscriber("u2").secrets_at(now) == ("whsec_only",)
        assert store.subscriber("u3").secrets_at(now) == ()
        wishes = store.preferences(["u1"])["u1"]
        assert (wishes.evening_hour, wishes.evening_quiet) == (17, False)
