"""How fast the full assessment is: against a plain script and against copying its inputs.

Run as ``python tests/benchmarks/assessment.py [SITES]``. Every species has a host on every site, every
material group is used, and 18 days of hours are new to the season. All figures are processor time of one
thread, the best of a few rounds. The script's numbers are compared with ours before anything is timed.

The cycle step is what the service makes of the same tables, the database apart: assessed, decided, and the
season packed for storing. The collector of circular garbage is set as the daemon sets it when it starts.

The inputs are copied in two ways: the weather tables as they come, and their bare numbers as one block
of memory. The second is what no assessment that makes records can come near to.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from alertd.alerts.decide import decide
from alertd.assess import chance, site, spraying
from alertd.assess.batch import SiteWeather, batches
from alertd.assess.spray_hours import drought_of
from alertd.daemon.memory import settle
from alertd.records.assessment import Assessment
from alertd.records.weather import COLUMNS, FLAGS
from alertd.service.judge import judge
from alertd.store.packing import pack_season

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.invented import HOURS, NOW, members
from tests.benchmarks.per_site_script import assess_site

SITES = 500
COMPARED = 6
SCRIPT_BAR, COPY_BAR = 150.0, 12.0


def best(work: Callable[[], object], rounds: int) -> float:
    """Return the least processor time of a few rounds, in seconds."""
    times = []
    for _ in range(rounds):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return min(times)


def full(given: Sequence[SiteWeather]) -> list[Assessment]:
    """Return the assessments, from weather tables to records."""
    return [found for batch in batches(given, NOW) for found in site.assess(batch)[0]]


def compare(given: Sequence[SiteWeather]) -> int:
    """Return how many numbers of the script were found equal to ours; AssertionError at the first other."""
    checked = 0
    for member, ours in zip(given, full(given), strict=True):
        theirs = assess_site(member, NOW, drought_of(ours.water))
        for outlook in ours.materials:
            script = theirs["spray"][outlook.material]
            np.testing.assert_array_equal(script["blocks"], outlook.block_bits)
            np.testing.assert_array_equal(script["cautions"], outlook.caution_bits)
            assert [(one.start_at, one.end_at) for one in outlook.windows] == [
                found[:2] for found in script["windows"]
            ]
            np.testing.assert_allclose(
                [one.quality for one in outlook.windows],
                [found[4] for found in script["windows"]],
                atol=1e-6,
            )
            checked += 2 * len(outlook.block_bits) + 3 * len(outlook.windows)
        for one in ours.pressures:
            script = theirs["mites"][one.species]
            np.testing.assert_allclose(
                [one.score, one.score_ahead, one.degree_days_c_d],
                [script["score"], script["ahead"], script["degree_days"]],
                atol=1e-6,
            )
            checked += 3
        assert [(one.start_day, one.end_day, int(one.level)) for one in ours.spells] == theirs["spells"]
    return checked


def stages(given: Sequence[SiteWeather]) -> dict[str, float]:
    """Return the processor time of each step, in seconds."""
    (batch,) = batches(given, NOW, size=len(given))
    found = site.work_out(batch)
    stretch, water, dry = found.stretch, found.water, found.dry
    one, rows = batch.sites[0], np.arange(len(given))
    rules = {material: spraying.site_rules(one, material) for material in one.materials}
    steps: dict[str, Callable[[], object]] = {
        "weather tables to arrays, derived quantities": lambda: batches(given, NOW),
        "days, mites, water, spells, with their records": lambda: site.work_out(batch),
        "chances of spells": lambda: chance.with_chances(batch, stretch, found.spells),
        "spraying: verdict on every hour, arrays alone": lambda: spraying.judge_sites(
            batch, rows, rules, water, dry
        ),
        "spraying: with windows, reasons and records": lambda: spraying.material_outlooks(batch, water, dry),
        "spraying: with chances of windows as well": lambda: spraying.material_outlooks(
            batch, water, dry, chance.window_chances(batch)
        ),
    }
    return {name: best(step, 3) for name, step in steps.items()}


def cycle_steps(given: Sequence[SiteWeather]) -> dict[str, float]:
    """Return the processor time of each part of a cycle step, in seconds."""
    (judged,) = judge(given, NOW)
    found = judged.assessments
    if judged.failed or len(found) != len(given):
        raise AssertionError(f"sites failed: {judged.failed}")
    steps: dict[str, Callable[[], object]] = {
        "judge: assessments and seasons": lambda: list(judge(given, NOW)),
        "decide: episodes and alerts": lambda: [
            decide(member.site, found[member.site.id], (), (), NOW) for member in given
        ],
        "pack the seasons": lambda: [pack_season(state) for state in judged.seasons],
    }
    return {name: best(step, 3) for name, step in steps.items()}


def peak_mb() -> float:
    """Return the most memory that this process has held so far, in MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def copies(given: Sequence[SiteWeather]) -> tuple[float, float]:
    """Return the time of copying the tables, and of copying their numbers alone as one array."""
    tables = [member.weather.table for member in given]
    width = len(COLUMNS) + len(FLAGS) / 8.0
    numbers = np.random.default_rng(1).random(round(width * len(given) * HOURS))
    target = np.empty_like(numbers)
    return (
        best(lambda: [table.copy() for table in tables], 5),
        best(lambda: np.copyto(target, numbers), 9),
    )


