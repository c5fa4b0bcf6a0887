"""What the interface speaks: every answer's form, with the unit in each field's name.

The page's templates are fed with the same objects, so what a person sees and what a program gets cannot differ.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from axlewright_server.api.shop_records import AssessmentRecord, FindingRecord

VehicleCondition = Literal[
    "stop-safely-now", "within-a-day", "next-service", "being-watched", "no-recent-data", "nothing-found"
]
HeightCondition = Literal["in-band", "low", "high", "leaning", "lowered-by-driver", "raised-by-driver", "no-reading"]
LubeCondition = Literal["normal", "above-caution", "above-limit", "no-reading"]
Link = Literal["online", "offline", "unknown"]


class Record(BaseModel):
    """The base of all answers: immutable, no unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Problem(Record):
    """An error: what was wrong, where, and how to mend it."""

    what: str = Field(examples=["There is no vehicle 'hv-999' in fleet 'harrow-vale'."])
    where: str = Field(examples=["path: vehicle"])
    how_to_mend: str = Field(examples=["Use one of the ids that /api/1/fleet lists."])


class AdvisoryBrief(Record):
    """One advisory in a list."""

    id: str
    vehicle: str = Field(examples=["hv-104"])
    axle: int = Field(description="Position from the front; 0 is the vehicle itself.", examples=[2])
    title: str
    cause: str
    state: str
    state_text: str
    urgency: str
    urgency_text: str
    confidence: float = Field(ge=0.0, le=1.0)
    since_s: float = Field(description="Onset, Unix time. [s]")
    updated_s: float
    shelved_until_s: float | None = None
    active: bool = Field(description="Whether it stands now and counts for the vehicle's condition.")
    same_event_as: str | None = Field(
        None, description="Advisory on another axle of the truck that probably tells the same event; read that first."
    )


class AxleState(Record):
    """The newest readings of one axle, each against what it is held to."""

    position: int = Field(examples=[2])
    role: str = Field(examples=["forward-drive"])
    role_text: str = Field(examples=["Forward drive axle"])
    driven: bool
    time_s: float | None = Field(description="Time of the newest window, Unix time; null if there is none. [s]")
    ride_height_left_mm: float | None = None
    ride_height_right_mm: float | None = None
    ride_height_specified_mm: float
    ride_height_tolerance_mm: float
    ride_height_deviation_mm: float | None = Field(
        None, description="The detector's static estimate, else mean of left and right, minus the specified height."
    )
    ride_height_is_estimate: bool = Field(
        False, description="Whether the deviation is the detector's static estimate rather than the last window's."
    )
    ride_height_condition: HeightCondition
    ride_height_text: str
    lube_cel: float | None = None
    lube_expected_cel: float | None = Field(None, description="What the axle's own thermal model expects now. [Cel]")
    lube_caution_cel: float
    lube_limit_cel: float
    lube_condition: LubeCondition
    lube_text: str
    vibration_rms_m_s2: float | None = None
    advisories: list[AdvisoryBrief] = []


class GuardWord(Record):
    """What the guard on board says of one axle."""

    axle: int
    word: str = Field(examples=["quiet", "lube-limit"])
    text: str


class GuardState(Record):
    """The guard on board as the truck last told of it; no words: it has none, or could not judge."""

    words: list[GuardWord] = []
    speaks: bool = False
    limits_version: str = Field("", description="Of the limits that the truck goes by; empty: it has told none.")
    office_version: str = Field(description="Of the limits that the fleet file gives.")
    agree: bool | None = Field(None, description="Whether both go by the same limits; null: not known.")


class Watched(Record):
    """What a detector has told of an axle while it is not clear yet whether an advisory is due."""

    axle: int
    text: str = Field(examples=["stands 16 mm below specification (limit 12 mm)"])
    told_s: float = Field(description="When it was told, Unix time. [s]")


class VehicleState(Record):
    """One vehicle as it stands."""

    id: str = Field(examples=["hv-104"])
    title: str = Field(examples=["6x4 tractor"])
    type: str
    condition: VehicleCondition
    condition_text: str
    seen_s: float | None = Field(description="Time of the newest window, Unix time. [s]")
    stale_after_s: float = Field(description="Age beyond which the newest window is called old. [s]")
    stale: bool
    link: Link
    speed_km_h: float | None = None
    ambient_cel: float | None = None
    parked: bool | None = None
    height_mode: str | None = None
    guard: GuardState
    axles: list[AxleState]
    advisories: list[AdvisoryBrief]
    watched: list[Watched] = Field(
        [], description="Told within the last shift on axles without an advisory, the latest first."
    )


class FleetState(Record):
    """All vehicles, worst first."""

    fleet: str = Field(examples=["harrow-vale"])
    name: str = Field(examples=["Harrow Vale Haulage"])
    time_s: float = Field(description="The office's clock when this was put together. [s]")
    counts: dict[VehicleCondition, int]
    vehicles: list[VehicleState]


class Trend(Record):
    """One channel of one axle, in columns that are ready to plot; null marks a gap."""

    vehicle: str
    axle: int
    channel: str = Field(examples=["lube"])
    unit: str = Field(examples=["Cel"])
    title: str
    begin_s: float
    end_s: float
    time_s: list[float]
    minimum: list[float | None]
    mean: list[float | None]
    maximum: list[float | None]


