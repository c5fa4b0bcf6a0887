"""Frames: what goes out comes back, in both forms and by both ways of reading; what is wrong is refused by name."""

import json
import math

import cbor2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from axlewright_models.errors import FrameError
from axlewright_models.signals import CHANNELS, INDEX, Scope
from axlewright_models.wire import senml
from axlewright_models.wire.frames import Decoded, Decoder, Frame, Window, decode_frame, encode_frame
from axlewright_models.wire.topics import Topic, TopicKind

TOPIC = Topic("harrow-vale", "t07", TopicKind.READINGS)
HEADER = '{"bn":"harrow-vale/t07/","bt":1700000000,"n":"stream","vs":"a1"},{"n":"seq","v":5}'

vehicle_channels = [channel for channel in CHANNELS if channel.scope is Scope.VEHICLE]
axle_channels = [channel for channel in CHANNELS if channel.scope is Scope.AXLE]
extra_names = st.from_regex(r"x[A-Za-z0-9\-:._]{0,12}(/[a-z0-9]{1,5})?", fullmatch=True)
numbers = st.floats(-1e9, 1e9) | st.integers(-1000, 1000).map(float)


def values_of(channels):
    known = {
        channel.name: st.sampled_from([float(code) for code in range(len(channel.words))] or [0.0, 1.0]) | numbers
        for channel in channels
    }
    return st.builds(
        lambda table, extra: {**table, **extra},
        st.fixed_dictionaries({}, optional=known),
        st.dictionaries(extra_names, numbers, max_size=2),
    )


windows = st.builds(
    lambda second, fraction, vehicle, axles: Window(
        1.7e9 + second + fraction, vehicle, {position: values for position, values in axles.items() if values}
    ),
    st.integers(0, 10**6),
    st.floats(0, 0.999),
    values_of(vehicle_channels),
    st.dictionaries(st.integers(1, 99), values_of(axle_channels), max_size=3),
).filter(lambda window: bool(window.vehicle or window.axles))
frames = st.builds(
    lambda seq, back, thinned, found: Frame(
        "harrow-vale", "t07", "a1", seq, tuple(found), None if back is None else max(0, seq - 1 - back), thinned
    ),
    st.integers(1, 2**53 - 1),
    st.none() | st.integers(0, 5),
    st.integers(0, 100),
    st.lists(windows, max_size=3, unique_by=lambda window: window.time_s).map(
        lambda found: sorted(found, key=lambda window: window.time_s)
    ),
)


def close(left: Window, right: Window) -> bool:
    """Units go to SI and back: the last bits may differ, and an offset (none on our own wire) would show far more."""

    def alike(a, b):
        return a.keys() == b.keys() and all(math.isclose(a[k], b[k], rel_tol=1e-15 * 8, abs_tol=1e-300) for k in a)

    return (
        left.time_s == right.time_s
        and alike(left.vehicle, right.vehicle)
        and left.axles.keys() == right.axles.keys()
        and all(alike(left.axles[position], right.axles[position]) for position in left.axles)
    )


@given(frames, st.sampled_from(["cbor", "json"]))
@settings(max_examples=60, deadline=None)
def test_any_frame_survives_both_forms(frame, form):
    back = decode_frame(encode_frame(frame, form), TOPIC)
    assert (back.fleet, back.vehicle, back.stream, back.seq) == (frame.fleet, frame.vehicle, frame.stream, frame.seq)
    assert (back.after, back.thinned) == (frame.after, frame.thinned)
    assert len(back.windows) == len(frame.windows)
    assert all(close(left, right) for left, right in zip(back.windows, frame.windows, strict=True))


def renumbered(frame: Frame) -> Frame:
    """The frame that this truck might send next: same channels and words, other numbers, a minute later."""

    def other(table):
        return {name: value if value in (0.0, 1.0, 2.0) else value * 0.75 + 0.1 for name, value in table.items()}

    later = [
        Window(window.time_s + 60.1, other(window.vehicle), {n: other(table) for n, table in window.axles.items()})
        for window in frame.windows
    ]
    seq = min(frame.seq + 1, 2**53 - 1)
    return Frame(frame.fleet, frame.vehicle, frame.stream, seq, tuple(later), frame.after, frame.thinned)


