"""Spray-window notice: a usable window in the next days for the site's materials, or that there is none."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from alertd.alerts import evidence
from alertd.alerts.hot_dry import spell_ahead
from alertd.alerts.instead import instead_of_spraying
from alertd.alerts.kind import Kind, Sight
from alertd.alerts.machine import Finding
from alertd.catalog.alerts import SprayNotice
from alertd.records.alert import Alert, AlertKind
from alertd.records.assessment import Level, Phase, SprayWindow
from alertd.records.evidence import RuleEvidence


@dataclass(frozen=True, slots=True)
class _News:
    text: str
    changes: tuple[str, ...] = ()
    urgent: bool = False


def find(sight: Sight) -> Iterator[Finding]:
    """Yield what there is to say about spraying; nothing while no treatment is in question.

    The news is a state, not a clock time, so that a window that shifts by an hour is no news: ``none``
    or ``open:<n>``, the n-th announcement of this episode. An announced day that still has a window
    keeps its announcement until its windows are over.
    """
    site, notice = sight.site, sight.policy.spray_notice
    on, held = _needs(sight)
    if not site.materials or held == Level.NONE:
        yield Finding(AlertKind.SPRAY_WINDOW, "", Level.NONE, evidence.base(site, sight.assessment))
        return
    ahead = _ahead(sight)
    news = _news(ahead, sight)
    found = evidence.growing(sight)
    found["spray_state"] = "open" if ahead else "none"
    found["scouting"] = evidence.scouting(site, _hosts(sight))
    found["rule"] = _rule(notice)
    found["clears_when"] = _clears_when(notice, is_open=bool(ahead))
    found["changes"] = list(news.changes)
    if not ahead:
        found["instead"] = instead_of_spraying(sight.assessment.days)
    yield Finding(
        AlertKind.SPRAY_WINDOW,
        "",
        on,
        found,
        held=held,
        news=news.text,
        urgent=news.urgent,
        expires_at=max((window.end_at for window in ahead), default=None),
        marks=_marks(ahead, sight),
    )


def _needs(sight: Sight) -> tuple[Level, Level]:
    """Return the level by the on limit and by the off limit: whether a treatment is in question."""
    notice = sight.policy.spray_notice
    warned = spell_ahead(sight.assessment, float(sight.policy.warn_ahead)) is not None
    scores = [one.score for one in sight.assessment.pressures if one.phase == Phase.ACTIVE]
    highest = max(scores, default=0.0)
    on = warned or highest >= float(notice.need_pressure)
    unknown = any(one.phase == Phase.ACTIVE and not one.known for one in sight.assessment.pressures)
    held = on or unknown or (bool(scores) and highest >= float(notice.need_pressure_off))
    return (Level.NOTE if on else Level.NONE), (Level.NOTE if held else Level.NONE)


def _hosts(sight: Sight) -> list[str]:
    return [
        host for one in sight.assessment.pressures if one.phase == Phase.ACTIVE for host in one.hosts
    ]  # fmt: skip


def _ahead(sight: Sight) -> list[SprayWindow]:
    """Return the usable windows that begin within the days looked ahead, the first one first."""
    notice = sight.policy.spray_notice
    soon = sight.now + dt.timedelta(days=float(notice.look_ahead))
    found = [
        window
        for outlook in sight.assessment.materials
        for window in evidence.usable(outlook, sight.now, float(notice.shortest_window))
        if window.start_at < soon
    ]
    return sorted(found, key=lambda window: (window.start_at, window.material))


def _day(window: SprayWindow, sight: Sight) -> dt.date:
    return window.start_at.astimezone(ZoneInfo(sight.site.zone)).date()


def _marks(ahead: list[SprayWindow], sight: Sight) -> dict[str, str | int]:
    """Return what was announced: the first day, when its windows begin and end, the end of all."""
    if not ahead:
        return {}
    first = _day(ahead[0], sight)
    ends = [window.end_at for window in ahead if _day(window, sight) == first]
    return {
        "announcements": _announcements(sight) + 1,
        "open_day": first.isoformat(),
        "open_from": ahead[0].start_at.isoformat(),
        "open_day_until": max(ends).isoformat(),
        "open_until": max(window.end_at for window in ahead).isoformat(),
    }


def _news(ahead: list[SprayWindow], sight: Sight) -> _News:
    """Return the text that stands for this advice, and what changed since the last message."""
    before = sight.announced(AlertKind.SPRAY_WINDOW)
    now_open = f"open:{_announcements(sight) + 1}" if ahead else "none"
    if not before.startswith("open"):
        changed = ("A window has opened; the last message saw none.",) if before and ahead else ()
        return _News(now_open, changed)
    day = dt.date.fromisoformat(_kept(sight, "open_day"))
    if sight.now < dt.datetime.fromisoformat(_kept(sight, "open_day_until")):
        begun = sight.now >= dt.datetime.fromisoformat(_kept(sight, "open_from"))
        if begun or any(_day(window, sight) == day for window in ahead):
            return _News(before)
        return _withdrawn(day, now_open, sight)
    if not ahead:
        return _News("none", ("The windows of the last message are over, and no new one is in sight.",))
    again_h = float(sight.policy.spray_notice.announce_again_after)
    if sight.now < dt.datetime.fromisoformat(_kept(sight, "open_until")) + dt.timedelta(hours=again_h):
        return _News(before)
    return _News(now_open, ("The windows of the last message are over; these are new.",))


def _withdrawn(day: dt.date, now_open: str, sight: Sight) -> _News:
    """Return the news that an announced day has lost its windows; at once if it is near."""
    near = sight.now + dt.timedelta(hours=float(sight.policy.spray_notice.withdraw_at_once))
    start = dt.datetime.combine(day, dt.time(), tzinfo=ZoneInfo(sight.site.zone))
    return _News(now_open, (f"The window announced for {day} has closed.",), urgent=start <= near)


def _announcements(sight: Sight) -> int:
    """Return how often windows were announced in this episode."""
    episode = sight.episode(AlertKind.SPRAY_WINDOW)
    return 0 if episode is None else int(episode.memory.get("announcements", 0))


def _kept(sight: Sight, name: str) -> str:
    episode = sight.episode(AlertKind.SPRAY_WINDOW)
    return "" if episode is None else str(episode.memory[name])


def _rule(notice: SprayNotice) -> RuleEvidence:
    return RuleEvidence(
        name="spray-window",
        text=(
            f"a hot dry spell is near or mite pressure is at or above {float(notice.need_pressure):g} of "
            f"100; a window is at least {float(notice.shortest_window):g} hours in a row without a block for "
            f"one of the chosen materials, within {float(notice.look_ahead):g} days"
        ),
        source=notice.need_pressure.source,
        status=str(notice.need_pressure.status),
        figures={
            "need_pressure": float(notice.need_pressure),
            "shortest_window_h": float(notice.shortest_window),
            "look_ahead_d": float(notice.look_ahead),
        },
    )


def _clears_when(notice: SprayNotice, *, is_open: bool) -> list[str]:
    if is_open:
        return [
            "a forecast that takes the announced day away; then you hear at once if it is today or tomorrow",
            f"mite pressure below {float(notice.need_pressure_off):g} of 100 with no hot dry spell near",
        ]
    return [
        f"a window of at least {float(notice.shortest_window):g} hours within "
        f"{float(notice.look_ahead):g} days, seen in two forecasts in a row",
        f"mite pressure below {float(notice.need_pressure_off):g} of 100 with no hot dry spell near",
    ]


def _mention(alert: Alert) -> str:
    windows = [
        (window["start_at"], window["end_at"], material["name"])
        for material in alert.evidence.get("materials", [])
        for window in material["windows"]
    ]
    if not windows:
        return "Spraying: no usable window in the forecast; the hours and reasons stand in this message."
    start, end, name = min(windows)
    if alert.evidence.get("spray_state") == "none":
        return f"Spraying: no usable window before {start}."
    return f"Spray window: {start} to {end}, {name}."


KIND = Kind(AlertKind.SPRAY_WINDOW, find, _mention, "no treatment is in question now")
