"""What time alone does to an advisory: shelves run out, and what has long been normal is closed."""

from __future__ import annotations

import math

from axlewright_server.advisories import KERNEL, Advisory, Change, close, expire_shelf
from axlewright_server.diagnosis.steadiness import CONTINUES_S

# Own choices: two days to see that it stays away once a person has seen it (what comes back within them is the same
# trouble, see diagnosis.steadiness), a week for one that nobody looked at.
CLOSE_AFTER_S = CONTINUES_S
CLOSE_UNSEEN_AFTER_S = 7.0 * 24.0 * 3600.0


def closing_s(advisory: Advisory) -> float:
    """Return when a returned advisory closes by itself, infinity for one that is active, shelved or suppressed."""
    if advisory.active or advisory.returned_s is None or advisory.state in {"shelved", "suppressed", "closed"}:
        return math.inf
    return advisory.returned_s + (CLOSE_AFTER_S if advisory.acknowledged else CLOSE_UNSEEN_AFTER_S)


def deadline_s(advisory: Advisory) -> float:
    """Return when time next changes an advisory, infinity for never."""
    shelf_s = advisory.message.shelved_until_s
    return min(closing_s(advisory), math.inf if shelf_s is None else shelf_s)


def run_out(advisory: Advisory, now_s: float) -> list[Change]:
    """Return the changes that time has made by `now_s`, each dated when it fell due."""
    changes: list[Change] = []
    off_shelf = expire_shelf(advisory, now_s)
    if off_shelf is not None:
        changes.append(off_shelf)
        advisory = off_shelf[0]
    due_s = closing_s(advisory)
    if now_s >= due_s:
        seen = "acknowledged" if advisory.acknowledged else "never acknowledged"
        reason = f"symptoms stayed away for {(due_s - (advisory.returned_s or due_s)) / 3600.0:.0f} hours; {seen}"
        changes.append(close(advisory, KERNEL, due_s, reason))
    return changes
