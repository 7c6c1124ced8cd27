"""One look for everything that is printed: plain lines, quiet tables, JSON, a bar for long work."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import fields, is_dataclass
from enum import IntEnum
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.padding import Padding
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
from rich.table import Table
from rich.text import Text

Advance = Callable[[str, int, int], None]


def out() -> Console:
    """Return the console of standard output as it is now."""
    return Console(highlight=False, emoji=False)


def say(text: str = "", style: str | None = None) -> None:
    """Print one paragraph as it is; only a terminal breaks its lines."""
    console = out()
    console.print(Text(text, style=style or ""), soft_wrap=not console.is_terminal)


def heading(text: str) -> None:
    """Print a heading with a line of space above it."""
    out().print(Text(f"\n{text}", style="bold"))


def paragraph(text: str, indent: int = 2, style: str = "") -> None:
    """Print a paragraph, broken to the width at hand and indented."""
    out().print(Padding(Text(text, style=style), (0, 0, 0, indent), expand=False))


def table(columns: Sequence[str], rows: Iterable[Sequence[str]], whole: Sequence[str] = ()) -> None:
    """Print a table without lines; the columns named in ``whole`` are never broken."""
    grid = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0), expand=False)
    for name in columns:
        grid.add_column(name, no_wrap=name in whole, overflow="fold")
    for row in rows:
        grid.add_row(*(escape(cell) for cell in row))
    out().print(Padding(grid, (0, 0, 0, 2), expand=False))


def facts(rows: Iterable[tuple[str, str]]) -> None:
    """Print names and values below each other; an empty value is left out."""
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(no_wrap=True, style="bold")
    grid.add_column(overflow="fold")
    for name, value in rows:
        if value:
            grid.add_row(name, escape(value))
    out().print(Padding(grid, (0, 0, 0, 2), expand=False))


def print_json(document: object) -> None:
    """Print a document as JSON of any width, in UTF-8."""
    print(json.dumps(plain(document), indent=2, ensure_ascii=False, allow_nan=False))


def plain(value: Any) -> Any:
    """Return a record as what JSON knows; unknown numbers become null, instants ISO 8601 in UTC."""
    if isinstance(value, IntEnum):
        return value.name.lower()
    if isinstance(value, str):
        return str(value)
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return _plain_group(value)


def _plain_group(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, Iterable):
        return [plain(item) for item in value]
    return value


@contextmanager
def bar(title: str, *, shown: bool = True) -> Iterator[Advance]:
    """Show a bar on standard error while work goes on; only where somebody looks at it."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(
        *columns, console=console, transient=True, disable=not (shown and console.is_terminal)
    ) as progress:
        task = progress.add_task(title, total=None)

        def advance(step: str, done: int, total: int) -> None:
            progress.update(
                task, description=f"{title}: {step}" if step else title, completed=done, total=total
            )

        yield advance


def examples(*lines: str) -> str:
    """Return the examples that close a command's help."""
    return "\b\nExamples:\n" + "\n".join(f"  {line}" for line in lines)
