"""Every bad answer a provider can give, from a real socket: a clear message, and the next one is asked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace

import pytest

from alertd.errors import WeatherError, WeatherInvalid, WeatherRefused, WeatherUnavailable
from alertd.weather.failover import Forecasts, Provider
from alertd.weather.metno import MetNo, MetNoSettings
from alertd.weather.nws import Nws, NwsSettings
from alertd.weather.openmeteo import OpenMeteo, OpenMeteoSettings
from alertd.weather.replay import Fault, ReplayServer, Trouble
from tests.weather.documents import QUIET
from tests.weather.test_replay import PLACE, SPRING, full_truth

pytestmark = pytest.mark.enable_socket
NOW = SPRING + dt.timedelta(days=10, hours=9, minutes=25)
NAMES = ("openmeteo", "nws", "metno")


@pytest.fixture(scope="module")
def server() -> Iterator[ReplayServer]:
    with ReplayServer({PLACE: full_truth()}, lambda: NOW) as server:
        yield server


@pytest.fixture(autouse=True)
def healed(server: ReplayServer) -> Iterator[None]:
    yield
    server.heal()


def provider(server: ReplayServer, name: str, read_timeout_s: float = 10.0) -> Provider:
    quick = replace(QUIET, read_timeout_s=read_timeout_s)
    if name == "openmeteo":
        return OpenMeteo(OpenMeteoSettings(base_url=server.openmeteo_url), quick)
    if name == "nws":
        return Nws(NwsSettings(base_url=server.nws_url), quick)
    return MetNo(MetNoSettings(base_url=server.metno_url), quick)


CASES: list[tuple[Fault, type[WeatherError], str]] = [
    (Fault(Trouble.STATUS, status=400, body='{"reason":"bad"}'), WeatherRefused, "HTTP 400"),
    (
        Fault(Trouble.STATUS, status=403, body="<h1>Access Denied</h1>"),
        WeatherRefused,
        "Access Denied.*contact",
    ),
    (Fault(Trouble.STATUS, status=404), WeatherRefused, "HTTP 404"),
    (Fault(Trouble.STATUS, status=429, retry_after="900"), WeatherUnavailable, "HTTP 429.*less often"),
    (Fault(Trouble.STATUS, status=500), WeatherUnavailable, "HTTP 500.*later"),
    (Fault(Trouble.STATUS, status=503), WeatherUnavailable, "HTTP 503.*later"),
    (Fault(Trouble.HTML), WeatherInvalid, "text/html, not JSON.*base address"),
    (Fault(Trouble.EMPTY), WeatherInvalid, "empty"),
    (Fault(Trouble.TRUNCATED), WeatherInvalid, "not whole JSON"),
    (Fault(Trouble.NAN), WeatherInvalid, "not whole JSON"),
    (Fault(Trouble.REDIRECT), WeatherInvalid, "another host"),
    (Fault(Trouble.SLOW, seconds=0.3), WeatherUnavailable, "in time"),
]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("fault", "error", "words"), CASES, ids=lambda case: getattr(case, "trouble", None))
def test_a_bad_answer_is_told_in_words_that_name_the_provider_and_the_fix(
    server: ReplayServer, name: str, fault: Fault, error: type[WeatherError], words: str
) -> None:
    server.inject(name, fault)
    with pytest.raises(error, match=rf"(?s)^{name}: .*{words}") as caught:
        provider(server, name, 0.1 if fault.trouble is Trouble.SLOW else 10.0).fetch(PLACE, NOW)
    assert "Traceback" not in str(caught.value)
    if fault.retry_after:
        assert caught.value.retry_after_s == float(fault.retry_after)


@pytest.mark.parametrize("name", NAMES)
def test_temperature_in_a_unit_nobody_documented_is_not_read(server: ReplayServer, name: str) -> None:
    server.inject(name, Fault(Trouble.UNITS))
    with pytest.raises(
        WeatherInvalid, match=r"air temperature is known for 0 of the next 24 hours.*wrong unit"
    ):
        provider(server, name).fetch(PLACE, NOW)


@pytest.mark.parametrize(("name", "hours"), [("openmeteo", 24 * 18), ("nws", 36), ("metno", 36)])
def test_an_old_issue_behind_a_status_of_200_is_not_used(
    server: ReplayServer, name: str, hours: float
) -> None:
    server.inject(name, Fault(Trouble.STALE, hours=hours))
    with pytest.raises(
        WeatherInvalid, match=r"issued (3[6-9]|4[0-2]) h ago|known for 0 of the next 24 hours"
    ):
        provider(server, name).fetch(PLACE, NOW)


@pytest.mark.parametrize("fault", [case[0] for case in CASES if case[0].trouble is not Trouble.SLOW])
def test_the_next_provider_steps_in(server: ReplayServer, fault: Fault) -> None:
    server.inject("openmeteo", fault)
    forecasts = Forecasts([provider(server, name) for name in NAMES])
    assert forecasts.fetch(PLACE, NOW).provider == "nws"


def test_when_all_fail_one_message_holds_every_reason(server: ReplayServer) -> None:
    server.inject("openmeteo", Fault(Trouble.HTML))
    server.inject("nws", Fault(Trouble.STATUS, status=503))
    server.inject("metno", Fault(Trouble.TRUNCATED))
    forecasts = Forecasts([provider(server, name) for name in NAMES])
    with pytest.raises(
        WeatherUnavailable, match=r"openmeteo: .*\| nws: HTTP 503.*\| metno: .*not whole JSON"
    ):
        forecasts.fetch(PLACE, NOW)


def test_reports_that_cannot_be_read_leave_the_forecast_whole(server: ReplayServer) -> None:
    server.inject("nws", Fault(Trouble.TRUNCATED, path="/observations"))
    weather = provider(server, "nws").fetch(PLACE, NOW)
    assert weather.table.loc[weather.table["forecast"], "air_temperature_c"].notna().all()
    assert weather.table.loc[~weather.table["forecast"], "air_temperature_c"].isna().all()
