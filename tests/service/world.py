"""A real store, an invented sky and a provider that can be told to fail: what cycles run against."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import pandas as pd

from alertd.errors import WeatherError
from alertd.records.site import Channel, Site, Subscriber, Subscription
from alertd.records.weather import HourlyWeather, WeatherCell
from alertd.service.cycle import Cycle
from alertd.service.outlook import Outlooks
from alertd.store.store import Store
from tests.assess.skies import HOUR, SITE, planting

CELL_SIZE_DEG = 0.02


@dataclass
class Provider:
    """Says what the sky will be, as late as ``delay`` says; ``broken`` names cells it has no answer for."""

    truth: pd.DataFrame
    broken: dict[str, WeatherError] = field(default_factory=dict)
    delay: dt.timedelta = dt.timedelta(0)
    past_h: int = 7 * 24
    asked: Counter[str] = field(default_factory=Counter)
    wanted: dict[str, int] = field(default_factory=dict)

    def fetch_all(
        self,
        cells: Iterable[WeatherCell],
        now: dt.datetime,
        workers: int = 4,
        past_days: Mapping[str, int] | None = None,
    ) -> Mapping[str, HourlyWeather | WeatherError]:
        assert workers >= 1
        self.wanted = dict(past_days or {})
        found: dict[str, HourlyWeather | WeatherError] = {}
        for cell in cells:
            self.asked[cell.key] += 1
            past_h = max(self.past_h, self.wanted.get(cell.key, 0) * 24)
            found[cell.key] = self.broken.get(cell.key) or self._issue(cell, now, past_h)
        return found

    def _issue(self, cell: WeatherCell, now: dt.datetime, past_h: int) -> HourlyWeather:
        here = int((now - self.truth.index[0].to_pydatetime()) / HOUR)
        table = self.truth.iloc[max(here - past_h, 0) : here + 240].copy()
        table["forecast"] = table.index + pd.Timedelta(hours=1) > pd.Timestamp(now)
        return HourlyWeather(cell, "invented", now - self.delay, now, table, "made up for tests")


@dataclass
class World:
    """Sites under one sky, watched by the real parts."""

    store: Store
    provider: Provider

    @property
    def cycle(self) -> Cycle:
        return Cycle(self.store, self.provider, CELL_SIZE_DEG)

    @property
    def outlooks(self) -> Outlooks:
        return Outlooks(self.store, CELL_SIZE_DEG)

    def add(self, sites: Sequence[Site], now: dt.datetime) -> None:
        """Keep the sites and somebody who hears about every one of them."""
        self.store.add_sites(sites, now=now)
        reader = Subscriber("u1", "Crew Lead", Channel.EMAIL, "crew@example.com")
        self.store.add_subscriber(reader, now=now)
        for site in sites:
            self.store.subscribe(Subscription(reader.id, site.id))


def site(key: str, latitude_deg: float = 40.0, **changes: object) -> Site:
    plantings = (planting("rose", f"{key}-rose"),)
    made = replace(SITE, id=key, name=f"Invented {key}", latitude_deg=latitude_deg, plantings=plantings)
    return replace(made, **changes)  # type: ignore[arg-type]  # names are checked by replace
