from __future__ import annotations

import dataclasses
import datetime as dt
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.delivery.message import StopNotice
from alertd.delivery.render import render
from alertd.records.alert import AlertKind
from alertd.service.links import Link, LinkFault, Links, Purpose, as_keys, confirmation_target
from tests.delivery import evidence as invented
from tests.store.builders import HOUR, NOW, make_subscriber

LINKS = Links("https://alerts.example.com/base/", ["k" * 40])
ids = st.text(st.characters(codec="utf-8"), max_size=40)


@given(purpose=st.sampled_from(Purpose), subscriber_id=ids, target=ids)
def test_what_is_signed_is_read_back_for_its_purpose_alone(
    purpose: Purpose, subscriber_id: str, target: str
) -> None:
    token = LINKS.token(purpose, subscriber_id, target, NOW + HOUR)
    for other in Purpose:
        read = LINKS.read(other, token, NOW)
        assert read == (Link(purpose, subscriber_id, target) if other is purpose else LinkFault.INVALID)
    assert re.fullmatch(r"[A-Za-z0-9_.-]+", token), "nothing that a URL would have to escape"


@given(at=st.integers(0, 200), byte=st.sampled_from("AaZz09-_."))
def test_no_changed_character_is_taken(at: int, byte: str) -> None:
    token = LINKS.token(Purpose.STOP, "u1", "s1", None)
    changed = token[: at % len(token)] + byte + token[at % len(token) + 1 :]
    read = LINKS.read(Purpose.STOP, changed, NOW)
    assert read == (Link(Purpose.STOP, "u1", "s1") if _same(changed, token) else LinkFault.INVALID)


def _same(one: str, other: str) -> bool:
    """The last character of 32 bytes in base64 carries two bits that mean nothing (RFC 4648, 3.5)."""
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    return one == other or (
        one[:-1] == other[:-1]
        and one[-1] in alphabet
        and alphabet.index(one[-1]) >> 2 == alphabet.index(other[-1]) >> 2
    )


def test_links_keep_the_path_of_the_base_and_end_in_a_letter_or_digit() -> None:
    """Mail programs leave a trailing sign out of a link that they find in plain text."""
    for n in range(200):
        url = LINKS.stop(f"u{n}")
        assert url.startswith("https://alerts.example.com/base/stop/")
        assert url[-1].isalnum()


def test_an_end_is_kept_to_the_second() -> None:
    token = LINKS.token(Purpose.SEEN, "u1", "e1", NOW + HOUR)
    assert isinstance(LINKS.read(Purpose.SEEN, token, NOW + HOUR), Link)
    assert LINKS.read(Purpose.SEEN, token, NOW + HOUR + dt.timedelta(seconds=1)) is LinkFault.EXPIRED


def test_another_address_or_another_time_of_asking_is_another_confirmation() -> None:
    reader = dataclasses.replace(make_subscriber(subscriber_id="u1"), standing_at=NOW)
    elsewhere = dataclasses.replace(reader, address="other@example.com")
    again = dataclasses.replace(reader, standing_at=NOW + HOUR)
    assert len({confirmation_target(one) for one in (reader, elsewhere, again)}) == 3


@pytest.mark.parametrize("secret", ["", "  ", "short", f"{'k' * 40} short"])
def test_a_short_key_is_refused(secret: str) -> None:
    with pytest.raises(ValueError, match="32 characters"):
        as_keys(secret)


def test_keys_are_never_shown() -> None:
    assert "k" * 40 not in repr(LINKS)


def test_a_mail_gives_each_link_a_line_end_of_its_own() -> None:
    """Whatever followed a link in plain text could be taken for a part of it."""
    site = invented.make_site()
    alert = invented.make_alert(AlertKind.HOT_DRY, invented.make_hot_dry(site))
    urls = [f"https://alerts.example.com/{name}/abc" for name in ("stop", "seen", "snooze")]
    message = render(alert, site, invented.make_subscriber(), StopNotice("a@example.com", *urls))
    for url in urls:
        assert re.search(rf"{re.escape(url)}$", message.text, re.M), url
        assert f'href="{url}"' in message.html
    bare = render(alert, site, invented.make_subscriber(), StopNotice("a@example.com"))
    assert "To hear less" not in bare.text
