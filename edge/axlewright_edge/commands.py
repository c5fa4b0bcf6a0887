"""The edge's sub-commands, one file each; only the one that is asked for is imported.

An agent that runs for months needs no tables and progress bars in its memory.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from axlewright_edge.agent_command import AGENT
    from axlewright_edge.check_command import CHECK
    from axlewright_edge.describe_command import DESCRIBE
    from axlewright_edge.replay_command import REPLAY

__all__ = ["AGENT", "CHECK", "DESCRIBE", "REPLAY"]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"axlewright_edge.{name.lower()}_command"), name)
