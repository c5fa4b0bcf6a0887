"""The tables of a live check fit the terminal: no name and no value is cut in 80 columns."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from axlewright_edge.live_tables import Looked, Row, drawing_of
from axlewright_models.signals import NAMES
from axlewright_models.wire.messages import SourceHealth

LONGEST = max(NAMES, key=len)
ROWS = (
    Row("device lube", "axle 2 lube", "axle 2", "91.5", "Cel", 0.1, "good"),
    Row("device pinion", "pinion in_accel_z", "axle 2", "5.03 rms about 9.81, 6400 Hz", "m/s2", 0.02, "good"),
    Row("window", f"axle 10 {LONGEST}", "axle 10", "0.0123", "m/s2", 0.4, "good"),
    Row("window", "vehicle shaft-speed", "vehicle", "1512.3", "1/min", 123.4, "implausible, not 0 to 4000"),
)
HEALTH = (SourceHealth(name="device pinion", state="failed", note="cannot be opened: " + "/sys/bus/iio/devices/" * 6),)


def drawn(width: int) -> str:
    paper = io.StringIO()
    Console(width=width, file=paper).print(drawing_of(Looked(ROWS, HEALTH, ()), width))
    return paper.getvalue()


@pytest.mark.parametrize("width", [60, 80, 100, 120, 200])
def test_nothing_is_cut_and_no_line_is_longer_than_the_terminal(width: int) -> None:
    shown = drawn(width)
    assert "…" not in shown
    assert max(len(line.rstrip()) for line in shown.splitlines()) <= width
    joined = "".join(shown.replace("│", " ").split())
    for word in ("91.5", "1512.3", "implausible,", "0.0123", "123.4", "failed", "m/s2"):
        assert word in joined


@pytest.mark.parametrize("width", [80, 100, 120])
def test_names_of_channels_stand_in_one_piece(width: int) -> None:
    shown = drawn(width)
    for row in ROWS:
        assert (row.key if width < 120 else row.key.removeprefix(f"{row.place} ")) in shown
        assert row.source in shown
