"""Many records at once out of columns, for values that a check has nothing to add to."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from dataclasses import fields, is_dataclass, make_dataclass
from functools import cache
from typing import Any, TypeVar, cast

Record = TypeVar("Record")


def many(kind: type[Record], /, **columns: Iterable[Any]) -> list[Record]:
    """Return one record for each row of the columns, as many as the shortest of them has.

    The same as calling ``kind`` with every row, some four times as fast: a frozen record sets each of its
    fields the long way round, so that it is filled in as a draft with the same slots and frozen last.

    Parameters
    ----------
    kind : type
        A frozen dataclass with slots that checks nothing when it is made.
    **columns : iterable
        The values of every field, by its name; those with a default too.

    Raises
    ------
    TypeError
        If the kind is no such dataclass, or the columns are not its fields.
    """
    names, draft = _draft(cast("Hashable", kind))
    if len(columns) != len(names) or not all(name in columns for name in names):
        raise TypeError(f"{kind.__name__}: columns {', '.join(columns)}; give {', '.join(names)}")
    made = list(map(draft, *(columns[name] for name in names)))
    for record in made:
        record.__class__ = kind
    return cast("list[Record]", made)


@cache
def _draft(kind: Any) -> tuple[tuple[str, ...], Callable[..., Any]]:
    """Return the fields of ``kind``, and a class with its slots whose instances can still be written to."""
    if not is_dataclass(kind) or "__slots__" not in vars(kind) or hasattr(kind, "__post_init__"):
        name = getattr(kind, "__name__", str(kind))
        raise TypeError(f"{name}: not a dataclass with slots and without checks; call it row by row")
    names = tuple(item.name for item in fields(kind))
    draft = make_dataclass("Draft", [(name, Any) for name in names], slots=True, eq=False)
    return names, draft
