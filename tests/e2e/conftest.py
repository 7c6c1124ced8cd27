"""Replayed years, each made once and shared by all workers of a test run."""

from __future__ import annotations

import datetime as dt
import fcntl
import logging
import pickle
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import structlog

from tests.e2e.year import Gusts, Season, Sky, replay, truths

PROVIDERS = ("openmeteo", "nws", "metno")
RESTART = dt.date(2013, 7, 15)
JULY = {"first": dt.date(2013, 7, 5), "last": dt.date(2013, 7, 24)}


def _plan() -> dict[str, Callable[[Path], Season]]:
    """Return every replay of this folder by name, the long ones first."""

    def run(provider: str, sky: Sky, gusts: Gusts, **how: Any) -> Callable[[Path], Season]:
        return lambda folder: replay(folder, provider, truths(sky, gusts), **how)

    usual = (Sky.CLEAR, Gusts.ABSENT)
    plan = {provider: run(provider, *usual) for provider in PROVIDERS}
    plan["openmeteo, again and restarted"] = run("openmeteo", *usual, reopen_on=(RESTART,))
    for provider in PROVIDERS[1:]:
        plan[f"{provider}, July"] = run(provider, *usual, **JULY)
        plan[f"{provider}, July, again and restarted"] = run(provider, *usual, **JULY, reopen_on=(RESTART,))
    plan["as reported"] = run("openmeteo", Sky.UNKNOWN, Gusts.AS_REPORTED, **JULY)
    plan["gusts as reported"] = run("openmeteo", Sky.CLEAR, Gusts.AS_REPORTED, **JULY)
    return plan


@contextmanager
def quiet() -> Iterator[None]:
    """Keep a year's worth of log lines out of the way."""
    before = structlog.get_config()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    try:
        yield
    finally:
        structlog.configure(**before)


class Seasons(Mapping[str, Season]):
    """The replays by name; one that another worker is making just now is waited for, usefully."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._plan = _plan()
        self._kept: dict[str, Season] = {}

    def __getitem__(self, name: str) -> Season:
        if name not in self._kept:
            self._kept[name] = self._shared(name)
        return self._kept[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._plan)

    def __len__(self) -> int:
        return len(self._plan)

    def _shared(self, name: str) -> Season:
        for other in (name, *self._plan):
            with self._locked(other, wait=False) as free:
                if free:
                    self._make(other)
            if self._file(name).exists():
                break
        with self._locked(name, wait=True):
            self._make(name)
        season: Season = pickle.loads(self._file(name).read_bytes())
        return season

    def _file(self, name: str) -> Path:
        return self._folder / f"{name}.season"

    @contextmanager
    def _locked(self, name: str, *, wait: bool) -> Iterator[bool]:
        with (self._folder / f"{name}.lock").open("w") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
            except BlockingIOError:
                yield False
            else:
                yield True

    def _make(self, name: str) -> None:
        if self._file(name).exists():
            return
        folder = self._folder / name
        if folder.exists():
            pytest.fail(f"the replay {name!r} failed before; see the first error", pytrace=False)
        folder.mkdir()
        began = time.process_time()
        with quiet():
            season = self._plan[name](folder)
        season.seconds = time.process_time() - began
        half = self._folder / f"{name}.half"
        half.write_bytes(pickle.dumps(season))
        half.rename(self._file(name))


@pytest.fixture(scope="session")
def seasons(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Seasons:
    """Return the replays of this test run."""
    base = tmp_path_factory.getbasetemp()
    folder = (base if worker_id == "master" else base.parent) / "seasons"
    folder.mkdir(exist_ok=True)
    return Seasons(folder)


@pytest.fixture(params=PROVIDERS)
def season(request: pytest.FixtureRequest, seasons: Seasons) -> Season:
    """Return the year as served by one provider."""
    return seasons[request.param]