def same(left: Decoded, right: Decoded) -> bool:
    header = ("fleet", "vehicle", "stream", "seq", "after", "thinned", "rows", "extras")
    return (
        all(getattr(left, name) == getattr(right, name) for name in header)
        and left.values.dtype == right.values.dtype == np.float32
        and np.array_equal(left.values, right.values, equal_nan=True)
    )


def outcome(decoder: Decoder, payload: bytes, topic: Topic):
    try:
        return decoder.decode(payload, topic)
    except FrameError as error:
        return (error.reason, error.stream, error.seq)


def agree(left, right) -> bool:
    if isinstance(left, Decoded) and isinstance(right, Decoded):
        return same(left, right)
    return left == right


@given(frames, frames, st.sampled_from(["cbor", "json"]))
@settings(max_examples=60, deadline=None)
def test_a_decoder_with_memory_reads_like_one_without(first, second, form):
    decoder = Decoder()
    for frame in (first, first, renumbered(first), renumbered(renumbered(first)), second, first, renumbered(second)):
        payload = encode_frame(frame, form)
        assert same(decoder.decode(payload, TOPIC), Decoder().decode(payload, TOPIC))


@st.composite
def spoilt(draw):
    """A usual pack in which some fields were replaced by whatever a careless or hostile sender might write."""
    records = [
        {-2: "harrow-vale/t07/", -3: 1.7e9, 0: "stream", 3: "a1"},
        {0: "seq", 2: 5},
        {0: "speed", 1: "m/s", 2: 20.5},
        {0: "parked", 4: False},
        {0: "height-mode", 3: "normal"},
        {0: "axle/2/lube", 1: "Cel", 2: 93.5, 6: 10},
        {0: "axle/2/wiper", 2: 1.5, 6: 10},
    ]
    anything = st.one_of(
        st.none(),
        st.booleans(),
        st.integers(-(2**70), 2**70),
        st.floats(),
        st.sampled_from(
            ["", "speed", "axle/2/lube", "Cel", "K", "mm", "raised", "harrow-vale/t08/", 1e39, 26, 26.0, 10]
        ),
        st.lists(st.integers(0, 3), max_size=2),
        st.binary(max_size=3),
    )
    labels = st.integers(-7, 9) | st.sampled_from([0.0, 2.0, "n", "x", "x_"])
    for _ in range(draw(st.integers(1, 3))):
        record = records[draw(st.integers(0, len(records) - 1))]
        label = draw(labels)
        if draw(st.booleans()):
            record[label] = draw(anything)
        else:
            record.pop(label, None)
    if draw(st.booleans()):
        records[draw(st.integers(0, 6))] = draw(st.sampled_from([None, 3, [-2, -3, 0, 3], "n", {}]))
    return cbor2.dumps(records)


@given(st.lists(spoilt(), min_size=1, max_size=3))
@settings(max_examples=300, deadline=None)
def test_the_fast_way_refuses_and_accepts_exactly_what_the_full_way_does(payloads):
    usual = Frame(
        "harrow-vale",
        "t07",
        "a1",
        5,
        (
            Window(1.7e9, {"speed": 73.8, "parked": 0.0, "height-mode": 0.0}),
            Window(1.7e9 + 10, {}, {2: {"lube": 93.5, "wiper": 1.5}}),
        ),
    )
    warm = Decoder()
    warm.decode(encode_frame(usual), TOPIC)
    for payload in [*payloads, *payloads, *payloads]:
        assert agree(outcome(warm, payload, TOPIC), outcome(Decoder(), payload, TOPIC))


