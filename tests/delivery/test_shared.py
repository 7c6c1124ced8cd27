from __future__ import annotations

from dataclasses import replace
from unittest import mock

import pytest

from alertd.delivery import shared
from alertd.delivery.message import StopNotice
from alertd.delivery.render import render
from alertd.delivery.shared import SharedRendering
from alertd.records.site import UnitSystem
from tests.delivery.evidence import every_alert, make_site, make_subscriber

NAMES = ("Sam Example", "A <b>&amp; B", "Ünïcödé " * 12, "x" * 150, "Zz7readerzZ", "\\1 {{ 7*7 }}")
STOPS = (
    StopNotice("stop@example.com"),
    StopNotice("stop@example.com", "https://example.com/u/" + "a" * 90),
    StopNotice(
        "stop@example.com", "https://e.test/u?a=1&b=2", "https://e.test/s", "https://e.test/z/" + "b" * 60
    ),
)


@pytest.mark.parametrize("kind", sorted(every_alert(make_site())))
def test_a_shared_rendering_says_word_for_word_what_its_own_would(kind: str) -> None:
    site = make_site()
    alert = every_alert(site)[kind]
    words = SharedRendering()
    for stop in STOPS:
        for name in NAMES:
            reader = make_subscriber(name=name)
            assert words.message(alert, site, reader, stop) == render(alert, site, reader, stop)


def test_readers_of_one_alert_share_one_rendering_per_units() -> None:
    site = make_site()
    alert = next(iter(every_alert(site).values()))
    words = SharedRendering()
    with mock.patch.object(shared, "render", wraps=render) as drawn:
        for number in range(6):
            units = UnitSystem.US if number % 2 else UnitSystem.METRIC
            words.message(alert, site, make_subscriber(units, f"Reader {number}"), STOPS[0])
        assert drawn.call_count == 2
        words.message(replace(alert, id="another"), site, make_subscriber(), STOPS[0])
        assert drawn.call_count == 3


def test_what_is_kept_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shared, "KEPT", 2)
    site = make_site()
    alert = next(iter(every_alert(site).values()))
    words = SharedRendering()
    for number in range(5):
        words.message(replace(alert, id=f"a{number}"), site, make_subscriber(), STOPS[0])
    assert len(words._kept) == 2
