"""The rules of RFC 8428, 8798 and 9100, held against the RFC's own packs and against one wrong pack per rule."""

import math
from decimal import Decimal

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from axlewright_models.errors import FrameError
from axlewright_models.wire import senml

NOW_S = 1_700_000_000.0

# RFC 8428, section 5.1.2, second example, and section 6 for its CBOR.
VOLTAGE_AND_CURRENT = b"""[
 {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
 {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
 {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"""
VOLTAGE_AND_CURRENT_CBOR = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b00106223614120050067766f6c7461676501"
    "615602fb405e066666666666a3006763757272656e74062402fb3ff3333333333333a3006763757272656e74062302fb3ff4cccccccccccda3"
    "006763757272656e74062202fb3ff6666666666666a3006763757272656e74062102f93e00a3006763757272656e74062002fb3ff999999999"
    "999aa3006763757272656e74060002fb3ffb333333333333"
)


def resolve_json(text: str, now_s: float | None = NOW_S) -> list[senml.Resolved]:
    return senml.resolve(senml.parse_json(text.encode()), now_s)


def test_single_datapoint_of_the_rfc_is_read_as_measured_now():
    (record,) = resolve_json('[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]')
    assert (record.name, record.unit, record.value, record.time_s) == (
        "urn:dev:ow:10e2073a01080063",
        "Cel",
        23.1,
        NOW_S,
    )


@pytest.mark.parametrize(
    "records", [senml.parse_json(VOLTAGE_AND_CURRENT), senml.parse_cbor(VOLTAGE_AND_CURRENT_CBOR)], ids=["json", "cbor"]
)
def test_series_of_the_rfc_resolves_to_the_times_and_values_that_it_says(records):
    resolved = senml.resolve(records)
    current = [item for item in resolved if item.name == "urn:dev:ow:10e2073a0108006:current"]
    assert [round(item.time_s, 3) for item in current] == [1276020071.001 + second for second in range(6)]
    assert [item.value for item in current] == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert {item.unit for item in current} == {"A"}
    (voltage,) = [item for item in resolved if item.name.endswith("voltage")]
    assert (voltage.unit, voltage.value, round(voltage.time_s, 3)) == ("V", 120.1, 1276020076.001)
    assert [item.time_s for item in resolved] == sorted(item.time_s for item in resolved)


def test_cbor_of_the_rfc_says_the_same_as_its_json():
    # The printed CBOR writes the last record's time as 0, the JSON leaves it out.
    as_json = senml.parse_json(VOLTAGE_AND_CURRENT)
    as_json[-1]["t"] = 0
    assert senml.parse_cbor(VOLTAGE_AND_CURRENT_CBOR) == as_json


def test_our_cbor_has_the_labels_of_the_rfc():
    records = senml.parse_cbor(VOLTAGE_AND_CURRENT_CBOR)
    assert cbor2.loads(senml.encode_cbor(records)) == cbor2.loads(VOLTAGE_AND_CURRENT_CBOR)


def test_humidity_and_position_pack_resolves_in_time_order():
    # RFC 8428, section 5.1.3, resolved in section 5.1.4.
    resolved = resolve_json("""[
      {"bn":"urn:dev:ow:10e2073a01080063","bt":1320067464,"bu":"%RH","v":20},
      {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},
      {"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},
      {"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},
      {"u":"%EL","t":150,"v":98},
      {"t":180,"v":21.2},{"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}]""")
    assert [(item.time_s - 1320067464, item.unit, item.value) for item in resolved] == [
        (0, "%RH", 20),
        (0, "lon", 24.30621),
        (0, "lat", 60.07965),
        (60, "%RH", 20.3),
        (60, "lon", 24.30622),
        (60, "lat", 60.07965),
        (120, "%RH", 20.7),
        (120, "lon", 24.30623),
        (120, "lat", 60.07966),
        (150, "%EL", 98),
        (180, "%RH", 21.2),
        (180, "lon", 24.30628),
        (180, "lat", 60.07967),
    ]


