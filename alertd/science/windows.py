"""Runs of open hours: where they begin and end, what ends them, how roomy they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray, IntArray
from alertd.science.spray_reasons import Reason, reasons_in

Words = npt.NDArray[np.integer[Any]]
Counts = npt.NDArray[np.int32]
ROWS_AT_ONCE = 1024
"""Rows whose bits are counted together, so that they stay in the processor's cache."""


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
    n_rows, n_hours = flags.shape
    # all rows in one line, with a closed hour before the first one and after each
    line = np.zeros(n_rows * (n_hours + 1) + 1, dtype=np.bool_)
    line[1:].reshape(n_rows, n_hours + 1)[:, :-1] = flags
    edges = np.flatnonzero(line[1:] != line[:-1])
    row, start = np.divmod(edges[::2], n_hours + 1)
    return np.stack([row, start, edges[1::2] - row * (n_hours + 1)], axis=1).astype(np.int64)


@dataclass(frozen=True, slots=True)
class OpenWindows:
    """Runs of open hours of many rows, by row and then by time; arrays of shape (n_windows,).

    See ``OpenRun``; here the reasons are bits.
    """

    row: IntArray
    start: IntArray
    end: IntArray
    closed_bits: Words
    caution_bits: Words
    quality: FloatArray


def open_windows(
    block_bits: Words, caution_bits: Words, margin: FloatArray, *, hours_min: int
) -> OpenWindows:
    """Find the runs of open hours that are long enough for the job, in many rows at once.

    Parameters
    ----------
    block_bits, caution_bits : array of int, shape (n_rows, n_hours)
        Bits of ``Reason``; an hour without block bits is open.
    margin : array of float, shape (n_rows, n_hours)
        Distance from the nearest limit, 0..1.
    hours_min : int
        Least length of a run. [h]

    Returns
    -------
    OpenWindows
        A run that lasts to the end of the data is closed by ``HORIZON_END``.

    Raises
    ------
    ValueError
        If ``hours_min`` is below 1 or the shapes differ.

    Notes
    -----
    quality = max over stretches of ``hours_min`` hours of min(margin): the edges of a run always lie near
    a limit, and the job can be put where there is most room.
    """
    if hours_min < 1:
        raise ValueError(f"hours_min: {hours_min}; give 1 or more")
    if not block_bits.shape == caution_bits.shape == margin.shape or block_bits.ndim != 2:
        raise ValueError(
            f"block_bits, caution_bits, margin: shapes {block_bits.shape} ... differ or do not fit"
        )
    bounds = run_bounds(block_bits == 0)
    row, start, end = bounds[bounds[:, 2] - bounds[:, 1] >= hours_min].T
    n_hours = block_bits.shape[1]
    closing = block_bits[row, np.minimum(end, n_hours - 1)]
    closed = np.where(end < n_hours, closing, np.array(int(Reason.HORIZON_END), dtype=block_bits.dtype))
    if not row.size:
        return OpenWindows(row, start, end, closed, closed, np.zeros(0, dtype=margin.dtype))
    lengths = end - start
    ends = np.cumsum(lengths)
    begins = ends - lengths
    # the hours of all windows in one line, one window after the other
    hours = np.repeat(row * n_hours + start - begins, lengths) + np.arange(ends[-1])
    cautions = np.bitwise_or.reduceat(caution_bits.ravel()[hours], begins)
    room = margin.ravel()[hours]
    least = np.append(room, room[-1:])
    for later in range(1, hours_min):
        np.minimum(least[: len(room) - later], room[later:], out=least[: len(room) - later])
    # a stretch must begin early enough to end within its window
    pairs = np.stack([begins, ends - hours_min + 1], axis=1).ravel()
    quality = np.maximum.reduceat(least, pairs)[::2]
    return OpenWindows(row, start, end, closed, cautions, quality)


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
    found = open_windows(
        block_bits[np.newaxis], caution_bits[np.newaxis], margin[np.newaxis], hours_min=hours_min
    )
    columns = (found.start, found.end, found.closed_bits, found.caution_bits, found.quality)
    return tuple(
        OpenRun(start, end, reasons_in(closed), reasons_in(cautions), quality)
        for start, end, closed, cautions, quality in zip(*(part.tolist() for part in columns), strict=True)
    )


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
    found = commonest(block_bits[np.newaxis], most=most, aside=aside)[0]
    return tuple(Reason(bit) for bit in found.tolist() if bit)


def commonest(block_bits: Words, *, most: int, aside: Reason | None = None) -> IntArray:
    """Reasons that close most hours in each of many rows; see ``main_reasons``.

    Parameters
    ----------
    block_bits : array of int, shape (n_rows, n_hours)
    most, aside
        As for ``main_reasons``.

    Returns
    -------
    array of int, shape (n_rows, most)
        One bit each, the commonest first, 0 where there are no more.
    """
    if aside is None:
        counts = _bit_counts(block_bits)
    else:
        told = (block_bits & np.array(int(aside), dtype=block_bits.dtype)) == 0
        counts = _bit_counts(block_bits * told)
        nothing = ~counts.any(axis=1)
        if nothing.any():
            counts[nothing] = _bit_counts(block_bits[nothing])
    found = np.zeros((len(block_bits), most), dtype=np.int64)
    rows = np.arange(len(counts))
    for place in range(most):
        best = counts.argmax(axis=1)  # the first of equals
        found[:, place] = np.where(counts[rows, best] > 0, np.int64(1) << best, 0)
        counts[rows, best] = 0
    return found


def _bit_counts(words: Words) -> Counts:
    """How often each bit is set in each row, shape (n_rows, n_bits)."""
    counts = np.zeros((len(words), words.dtype.itemsize * 8), dtype=np.int32)
    for first in range(0, len(words), ROWS_AT_ONCE):
        some = slice(first, first + ROWS_AT_ONCE)
        # hours that no row is closed in have nothing to count, and hours first make long strides
        by_hour = words[some].T
        _add_up(np.ascontiguousarray(by_hour[by_hour.any(axis=1)]), counts[some])
    return counts


def _add_up(words: Words, counts: Counts) -> None:
    """Add to ``counts`` how often each bit is set in the words of each row, shape (n_hours, n_rows).

    All bits of a word are added at once: three words of one weight make, as in a full adder, one of the
    same weight and one carry of twice the weight.
    """
    n_rows, size = words.shape[1], words.dtype.itemsize
    weight = 1
    while len(words):
        carries = []
        while len(words) > 1:
            # two words are added as three of which one is zero
            third = max(len(words) // 3, 1)
            a, b = words[:third], words[third : 2 * third]
            half = a ^ b
            if len(words) > 2:
                c = words[2 * third : 3 * third]
                carries.append((a & b) | (half & c))
                half ^= c
            else:
                carries.append(a & b)
            words = np.concatenate([half, words[3 * third :]])
        octets = words[0].astype(words.dtype.newbyteorder("<")).view(np.uint8)
        bits = np.unpackbits(octets.reshape(n_rows, size), axis=1, bitorder="little")
        counts += bits * np.int32(weight)
        words = np.concatenate(carries) if carries else words[:0]
        weight *= 2
