"""The tables of `axlewright check --live`, laid out for the terminal at hand: nothing that tells rows apart is cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Group
from rich.table import Table

from axlewright_models.wire.messages import SourceHealth

# Below so many columns the wide table would fold its cells; source, place and unit then go elsewhere.
WIDE_COLUMNS = 120
# Of four columns: their borders and the space beside them; what ages, values and verdicts need at least.
FRAME_COLUMNS = 13
AGE_COLUMNS = 5
LEAST_VALUE_COLUMNS = 12
LEAST_VERDICT_COLUMNS = len("implausible,")


@dataclass(frozen=True)
class Row:
    """One value as a person sees it; ``key`` is what the agent file calls it."""

    source: str
    key: str
    place: str
    value: str
    unit: str
    age_s: float | None
    verdict: str


@dataclass(frozen=True)
class Looked:
    """What was seen at the end: the rows, the sources' health, and the complaints."""

    rows: tuple[Row, ...]
    health: tuple[SourceHealth, ...]
    complaints: tuple[str, ...]


def drawing_of(looked: Looked, width: int) -> Group:
    """Return the tables for a terminal of so many columns."""
    values = wide_table(looked.rows) if width >= WIDE_COLUMNS else narrow_table(looked.rows, width)
    return Group(values, *([health_table(looked.health)] if looked.health else []))


def wide_table(rows: Sequence[Row]) -> Table:
    """Return a table with a column for each of a row's words."""
    table = Table(title="live values")
    table.add_column("source", overflow="fold")
    table.add_column("where", no_wrap=True)
    table.add_column("channel", overflow="fold", width=max((len(_channel(row)) for row in rows), default=None))
    table.add_column("value", justify="right", overflow="fold")
    table.add_column("unit", no_wrap=True)
    table.add_column("age s", justify="right", no_wrap=True)
    table.add_column("verdict", overflow="fold")
    for row in rows:
        style = None if row.verdict == "good" else "bold"
        table.add_row(row.source, row.place, _channel(row), row.value, row.unit, _age(row), row.verdict, style=style)
    return table


def narrow_table(rows: Sequence[Row], width: int) -> Table:
    """Return a table of four columns: sources are headings, the place stands before the channel, the unit at the value.

    No channel's name is broken in 80 columns; values and verdicts fold at words.
    """
    table = Table(title="live values")
    left = width - FRAME_COLUMNS - AGE_COLUMNS - LEAST_VALUE_COLUMNS - LEAST_VERDICT_COLUMNS
    longest = max((len(row.key) for row in rows), default=1)
    table.add_column("channel", overflow="fold", width=max(1, min(longest, left)))
    table.add_column("value", justify="right", overflow="fold", min_width=LEAST_VALUE_COLUMNS)
    table.add_column("age s", justify="right", width=AGE_COLUMNS)
    table.add_column("verdict", overflow="fold", min_width=LEAST_VERDICT_COLUMNS)
    source = None
    for row in rows:
        if row.source != source:
            source = row.source
            table.add_section()
            table.add_row(f"{source}:", style="dim")
        style = None if row.verdict == "good" else "bold"
        # Of what has no place of its own (a waveform) the key is the name of the sensor.
        table.add_row(row.key, f"{row.value} {row.unit}".strip(), _age(row), row.verdict, style=style)
    return table


def health_table(health: Sequence[SourceHealth]) -> Table:
    """Return how the sources are doing."""
    table = Table(title="sources")
    for column in ("source", "state", "note"):
        table.add_column(column, overflow="fold")
    for one in health:
        table.add_row(one.name, one.state, one.note, style=None if one.state == "ok" else "bold")
    return table


def _channel(row: Row) -> str:
    return row.key.removeprefix(f"{row.place} ")


def _age(row: Row) -> str:
    return "" if row.age_s is None else f"{max(row.age_s, 0.0):.1f}"