def test_pack_of_many_types_of_the_rfc_keeps_each_type():
    # RFC 8428, section 5.1.5.
    resolved = resolve_json("""[
      {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
      {"n":"label","vs":"Machine Room"},{"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}]""")
    assert [item.value for item in resolved] == [23.1, "Machine Room", False, b"hi \n"]


def test_base_time_lives_on_when_only_the_base_name_changes():
    # RFC 8428, section 5.1.6, says of such a pack: the last record uses the base name of the third and the base time
    # of the first. Names and values are ours.
    resolved = resolve_json("""[
      {"bn":"2001:db8::2/","bt":1320078429,"n":"temperature","u":"Cel","v":25.2},
      {"n":"humidity","u":"%RH","v":30},
      {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},{"n":"humidity","u":"%RH","v":67}]""")
    assert [(item.name, item.time_s) for item in resolved] == [
        ("2001:db8::2/temperature", 1320078429),
        ("2001:db8::2/humidity", 1320078429),
        ("2001:db8::1/temperature", 1320078429),
        ("2001:db8::1/humidity", 1320078429),
    ]


def test_records_out_of_order_come_back_in_time_order_and_keep_their_numbers():
    resolved = resolve_json('[{"bn":"a/","bt":1e9,"n":"x","t":20,"v":1},{"n":"y","t":0,"v":2},{"n":"z","t":20,"v":3}]')
    assert [(item.name, item.record) for item in resolved] == [("a/y", 2), ("a/x", 1), ("a/z", 3)]


@pytest.mark.parametrize(
    ("time_s", "absolute_s"),
    [
        (2**28, 2.0**28),  # 1978-07-04T21:24:16Z, the first absolute time
        (2**28 - 1, 2**28 - 1 + NOW_S),
        (0, NOW_S),
        (-60.5, NOW_S - 60.5),
    ],
)
def test_times_below_two_to_the_28_are_relative_to_now(time_s, absolute_s):
    assert resolve_json(f'[{{"n":"a","t":{time_s},"v":1}}]')[0].time_s == absolute_s


@pytest.mark.parametrize(
    ("text", "value", "sum_"),
    [
        ('[{"n":"a","bv":20,"v":1.5}]', 21.5, None),
        ('[{"n":"a","bv":20}]', 20.0, None),
        ('[{"bn":"a","bv":20}]', 20.0, None),  # decided here: a missing value counts as zero beside a base value
        ('[{"n":"a","s":5}]', None, 5.0),
        ('[{"n":"a","bs":100,"s":5,"v":1}]', 1.0, 105.0),
        ('[{"n":"a","bs":100,"v":1}]', 1.0, 100.0),
        ('[{"n":"a","bs":100}]', None, 100.0),
        ('[{"n":"a","bv":20,"vs":"on"}]', "on", None),
    ],
)
def test_base_value_and_base_sum_are_added(text, value, sum_):
    (record,) = resolve_json(text)
    assert (record.value, record.sum) == (value, sum_)


def test_a_record_of_base_fields_alone_sets_them_for_what_follows():
    (record,) = resolve_json('[{"bn":"a/","bt":1e9,"bu":"Cel"},{"n":"x","v":1}]')
    assert (record.name, record.time_s, record.unit, record.record) == ("a/x", 1e9, "Cel", 2)


def test_unknown_labels_are_ignored_in_both_forms():
    assert resolve_json('[{"n":"a","v":1,"colour":"red","bx":2}]')[0].value == 1.0
    assert senml.resolve(senml.parse_cbor(cbor2.dumps([{0: "a", 2: 1, "colour": "red", 99: 3}])), NOW_S)[0].value == 1.0


def test_decimal_fractions_of_cbor_are_numbers():
    records = senml.parse_cbor(cbor2.dumps([{0: "a", 2: Decimal("10.25")}]))  # tag 4, RFC 8428 section 6
    assert senml.resolve(records, NOW_S)[0].value == 10.25


def test_secondary_units_are_read_with_the_feature_bit():
    (record,) = resolve_json('[{"bver":26,"n":"a","u":"mm","v":221}]')
    assert (record.unit, record.version) == ("mm", 26)


