"""The truck's own bus as a source: speeds, torque, temperatures and heights that its control units broadcast."""

from axlewright_edge.sources.j1939.settings import AxleAddress, Dm1Settings, J1939Settings
from axlewright_edge.sources.j1939.source import J1939Source, make_j1939

__all__ = ["AxleAddress", "Dm1Settings", "J1939Settings", "J1939Source", "make_j1939"]
