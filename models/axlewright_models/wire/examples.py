"""One example of everything on the wire, from an invented haulier; the AsyncAPI document shows them."""

from __future__ import annotations

import msgspec

from axlewright_models.wire.frames import Frame, Window
from axlewright_models.wire.messages import (
    Ack,
    AdvisoryMessage,
    AxleLimits,
    BurstPiece,
    Cause,
    CheckToDo,
    Command,
    Evidence,
    LimitsMessage,
    Status,
)

_TIME_S = 1_790_000_000.0

EXAMPLE_FRAME = Frame(
    fleet="harrow-vale",
    vehicle="hv-07",
    stream="9f2c41d0",
    seq=4711,
    windows=(
        Window(
            _TIME_S,
            {
                "speed": 88.2,
                "shaft-speed": 1310.0,
                "torque": 2150.0,
                "ambient": 14.5,
                "parked": 0.0,
                "height-mode": 0.0,
            },
            {
                2: {"lube": 93.5, "height/left": 221.5, "height/right": 219.0, "vib/order/driveshaft-1": 0.31},
                3: {"lube": 97.0, "height/left": 220.5, "height/right": 218.5, "vib/order/driveshaft-1": 0.28},
            },
        ),
    ),
)

_ADVISORY = AdvisoryMessage(
    id="hv-07-2-height-valve-1790000000",
    fleet="harrow-vale",
    vehicle="hv-07",
    axle=2,
    cause="height-valve",
    title="Forward drive axle stands 11 mm low",
    state="unacknowledged",
    urgency="within-a-day",
    confidence=0.91,
    since_s=_TIME_S - 5400.0,
    updated_s=_TIME_S,
    summary="Both sides stand 11 mm below specification since this morning; the driver has not chosen another height.",
    evidence=[
        Evidence(
            channel="height/left",
            text="11 mm below specification",
            begin_s=_TIME_S - 7200.0,
            end_s=_TIME_S,
            value=-11.0,
            limit=6.0,
            unit="mm",
        )
    ],
    causes=[
        Cause(
            id="height-valve",
            title="Height control valve out of set",
            probability=0.8,
            why="both sides moved together, at once, and stayed",
            leak_path="pinion seal",
        )
    ],
    checks=[
        CheckToDo(
            id="ride-height",
            text="Measure the ride height, unladen, at the vehicle maker's points",
            limit="within 6 mm of specification",
        )
    ],
    cautions=["Support the frame by its own means before anyone reaches under it: air springs can lose air at once."],
)

EXAMPLE_MESSAGES: dict[type[msgspec.Struct], tuple[msgspec.Struct, ...]] = {
    Status: (
        Status(online=True, version="0.1.0", stream="9f2c41d0", queued=2, oldest_seq=4710, clock="set", time_s=_TIME_S),
        Status(
            online=False, version="0.1.0", stream="9f2c41d0", queued=0, clock="set", time_s=_TIME_S, note="last will"
        ),
    ),
    Ack: (Ack(stream="9f2c41d0", seq=4711),),
    Command: (
        Command(id="burst-17", action="capture-burst", seconds=2.0, axle=2, sample_rate_hz=6400.0),
        Command(id="window-18", action="set-window", seconds=10.0),
    ),
    BurstPiece: (
        BurstPiece(
            command="burst-17",
            axle=2,
            piece=1,
            pieces=2,
            begin_s=_TIME_S,
            sample_rate_hz=6400.0,
            samples=12800,
            sensors=["pinion-2"],
            scales=[0.01],
            turns=[0.0, 25.1, 50.3],
            reason="asked for by the office",
            data=bytes.fromhex("789c"),
        ),
    ),
    AdvisoryMessage: (_ADVISORY,),
    LimitsMessage: (
        LimitsMessage(
            version="3f0c9a12",
            fleet="harrow-vale",
            vehicle="hv-07",
            axles=[
                AxleLimits(
                    axle=2,
                    lube_limit_cel=121.0,
                    lube_rise_limit_cel_per_min=4.0,
                    ride_height_mm=220.0,
                    height_loss_limit_mm=50.0,
                )
            ],
        ),
    ),
}
