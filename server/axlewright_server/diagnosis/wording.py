"""Symptoms and causes in words."""

from __future__ import annotations

from collections.abc import Callable

from axlewright_models.signals import CHANNELS, INDEX
from axlewright_server.detectors.base import Symptom
from axlewright_server.diagnosis.facts import Knowledge
from axlewright_server.diagnosis.posterior import NONE, Finding

_SHOWN = 3  # pieces of evidence named for and against a cause


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
    return f"lube {symptom.value:.0f} K hotter than usual against the other drive axle"


def _pressure(symptom: Symptom) -> str:
    return f"{symptom.value:.0f} kPa in the housing (limit {symptom.limit:.0f} kPa)"


def _level(symptom: Symptom) -> str:
    return f"lube stands {-symptom.value:.0f} mm below the plug"


def _ratio_text(symptom: Symptom) -> str:
    title = channel_title(symptom.channel)
    return f"{title}: {symptom.value:.1f} times its own baseline at this speed (limit {symptom.limit:.1f})"


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
    "sump-pressure-high": _pressure,
    "lube-level-low": _level,
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
    own = knowledge.causes[cause].likelihood
    speaks_for: list[tuple[float, str]] = []
    against: list[tuple[float, str]] = []
    for name in finding.evidence:
        kind = knowledge.evidence[name]
        p = knowledge.likelihood(cause, name)
        background = knowledge.background[name]
        if p > background:
            speaks_for.append((p / background, f"{kind.title} ({own[name].reason})"))
        else:
            against.append((1.0 / p, f"does not explain: {kind.title}"))
    against += [
        (1.0 / (1.0 - own[name].p), f"not seen: {knowledge.evidence[name].title}")
        for name in finding.absent
        if name in own and own[name].p > 0.3
    ]
    parts = [f"{word}: {_strongest(found)}" for word, found in (("for", speaks_for), ("against", against)) if found]
    return ". ".join(parts) or "no evidence of its own"


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
    >>> path_title("output-shaft-seal")
    'output shaft seal'
    """
    return path.replace("-", " ")
