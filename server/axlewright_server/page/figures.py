"""The intake's counters as a person reads them."""

from __future__ import annotations

from collections.abc import Mapping

from axlewright_server.page.texts import age, figure

# What each counter is called on the page; those not named here are shown under their own name.
_NAMES = {
    "received": "Messages received",
    "received_bytes": "Bytes received",
    "committed": "Frames committed",
    "rows": "Rows stored",
    "batches": "Transactions",
    "duplicates": "Frames seen before",
    "quarantined": "In quarantine since",
    "gaps": "Frames that never came",
    "refused": "Refused",
    "overflow": "Found the queue full",
    "out_of_order_rows": "Rows too late to be judged",
    "symptoms": "Symptoms",
    "failures": "Failed transactions",
    "failed_callbacks": "Failed callbacks",
    "queue_frames": "Frames waiting",
    "queue_bytes": "Bytes waiting",
    "held_frames": "Frames held for their turn",
    "delay_p50_s": "Arrival to commit, half within",
    "delay_p99_s": "Arrival to commit, 99 % within",
    "started_s": "Server started",
    "connected": "Broker",
}


def figure_lines(figures: Mapping[str, float], now_s: float) -> list[tuple[str, str]]:
    """Return name and value of each counter, in words.

    Examples
    --------
    >>> figure_lines({"committed": 12034.0, "delay_p99_s": 0.214, "connected": 1.0}, 0.0)
    [('Frames committed', '12\\xa0034'), ('Arrival to commit, 99 % within', '0.214 s'), ('Broker', 'connected')]
    """
    kinds = [name for name in figures if name.startswith("quarantined_")]
    order: list[str] = []
    for name in [one for one in _NAMES if one in figures] + [one for one in figures if one not in _NAMES]:
        # The kinds of quarantine stand right behind their sum.
        order += [name, *kinds] if name == "quarantined" else [name] if name not in kinds else []
    return [(_name(name), _value(name, figures[name], now_s)) for name in order]


def _name(name: str) -> str:
    if name.startswith("quarantined_"):
        return "· " + name.removeprefix("quarantined_").replace("_", " ").replace("-", " ")
    return _NAMES.get(name, name.replace("_", " ").capitalize())


def _value(name: str, value: float, now_s: float) -> str:
    if name == "connected":
        return "connected" if value else "not connected"
    if name == "started_s":
        return age(now_s - value)
    if name.endswith("_s"):
        return f"{figure(value)} s"
    # A no-break space groups thousands in every language of the page's readers.
    return f"{value:,.0f}".replace(",", "\u00a0") if value == int(value) else figure(value)
