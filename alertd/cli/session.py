"""What every command shares: the settings, the opened parts, the present instant."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from alertd.errors import StoreUnusable
from alertd.settings import Settings, data_directory, load_settings

if TYPE_CHECKING:
    from alertd.app import App


@dataclass
class Session:
    """One run of one command."""

    config: Path | None = None
    debug: bool = False

    def now(self) -> dt.datetime:
        """Return the present instant; the commands read the clock here and nowhere else."""
        return dt.datetime.now(dt.UTC)

    @cached_property
    def settings(self) -> Settings:
        """The settings. Raises ConfigError naming every fault."""
        return load_settings(self.config)

    @contextmanager
    def app(self, *, create: bool = False, upgrade: bool = False) -> Iterator[App]:
        """Open the database and lend the parts; ``create`` makes a missing database. Raises StoreError."""
        from alertd.app import build_app  # takes a second, which --help need not wait for

        settings = self.settings
        if create:
            _make_own_directory(settings)
        app = build_app(settings, create=create, upgrade=upgrade)
        try:
            yield app
        finally:
            app.close()


def _make_own_directory(settings: Settings) -> None:
    """Make the directory that the database lies in where nobody has chosen another one."""
    own = data_directory()
    if settings.database.url.get_secret_value() != f"sqlite:///{own / 'alertd.db'}":
        return
    try:
        own.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise StoreUnusable(
            f"database: {own} cannot be created ({error.strerror}); set database.url (ALERTD_DATABASE__URL)"
        ) from error


def session_of(context: typer.Context) -> Session:
    """Return the session that the program began with."""
    found = context.find_root().obj
    return found if isinstance(found, Session) else Session()