def test_a_second_frame_of_one_make_up_is_not_read_the_full_way(monkeypatch):
    decoder = Decoder()
    frames_of_a_day = [
        Frame("harrow-vale", "t07", "a1", seq, (Window(1.7e9 + 10 * seq, {"speed": 80.0 + seq}, {2: {"lube": 90.0}}),))
        for seq in range(1, 4)
    ]
    decoder.decode(encode_frame(frames_of_a_day[0]), TOPIC)

    def unused(*_: object) -> None:
        raise AssertionError("read the full way")

    monkeypatch.setattr("axlewright_models.wire.decoder.read_pack", unused)
    decoded = decoder.decode(encode_frame(frames_of_a_day[2]), TOPIC)
    assert (decoded.seq, decoded.rows) == (3, ((1.7e9 + 30, 0), (1.7e9 + 30, 2)))
    assert decoded.values[0, INDEX["speed"]] == np.float32(83.0)


USUAL = Frame(
    "harrow-vale",
    "t07",
    "a1",
    70_000,
    (
        Window(1.7e9, {"speed": 73.8, "parked": 0.0, "height-mode": 0.0}),
        Window(1.7e9 + 10.1, {"wiper": 2.5}, {2: {"lube": 93.5, "height/left": 221.0}}),
    ),
    after=69_998,
    thinned=300,
)


def test_a_third_frame_of_one_truck_is_not_even_decoded(monkeypatch):
    decoder = Decoder()
    following = [USUAL, renumbered(USUAL), renumbered(renumbered(USUAL))]
    for frame in following[:2]:
        decoder.decode(encode_frame(frame), TOPIC)

    def unused(*_: object) -> None:
        raise AssertionError("decoded the CBOR")

    expected = Decoder().decode(encode_frame(following[2]), TOPIC)
    monkeypatch.setattr("cbor2.loads", unused)
    assert same(decoder.decode(encode_frame(following[2]), TOPIC), expected)


@given(st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), min_size=1, max_size=8))
@settings(max_examples=400, deadline=None)
def test_bytes_changed_on_the_way_are_judged_as_by_the_full_way(changes):
    warm = Decoder()
    usual = encode_frame(USUAL)
    for _ in range(3):
        warm.decode(usual, TOPIC)
    payload = bytearray(usual)
    for place, value in changes:
        payload[place % len(payload)] = value
    assert agree(outcome(warm, bytes(payload), TOPIC), outcome(Decoder(), bytes(payload), TOPIC))


@pytest.mark.parametrize("label", ["e2", "f94000", "fa40000000", "1802", "fb4000000000000000"])
def test_a_label_that_only_equals_ours_is_judged_as_by_the_full_way(label):
    """To Python the simple value 2 and the floats 2.0 are the key 2; in CBOR only the integer is (however long)."""
    warm = Decoder()
    usual = encode_frame(USUAL)
    for _ in range(3):
        warm.decode(usual, TOPIC)
    payload = usual.replace(b"cseq\x02", b"cseq" + bytes.fromhex(label))
    assert payload != usual
    assert agree(outcome(warm, payload, TOPIC), outcome(Decoder(), payload, TOPIC))


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1.7e308, 3.5e38, 3.4e38, -3.4e38, 5e-324])
@pytest.mark.parametrize("place", ["bt", "speed", "lube", "wiper"])
def test_extreme_numbers_are_judged_as_by_the_full_way(place, value):
    records = cbor2.loads(encode_frame(USUAL))
    warm = Decoder()
    for _ in range(3):
        warm.decode(cbor2.dumps(records), TOPIC)
    for record in records:
        if place == "bt" and -3 in record:
            record[-3] = value
        elif record[0].endswith(place):
            record[2] = value
    payload = cbor2.dumps(records)
    assert agree(outcome(warm, payload, TOPIC), outcome(Decoder(), payload, TOPIC))


