r"""How far the members of an ensemble forecast stray from each other, as errors by lead time.

Members that agree make a forecast surer, members that part make it less so. Ensembles near the ground
tend to spread too little (common practice), so that what is believed of forecasts anyway sets a floor.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import FloatArray, floating
from alertd.science.chance import ErrorSpread


def member_spread(members: npt.ArrayLike, *, members_min: int) -> FloatArray:
    r"""Spread of the members at each time, as their standard deviation.

    Parameters
    ----------
    members : array_like, shape (member, time)
        Values of each member; NaN where missing.
    members_min : int
        Fewer known members than this, 2 at least, say nothing.

    Returns
    -------
    ndarray, shape (time,)
        NaN where too few members are known.

    Notes
    -----
    With n known members :math:`s^2 = \sum (x_i - \bar x)^2 / (n - 1)`: the divisor for small samples.
    """
    (values,) = floating(members)
    known = ~np.isnan(values)
    count = known.sum(axis=0)
    enough = count >= max(members_min, 2)
    filled = np.where(known, values, 0.0)
    mean = filled.sum(axis=0) / np.maximum(count, 1)
    square = np.where(known, (values - mean) ** 2, 0.0).sum(axis=0)
    return np.where(enough, np.sqrt(square / np.maximum(count - 1, 1)), np.nan)


def spread_by_lead(spread: npt.ArrayLike, lead_h: npt.ArrayLike, block: int = 1) -> ErrorSpread | None:
    """Spread at evenly spaced times, ``block`` of them made into one by the root of the mean square.

    Parameters
    ----------
    spread : array_like, shape (time,)
        Standard deviations at even steps; NaN where unknown.
    lead_h : array_like, shape (time,)
        Rising lead times. [h]
    block : int
        How many times make one, 1 at least.

    Returns
    -------
    ErrorSpread or None
        The blocks of which something is known, without bias; None if there are none.
    """
    deviation, lead = (np.asarray(values, dtype=np.float64) for values in (spread, lead_h))
    usable = ~np.isnan(deviation)
    number = np.arange(len(lead)) // block
    blocks = len(lead) and int(number[-1]) + 1
    count = np.bincount(number[usable], minlength=blocks)
    square = np.bincount(number[usable], weights=deviation[usable] ** 2, minlength=blocks)
    first = block * np.arange(blocks)
    last = np.minimum(first + block, len(lead)) - 1
    known = np.flatnonzero(count)
    if not known.size:
        return None
    middle = (lead[first] + lead[last])[known] / 2.0
    wide = np.sqrt(square[known] / count[known])
    return ErrorSpread(
        tuple(middle.tolist()), (0.0,) * known.size, tuple(wide.tolist()), (0,) * int(known.size)
    )


def with_members(
    believed: ErrorSpread, members: ErrorSpread, *, later_h: float, step_h: float, floor: float
) -> ErrorSpread:
    """Errors as believed, with the spread of the members wherever it is known.

    Parameters
    ----------
    believed : ErrorSpread
        What is learnt of forecasts, or the prior. Its bias stands everywhere, its spread where no
        member tells.
    members : ErrorSpread
        Spread of the members at (almost) even steps; a missing step is one that is not known.
    later_h : float
        How much later the forecast was issued than the ensemble; below 0 if earlier. [h]
    step_h : float
        Length of a step. [h]
    floor : float
        The spread is never narrower than this share of the believed one. [1]

    Returns
    -------
    ErrorSpread
        At the steps, from about the issue of the forecast to the end of what either knows.
    """
    lead = np.asarray(members.lead_h) - later_h
    wide = np.asarray(members.spread)
    ahead = lead > -step_h / 2.0
    lead, wide = lead[ahead], wide[ahead]
    if not lead.size:
        return believed
    before = max(math.ceil((float(lead[0]) - step_h / 2.0) / step_h), 0)
    after = max(math.ceil((believed.lead_h[-1] - float(lead[-1])) / step_h), 1)
    place = before + np.rint((lead - lead[0]) / step_h).astype(np.intp)
    grid = lead[0] + step_h * (np.arange(int(place[-1]) + 1 + after) - before)
    grid[place] = lead
    bias, spread = believed.at(grid)
    spread[place] = np.maximum(wide, floor * spread[place])
    nearest = np.abs(grid[:, np.newaxis] - np.asarray(believed.lead_h)).argmin(axis=1)
    days = np.asarray(believed.days)[nearest]
    return ErrorSpread(
        tuple(grid.tolist()), tuple(bias.tolist()), tuple(spread.tolist()), tuple(map(int, days))
    )
