"""The spread of an ensemble behind chances: asked for when due, kept, and never in the way of a warning."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from alertd.assess.batch import SiteWeather, batches
from alertd.assess.chance import prior_skill
from alertd.assess.site import assess
from alertd.catalog.chance import load_chance
from alertd.errors import StoreBusy, WeatherRefused, WeatherUnavailable
from alertd.records.ensemble import EnsembleForecast
from alertd.records.site import Site
from alertd.records.skill import LearntErrors
from alertd.records.weather import HourlyWeather, WeatherCell
from alertd.science.chance import ForecastSkill
from alertd.service.checks import check_ensemble
from alertd.service.ensemble import ASKED_EVERY, TRIED_AGAIN, Ensembles, skill_with, spreads_of
from tests.service.archive import DAY, HOUR, SIZE_DEG, START, Archive, issue, make_site, weather_of_days

NOW = START + 12 * DAY + 6 * HOUR
SITE = make_site()
FAR = make_site("Invented Yard", latitude_deg=42.0)
FLOOR = float(load_chance().ensemble_floor)


def members_of(
    cell: WeatherCell,
    now: dt.datetime,
    parts: float,
    names: Sequence[str] = ("wind", "gust", "air", "relative"),
) -> EnsembleForecast:
    """Return ten invented members around a fair day, parted so much (sample standard deviation)."""
    start = now.replace(hour=0)
    aside = np.linspace(-1.0, 1.0, 10)[:, np.newaxis]
    aside *= parts / aside.std(ddof=1)
    middle = {"wind": 2.7, "gust": 4.0, "air": 22.0, "relative": 50.0}
    columns = {
        "wind": "wind_speed_m_s", "gust": "wind_gust_m_s", "air": "air_temperature_c",
        "relative": "relative_humidity_pct",
    }  # fmt: skip
    members = {columns[name]: np.repeat(middle[name] + aside, 240, axis=1) for name in names}
    return EnsembleForecast(cell, "invented_eps", now, start, members)


@dataclass
class Source:
    """Answers with invented members, or fails."""

    parts: float = 3.0
    model: str = "invented_eps"
    fails: Callable[[WeatherCell], Exception | None] = lambda cell: None
    asked: list[str] = field(default_factory=list)

    def fetch(self, cell: WeatherCell, now: dt.datetime) -> EnsembleForecast:
        self.asked.append(cell.key)
        fault = self.fails(cell)
        if fault is not None:
            raise fault
        return members_of(cell, now, self.parts)


@dataclass
class Kept:
    """Stored weather and spreads."""

    archive: Archive
    spreads: list[LearntErrors] = field(default_factory=list)
    broken: bool = False

    def ensemble_spreads(
        self, cell_keys: Iterable[str], since: dt.datetime, as_of: dt.datetime
    ) -> Mapping[tuple[str, str], LearntErrors]:
        if self.broken:
            raise StoreBusy("locked")
        wanted = set(cell_keys)
        known = [one for one in self.spreads if one.cell_key in wanted and since < one.learnt_at <= as_of]
        return {(one.cell_key, one.zone): one for one in sorted(known, key=lambda one: one.learnt_at)}

    def save_errors(self, learnt: Iterable[LearntErrors]) -> None:
        self.spreads += learnt

    def latest_weather(self, cell_keys: Iterable[str], as_of: dt.datetime) -> Mapping[str, HourlyWeather]:
        return self.archive.latest_weather(cell_keys, as_of)


def kept(*sites: Site) -> Kept:
    truth = weather_of_days(25)
    return Kept(Archive([issue(truth, NOW, site) for site in sites or (SITE,)]))


def prior(sites: Sequence[Site], now: dt.datetime) -> Mapping[str, ForecastSkill]:
    del now
    return {site.id: prior_skill() for site in sites}


def ensembles(store: Kept, source: Source) -> Ensembles:
    return Ensembles(prior, prior, store, source, SIZE_DEG)


def wind(skill: ForecastSkill, lead_h: float) -> float:
    return float(skill.errors["wind_speed_m_s"].at(lead_h)[1])


def test_an_answer_gives_the_spread_of_every_quantity_by_lead_time() -> None:
    cell = issue(weather_of_days(25), NOW, SITE).cell
    found = spreads_of(members_of(cell, NOW, 2.0), SITE.zone, NOW)
    assert set(found) == set(prior_skill().errors)
    for name in ("wind_speed_m_s", "wind_gust_m_s", "air_temperature_c", "temperature_max_c"):
        assert found[name].spread == pytest.approx([2.0] * len(found[name].spread))
    assert found["wet_bulb_depression_c"].spread[0] > 0.0
    # NOW is 10:00 UTC: the members begin at midnight UTC, 20:00 the day before in New York
    assert found["wind_speed_m_s"].lead_h[:2] == (-7.0, -1.0)
    # the warmest hour of the first whole local day, 04:00 UTC + 15 h
    assert found["temperature_max_c"].lead_h[0] == 9.0


def test_a_variable_that_is_missing_keeps_what_was_known_of_it() -> None:
    cell = issue(weather_of_days(25), NOW, SITE).cell
    found = spreads_of(members_of(cell, NOW, 2.0, ("wind",)), SITE.zone, NOW)
    assert set(found) == {"wind_speed_m_s"}
    skill = skill_with(prior_skill(), LearntErrors(cell.key, SITE.zone, NOW, found, "invented_eps"), NOW)
    assert skill.errors["air_temperature_c"] == prior_skill().errors["air_temperature_c"]
    assert wind(skill, 12.0) == pytest.approx(2.0)
    assert skill.members == {"wind_speed_m_s": "invented_eps"}
    assert skill.ensemble == ""  # told as the ensemble's only where both windows and spells are


def test_it_is_asked_for_every_six_hours_and_a_look_asks_and_writes_nothing() -> None:
    store, source = kept(), Source()
    found = ensembles(store, source)
    assert found.of([SITE], NOW) == prior([SITE], NOW)
    assert not source.asked
    assert found.renewed([SITE], NOW)[SITE.id].ensemble == "invented_eps"
    found.renewed([SITE], NOW + ASKED_EVERY - HOUR)
    assert len(source.asked) == len(store.spreads) == 1
    found.renewed([SITE], NOW + ASKED_EVERY)
    assert len(source.asked) == len(store.spreads) == 2
    assert found.of([SITE], NOW) == found.renewed([SITE], NOW)
    assert len(source.asked) == len(store.spreads) == 2


def test_a_restart_finds_what_was_asked_before_and_another_model_is_asked_at_once() -> None:
    store = kept()
    known = ensembles(store, Source()).renewed([SITE], NOW)
    again, other = Source(), Source(model="another_eps")
    assert ensembles(store, again).renewed([SITE], NOW + HOUR) == known
    assert not again.asked
    ensembles(store, other).renewed([SITE], NOW + HOUR)
    assert len(other.asked) == 1


def test_one_that_is_too_old_is_not_used() -> None:
    store = kept()
    found = ensembles(store, Source())
    found.renewed([SITE], NOW)
    expires = dt.timedelta(hours=float(load_chance().ensemble_expires))
    assert found.of([SITE], NOW + expires - HOUR)[SITE.id].ensemble
    assert found.of([SITE], NOW + expires) == prior([SITE], NOW)


def test_sites_of_one_cell_share_one_request_and_one_record() -> None:
    store, source = kept(), Source()
    near = replace(SITE, id="near")
    found = ensembles(store, source).renewed([SITE, near], NOW)
    assert len(source.asked) == 1
    assert found[SITE.id] is found["near"]


def test_lead_times_count_from_the_issue_of_the_forecast() -> None:
    store = kept()
    store.archive.tables[0] = replace(store.archive.tables[0], issued_at=NOW - 12 * HOUR)
    skill = ensembles(store, Source()).renewed([SITE], NOW)[SITE.id]
    end_h = 230.0 + 12.0  # ten days of members from ten hours before NOW, seen from the older issue
    assert wind(skill, end_h - 6.0) == pytest.approx(3.0)
    assert wind(skill, end_h + 12.0) == pytest.approx(2.4)


@pytest.mark.parametrize(
    ("fault", "asked"),
    [
        (WeatherUnavailable("no answer in time"), 1),
        (WeatherRefused("plan too low", everywhere=True), 1),
        (WeatherRefused("no data here"), 2),
        (ZeroDivisionError("broken"), 2),
    ],
)
def test_a_fault_leaves_what_was_known_and_is_tried_again_after_an_hour(fault: Exception, asked: int) -> None:
    store, source = kept(SITE, FAR), Source(fails=lambda cell: fault)
    found = ensembles(store, source)
    assert found.renewed([SITE, FAR], NOW) == prior([SITE, FAR], NOW)
    assert len(source.asked) == asked  # what fails the host is not waited for twice
    found.renewed([SITE, FAR], NOW + HOUR / 2)
    assert len(source.asked) == asked
    source.fails = lambda cell: None
    later = found.renewed([SITE, FAR], NOW + TRIED_AGAIN)
    assert all(skill.ensemble for skill in later.values())


def test_the_wait_a_host_asks_for_is_kept() -> None:
    store, source = kept(), Source(fails=lambda cell: WeatherUnavailable("daily limit", 5 * 3600.0))
    found = ensembles(store, source)
    for hour in range(5):
        found.renewed([SITE], NOW + hour * HOUR)
    assert len(source.asked) == 1
    found.renewed([SITE], NOW + 5 * HOUR)
    assert len(source.asked) == 2


def test_when_the_time_is_up_the_rest_waits_for_the_next_lookup() -> None:
    store, source = kept(SITE, FAR), Source()
    clock = iter([0.0, 0.0, 61.0, 100.0, 100.0])
    found = Ensembles(prior, prior, store, source, SIZE_DEG, limit_s=60.0, seconds=lambda: next(clock))
    first = found.renewed([SITE, FAR], NOW)
    assert sorted(bool(skill.ensemble) for skill in first.values()) == [False, True]
    second = found.renewed([SITE, FAR], NOW + HOUR)
    assert all(skill.ensemble for skill in second.values())
    assert len(source.asked) == len(set(source.asked)) == 2


def test_a_store_that_does_not_answer_leaves_what_was_known() -> None:
    store = kept()
    store.broken = True
    assert ensembles(store, Source()).renewed([SITE], NOW) == prior([SITE], NOW)


def test_members_that_agree_make_a_window_surer_and_members_that_part_less_so() -> None:
    chances = {}
    for parts in (0.0, 1.3, 6.0):
        store = kept()
        skills = ensembles(store, Source(parts=parts)).renewed([SITE], NOW)
        (batch,) = batches([SiteWeather(SITE, store.archive.tables[0])], NOW)
        (found,), _ = assess(batch, skills)
        assert found.chance_ensemble == "invented_eps"
        chances[parts] = found.materials[0].windows[0].chance or 0.0
    assert chances[0.0] > chances[1.3] > chances[6.0]


def test_equal_members_are_believed_no_further_than_the_floor() -> None:
    store = kept()
    skill = ensembles(store, Source(parts=0.0)).renewed([SITE], NOW)[SITE.id]
    for name, errors in skill.errors.items():
        believed = prior_skill().errors[name]
        for lead_h in errors.lead_h[1:5]:
            assert errors.at(lead_h)[1] == pytest.approx(FLOOR * believed.at(lead_h)[1])


def test_a_check_says_what_the_ensemble_tells_and_how_to_mend_it() -> None:
    cell = issue(weather_of_days(25), NOW, SITE).cell
    assert list(check_ensemble(lambda: None, cell, NOW)) == []
    (fine,) = check_ensemble(Source, cell, NOW)
    assert fine.ok
    assert fine.detail == f"invented_eps tells of 5 quantities for {cell.key}"
    refused = Source(fails=lambda cell: WeatherRefused("HTTP 403: plan too low", everywhere=True))
    (fault,) = check_ensemble(lambda: refused, cell, NOW)
    assert not fault.ok
    assert "plan too low" in fault.detail
    assert "weather.openmeteo.ensemble_model" in fault.fix
