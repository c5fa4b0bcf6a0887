"""Life that is used up by heat: lube and pinion seal, by Arrhenius sums of the lube's temperature."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import msgspec
import numpy as np

from axlewright_models.statistics.normal import normal_quantile
from axlewright_server.prognosis.words import count, distance, span, title_of

if TYPE_CHECKING:
    from axlewright_server.prognosis.outlook import Record

RECENT_DAYS = 28
LEAST_DAYS = 5
# Heat is not all: dirt, water, additive and lip quality make lives differ by a factor, one standard deviation of its
# logarithm (own choice).
LIFE_SD = 0.35
# Arrhenius sums of cool axles run to centuries; nobody may believe them beyond this. Own choice.
BELIEVED_DAYS = 3652.5


class LifeLeft(msgspec.Struct, frozen=True, kw_only=True):
    """Life of one thing: ``used`` as a share of its expected life since it was new, or since the axle is watched.

    ``since_new``: whether its beginning was recorded as a repair; if not, what it had used before is not known and
    nothing is forecast. ``early_days`` to ``late_days``: 80 % interval of what is left; None where not told.
    """

    part: str
    title: str
    used: float
    since_new: bool
    used_per_day: float | None
    early_days: float | None
    middle_days: float | None
    late_days: float | None
    early_km: float | None
    late_km: float | None
    words: str


def life_left(record: Record) -> list[LifeLeft]:
    """Return what is left of lube and pinion seal at the pace of the last weeks."""
    return [
        _left(record, "oil", record.oil_used, record.renewed[0], "lube"),
        _left(record, "seal", record.seal_used, record.renewed[1], "pinion-seal"),
    ]


def _left(record: Record, part: str, used: float, since_new: bool, touched: str) -> LifeLeft:
    recent = record.column(part)[-RECENT_DAYS:]
    known = recent[~np.isnan(recent)]
    pace = float(known.mean()) if len(known) >= LEAST_DAYS else math.nan
    days: tuple[float, float, float] | None = None
    if since_new and pace > 0.0:
        pace_sd = float(known.std(ddof=1)) / math.sqrt(len(known)) / pace
        # The life itself and the pace ahead are uncertain; both as factors.
        spread = normal_quantile(0.9) * math.hypot(LIFE_SD, pace_sd)
        early, middle, late = (max(math.exp(shift) - used, 0.0) / pace for shift in (-spread, 0.0, spread))
        days = early, middle, late
    ways = [
        None if days is None or math.isnan(record.km_per_day) else round(each * record.km_per_day)
        for each in days or ()
    ]
    return LifeLeft(
        part=part,
        title=title_of(part),
        used=round(used, 5),
        since_new=since_new,
        used_per_day=None if math.isnan(pace) else round(pace, 7),
        early_days=None if days is None else round(days[0], 1),
        middle_days=None if days is None else round(days[1], 1),
        late_days=None if days is None else round(days[2], 1),
        early_km=ways[0] if ways else None,
        late_km=ways[2] if ways else None,
        words=_words(used, since_new, days, ways, touched),
    )


def _words(
    used: float, since_new: bool, days: tuple[float, float, float] | None, ways: Sequence[float | None], touched: str
) -> str:
    if not since_new:
        return (
            f"Can't tell yet: {100.0 * used:.1f} % of an expected life used since the axle is watched; what was used "
            f"before is not known. Record when it is renewed (repair, {touched!r})."
        )
    if days is None:
        return f"{100.0 * used:.1f} % used since it was renewed; can't tell the pace yet."
    if days[2] > BELIEVED_DAYS:
        least = "more than ten years" if days[0] > BELIEVED_DAYS else f"at least {count(days[0])}"
        return (
            f"{100.0 * used:.1f} % used since it was renewed; heat alone would leave it for {least} (80 % interval), "
            "and beyond ten years other things end it first."
        )
    way = distance(ways[0], ways[2]) if ways else ""
    return f"{100.0 * used:.1f} % used since it was renewed; lasts {span(days[0], days[2])} more{way} (80 % interval)."
