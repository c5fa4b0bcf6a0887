"""Symptoms and causes in words."""

from __future__ import annotations

from collections.abc import Callable

from axlewright_models.signals import CHANNELS, INDEX
from axlewright_server.detectors.base import Symptom
from axlewright_server.diagnosis.case import counted
from axlewright_server.diagnosis.facts import NONE, Knowledge
from axlewright_server.diagnosis.posterior import Finding

_SHOWN = 3  # pieces of evidence named for and against a cause
_NOTABLE = 0.2  # departure in the logarithm of the odds below which a finding says nothing worth telling


def channel_title(channel: str) -> str:
    """Return a channel's title; of several (joined by commas) the first one's."""
    name = channel.split(",")[0]
    return CHANNELS[INDEX[name]].title if name in INDEX else name


def symptom_text(symptom: Symptom) -> str:
    """Return what a symptom says, with its number and its limit.

    Examples
    --------
    >>> symptom_text(Symptom(0, 0.0, "lube-hot", "lube", 2, 0.0, 124.2, 121.0, "Cel", 1.0))
    'lube at 124 °C (limit 121 °C)'
    """
    if symptom.code.startswith("source-"):
        return f"the raised lines fit best: {symptom.code.removeprefix('source-').replace('-', ' ')}"
    return _TEXTS.get(symptom.code, _ratio_text)(symptom)


def _height(symptom: Symptom) -> str:
    side = "below" if symptom.value < 0.0 else "above"
    return f"stands {abs(symptom.value):.0f} mm {side} specification (limit {symptom.limit:.0f} mm)"


def _lean(symptom: Symptom) -> str:
    side = "left" if symptom.value < 0.0 else "right"
    return f"leans: the {side} side stands {abs(symptom.value):.0f} mm lower (limit {symptom.limit:.0f} mm)"


def _leak(symptom: Symptom) -> str:
    side = symptom.channel.rsplit("/", 1)[-1]
    return f"{side} side sinks {symptom.value:.0f} mm/h while parked (limit {symptom.limit:.0f} mm/h)"


def _hot(symptom: Symptom) -> str:
    kind = "limit" if symptom.level == 2 else "caution"
    return f"lube at {symptom.value:.0f} °C ({kind} {symptom.limit:.0f} °C)"


def _rise(symptom: Symptom) -> str:
    return f"lube rises {symptom.value:.1f} K in a minute without more load (limit {symptom.limit:.0f} K)"


def _model(symptom: Symptom) -> str:
    side = "below" if symptom.value < 0.0 else "above"
    return f"lube {abs(symptom.value):.0f} K {side} what load, speed and weather explain"


def _partner(symptom: Symptom) -> str:
    side = "colder" if symptom.value < 0.0 else "hotter"
    return f"lube {abs(symptom.value):.0f} K {side} than usual against the other drive axle"


def _pressure(symptom: Symptom) -> str:
    return f"{symptom.value:.0f} kPa in the housing (limit {symptom.limit:.0f} kPa)"


def _level(symptom: Symptom) -> str:
    return f"lube stands {-symptom.value:.0f} mm below the plug"


def _moved(how: str) -> Callable[[Symptom], str]:
    def told(symptom: Symptom) -> str:
        side = "down" if symptom.value < 0.0 else "up"
        return f"height has moved {abs(symptom.value):.0f} mm {side} {how}"

    return told


def _fell(symptom: Symptom) -> str:
    return f"lube level fell {-symptom.value:.0f} mm from one rest to the next"


def _plain(text: str) -> Callable[[Symptom], str]:
    return lambda symptom: text


def _ratio_text(symptom: Symptom) -> str:
    title = channel_title(symptom.channel)
    return f"{title}: {symptom.value:.1f} times what is usual for it at this speed (limit {symptom.limit:.1f})"


def _rising(symptom: Symptom) -> str:
    return f"{channel_title(symptom.channel)}: rises steadily over weeks, still below its limit"


def _sensor(text: str) -> Callable[[Symptom], str]:
    return lambda symptom: f"{channel_title(symptom.channel)}: {text}"


