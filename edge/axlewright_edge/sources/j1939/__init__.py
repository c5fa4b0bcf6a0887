"""The truck's own bus as a source: speeds, torque, temperatures and heights that its control units broadcast.

An agent file is read with the settings alone; only a truck with a bus loads what reads one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from axlewright_edge.sources.j1939.settings import AxleAddress, Dm1Settings, J1939Settings

if TYPE_CHECKING:
    from axlewright_edge.sources.j1939.source import J1939Source, make_j1939

__all__ = ["AxleAddress", "Dm1Settings", "J1939Settings", "J1939Source", "make_j1939"]


def __getattr__(name: str) -> object:
    if name not in ("J1939Source", "make_j1939"):
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from axlewright_edge.sources.j1939 import source

    return getattr(source, name)
