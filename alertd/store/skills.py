"""What was learnt of forecasts: errors of each weather cell, corrections of each site's chances."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from sqlalchemy import ColumnElement, delete, func, select

from alertd.errors import StoreUnusable
from alertd.records.skill import LearntCorrection, LearntErrors
from alertd.science.chance import Calibration, ErrorSpread
from alertd.store.desk import Desk, in_chunks
from alertd.store.models import ChanceCorrectionRow, ForecastErrorsRow


class SkillBook(Desk):
    """Keeps what was learnt, with its history: a look back finds what was known then."""

    def save_errors(self, learnt: Iterable[LearntErrors]) -> None:
        """Keep the errors in one transaction; of two of the same moment the later call wins."""
        rows = [
            {
                "cell_key": one.cell_key,
                "zone": one.zone,
                "learnt_at": one.learnt_at,
                "model": one.model,
                "days": one.days,
                "spreads": {name: asdict(spread) for name, spread in one.errors.items()},
            }
            for one in learnt
        ]
        if not rows:
            return
        insert = self._insert(ForecastErrorsRow)
        statement = insert.on_conflict_do_update(
            index_elements=[
                ForecastErrorsRow.cell_key,
                ForecastErrorsRow.zone,
                ForecastErrorsRow.learnt_at,
                ForecastErrorsRow.model,
            ],
            set_={"days": insert.excluded.days, "spreads": insert.excluded.spreads},
        )
        with self._write() as session:
            session.execute(statement, rows)

    def learnt_errors(
        self, cell_keys: Iterable[str], since: dt.datetime, as_of: dt.datetime
    ) -> Mapping[tuple[str, str], LearntErrors]:
        """Return by cell and zone the newest errors learnt after ``since`` and no later than ``as_of``."""
        return self._newest(cell_keys, since, as_of, ForecastErrorsRow.model == "")

    def ensemble_spreads(
        self, cell_keys: Iterable[str], since: dt.datetime, as_of: dt.datetime
    ) -> Mapping[tuple[str, str], LearntErrors]:
        """Return the same of what was asked of ensembles, whatever the model."""
        return self._newest(cell_keys, since, as_of, ForecastErrorsRow.model != "")

    def _newest(
        self,
        cell_keys: Iterable[str],
        since: dt.datetime,
        as_of: dt.datetime,
        wanted: ColumnElement[bool],
    ) -> dict[tuple[str, str], LearntErrors]:
        row = ForecastErrorsRow
        found: dict[tuple[str, str], LearntErrors] = {}
        with self._read() as session:
            for chunk in in_chunks(cell_keys):
                newest = (
                    select(row.cell_key, row.zone, func.max(row.learnt_at).label("newest_at"))
                    .where(row.cell_key.in_(chunk), wanted, row.learnt_at > since, row.learnt_at <= as_of)
                    .group_by(row.cell_key, row.zone)
                    .subquery()
                )
                question = (
                    select(row)
                    .join(
                        newest,
                        (row.cell_key == newest.c.cell_key)
                        & (row.zone == newest.c.zone)
                        & (row.learnt_at == newest.c.newest_at),
                    )
                    .where(wanted)
                )
                for one in session.scalars(question):
                    found[one.cell_key, one.zone] = LearntErrors(
                        one.cell_key, one.zone, one.learnt_at, _spreads(one.spreads), one.model
                    )
        return found

    def save_correction(self, learnt: LearntCorrection) -> None:
        """Keep the correction of one site; of two of the same moment the later call wins."""
        windows, spells = learnt.windows, learnt.spells
        values = {
            "window_pairs": learnt.window_pairs,
            "window_intercept": None if windows is None else windows.intercept,
            "window_slope": None if windows is None else windows.slope,
            "spell_pairs": learnt.spell_pairs,
            "spell_intercept": None if spells is None else spells.intercept,
            "spell_slope": None if spells is None else spells.slope,
        }
        insert = self._insert(ChanceCorrectionRow).values(
            site_id=learnt.site_id, learnt_at=learnt.learnt_at, **values
        )
        with self._write() as session:
            session.execute(
                insert.on_conflict_do_update(
                    index_elements=[ChanceCorrectionRow.site_id, ChanceCorrectionRow.learnt_at], set_=values
                )
            )

    def corrections(
        self, site_ids: Iterable[str], since: dt.datetime, as_of: dt.datetime
    ) -> Mapping[str, LearntCorrection]:
        """Return by site the newest correction learnt after ``since`` and no later than ``as_of``."""
        row = ChanceCorrectionRow
        found: dict[str, LearntCorrection] = {}
        with self._read() as session:
            for chunk in in_chunks(site_ids):
                newest = (
                    select(row.site_id, func.max(row.learnt_at).label("newest_at"))
                    .where(row.site_id.in_(chunk), row.learnt_at > since, row.learnt_at <= as_of)
                    .group_by(row.site_id)
                    .subquery()
                )
                question = select(row).join(
                    newest, (row.site_id == newest.c.site_id) & (row.learnt_at == newest.c.newest_at)
                )
                found.update((one.site_id, _correction(one)) for one in session.scalars(question))
        return found

    def corrections_of(self, site_id: str, since: dt.datetime) -> list[LearntCorrection]:
        """Return every correction of one site learnt after ``since``, the oldest first."""
        row = ChanceCorrectionRow
        question = select(row).where(row.site_id == site_id, row.learnt_at > since).order_by(row.learnt_at)
        with self._read() as session:
            return [_correction(one) for one in session.scalars(question)]

    def forget_skill(self, before: dt.datetime) -> int:
        """Drop what was learnt before then. Returns how many entries."""
        gone = 0
        with self._write() as session:
            for row in (ForecastErrorsRow, ChanceCorrectionRow):
                question = delete(row).where(row.learnt_at < before).returning(row.learnt_at)
                gone += len(session.scalars(question).all())
        return gone


def _spreads(kept: Mapping[str, Any]) -> dict[str, ErrorSpread]:
    try:
        return {
            name: ErrorSpread(
                lead_h=tuple(map(float, one["lead_h"])),
                bias=tuple(map(float, one["bias"])),
                spread=tuple(map(float, one["spread"])),
                days=tuple(map(int, one["days"])),
            )
            for name, one in kept.items()
        }
    except (ValueError, KeyError, TypeError) as error:
        raise StoreUnusable(f"stored forecast errors are damaged ({error}); restore a backup") from error


def _correction(row: ChanceCorrectionRow) -> LearntCorrection:
    return LearntCorrection(
        site_id=row.site_id,
        learnt_at=row.learnt_at,
        windows=_calibration(row.window_intercept, row.window_slope, row.window_pairs),
        spells=_calibration(row.spell_intercept, row.spell_slope, row.spell_pairs),
        window_pairs=row.window_pairs,
        spell_pairs=row.spell_pairs,
    )


def _calibration(intercept: float | None, slope: float | None, pairs: int) -> Calibration | None:
    return None if intercept is None or slope is None else Calibration(intercept, slope, pairs)
