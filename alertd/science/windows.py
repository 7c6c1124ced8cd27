"""Runs of open hours: where they begin and end, what ends them, how roomy they are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray, IntArray
from alertd.science.spray_reasons import Reason, reasons_in


@dataclass(frozen=True, slots=True)
class OpenRun:
    """Hours ``[start, end)`` by index, all without a block.

    ``closed_by`` are the reasons of the hour that ends it; ``cautions`` those met inside; ``quality``
    0..1 is the margin of the roomiest stretch as long as the job.
    """

    start: int
    end: int
    closed_by: tuple[Reason, ...]
    cautions: tuple[Reason, ...]
    quality: float

    @property
    def hours(self) -> int:
        """Length in hours."""
        return self.end - self.start


def run_bounds(flags: BoolArray) -> npt.NDArray[np.int64]:
    """First and past-the-last hour of every run of set flags.

    Parameters
    ----------
    flags : array of bool, shape (n_sites, n_hours)

    Returns
    -------
    array of int, shape (n_runs, 3)
        Site, start, end (exclusive), by site and then by time.

    Examples
    --------
    >>> import numpy as np
    >>> run_bounds(np.array([[0, 1, 1, 0, 1]], dtype=bool)).tolist()
    [[0, 1, 3], [0, 4, 5]]
    """
    padded = np.zeros((flags.shape[0], flags.shape[1] + 2), dtype=np.int8)
    padded[:, 1:-1] = flags
    change = np.diff(padded, axis=1)
    # both lists come out by site and time, so that the n-th start belongs to the n-th end
    site, start = np.nonzero(change == 1)
    _, end = np.nonzero(change == -1)
    return np.stack([site, start, end], axis=1).astype(np.int64)


def open_runs(
    block_bits: IntArray, caution_bits: IntArray, margin: FloatArray, *, hours_min: int
) -> tuple[OpenRun, ...]:
    """Find the runs of open hours that are long enough for the job, on one site.

    Parameters
    ----------
    block_bits, caution_bits : array of int, shape (n_hours,)
        Bits of ``Reason``; an hour without block bits is open.
    margin : array of float, shape (n_hours,)
        Distance from the nearest limit, 0..1.
    hours_min : int
        Least length of a run. [h]

    Returns
    -------
    tuple of OpenRun
        By time. A run that lasts to the end of the data is closed by ``HORIZON_END``.

    Raises
    ------
    ValueError
        If ``hours_min`` is below 1 or the lengths differ.

    Notes
    -----
    quality = max over stretches of ``hours_min`` hours of min(margin): the edges of a run always lie near
    a limit, and the job can be put where there is most room.
    """
    if hours_min < 1:
        raise ValueError(f"hours_min: {hours_min}; give 1 or more")
    if not block_bits.shape == caution_bits.shape == margin.shape or block_bits.ndim != 1:
        raise ValueError(
            f"block_bits, caution_bits, margin: shapes {block_bits.shape} ... differ or are not [hour]"
        )
    bounds = run_bounds((block_bits == 0)[np.newaxis, :])
    long_enough = bounds[bounds[:, 2] - bounds[:, 1] >= hours_min]
    return tuple(
        _run(block_bits, caution_bits, margin, int(start), int(end), hours_min)
        for _, start, end in long_enough
    )


def _run(
    block_bits: IntArray, caution_bits: IntArray, margin: FloatArray, start: int, end: int, hours_min: int
) -> OpenRun:
    at_end = end >= block_bits.shape[0]
    closed_by = (Reason.HORIZON_END,) if at_end else reasons_in(int(block_bits[end]))
    cautions = reasons_in(int(np.bitwise_or.reduce(caution_bits[start:end])))
    stretches = np.lib.stride_tricks.sliding_window_view(margin[start:end], hours_min)
    return OpenRun(start, end, closed_by, cautions, float(stretches.min(axis=-1).max()))


def first_open(block_bits: IntArray, *, hours_min: int) -> int | None:
    """Index of the first hour of the first long enough run; None while everything is closed.

    Parameters
    ----------
    block_bits : array of int, shape (n_hours,)
    hours_min : int
        Least length of a run. [h]
    """
    bounds = run_bounds((block_bits == 0)[np.newaxis, :])
    long_enough = bounds[bounds[:, 2] - bounds[:, 1] >= hours_min]
    return int(long_enough[0, 1]) if len(long_enough) else None


def main_reasons(block_bits: IntArray, *, most: int, aside: Reason | None = None) -> tuple[Reason, ...]:
    """Reasons that close most hours, the commonest first.

    Parameters
    ----------
    block_bits : array of int, shape (n_hours,)
    most : int
        How many to name.
    aside : Reason, optional
        Reasons that need no telling, such as ``OUTSIDE_HOURS``; hours closed by one of these alone
        do not count, and they are named only if there is nothing else.

    Returns
    -------
    tuple of Reason
        Equal counts in the order of the bits.

    Notes
    -----
    Reasons that every night has (the inversion clock) would always win by count, so an hour counts for
    a reason only while none of ``aside`` closes it too.
    """
    counts = _counts(block_bits[(block_bits & np.int64(aside or 0)) == 0])
    if not counts.any():
        counts = _counts(block_bits)
    order = np.argsort(-counts, kind="stable")
    reasons = tuple(Reason)
    return tuple(reasons[i] for i in order[:most] if counts[i] > 0)


def _counts(block_bits: IntArray) -> IntArray:
    bits = np.array([int(reason) for reason in Reason], dtype=np.int64)
    counts: IntArray = ((block_bits[:, np.newaxis] & bits) != 0).sum(axis=0, dtype=np.int64)
    return counts