_TEXTS: dict[str, Callable[[Symptom], str]] = {
    "height-low": _height,
    "height-high": _height,
    "lean-left": _lean,
    "lean-right": _lean,
    "leak-down": _leak,
    "lube-hot": _hot,
    "lube-rise": _rise,
    "lube-above-model": _model,
    "lube-below-model": _model,
    "hotter-than-partner": _partner,
    "forward-hotter": _partner,
    "rear-hotter": _partner,
    "height-drift": _moved("from this axle's own"),
    "height-step": _moved("within two days of driving"),
    "colder-than-partner": _partner,
    "partner-left-model": _plain("it is the other drive axle that has left its own expectation"),
    "lube-level-fell": _fell,
    "hunting": _plain("height swings more than this axle's own on the same roads"),
    "heat-with-speed": _plain("the excess heat goes with speed"),
    "heat-with-torque": _plain("the excess heat goes with the power passed on"),
    "heat-at-rest-start": _plain("the excess heat is there mostly while the lube is cold"),
    "warms-slowly": _plain("lube warms more slowly after a cold start than its model"),
    "warms-fast": _plain("lube warms faster after a cold start than its model"),
    "guard-spoke": _plain("the guard on board has told the driver"),
    "lube-level-high": _plain("lube stands above the plug"),
    "lines-coincide": _plain("a raised line lies where another source's does in every gear seen so far"),
    "ambiguous": _plain("another source explains the raised lines nearly as well"),
    "sump-pressure-high": _pressure,
    "lube-level-low": _level,
    "order-rising": _rising,
    "envelope-rising": _rising,
    "sensor-bias": _sensor("differs after a long park from what it should agree with"),
    "sensor-drift": _sensor("drifts from park to park"),
    "sensor-noisy": _sensor("scatters far more than its own"),
    "sensor-loose": _sensor("seems to be loose on its mount"),
    "sensor-swapped": _sensor("lean and air spring pressures go together with the wrong sign"),
    "sensor-wrong-unit": _sensor("readings fit only after converting them from another unit"),
    "sensor-range": _sensor("reads what is not possible"),
    "sensor-silent": _sensor("is silent while other sensors of the truck speak"),
    "sensor-stuck": _sensor("has stood still while it must have moved"),
    "sensor-erratic": _sensor("changes faster than an axle can"),
    "sensor-disagreement": _sensor("left and right differ by more than a frame can lean"),
}


def explanation(knowledge: Knowledge, cause: str, finding: Finding) -> str:
    """Return what speaks for and against a cause, the strongest first, with the reason for each."""
    if cause == NONE:
        return knowledge.none.reason
    number = knowledge.number[cause]
    own = knowledge.causes[cause].likelihood
    speaks_for: list[tuple[float, str]] = []
    against: list[tuple[float, str]] = []
    for piece in counted(finding.pieces):
        gain = float(piece.log[number] - piece.log[0])
        if not (piece.stands or piece.finding):
            if piece.names[0] in own and own[piece.names[0]].p > 0.3:
                against.append((-float(piece.log[number]), f"not seen: {_piece_title(knowledge, piece.names)}"))
        elif gain > (_NOTABLE if piece.finding else 0.0):
            reason = _reason(knowledge, cause, piece.names)
            speaks_for.append((gain, _piece_title(knowledge, piece.names) + (f" ({reason})" if reason else "")))
        elif piece.stands or gain < -_NOTABLE:
            word = "does not explain" if piece.stands else "found"
            against.append((-float(piece.log[number]), f"{word}: {_piece_title(knowledge, piece.names)}"))
    parts = [f"{word}: {_strongest(found)}" for word, found in (("for", speaks_for), ("against", against)) if found]
    return ". ".join(parts) or "no evidence of its own"


def _piece_title(knowledge: Knowledge, names: tuple[str, ...]) -> str:
    """Return a piece in words; lines that coincide are said to be one of several."""
    titles = []
    for name in names:
        check, equals, outcome = name.partition("=")
        titles.append(knowledge.checks[check].outcome[outcome].title if equals else knowledge.evidence[name].title)
    if len(names) > 1 and "=" not in names[0]:
        return f"either {' or '.join(titles)}: the lines coincide in every gear seen so far"
    return ", ".join(titles)


def _reason(knowledge: Knowledge, cause: str, names: tuple[str, ...]) -> str:
    kind = knowledge.causes[cause]
    for name in names:
        check, equals, outcome = name.partition("=")
        entry = kind.found.get(check, {}).get(outcome) if equals else kind.likelihood.get(name)
        if entry is not None:
            return entry.reason
    return ""


def _strongest(found: list[tuple[float, str]]) -> str:
    ordered = sorted(found, key=lambda item: (-item[0], item[1]))
    return "; ".join(text for _, text in ordered[:_SHOWN])


def sureness(probability: float) -> str:
    """Return a probability in words: no finite evidence makes certain.

    Examples
    --------
    >>> sureness(0.83), sureness(0.9996)
    ('83 %', 'over 99 %')
    """
    return "over 99 %" if probability > 0.99 else f"{probability * 100.0:.0f} %"


def path_title(path: str) -> str:
    """Return a leak path in words.

    Examples
    --------
    >>> path_title("output-shaft-seal"), path_title("wheel-end-seal")
    ('output shaft seal', 'wheel-end seal')
    """
    return path.replace("-", " ").replace("wheel end", "wheel-end")
