from __future__ import annotations

import datetime as dt
import threading
from collections import Counter
from collections.abc import Sequence

import pytest

from alertd.errors import WeatherError, WeatherInvalid, WeatherRefused, WeatherUnavailable
from alertd.records.weather import HourlyWeather, WeatherCell, cell_of, empty_table
from alertd.weather.failover import BreakerSettings, Forecasts
from tests.weather.documents import CELL, NOW

START = NOW.replace(minute=0)


class Fake:
    """A provider that fails with what it is told to, or has weather."""

    attribution = "credit"

    def __init__(self, name: str, faults: Sequence[WeatherError | None] = ()) -> None:
        self.name = name
        self.faults = list(faults)
        self.asked: Counter[str] = Counter()
        self.lock = threading.Lock()

    def fetch(self, cell: WeatherCell, now: dt.datetime, past_days: int | None = None) -> HourlyWeather:
        with self.lock:
            self.asked[cell.key] += 1
            fault = self.faults.pop(0) if self.faults else None
        if fault is not None:
            raise fault
        return HourlyWeather(cell, self.name, now, now, empty_table(START, 24), self.attribution)


def down(text: str = "down", wait_s: float | None = None) -> WeatherUnavailable:
    return WeatherUnavailable(text, wait_s)


def minutes(count: float) -> dt.datetime:
    return NOW + dt.timedelta(minutes=count)


def test_the_first_provider_with_weather_wins() -> None:
    first, second, third = Fake("a", [down()]), Fake("b"), Fake("c")
    forecasts = Forecasts([first, second, third])
    assert forecasts.names == ("a", "b", "c")
    assert forecasts.fetch(CELL, NOW).provider == "b"
    assert not third.asked


def test_when_none_has_weather_every_reason_is_told() -> None:
    forecasts = Forecasts(
        [
            Fake("a", [down("a: HTTP 503", 60.0)]),
            Fake("b", [WeatherInvalid("b: empty")]),
            Fake("c", [down("c: x", 5.0)]),
        ]
    )
    with pytest.raises(WeatherUnavailable) as caught:
        forecasts.fetch(CELL, NOW)
    assert caught.value.faults == (("a", "a: HTTP 503"), ("b", "b: empty"), ("c", "c: x"))
    assert all(reason in str(caught.value) for _, reason in caught.value.faults)


def test_with_no_provider_the_error_says_so() -> None:
    with pytest.raises(WeatherUnavailable, match="none is configured"):
        Forecasts([]).fetch(CELL, NOW)


def test_after_failures_in_a_row_a_provider_is_left_alone_and_then_probed_once() -> None:
    flaky, spare = Fake("a", [down()] * 4), Fake("b")
    forecasts = Forecasts([flaky, spare], BreakerSettings(failures_max=3, pause_s=1200.0))
    for _ in range(6):
        forecasts.fetch(CELL, NOW)
    assert flaky.asked.total() == 3
    forecasts.fetch(CELL, minutes(19))
    assert flaky.asked.total() == 3
    forecasts.fetch(CELL, minutes(20))  # the probe fails, and the pause begins anew
    forecasts.fetch(CELL, minutes(21))
    assert flaky.asked.total() == 4
    assert forecasts.fetch(CELL, minutes(41)).provider == "a"
    assert forecasts.fetch(CELL, minutes(41)).provider == "a"


def test_a_success_in_between_keeps_the_provider_in_use() -> None:
    flaky = Fake("a", [down(), down(), None, down(), down(), None])
    forecasts = Forecasts([flaky, Fake("b")])
    used = [forecasts.fetch(CELL, NOW).provider for _ in range(7)]
    assert used == ["b", "b", "a", "b", "b", "a", "a"]


def test_a_provider_that_names_a_time_is_not_asked_before() -> None:
    busy = Fake("a", [down("a: HTTP 429", 3 * 3600.0)])
    forecasts = Forecasts([busy, Fake("b")])
    forecasts.fetch(CELL, NOW)
    assert forecasts.fetch(CELL, minutes(179)).provider == "b"
    assert forecasts.fetch(CELL, minutes(181)).provider == "a"


def test_a_short_wait_is_not_made_longer() -> None:
    busy = Fake("a", [down("a: HTTP 429", 45.0)])
    forecasts = Forecasts([busy, Fake("b")])
    forecasts.fetch(CELL, NOW)
    assert forecasts.fetch(CELL, minutes(0.5)).provider == "b"
    assert forecasts.fetch(CELL, minutes(0.8)).provider == "a"


def test_a_refusal_that_holds_everywhere_stops_the_asking_for_hours() -> None:
    blocked = Fake("a", [WeatherRefused("a: HTTP 403", everywhere=True)])
    forecasts = Forecasts([blocked])
    for at in (0, 30, 150):
        with pytest.raises(WeatherUnavailable, match="a: HTTP 403"):
            forecasts.fetch(CELL, minutes(at))
    assert blocked.asked.total() == 1
    assert forecasts.fetch(CELL, minutes(181)).provider == "a"


def test_a_place_off_the_map_is_not_asked_for_again_soon_and_other_places_are() -> None:
    elsewhere = cell_of(52.5, 13.4)
    american = Fake("a", [WeatherRefused("a: only the US")])
    forecasts = Forecasts([american, Fake("b")])
    assert forecasts.fetch(elsewhere, NOW).provider == "b"
    assert forecasts.fetch(elsewhere, minutes(60)).provider == "b"
    assert forecasts.fetch(CELL, minutes(60)).provider == "a"
    assert american.asked == {elsewhere.key: 1, CELL.key: 1}
    assert forecasts.fetch(elsewhere, minutes(361)).provider == "a"


def test_a_clock_set_back_does_not_leave_a_provider_alone_for_ever() -> None:
    flaky = Fake("a", [down()] * 3)
    forecasts = Forecasts([flaky, Fake("b")])
    for _ in range(3):
        forecasts.fetch(CELL, minutes(600))
    assert forecasts.fetch(CELL, NOW).provider == "a"


def test_sites_in_one_cell_cost_one_fetch_and_each_cell_has_its_outcome() -> None:
    cells = [cell_of(40.0 + row / 10, -74.0) for row in range(20)]
    provider = Fake("a", [down("a: first"), None])
    found = Forecasts([provider]).fetch_all([*cells, *cells, cell_of(40.001, -74.001)], NOW, workers=4)
    assert set(found) == {cell.key for cell in cells}
    assert all(count == 1 for count in provider.asked.values())
    assert len(provider.asked) == 20
    outcomes = Counter(type(outcome) for outcome in found.values())
    assert outcomes == {HourlyWeather: 19, WeatherUnavailable: 1}
    assert all(
        outcome.cell.key == key for key, outcome in found.items() if isinstance(outcome, HourlyWeather)
    )


def test_no_cells_are_no_work() -> None:
    assert Forecasts([Fake("a")]).fetch_all([], NOW) == {}


def test_a_fault_in_the_program_is_not_taken_for_weather() -> None:
    class Broken(Fake):
        def fetch(self, cell: WeatherCell, now: dt.datetime, past_days: int | None = None) -> HourlyWeather:
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        Forecasts([Broken("a")]).fetch_all([CELL], NOW)
