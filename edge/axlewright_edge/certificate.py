"""When the truck's own certificate ends: a broker that turns an expired one away seldom says why."""

from __future__ import annotations

import ssl
from datetime import UTC, datetime
from pathlib import Path

_SEQUENCE, _UTC_TIME, _GENERALIZED_TIME, _VERSION = 0x30, 0x17, 0x18, 0xA0
_CENTURY = 50  # RFC 5280, 4.1.2.5.1: two-digit years from 50 on are of the last century


def expiry_s(path: Path) -> float | None:
    """Return until when the first certificate of a PEM file is good; None where it cannot be read. [Unix s]"""
    try:
        text = path.read_text(encoding="ascii")
        first = text[text.index(ssl.PEM_HEADER) : text.index(ssl.PEM_FOOTER) + len(ssl.PEM_FOOTER)]
        return _not_after(ssl.PEM_cert_to_DER_cert(first)).timestamp()
    except (OSError, ValueError, IndexError):
        return None


def _not_after(der: bytes) -> datetime:
    """Return the second time of the validity; the structure is that of RFC 5280, section 4.1."""
    _, certificate, _ = _element(der)
    _, body, _ = _element(certificate)
    tag, _, rest = _element(body)
    if tag == _VERSION:
        _, _, rest = _element(rest)  # serial number
    _, _, rest = _element(rest)  # signature algorithm
    _, _, rest = _element(rest)  # issuer
    tag, validity, _ = _element(rest)
    if tag != _SEQUENCE:
        raise ValueError("no validity where it belongs")
    _, _, rest = _element(validity)
    tag, text, _ = _element(rest)
    return _time(tag, text.decode("ascii"))


def _time(tag: int, text: str) -> datetime:
    if tag == _UTC_TIME:
        text = ("20" if int(text[:2]) < _CENTURY else "19") + text
    elif tag != _GENERALIZED_TIME:
        raise ValueError(f"tag {tag} is no time")
    return datetime.strptime(text, "%Y%m%d%H%M%SZ").replace(tzinfo=UTC)


def _element(data: bytes) -> tuple[int, bytes, bytes]:
    """Return tag, content and what follows of the first element (DER)."""
    length, begin = data[1], 2
    if length & 0x80:
        begin += length & 0x7F
        length = int.from_bytes(data[2:begin], "big")
    return data[0], data[begin : begin + length], data[begin + length :]