def verdict(ratio: float, bar: float, at_least: bool) -> str:
    """Return whether a bar is held, in words."""
    held = ratio >= bar if at_least else ratio <= bar
    return f"{'holds' if held else 'MISSES'} the bar of {'at least' if at_least else 'at most'} {bar:g}"


def main(sites: int) -> None:
    """Print the figures."""
    settle()
    given = members(sites)
    with_tables_mb = peak_mb()
    kept = full(given)
    with_records_mb = peak_mb()
    del kept
    (batch,) = batches(given[:2], NOW)
    print(f"compared with the script: {compare(given[:COMPARED])} numbers on {COMPARED} sites, all equal")
    print(
        f"{sites} sites, {len(given[0].site.materials)} material groups, "
        f"{len(batch.local.days)} days of hours ({batch.hours} h); per site:"
    )
    ours = best(lambda: full(given), 3) / sites
    steps = stages(given)
    cycle = cycle_steps(given)
    script = best(lambda: [assess_site(one, NOW, 1) for one in given[:COMPARED]], 2) / COMPARED
    of_tables, of_numbers = (seconds / sites for seconds in copies(given))
    print(f"  full assessment            {ours * 1e6:10.1f} us   {1.0 / ours:10.0f} sites/s")
    for name, seconds in steps.items():
        print(f"    {name:56s} {seconds / sites * 1e6:10.1f} us")
    print(f"  cycle step, without database {sum(cycle.values()) / sites * 1e6:8.1f} us")
    for name, seconds in cycle.items():
        print(f"    {name:56s} {seconds / sites * 1e6:10.1f} us")
    print(f"  plain pandas script        {script * 1e6:10.1f} us   {1.0 / script:10.1f} sites/s")
    print(f"  copying the tables         {of_tables * 1e6:10.1f} us")
    print(f"  copying the bare numbers   {of_numbers * 1e6:10.1f} us")
    print(f"script / assessment          {script / ours:10.1f}   {verdict(script / ours, SCRIPT_BAR, True)}")
    print(
        f"memory at its peak           {with_records_mb:8.0f} MB   {with_tables_mb:.0f} MB before, "
        f"{(with_records_mb - with_tables_mb) * 1024.0 / sites:.0f} KB a site more"
    )
    for name, copy in (("tables", of_tables), ("bare numbers", of_numbers)):
        ratio = ours / copy
        print(f"assessment / copy of the {name:12s} {ratio:8.1f}   {verdict(ratio, COPY_BAR, False)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else SITES)
