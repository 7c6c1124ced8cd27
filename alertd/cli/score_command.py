"""``alertd score``: how good warnings, windows and chances were."""

from __future__ import annotations

import datetime as dt
import math
from typing import Annotated, Any

import typer

from alertd.catalog.chance import load_chance
from alertd.cli.moments import day_begins_anywhere, parse_day
from alertd.cli.printing import bar, examples, heading, paragraph, plain, print_json, say, table
from alertd.cli.session import session_of
from alertd.errors import InputError
from alertd.service.cases import EVENTS, FORECASTS_ONLY, WINDOW_HELD
from alertd.service.score import EDGES, Scores, Verdict, scores
from alertd.service.skill import expiry
from alertd.service.verify import Record, Verifier

DEFAULT_DAYS = 30


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(
        "score",
        short_help="Show how good warnings, windows and chances were.",
        epilog=examples(
            "alertd score",
            'alertd score --site "Invented Court" --since 2026-06-01',
            "alertd score --lead 3 --json",
        ),
    )(score)


def score(
    context: typer.Context,
    site: Annotated[
        list[str] | None, typer.Option("--site", metavar="NAME", help="Only this site; may be repeated.")
    ] = None,
    since: Annotated[
        str | None,
        typer.Option("--since", metavar="DAY", help=f"From this day on; else the last {DEFAULT_DAYS} days."),
    ] = None,
    lead: Annotated[
        int | None, typer.Option("--lead", min=0, max=10, help="Only forecasts so many days ahead.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for machines.")] = False,
) -> None:
    """Judge the forecasts as they were issued by the weather that then came, per site and overall."""
    now = session_of(context).now()
    day = now.date() - dt.timedelta(days=DEFAULT_DAYS) if since is None else parse_day(since, "since")
    if day > now.date():
        raise InputError("since", f"{since} lies in the future; give a past day")
    records: list[Record] = []
    with session_of(context).app() as app, bar("Judging forecasts", shown=not as_json) as advance:
        sites = [app.store.site(name) for name in site] if site else list(app.store.sites())
        begins = day_begins_anywhere(day)
        skills = app.skills.raw(sites, begins)
        verifier = Verifier(app.store, app.settings.weather.cell_size_deg)
        for done, one in enumerate(sites):
            advance(one.name, done, len(sites))
            corrections = app.store.corrections_of(one.id, begins - expiry())
            records.append(verifier.record(one, day, now, skills[one.id], corrections))
    found = scores(records, lead)
    if as_json:
        print_json({"since": day, "lead_d": lead, "scores": [_document(one) for one in found]})
    else:
        _print(found, day)


def _document(one: Scores) -> dict[str, Any]:
    return {
        "site_id": one.site_id,
        "site": one.name,
        "mornings": one.mornings,
        "spells_came": one.spells_came,
        "lead_times_d": one.leads_d,
        "events": [_event_document(verdict) for verdict in one.verdicts],
    }


def _event_document(verdict: Verdict) -> dict[str, Any]:
    counts, brier, classes = verdict.table, verdict.brier, verdict.classes
    whole = verdict.event not in FORECASTS_ONLY
    return {
        "event": verdict.event,
        "meaning": EVENTS[verdict.event],
        "cases": counts.total,
        "enough": verdict.enough,
        "counts": plain(counts),
        "probability_of_detection": counts.probability_of_detection if whole else None,
        "false_alarm_ratio": counts.false_alarm_ratio,
        "critical_success_index": counts.critical_success_index if whole else None,
        "frequency_bias": counts.frequency_bias if whole else None,
        "brier": None if brier is None else {**plain(brier), "skill": brier.skill},
        "reliability": None if classes is None else {"edges": EDGES, **plain(classes)},
        "by_lead_d": [
            {"lead_d": days, "cases": cases, "came": came} for days, cases, came in verdict.by_lead
        ],
    }


def _print(found: list[Scores], since: dt.date) -> None:
    if not found:
        say("No site yet.")
        return
    for one in found:
        heading(f"{one.name}: {one.mornings} mornings since {since}")
        if not one.mornings:
            paragraph("No stored forecast of these days can be judged yet.")
            continue
        _print_events(one)
        _print_chances(one)
        _print_leads(one)
    heading("How to read this")
    paragraph(
        "What came are the past hours of later forecasts as the provider gave them, not a gauge on the site. "
        "Neighbouring sites and days share their weather, so that many cases say less than their number. "
        "POD: share of events foreseen. FAR: share of warnings in vain. CSI: hits among all that was "
        "foreseen or came. Bias: warnings per event. Hits, false, missed and quiet are counts. Chances are "
        "judged as they were told, with the correction then in force."
    )


def _print_events(one: Scores) -> None:
    rows = [(EVENTS[verdict.event], *_counts(verdict)) for verdict in one.verdicts]
    table(("Event", "Hits", "False", "Missed", "Quiet", "POD", "FAR", "CSI", "Bias"), rows)
    least = float(load_chance().score_cases)
    for verdict in one.verdicts:
        if not verdict.enough:
            paragraph(
                f"Too few cases to judge by: {EVENTS[verdict.event]} ({verdict.table.total} of {least:g}).",
                style="yellow",
            )


def _counts(verdict: Verdict) -> tuple[str, ...]:
    counts = verdict.table
    if verdict.event in FORECASTS_ONLY:
        ratio = _share(counts.false_alarm_ratio)
        return str(counts.hits), str(counts.false_alarms), "", "", "", ratio, "", ""
    return (
        str(counts.hits), str(counts.false_alarms), str(counts.misses), str(counts.correct_negatives),
        _share(counts.probability_of_detection), _share(counts.false_alarm_ratio),
        _share(counts.critical_success_index), _share(counts.frequency_bias),
    )  # fmt: skip


def _print_chances(one: Scores) -> None:
    for verdict in one.verdicts:
        brier, classes = verdict.brier, verdict.classes
        if brier is None or classes is None:
            continue
        paragraph(
            f"Chance that {EVENTS[verdict.event]}: Brier {brier.score:.3f} = reliability "
            f"{brier.reliability:.3f} - resolution {brier.resolution:.3f} + uncertainty "
            f"{brier.uncertainty:.3f} (0 is perfect; {brier.count} cases)."
        )
        rows = [
            (f"{low:.0%} to {high:.0%}", str(int(count)), _share(told), _share(came))
            for low, high, count, told, came in zip(
                EDGES,
                EDGES[1:],
                classes.count,
                classes.mean_forecast,
                classes.observed_frequency,
                strict=False,
            )
        ]
        table(("Chance told", "Cases", "Told", "Came"), rows)


def _print_leads(one: Scores) -> None:
    if one.spells_came:
        seen = len(one.leads_d)
        mean = f", on average {sum(one.leads_d) / seen:.1f} days ahead" if seen else ""
        paragraph(f"Of {one.spells_came} hot dry spells that came {seen} were foreseen{mean}.")
    held = next(verdict for verdict in one.verdicts if verdict.event == WINDOW_HELD)
    if held.by_lead:
        told = ", ".join(f"{days} d: {came} of {cases}" for days, cases, came in held.by_lead)
        paragraph(f"Windows that held, by days ahead: {told}.")


def _share(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.2f}"
