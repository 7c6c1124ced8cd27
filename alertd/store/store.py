"""The door of this room: open a database, get a store."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

from alertd.records.keeping import Diagnostics
from alertd.store.alerts import Alerts
from alertd.store.bounces import Bounces
from alertd.store.briefs import Briefs
from alertd.store.care import Care, copy_file
from alertd.store.desk import IdFactory, new_opaque_id
from alertd.store.engines import Engines, open_engines, parse_url
from alertd.store.faults import translated
from alertd.store.notices import Notices
from alertd.store.outbox import Outbox
from alertd.store.people import People
from alertd.store.preferences import PreferenceBook
from alertd.store.pruning import Pruning
from alertd.store.responses import Responses
from alertd.store.schema import Fit, current_revision, head_revision, misfit, schema_fit, upgrade
from alertd.store.sites import Sites
from alertd.store.skills import SkillBook
from alertd.store.subscribers import Subscribers
from alertd.store.ticks import Ticks
from alertd.store.undelivered import Undelivered
from alertd.store.weather import Weather


class Store(
    Sites,
    Subscribers,
    People,
    PreferenceBook,
    Notices,
    Briefs,
    Bounces,
    Weather,
    SkillBook,
    Alerts,
    Outbox,
    Undelivered,
    Pruning,
    Ticks,
    Care,
):
    """Everything alertd remembers. Safe to share between threads; close it when done."""

    def __init__(self, engines: Engines, diagnostics: Diagnostics, ids: IdFactory = new_opaque_id) -> None:
        super().__init__(engines, ids)
        self.diagnostics = diagnostics
        self.responses = Responses(engines, ids)

    def close(self) -> None:
        """Close every connection."""
        self._engines.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_store(
    url: str,
    *,
    create: bool = False,
    upgrade_schema: bool = False,
    ids: IdFactory = new_opaque_id,
    sqlite: ModuleType | None = None,
) -> Store:
    """Open the database; ``create`` makes a missing one, ``upgrade_schema`` brings an older one up to date.

    An SQLite database is copied beside itself before it is upgraded. ``sqlite`` picks the driver module.

    Raises
    ------
    ConfigError
        If the URL cannot be used.
    StoreUnusable
        If the database is missing, corrupt, not alertd's, or cannot be reached or written.
    SchemaMismatch
        If its schema is older (without ``upgrade_schema``) or newer than the program.
    """
    engines = open_engines(parse_url(url), create=create, sqlite=sqlite)
    try:
        with translated(engines.location):
            _fit_schema(engines, create=create, wanted=upgrade_schema)
            return Store(engines, _diagnose(engines), ids)
    except BaseException:
        engines.dispose()
        raise


def _fit_schema(engines: Engines, *, create: bool, wanted: bool) -> None:
    with engines.reader.connect() as connection:
        current = current_revision(connection)
    engines.reader.dispose()  # an open reader would stop the writer from choosing the journal mode
    fit = schema_fit(current)
    if fit is Fit.SAME:
        return
    if fit is Fit.EMPTY and (create or wanted):
        upgrade(engines.writer)
    elif fit is Fit.OLDER and wanted:
        if engines.path is not None and engines.sqlite is not None:
            _copy_first(engines.path, engines.sqlite, str(current))
        upgrade(engines.writer)
    else:
        raise misfit(fit, current, engines.location)


def _copy_first(path: Path, module: ModuleType, revision: str) -> None:
    """Copy the database before its tables change, unless an earlier try left that copy already."""
    target = path.with_name(f"{path.name}.before-upgrade-from-{revision}")
    if not target.exists():
        copy_file(path, target, module)


_SYNCHRONOUS = {0: "off", 1: "normal", 2: "full", 3: "extra"}


def _diagnose(engines: Engines) -> Diagnostics:
    warnings = list(engines.warnings)
    journal = synchronous = ""
    version = engines.version
    with engines.writer.connect() as connection:
        if engines.path is None:
            version = str(connection.exec_driver_sql("SHOW server_version").scalar())
            synchronous = str(connection.exec_driver_sql("SHOW synchronous_commit").scalar())
        else:
            journal = str(connection.exec_driver_sql("PRAGMA journal_mode").scalar())
            level = connection.exec_driver_sql("PRAGMA synchronous").scalar()
            synchronous = _SYNCHRONOUS.get(int(level or 0), str(level))
            if not warnings and journal != "wal":
                warnings.append(
                    f"the database stays in {journal} mode: its disk cannot share memory; use a local one"
                )
    return Diagnostics(
        engine=engines.url.get_backend_name(),
        driver=engines.driver,
        version=version,
        location=engines.location,
        schema=head_revision(),
        journal_mode=journal,
        synchronous=synchronous,
        warnings=tuple(warnings),
    )
