"""The edge's sub-commands, one file each."""

from __future__ import annotations

from axlewright_edge.agent_command import AGENT
from axlewright_edge.check_command import CHECK
from axlewright_edge.replay_command import REPLAY

__all__ = ["AGENT", "CHECK", "REPLAY"]