@pytest.mark.parametrize(("seq", "after"), [(0, 0), (1, 1), (69_998, 69_998), (2**32 - 1, 5), (69_999, 69_998)])
def test_numbering_is_judged_as_by_the_full_way(seq, after):
    records = cbor2.loads(encode_frame(USUAL))
    warm = Decoder()
    for _ in range(3):
        warm.decode(cbor2.dumps(records), TOPIC)
    records[1][2], records[2][2] = seq, after
    payload = cbor2.dumps(records)
    assert agree(outcome(warm, payload, TOPIC), outcome(Decoder(), payload, TOPIC))


def test_memory_of_make_ups_is_bounded():
    decoder = Decoder()
    for number in range(1200):
        window = Window(1.7e9, {f"x{number}": 1.0})
        decoder.decode(encode_frame(Frame("harrow-vale", "t07", "a1", 1, (window,))), TOPIC)
    assert decoder.makeups_known <= 2 * 512


def pack(records: str) -> bytes:
    return f"[{HEADER},{records}]".encode() if records else f"[{HEADER}]".encode()


@pytest.mark.parametrize(
    ("record", "channel", "value"),
    [
        ('{"n":"speed","u":"m/s","v":25}', "speed", 90.0),
        ('{"n":"engine-speed","u":"Hz","v":20}', "engine-speed", 1200.0),
        ('{"n":"engine-speed","u":"1/s","v":20}', "engine-speed", 1200.0),
        ('{"n":"ambient","u":"K","v":283.15}', "ambient", 10.0),
        ('{"n":"torque","v":1800}', "torque", 1800.0),
        ('{"n":"brake","u":"%","v":0.5}', "brake", 0.5),  # the registry's "%" is a ratio
        ('{"n":"brake","v":0.5}', "brake", 0.5),
        ('{"n":"parked","vb":true}', "parked", 1.0),
        ('{"n":"parked","v":0.25}', "parked", 0.25),
        ('{"n":"height-mode","vs":"lowered"}', "height-mode", 1.0),
        ('{"n":"height-mode","v":2}', "height-mode", 2.0),
        ('{"n":"odometer","u":"m","v":805000}', "odometer", 805.0),
    ],
)
def test_every_registered_unit_becomes_the_channels(record, channel, value):
    (window,) = decode_frame(pack(record), TOPIC).windows
    assert window.vehicle == {channel: pytest.approx(value, rel=1e-12)}


@pytest.mark.parametrize(
    ("record", "channel", "value"),
    [
        ('{"n":"speed","u":"km/h","v":90}', "speed", 90.0),
        ('{"n":"odometer","u":"km","v":805}', "odometer", 805.0),
        ('{"n":"brake","u":"/100","v":50}', "brake", 0.5),
    ],
)
def test_secondary_units_need_the_version_bit(record, channel, value):
    with pytest.raises(FrameError, match=r"is a secondary unit; send bver 26"):
        decode_frame(pack(record), TOPIC)
    with_bit = pack(record).replace(b'"bt"', b'"bver":26,"bt"')
    for _ in range(2):
        decoded = decode_frame(with_bit, TOPIC)
        assert decoded.windows[0].vehicle[channel] == pytest.approx(value, rel=1e-12)
    decoder = Decoder()
    assert same(decoder.decode(with_bit, TOPIC), decoder.decode(with_bit, TOPIC))


def test_millimetres_reach_an_axle_unchanged():
    payload = pack('{"n":"axle/3/height/left","u":"mm","v":221.5}').replace(b'"bt"', b'"bver":26,"bt"')
    assert decode_frame(payload, TOPIC).windows[0].axles == {3: {"height/left": 221.5}}


def test_our_edge_sends_only_registered_units_at_the_default_version():
    window = Window(
        1.7e9,
        {channel.name: 0.5 for channel in vehicle_channels},
        {2: {channel.name: 0.5 for channel in axle_channels}},
    )
    records = senml.parse_json(encode_frame(Frame("harrow-vale", "t07", "a1", 1, (window,)), "json"))
    assert not any("bver" in record for record in records)
    assert {record.get("u") for record in records} == {None, "m/s", "1/min", "Cel", "/", "m", "Pa", "m/s2", "kg"}