def test_update_time_is_kept():
    assert resolve_json('[{"n":"a","v":1,"ut":30}]')[0].update_time_s == 30.0


WRONG_PACKS = [
    ("{}", "the pack is a dict; SenML is an array of records"),
    ("[]", "the pack holds no record"),
    ("[3]", "record 1 is a int; it must be a map"),
    ('[{"n":"a","v":1}', "not JSON: "),
    ('[{"v":1}]', "record 1 '': no name and no base name; give n or bn"),
    ('[{"n":"-a","v":1}]', "record 1 '-a': name '-a' may hold only"),
    ('[{"n":"a b","v":1}]', "name 'a b' may hold only A-Z a-z 0-9 - : . / _"),
    ('[{"n":"ä","v":1}]', "begins with a letter or digit"),
    ('[{"n":"a","v":1},{"n":"b"}]', "record 2 'b': no value; give one of v, vs, vb, vd, or a sum s"),
    ('[{"n":"a","v":1,"vs":"x"}]', "record 1 'a': has v and vs; a record has one value"),
    ('[{"n":"a","v":"1"}]', "record 1 'a': v is '1'; it must be a number"),
    ('[{"n":"a","v":true}]', "v is True; it must be a number"),
    ('[{"n":"a","v":null}]', "v is None; it must be a number"),
    ('[{"n":"a","vs":1}]', "vs is 1; it must be a text"),
    ('[{"n":"a","vb":1}]', "vb is 1; it must be true or false"),
    ('[{"n":"a","vd":"a*b"}]', "record 1 has a vd that is not base64url"),
    ('[{"n":"a","vd":7}]', "record 1 has vd = 7; it must be base64url text"),
    ('[{"n":7,"v":1}]', "record 1 7: n is 7; it must be a text"),
    ('[{"n":"a","t":"now","v":1}]', "t is 'now'; it must be a number"),
    ('[{"n":"a","v":NaN}]', "not JSON: "),
    ('[{"n":"a","v":1e999}]', "not JSON: "),
    ('[{"n":"a","bv":1e308,"v":1e308}]', "record 1 'a': value is inf; it must be finite"),
    ('[{"n":"a","s":1e308,"bs":1e308,"v":1}]', "sum is inf; it must be finite"),
    ('[{"n":"a","bt":1e308,"t":1e308,"v":1}]', "time is inf; it must be finite"),
    ('[{"n":"a","v":1,"exact_":true}]', "field 'exact_' must be understood (its label ends in '_')"),
    ('[{"n":"a","v":1,"bver":0}]', "bver is 0; it must be a positive integer"),
    ('[{"n":"a","v":1,"bver":"10"}]', "bver is '10'; it must be a positive integer"),
    ('[{"n":"a","v":1,"bver":10},{"n":"a","v":1,"bver":26}]', "record 2 'a': bver 26 after 10; a pack has one version"),
    ('[{"n":"a","v":1},{"n":"b","v":1,"bver":26}]', "bver 26 after 10; a pack has one version"),
    ('[{"n":"a","v":1,"bver":11}]', "bver 11 is not version 10 of SenML plus features"),
    ('[{"n":"a","v":1,"bver":21}]', "bver 21 is not version 10 of SenML plus features"),
    ('[{"n":"a","v":1,"bver":42}]', "bver 42 asks for unknown features [5]; only 4 (secondary units) is known"),
    ('[{"n":"a","v":1,"bver":90}]', "bver 90 asks for unknown features [6]"),
    ('[{"n":"a","u":"mm","v":1}]', "record 1 'a': 'mm' is a secondary unit; send bver 26"),
    ('[{"bu":"km/h","n":"a","v":1}]', "'km/h' is a secondary unit; send bver 26"),
]


@pytest.mark.parametrize(("text", "message"), WRONG_PACKS)
def test_a_wrong_pack_is_refused_with_the_record_and_the_remedy(text, message):
    with pytest.raises(FrameError) as caught:
        resolve_json(text)
    assert message in str(caught.value)