class OrderAmplitude(Record):
    """One order's amplitude against this axle's own baseline."""

    channel: str = Field(examples=["vib/order/driveshaft-1"])
    title: str = Field(examples=["Driveshaft, order 1"])
    amplitude_m_s2: float | None
    baseline_m_s2: float | None
    ratio: float | None
    ratio_limit: float
    above: bool


class Orders(Record):
    """All orders of one axle, and where the baseline comes from."""

    vehicle: str
    axle: int
    amplitude_text: str
    baseline_text: str
    orders: list[OrderAmplitude]


class Evidence(Record):
    """One piece of evidence and the range to plot it over."""

    channel: str
    channel_title: str
    text: str
    begin_s: float
    end_s: float
    value: float | None = None
    limit: float | None = None
    unit: str
    plot_axle: int = Field(description="Position whose readings show it (0: the vehicle's own).")
    as_of_s: float | None = Field(
        default=None, description="When `text` and `value` were so; null: some time up to end_s. [s]"
    )


class CauseRecord(Record):
    """One possible cause, in order of probability."""

    id: str
    title: str
    probability: float = Field(ge=0.0, le=1.0)
    why: str
    leak_path: str | None = None


class CheckRecord(Record):
    """One check to make, how, with which tool, to which limit."""

    id: str
    title: str
    how: str
    tool: str
    limit_text: str
    source: str
    cautions: list[str] = []
    caution_names: list[str] = []


class ChangeRecord(Record):
    """One entry of an advisory's log."""

    time_s: float
    who: str
    action: str
    action_text: str
    state_before: str | None = None
    state_after: str | None = None
    reason: str | None = None


class AdvisoryRecord(AdvisoryBrief):
    """One advisory with everything a person needs to act on it."""

    fleet: str
    summary: str
    evidence: list[Evidence]
    causes: list[CauseRecord]
    checks: list[CheckRecord]
    cautions: list[str]
    closed_reason: str | None = None
    supersedes: str | None = None
    changes: list[ChangeRecord]
    assessment: AssessmentRecord | None = Field(
        None, description="Next best checks, leak paths, what was found; null for advisories of older versions."
    )
    findings: list[FindingRecord] = Field([], description="What was found on it, oldest first.")
    actions: list[str] = Field(description="What a person may do with it in its present state.")


class ActionRequest(Record):
    """What a person wants done with an advisory."""

    reason: str = Field("", max_length=500, examples=["Height valve linkage re-set, re-measured at 241 mm."])
    who: str = Field(
        "",
        max_length=64,
        description="Name for the log. Needed while the office demands no accounts; else the session's name stands.",
        examples=["k.planner"],
    )
    shelve_for_h: float | None = Field(
        None, gt=0.0, le=24.0 * 90.0, description="Only for shelve: for how long. [h]", examples=[8.0]
    )


class QuarantineEntry(Record):
    """One payload that could not be taken, with the reason."""

    id: int
    received_s: float
    topic: str
    kind: str
    reason: str
    size_bytes: int
    payload_hex: str = Field(description="The first 256 bytes.")
    payload_text: str = Field(description="The same as text, what cannot be printed shown as '.'.")


class Quarantine(Record):
    """The newest payloads in quarantine, and how many there are."""

    total: int
    entries: list[QuarantineEntry]


class StreamIntake(Record):
    """How far one stream (a truck's outbox since it was last made anew) has been committed."""

    stream: str
    committed_seq: int
    committed_s: float
    missing_frames: int
    thinned_windows: int


class GatewaySource(Record):
    """How one of a truck's sources is doing: ok, stale (open, but something expected is silent) or failed."""

    name: str
    state: str
    note: str = ""


class VehicleIntake(Record):
    """How far one vehicle's frames have been committed, and what its agent last said."""

    vehicle: str
    link: Link
    stream: str | None = None
    committed_seq: int | None = None
    missing_frames: int | None = Field(None, description="Frames below the committed one that never came.")
    queued_frames: int | None = None
    thinned_windows: int | None = None
    set_aside_frames: int | None = None
    agent_version: str | None = None
    clock: str | None = None
    note: str = ""
    status_s: float | None = None
    oldest_unsent_s: float | None = Field(None, description="Age of the oldest frame that waited on the truck.")
    cpu_share: float | None = Field(None, description="Of one core of the truck's gateway.")
    memory_bytes: int | None = None
    gateway_cel: float | None = None
    sources: list[GatewaySource] = []
    streams: list[StreamIntake] = Field(
        default=[], description="Every stream, the last written first; the fields above: it."
    )


class Intake(Record):
    """What has come in since the server started, and each vehicle's place in its own stream."""

    figures: dict[str, float]
    vehicles: list[VehicleIntake]


class Health(Record):
    """Whether the process lives, or may be sent work."""

    ok: bool
    checks: dict[str, str]


class LoginRequest(Record):
    """Name and password of an account."""

    name: str = Field(min_length=1, max_length=64, examples=["k.planner"])
    password: str = Field(min_length=1, max_length=1024)


class Session(Record):
    """Who is signed in."""

    name: str
    accounts_demanded: bool