def test_unknown_names_are_kept_as_extras_in_primary_units():
    payload = pack(
        '{"n":"wiper","v":2},{"n":"axle/2/hum","u":"m","v":3},{"n":"lube","u":"Cel","v":4},{"n":"axle/2/speed","v":5},'
        '{"n":"note","vs":"hello"},{"n":"on","vb":true},{"n":"axle/0/lube","v":6},{"n":"gap","u":"mm","v":7}'
    ).replace(b'"bt"', b'"bver":26,"bt"')
    decoded = Decoder().decode(payload, TOPIC)
    assert decoded.rows == ()
    assert decoded.extras == {
        (1.7e9, 0, "wiper"): 2.0,
        (1.7e9, 2, "hum"): 3.0,
        (1.7e9, 0, "lube"): 4.0,
        (1.7e9, 2, "speed"): 5.0,
        (1.7e9, 0, "on"): 1.0,
        (1.7e9, 0, "axle/0/lube"): 6.0,
        (1.7e9, 0, "gap"): 0.007,
    }


def test_a_truck_cannot_set_what_the_office_derives():
    decoded = Decoder().decode(pack('{"n":"axle/2/lube/expected","v":50}'), TOPIC)
    assert decoded.rows == ()
    assert decoded.extras == {(1.7e9, 2, "lube/expected"): 50.0}


def test_windows_of_one_pack_are_told_apart_by_the_records_times():
    payload = pack('{"n":"brake","v":0.1},{"n":"brake","t":20,"v":0.3},{"n":"brake","t":10,"v":0.2}')
    frame = decode_frame(payload, TOPIC)
    assert [(window.time_s - 1.7e9, window.vehicle["brake"]) for window in frame.windows] == [
        (0, 0.1),
        (10, 0.2),
        (20, 0.3),
    ]


def test_relative_times_are_resolved_with_a_clock_and_refused_without():
    payload = pack('{"n":"brake","v":0.1}').replace(b'"bt":1700000000', b'"bt":-30')
    assert decode_frame(payload, TOPIC, now_s=1.7e9).windows[0].time_s == 1.7e9 - 30
    with pytest.raises(FrameError, match="time -30 is relative to now"):
        decode_frame(payload, TOPIC)


WRONG_FRAMES = [
    (pack('{"n":"speed","u":"Cel","v":1}'), "record 3 'speed': 'Cel' measures temperature, but 'km/h' measures speed"),
    (pack('{"n":"axle/2/lube","v":90}'), "record 3 'axle/2/lube': no unit; lube measures in Cel, send it in 'Cel'"),
    (pack('{"n":"axle/2/lube","u":"degF","v":190}'), "unit 'degF' is not one of SenML's; send 'Cel'"),
    (pack('{"n":"axle/2/lube","u":"furlong","v":190}'), "unit 'furlong' is not one of SenML's; send 'Cel'"),
    (pack('{"n":"torque","u":"J","v":190}'), "'J' measures energy, but 'N.m' measures torque; send no unit"),
    (
        pack('{"n":"brake","v":0.1},{"n":"speed","vs":"fast"}'),
        "record 4 'speed': value is 'fast'; speed takes a number",
    ),
    (pack('{"n":"speed","vb":true}'), "record 3 'speed': value is True; speed takes a number"),
    (pack('{"n":"speed","vd":"aGk"}'), "value is bytes; speed takes a number"),
    (pack('{"n":"speed","u":"m/s","s":5}'), "value is missing; speed takes a number"),
    (pack('{"n":"height-mode","vs":"high"}'), "value is 'high'; height-mode takes one of normal, lowered, raised"),
    (pack('{"n":"height-mode","vb":true}'), "value is True; height-mode takes a number or a word"),
    (pack('{"n":"parked","vs":"yes"}'), "value is 'yes'; parked takes a number"),
    (pack('{"n":"torque","v":1e39}'), "record 3 'torque': value 1e+39 is too large to keep"),
    (pack('{"n":"wiper","v":1e39}'), "record 3 'wiper': value 1e+39 is too large to keep"),
    (pack('{"n":"brake","v":0.1},{"n":"brake","v":0.2}'), "record 4 'brake': given twice for time 1700000000.000"),
    (pack('{"n":"seq","v":6}'), "record 3 'seq': given twice; a frame has one"),
    (pack('{"n":"after","v":5}'), "after is 5; it must be a whole number from 0 and below seq, which is 5"),
    (pack('{"n":"after","v":-1}'), "after is -1; it must be a whole number from 0"),
    (pack('{"n":"thinned","v":0.5}'), "thinned is 0.5; it must be a whole number from 0"),
    (pack('{"bn":"harrow-vale/t08/","n":"brake","v":0.1}'), "record 3 'brake': belongs to 'harrow-vale/t08', not "),
    (
        pack('{"bn":"harrow-vale/t07","n":"","v":1}'),
        "record 3: name 'harrow-vale/t07' is not <fleet>/<vehicle>/<channel>",
    ),
    (pack(",".join(f'{{"n":"x{n}","v":1}}' for n in range(511))), "the pack holds 513 records; at most 512 are read"),
    (pack('{"n":"brake","vs":""}'), "value is ''; brake takes a number"),
]


