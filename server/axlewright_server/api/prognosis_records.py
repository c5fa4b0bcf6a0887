"""What the interface speaks about what lies ahead of an axle."""

from __future__ import annotations

from pydantic import Field

from axlewright_server.api.shop_records import ShopRecord


class OutlookRecord(ShopRecord):
    """One quantity against its limit; the interval is one of 80 %, null where nothing is within a year."""

    quantity: str = Field(examples=["height"])
    title: str
    unit: str = Field(description='"/": times its own baseline.')
    status: str = Field(
        description="forecast, passed, or why it can't be told: too-short, too-old (no driving of late), no-trend, "
        "moving-away, levelled-off, unsure (it moves but may well stop short), too-far."
    )
    words: str
    of_s: float | None = Field(description="End of the last day that was looked at, Unix time. [s]")
    level: float | None
    slope_per_day: float | None
    limit: float | None
    early_s: float | None
    middle_s: float | None
    late_s: float | None
    early_km: float | None = Field(description="Distance from of_s, at the pace of the last weeks. [km]")
    middle_km: float | None
    late_km: float | None
    days_used: int
    reaches: float | None = Field(description="Chance that the limit is reached within a year at all.")


class LifeRecord(ShopRecord):
    """Life of lube or seal, by heat; shares of an expected life."""

    part: str = Field(examples=["oil"])
    title: str
    used: float = Field(description="Share of the expected life, since it was renewed or since the axle is watched.")
    since_new: bool = Field(description="Whether a repair says when it was renewed; if not, nothing is forecast.")
    used_per_day: float | None
    early_days: float | None
    middle_days: float | None
    late_days: float | None
    early_km: float | None
    late_km: float | None
    words: str


class ChanceRecord(ShopRecord):
    """Chance of a leak and of a failed assembly within a distance, if nothing is done."""

    distance_km: float
    leak: float = Field(ge=0.0, le=1.0)
    failure: float = Field(ge=0.0, le=1.0)


class ChancesRecord(ShopRecord):
    """The chances, and what they rest on."""

    ahead: list[ChanceRecord]
    leaks_already: float
    basis: str


class PictureRecord(ShopRecord):
    """One plot, in columns: days seen, then the trend's band ahead; null marks what is not there."""

    quantity: str
    title: str
    unit: str
    limit: float | None
    time_s: list[float]
    value: list[float | None]
    trend: list[float | None]
    low: list[float | None]
    high: list[float | None]


class PrognosisRecord(ShopRecord):
    """What lies ahead of one axle."""

    vehicle: str
    axle: int
    of_s: float | None
    km_per_day: float | None
    outlooks: list[OutlookRecord]
    life: list[LifeRecord]
    chances: ChancesRecord
    pictures: list[PictureRecord]
