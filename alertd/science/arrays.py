"""The floating-point arrays that every model of this room takes and gives."""

from __future__ import annotations

from typing import Any, TypeAlias, cast

import numpy as np
import numpy.typing as npt

FloatArray: TypeAlias = npt.NDArray[np.floating[Any]]
IntArray: TypeAlias = npt.NDArray[np.int64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]


def floating(*values: npt.ArrayLike) -> tuple[FloatArray, ...]:
    """Return the values as arrays of one floating type, as narrow as the arrays among them.

    Parameters
    ----------
    *values : array_like
        Plain numbers do not widen an array: float32 weather stays float32 beside a float limit.

    Returns
    -------
    tuple of ndarray
        In the given order, not yet broadcast; float64 if there are only plain numbers or integers.

    Examples
    --------
    >>> import numpy as np
    >>> [part.dtype.name for part in floating(np.zeros(2, dtype=np.float32), 10.0)]
    ['float32', 'float32']
    """
    widths = [
        np.asarray(value).dtype
        for value in cast("tuple[object, ...]", values)
        if not isinstance(value, int | float)
    ]
    dtype = np.result_type(*widths) if widths else np.dtype(np.float64)
    if dtype.kind != "f":
        dtype = np.dtype(np.float64)
    return tuple(np.asarray(value, dtype=dtype) for value in values)