@pytest.mark.parametrize(("payload", "message"), WRONG_FRAMES)
def test_a_wrong_frame_is_refused_by_record_and_name_and_its_number_stays_legible(payload, message):
    with pytest.raises(FrameError) as caught:
        decode_frame(payload, TOPIC)
    assert message in str(caught.value)
    assert caught.value.stream == "a1"
    assert caught.value.seq in (5, 6)


ILLEGIBLE = [
    (b"", "the payload is empty", None, None),
    (b'{"bn":"harrow-vale/t07/"}', 'neither a JSON nor a CBOR pack: it begins with b\'{"bn":', None, None),
    (b"\xef\xbb\xbf[]", "no byte order mark before it", None, None),
    (b"\x9f", "not CBOR: ", None, None),
    (b"[", "not JSON: ", None, None),
    (b"\x00" * 70_000, "the payload has 70000 bytes; at most 65536 are read", None, None),
    (b'[{"bn":"harrow-vale/t07/","bt":1.7e9,"n":"brake","v":0}]', "no record 'stream'", None, None),
    (b'[{"bn":"harrow-vale/t07/","bt":1.7e9,"n":"stream","vs":"a1"}]', "no record 'seq'", "a1", None),
    (b'[{"bn":"harrow-vale/t07/","bt":1.7e9,"n":"seq","v":3}]', "no record 'stream'", None, 3),
    (pack("").replace(b'"a1"', b'"a/1"'), "stream is 'a/1'; it must be a text of 1 to 64 letters", None, 5),
    (pack("").replace(b'"v":5', b'"v":0'), "seq is 0; it must be a whole number from 1", "a1", None),
    (pack("").replace(b'"v":5', b'"v":5.5'), "seq is 5.5; it must be a whole number from 1", "a1", None),
    (pack("").replace(b'"v":5', b'"v":1e300'), "it must be a whole number from 1", "a1", None),
    (pack("").replace(b'"v":5', b'"v":true'), "v is True; it must be a number", "a1", None),
]


@pytest.mark.parametrize(("payload", "message", "stream", "seq"), ILLEGIBLE)
def test_what_cannot_be_numbered_says_so(payload, message, stream, seq):
    with pytest.raises(FrameError) as caught:
        decode_frame(payload, TOPIC)
    assert message in str(caught.value)
    assert (caught.value.stream, caught.value.seq) == (stream, seq)


@given(st.binary(max_size=300) | st.text(max_size=100).map(lambda text: b"[" + text.encode()))
def test_any_bytes_are_a_frame_or_a_frame_error(payload):
    result = outcome(Decoder(), payload, TOPIC)
    assert isinstance(result, Decoded) or result[0]


