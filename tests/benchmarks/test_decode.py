"""What reading a frame costs beside the bare CBOR decoding of the same bytes. Budget: less than twice as much."""

import platform
import time
from collections.abc import Callable

import cbor2
import pytest

from axlewright_models.wire.decoder import Decoded
from axlewright_models.wire.frames import Decoder, Frame, Window, encode_frame
from axlewright_models.wire.packs import read_pack
from axlewright_models.wire.topics import Topic, TopicKind

TOPIC = Topic("harrow-vale", "hv-07", TopicKind.READINGS)
VEHICLE = {"speed": 88.2, "engine-speed": 1250.0, "shaft-speed": 1310.0, "torque": 2150.0, "gear": 0.73}
VEHICLE |= {"ambient": 14.5, "parked": 0.0, "height-mode": 0.0}
AXLE = {"lube": 93.5, "height/left": 221.5, "height/right": 219.0, "bellows/left": 345.0, "bellows/right": 350.0}
AXLE |= {"vib/rms": 3.1, "vib/kurtosis": 3.0, "vib/order/wheel-1": 0.1, "vib/order/driveshaft-1": 0.3}
AXLE |= {"vib/order/driveshaft-2": 0.2}


def payloads(count: int, windows: int) -> list[bytes]:
    result = []
    for seq in range(1000, 1000 + count):
        found = tuple(Window(1.79e9 + 60 * seq + 10 * n, VEHICLE, {2: AXLE, 3: AXLE}) for n in range(windows))
        result.append(encode_frame(Frame("harrow-vale", "hv-07", "9f2c41d0", seq, found)))
    return result


def microseconds_each(read: Callable[[bytes], object], frames: list[bytes]) -> float:
    """Return the best of five passes: other work on the machine only ever adds."""
    passes = []
    for _ in range(5):
        begin = time.perf_counter()
        for payload in frames:
            read(payload)
        passes.append((time.perf_counter() - begin) / len(frames) * 1e6)
    return min(passes)


@pytest.mark.benchmark
def test_cost_of_reading_a_frame(capsys):
    lines = [f"{platform.machine()}, Python {platform.python_version()}; microseconds per frame"]
    for windows in (1, 3):
        frames = payloads(300, windows)
        decoder = Decoder()
        bare = microseconds_each(cbor2.loads, frames)
        fast = microseconds_each(lambda payload, decoder=decoder: decoder.decode(payload, TOPIC), frames)
        full = microseconds_each(lambda payload: Decoded.from_pack(read_pack(payload, TOPIC)), frames[:60])
        records = len(cbor2.loads(frames[0]))
        lines.append(
            f"{records:3d} records: cbor2.loads {bare:6.1f}, Decoder {fast:6.1f} ({fast / bare:4.2f} times), "
            f"full way {full:6.1f}"
        )
    with capsys.disabled():
        print("\n" + "\n".join(lines))
    assert len(lines) == 3
