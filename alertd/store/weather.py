"""Weather as it was issued."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping

from sqlalchemy import delete, func, select
from sqlalchemy.orm import aliased

from alertd.records.weather import HOUR, HourlyWeather, WeatherCell
from alertd.store.desk import Desk, in_chunks
from alertd.store.models import WeatherRow
from alertd.store.packing import pack_table, unpack_table
from alertd.store.rows import Values


class Weather(Desk):
    """Keeps every table a provider issued, so that any past moment can be looked at as it was."""

    def save_weather(self, weather: HourlyWeather | Iterable[HourlyWeather]) -> None:
        """Keep one or many tables in one transaction; the same fetch again adds nothing."""
        tables = [weather] if isinstance(weather, HourlyWeather) else list(weather)
        rows = [_values(table) for table in tables]
        if not rows:
            return
        with self._write() as session:
            session.execute(self._insert(WeatherRow).on_conflict_do_nothing(), rows)

    def latest_weather(self, cell_keys: Iterable[str], as_of: dt.datetime) -> Mapping[str, HourlyWeather]:
        """Return, for each cell that has one, the table fetched last at or before ``as_of``."""
        found: dict[str, WeatherRow] = {}
        with self._read() as session:
            for chunk in in_chunks(cell_keys):
                newest = (
                    select(WeatherRow.cell_key, func.max(WeatherRow.fetched_at).label("newest_at"))
                    .where(WeatherRow.cell_key.in_(chunk), WeatherRow.fetched_at <= as_of)
                    .group_by(WeatherRow.cell_key)
                    .subquery()
                )
                same_fetch = (WeatherRow.cell_key == newest.c.cell_key) & (
                    WeatherRow.fetched_at == newest.c.newest_at
                )
                question = select(WeatherRow).join(newest, same_fetch)
                # Of two tables fetched in one instant the one issued later comes last and stays.
                for row in session.scalars(question.order_by(WeatherRow.issued_at, WeatherRow.id)):
                    found[row.cell_key] = row
        return {key: _record(row) for key, row in found.items()}

    def weather_between(
        self, cell_key: str, start_at: dt.datetime, end_at: dt.datetime, *, as_of: dt.datetime | None = None
    ) -> list[HourlyWeather]:
        """Return every table that touches ``[start_at, end_at)``, oldest fetch first."""
        question = select(WeatherRow).where(
            WeatherRow.cell_key == cell_key, WeatherRow.start_at < end_at, WeatherRow.end_at > start_at
        )
        if as_of is not None:
            question = question.where(WeatherRow.fetched_at <= as_of)
        with self._read() as session:
            rows = session.scalars(question.order_by(WeatherRow.fetched_at, WeatherRow.id))
            return [_record(row) for row in rows]

    def forget_weather(self, fetched_before: dt.datetime, *, most: int | None = None) -> int:
        """Drop tables fetched before then, never a cell's newest; ``most`` at once. Returns how many."""
        other = aliased(WeatherRow)
        newer = select(other.id).where(
            other.cell_key == WeatherRow.cell_key, other.fetched_at > WeatherRow.fetched_at
        )
        old = (
            select(WeatherRow.id)
            .where(WeatherRow.fetched_at < fetched_before, newer.exists())
            .order_by(WeatherRow.fetched_at)
            .limit(most)
        )
        question = delete(WeatherRow).where(WeatherRow.id.in_(old)).returning(WeatherRow.id)
        with self._write() as session:
            return len(session.scalars(question.execution_options(synchronize_session=False)).all())


def _values(weather: HourlyWeather) -> Values:
    start_at = weather.table.index[0].to_pydatetime()
    hours = len(weather.table)
    return {
        "cell_key": weather.cell.key,
        "latitude_deg": weather.cell.latitude_deg,
        "longitude_deg": weather.cell.longitude_deg,
        "elevation_m": weather.cell.elevation_m,
        "provider": weather.provider,
        "issued_at": weather.issued_at,
        "fetched_at": weather.fetched_at,
        "start_at": start_at,
        "end_at": start_at + hours * HOUR,
        "hours": hours,
        "packed": pack_table(weather.table),
        "attribution": weather.attribution,
        "dropped": dict(weather.dropped),
    }


def _record(row: WeatherRow) -> HourlyWeather:
    return HourlyWeather(
        cell=WeatherCell(row.cell_key, row.latitude_deg, row.longitude_deg, row.elevation_m),
        provider=row.provider,
        issued_at=row.issued_at,
        fetched_at=row.fetched_at,
        table=unpack_table(row.packed, row.start_at),
        attribution=row.attribution,
        dropped=dict(row.dropped),
    )