def test_a_pack_of_another_vehicle_is_refused_even_when_its_make_up_is_known():
    payload = encode_frame(Frame("harrow-vale", "t07", "a1", 5, (Window(1.7e9, {"brake": 0.5}),)))
    decoder = Decoder()
    decoder.decode(payload, TOPIC)
    with pytest.raises(FrameError, match="belongs to 'harrow-vale/t07', not 'harrow-vale/t08'"):
        decoder.decode(payload, Topic("harrow-vale", "t08", TopicKind.READINGS))


WRONG_TO_SEND = [
    (Frame("Harrow", "t07", "a1", 1, ()), "fleet is 'Harrow'; use 1 to 64 of a-z, 0-9"),
    (Frame("-x", "t07", "a1", 1, ()), "a SenML name begins with a letter or a digit"),
    (Frame("f", "v", "a 1", 1, ()), "stream is 'a 1'"),
    (Frame("f", "v", "a1", 0, ()), "seq is 0"),
    (Frame("f", "v", "a1", 2, (), after=2), "after is 2"),
    (Frame("f", "v", "a1", 2, (Window(12.0, {"speed": 1.0}),)), "windows[0].time_s is 12.0; it must be Unix seconds"),
    (Frame("f", "v", "a1", 2, (Window(math.nan, {"speed": 1.0}),)), "windows[0].time_s is nan"),
    (
        Frame("f", "v", "a1", 2, (Window(1e9, {"brake": 1.0}), Window(1e9, {"gear": 1.0}))),
        "each window has its own time",
    ),
    (Frame("f", "v", "a1", 2, (Window(1e9, {"speed": math.inf}),)), "axle 0, channel 'speed': value is inf"),
    (Frame("f", "v", "a1", 2, (Window(1e9, {"seq": 1.0}),)), "axle 0, channel 'seq': cannot be named on the wire"),
    (Frame("f", "v", "a1", 2, (Window(1e9, {"axle/2/lube": 1.0}),)), "channel 'axle/2/lube': cannot be named"),
    (Frame("f", "v", "a1", 2, (Window(1e9, {}, {100: {"lube": 1.0}}),)), "axle 100, channel 'lube': cannot be named"),
    (Frame("f", "v", "a1", 2, (Window(1e9, {"a b": 1.0}),)), "channel 'a b': cannot be named"),
    (Frame("f", "v", "a1", 2, (Window(1e9, {f"x{n}": 1.0 for n in range(511)}),)), "the pack holds 513 records"),
]


@pytest.mark.parametrize(("frame", "message"), WRONG_TO_SEND)
def test_a_frame_that_nobody_could_read_is_not_sent(frame, message):
    with pytest.raises(FrameError) as caught:
        encode_frame(frame)
    assert message in str(caught.value)


def test_missing_values_and_empty_windows_are_not_sent():
    frame = Frame("f", "v", "a1", 1, (Window(1e9, {"speed": math.nan, "brake": 0.5}), Window(2e9, {}, {2: {}})))
    assert decode_frame(encode_frame(frame)).windows == (Window(1e9, {"brake": 0.5}),)


def test_a_frame_without_windows_still_counts():
    back = decode_frame(encode_frame(Frame("f", "v", "a1", 9, (), after=4, thinned=6)))
    assert (back.seq, back.after, back.thinned, back.windows) == (9, 4, 6, ())


def test_json_of_a_frame_reads_as_the_contract_says():
    frame = Frame("f", "v", "a1", 3, (Window(1.7e9, {"parked": 1.0, "height-mode": 2.0}, {2: {"height/left": 250.0}}),))
    assert json.loads(encode_frame(frame, "json")) == [
        {"bn": "f/v/", "bt": 1.7e9, "n": "stream", "vs": "a1"},
        {"n": "seq", "v": 3},
        {"n": "parked", "vb": True},
        {"n": "height-mode", "vs": "raised"},
        {"n": "axle/2/height/left", "u": "m", "v": 0.25},
    ]
