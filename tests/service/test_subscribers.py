from __future__ import annotations

import base64
import datetime as dt
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks import Webhook

from alertd.delivery.guard import Guard
from alertd.errors import InputError
from alertd.records.alert import AlertKind
from alertd.records.site import Channel, Site, Subscriber
from alertd.service.subscribers import (
    add_subscriber,
    checked_email,
    checked_kinds,
    checked_webhook,
    new_webhook_secret,
    shown_address,
)
from alertd.store.store import Store, open_store

NOW = dt.datetime(2026, 7, 1, 12, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("service") / "empty.db"
    open_store(f"sqlite:///{path}", create=True).close()
    return path


@pytest.fixture
def store(tmp_path: Path, empty_file: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{shutil.copy(empty_file, tmp_path / 'alertd.db')}") as opened:
        yield opened


def site(name: str) -> Site:
    return Site(id="", name=name, latitude_deg=40.0, longitude_deg=-74.0, zone="America/New_York")


def reader(name: str = "Crew", address: str = "crew@example.com") -> Subscriber:
    return Subscriber(id="", name=name, channel=Channel.EMAIL, address=address)


def test_a_fresh_secret_is_what_the_reference_library_takes() -> None:
    # standardwebhooks, the reference library of Standard Webhooks 1.0.0
    secret = new_webhook_secret(lambda length: bytes(range(length)))
    assert base64.b64decode(secret.removeprefix("whsec_")) == bytes(range(32))
    signed = Webhook(secret).sign("msg-1", NOW, "{}")
    assert signed.startswith("v1,")


@pytest.mark.parametrize("address", ["crew@example.com", " crew@example.com ", "a.b+c@mail.example.org"])
def test_a_bare_address_is_kept(address: str) -> None:
    assert checked_email(address) == address.strip()


@pytest.mark.parametrize(
    "address",
    ["", "crew", "crew@", "@example.com", "Crew <crew@example.com>", "a@example.com,b@example.com",
     "crew@example.com\r\nBcc: b@example.com", "crew@localhost", "crew@example..com", "a@b@example.com"],
)  # fmt: skip
def test_anything_else_is_no_address(address: str) -> None:
    with pytest.raises(InputError) as refused:
        checked_email(address)
    assert refused.value.field == "email"


@given(st.text())
def test_whatever_is_typed_as_an_address_is_kept_or_refused(text: str) -> None:
    try:
        kept = checked_email(text)
    except InputError:
        return
    assert kept.count("@") == 1
    assert not set(kept) & set(" \r\n<>,;")


@pytest.mark.parametrize(
    "url",
    ["http://hooks.example.com/", "https://localhost/", "https://127.0.0.1/", "https://10.1.2.3/",
     "https://[::ffff:127.0.0.1]/", "https://hooks.example.com:22/", "https://user@hooks.example.com/",
     "https://hooks.example.com/#part", "hooks.example.com", "https://", "https://hooks.example.com/a b"],
)  # fmt: skip
def test_a_url_that_must_not_be_called_is_refused(url: str) -> None:
    with pytest.raises(InputError) as refused:
        checked_webhook(url, Guard())
    assert refused.value.field == "webhook"


def test_a_private_network_that_the_operator_named_is_allowed() -> None:
    guard = Guard(["10.1.0.0/16"])
    assert checked_webhook("https://10.1.2.3/in", guard) == "https://10.1.2.3/in"
    assert checked_webhook("https://hooks.example.com/in", Guard()) == "https://hooks.example.com/in"


def test_a_shown_webhook_hides_its_path_and_query() -> None:
    hook = Subscriber(
        id="", name="Board", channel=Channel.WEBHOOK, address="https://hooks.example.com/in/token?key=k"
    )
    assert shown_address(hook) == "https://hooks.example.com/..."
    assert shown_address(reader()) == "crew@example.com"


def test_kinds_are_read_as_people_write_them_and_all_means_every_one() -> None:
    assert checked_kinds(["Hot dry warning", "spray_window"]) == ("hot-dry-warning", "spray-window")
    assert checked_kinds([]) == ()
    assert checked_kinds(list(AlertKind)) == ()
    with pytest.raises(InputError, match="use one of hot-dry-warning"):
        checked_kinds(["gossip"])


def test_a_reader_is_kept_with_every_subscription(store: Store) -> None:
    sites = [store.add_site(site(name), now=NOW) for name in ("A", "B")]
    added = add_subscriber(store, reader(), sites, ("spray-window",), NOW)
    assert added.new
    told = store.subscriptions(added.subscriber.id)
    assert {one.site_id for one in told} == {one.id for one in sites}
    assert {one.kinds for one in told} == {("spray-window",)}


def test_the_same_reader_again_is_not_doubled(store: Store) -> None:
    first, second = (store.add_site(site(name), now=NOW) for name in ("A", "B"))
    add_subscriber(store, reader(), [first], (), NOW)
    again = add_subscriber(store, reader("CREW"), [second], (), NOW)
    assert not again.new
    assert len(store.subscribers()) == 1
    assert len(store.subscriptions(again.subscriber.id)) == 2


def test_the_same_name_with_another_address_is_refused(store: Store) -> None:
    add_subscriber(store, reader(), [], (), NOW)
    with pytest.raises(InputError, match="already a subscriber"):
        add_subscriber(store, reader(address="other@example.com"), [], (), NOW)
