"""What the interface speaks about the shop: checks, findings, what follows from them, repairs."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field


class ShopRecord(BaseModel):
    """The base: immutable, no unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class OutcomeChoice(ShopRecord):
    """One outcome that a check may have."""

    id: str = Field(examples=["low"])
    title: str = Field(examples=["lube found below the plug"])


class CheckChoice(ShopRecord):
    """One check that can be made and recorded."""

    id: str = Field(examples=["lube-level"])
    title: str
    how: str
    tool: str
    limit_text: str
    unit: str = Field(description='Of a measured value; "" for a look or a feel.')
    measurable: bool
    minutes: float | None = Field(description="Of one technician, truck in the bay: judgement. [min]")
    tells_of_causes: bool = Field(description="Whether its outcome changes the causes' probabilities.")
    outcomes: list[OutcomeChoice]


class FindingRequest(ShopRecord):
    """What a check found: an outcome, or a measured value that is judged against the check's limits."""

    check: str = Field(max_length=64, examples=["lube-level"])
    outcome: str = Field("", max_length=64, examples=["low"])
    value: float | None = Field(None, ge=-1e6, le=1e6, examples=[0.15])
    unit: str = Field("", max_length=16, description="Of the value; the check's own if left out.", examples=["mm"])
    who: str = Field("", max_length=64, description="Name for the log where no accounts are demanded.")
    note: str = Field("", max_length=500)


class FindingRecord(ShopRecord):
    """One finding, as recorded."""

    time_s: float
    who: str
    check: str
    check_title: str
    outcome: str
    outcome_title: str
    value: float | None = None
    unit: str = ""
    note: str = ""


class ExpectedRecord(ShopRecord):
    """One outcome of a check not yet made, and what it would mean."""

    outcome: str
    title: str
    chance: float = Field(ge=0.0, le=1.0)
    cause: str
    cause_title: str
    probability: float = Field(ge=0.0, le=1.0, description="Of that cause, once this outcome is found.")


class NextCheckRecord(ShopRecord):
    """A check not yet made, ranked by expected information per minute."""

    id: str
    title: str
    bits: float = Field(description="Expected information about the cause. [bit]")
    minutes: float
    minutes_source: str
    expected: list[ExpectedRecord]


class PathRecord(ShopRecord):
    """One leak path."""

    id: str
    title: str
    leaks_now: float = Field(ge=0.0, le=1.0)
    left_alone: float = Field(ge=0.0, le=1.0, description="Chance that it opens if nothing is done.")


class FoundRecord(ShopRecord):
    """A finding that was weighed."""

    check: str
    outcome: str
    title: str


class AssessmentRecord(ShopRecord):
    """What the diagnosis says beside the causes."""

    open_bits: float = Field(description="How much about the cause is still open. [bit]")
    next_checks: list[NextCheckRecord]
    paths: list[PathRecord] = Field(description="Where the lube goes, the likeliest first.")
    found: list[FoundRecord]
    contradiction: str = Field(description="What does not fit together, in words; empty if all fits.")


class ServiceRequest(ShopRecord):
    """A repair: which axle, when, and what was replaced or touched."""

    axle: int = Field(0, ge=0, le=12, description="Position from the front; 0 = every axle of the truck.")
    time_s: float | None = Field(None, ge=0.0, le=253_402_300_799.0, description="Unix time; now if left out. [s]")
    touched: list[str] = Field(min_length=1, max_length=19, examples=[["pinion-seal", "lube"]])
    who: str = Field("", max_length=64, description="Name for the log where no accounts are demanded.")
    note: str = Field("", max_length=500)


class ServiceRecord(ShopRecord):
    """A repair, as recorded."""

    vehicle: str
    axle: int
    time_s: float
    touched: list[str]
    who: str
    note: str
    recorded_s: float
