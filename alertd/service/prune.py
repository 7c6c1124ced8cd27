"""Dropping what is older than the settings say, once a day and a bite at a time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import structlog

BITE = 200
"""Rows dropped in one transaction: a few megabytes, so that no message waits for it."""

log = structlog.get_logger("alertd.prune")


class Answers(Protocol):
    """The providers' answers."""

    def forget(self, fetched_before: dt.datetime) -> int:
        """Drop answers fetched before then."""
        ...


class PruneStore(Protocol):
    """What this module needs of the store."""

    @property
    def responses(self) -> Answers:
        """The providers' answers."""
        ...

    def forget_weather(self, fetched_before: dt.datetime, *, most: int | None = ...) -> int:
        """Drop forecasts fetched before then, never a cell's newest."""
        ...

    def forget_seasons(self, before_day: dt.date) -> int:
        """Drop season states of days before then, never a site's newest."""
        ...

    def forget_briefs(self, settled_before: dt.datetime, *, most: int) -> int:
        """Drop digests and briefs settled before then."""
        ...

    def forget_notices(self, settled_before: dt.datetime, *, most: int) -> int:
        """Drop requests to confirm settled before then."""
        ...

    def forget_bounces(self, before: dt.datetime, *, most: int) -> int:
        """Drop notes of mail that came back before then."""
        ...

    def forget_deliveries(self, settled_before: dt.datetime, *, most: int) -> int:
        """Drop single tries of messages settled before then."""
        ...


@dataclass(frozen=True, slots=True)
class Keep:
    """For how long things are kept, in days."""

    weather_days: int
    answers_days: int
    letters_days: int
    tries_days: int


@dataclass(frozen=True, slots=True)
class Pruned:
    """How many rows went."""

    forecasts: int = 0
    seasons: int = 0
    answers: int = 0
    briefs: int = 0
    requests: int = 0
    bounces: int = 0
    tries: int = 0


@dataclass(frozen=True, slots=True)
class Prune:
    """The daily tidying. Alerts, episodes, messages and who got them are never touched."""

    store: PruneStore
    keep: Keep
    stopping: Callable[[], bool] = lambda: False

    def run(self, now: dt.datetime) -> Pruned:
        """Drop what is too old; what a stop leaves over goes the next day. Raises StoreError."""

        def before(days: int) -> dt.datetime:
            return now - dt.timedelta(days=days)

        weather, letters = before(self.keep.weather_days), before(self.keep.letters_days)
        tries = before(self.keep.tries_days)
        pruned = Pruned(
            forecasts=self._bites(lambda: self.store.forget_weather(weather, most=BITE)),
            seasons=self.store.forget_seasons(weather.date()),
            answers=self.store.responses.forget(before(self.keep.answers_days)),
            briefs=self._bites(lambda: self.store.forget_briefs(letters, most=BITE)),
            requests=self._bites(lambda: self.store.forget_notices(letters, most=BITE)),
            bounces=self._bites(lambda: self.store.forget_bounces(letters, most=BITE)),
            tries=self._bites(lambda: self.store.forget_deliveries(tries, most=BITE)),
        )
        log.info(
            "pruned", forecasts=pruned.forecasts, seasons=pruned.seasons, answers=pruned.answers,
            briefs=pruned.briefs, requests=pruned.requests, bounces=pruned.bounces, tries=pruned.tries,
        )  # fmt: skip
        return pruned

    def _bites(self, forget: Callable[[], int]) -> int:
        """Drop bite by bite, each its own transaction, until there is no more."""
        gone = 0
        while not self.stopping():
            bite = forget()
            gone += bite
            if bite < BITE:
                break
        return gone