WRONG_CBOR = [
    (b"", "not CBOR: "),
    (VOLTAGE_AND_CURRENT_CBOR[:-1], "not CBOR: "),
    (VOLTAGE_AND_CURRENT_CBOR + b"\x01", "bytes follow the pack; send one array and nothing else"),
    (b"\x81" * 5000, "not CBOR: "),
    (cbor2.dumps({0: "a", 2: 1}), "the pack is a dict"),
    (cbor2.dumps([{"n": "a", 2: 1}]), "record 1 has the text label 'n'; CBOR writes it as 0"),
    (cbor2.dumps([{(1, 2): "a", 2: 1}]), "record 1 has the label (1, 2); a label is an integer or a text"),
    (cbor2.dumps([{0.0: "a", 2: 1}]), "record 1 has the label 0.0; a label is an integer or a text"),
    (cbor2.dumps([{False: "a", 2: 1}]), "record 1 has the label False; a label is an integer or a text"),
    (bytes.fromhex("81a2006161e201"), "record 1 has the label CBORSimpleValue(2)"),
    (cbor2.dumps([{0: "a", 2: math.nan}]), "record 1 'a': v is nan; it must be finite"),
    (cbor2.dumps([{0: "a", 2: -math.inf}]), "v is -inf; it must be finite"),
    (cbor2.dumps([{0: "a", 2: 10**400}]), "v is inf; it must be finite"),
    (cbor2.dumps([{0: "a", 2: Decimal("NaN")}]), "v is nan; it must be finite"),
    (cbor2.dumps([{0: "a", 8: "aGkgCg"}]), "vd is 'aGkgCg'; it must be bytes"),
    (cbor2.dumps([{-1: 26.0, 0: "a", 2: 1}]), "bver is 26.0; it must be a positive integer"),
]


@pytest.mark.parametrize(("payload", "message"), WRONG_CBOR)
def test_a_wrong_cbor_pack_is_refused_with_a_reason(payload, message):
    with pytest.raises(FrameError) as caught:
        senml.resolve(senml.parse_cbor(payload), NOW_S)
    assert message in str(caught.value)


def test_a_relative_time_needs_a_clock():
    with pytest.raises(FrameError, match=r"record 1 'a': time -5 is relative to now; send Unix seconds"):
        resolve_json('[{"n":"a","t":-5,"v":1}]', now_s=None)


def test_resolving_leaves_the_raw_records_alone():
    records = [{"n": "a", "bt": 1_000_000_000, "v": 1}]
    senml.resolve(records)
    assert records == [{"n": "a", "bt": 1_000_000_000, "v": 1}]


finite = st.floats(allow_nan=False, allow_infinity=False)
raw_values = st.one_of(
    st.tuples(st.just("v"), finite | st.integers(-(2**53), 2**53)),
    st.tuples(st.just("vs"), st.text(max_size=20)),
    st.tuples(st.just("vb"), st.booleans()),
    st.tuples(st.just("vd"), st.binary(max_size=20)),
)
raw_records = st.builds(
    lambda name, unit, value, time: {"n": name, value[0]: value[1], **unit, **time},
    st.from_regex(r"[A-Za-z0-9][A-Za-z0-9\-:./_]{0,30}", fullmatch=True),
    st.fixed_dictionaries({}, optional={"u": st.sampled_from(["m", "Cel", "/"])}),
    raw_values,
    st.fixed_dictionaries({}, optional={"t": st.floats(-1e6, 1e6), "s": st.floats(-1e6, 1e6)}),
)


@given(st.lists(raw_records, min_size=1, max_size=8))
def test_any_pack_survives_both_forms(records):
    expected = senml.resolve(records, NOW_S)
    assert senml.resolve(senml.parse_json(senml.encode_json(records)), NOW_S) == expected
    assert senml.resolve(senml.parse_cbor(senml.encode_cbor(records)), NOW_S) == expected


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_and_nothing_else(payload):
    for parse in (senml.parse_json, senml.parse_cbor):
        try:
            senml.resolve(parse(payload), NOW_S)
        except FrameError as error:
            assert error.reason
