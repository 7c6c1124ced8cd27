"""What every part of the store stands on: one way to read, one way to write, ids from one source."""

from __future__ import annotations

import itertools
import secrets
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session, sessionmaker

from alertd.store.engines import Engines
from alertd.store.faults import translated
from alertd.store.models import Model

IdFactory = Callable[[], str]
Item = TypeVar("Item")
CHUNK = 500  # bound parameters in one question


def new_opaque_id() -> str:
    """Return an id that tells nothing and can be typed on a command line: 80 random bits in hex."""
    return secrets.token_hex(10)


def in_chunks(items: Iterable[Item], size: int = CHUNK) -> Iterator[list[Item]]:
    """Yield the distinct items in lists of at most ``size``, in their order."""
    distinct = iter(dict.fromkeys(items))
    while chunk := list(itertools.islice(distinct, size)):
        yield chunk


class Desk:
    """Sessions on the two engines; every error leaves as a StoreError."""

    def __init__(self, engines: Engines, ids: IdFactory = new_opaque_id) -> None:
        self._engines = engines
        self._ids = ids
        self._writers = sessionmaker(engines.writer, expire_on_commit=False)
        self._readers = sessionmaker(engines.reader, expire_on_commit=False)
        self._is_sqlite = engines.writer.dialect.name == "sqlite"

    def new_id(self) -> str:
        """Return a fresh opaque id."""
        return self._ids()

    @contextmanager
    def _write(self) -> Iterator[Session]:
        """Commit all that happens inside, or nothing."""
        with translated(self._engines.location), self._writers.begin() as session:
            yield session

    @contextmanager
    def _read(self) -> Iterator[Session]:
        """Read one consistent state."""
        with translated(self._engines.location), self._readers() as session:
            yield session

    def _insert(self, model: type[Model]) -> Any:
        """Return an INSERT that knows ON CONFLICT; both databases spell it alike."""
        return sqlite.insert(model) if self._is_sqlite else postgresql.insert(model)
