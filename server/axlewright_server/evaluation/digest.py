"""A short name for the code that an evaluation measured: simulators, models, detectors, diagnosis.

Records of parts carry it, so that a resumed run never mixes what different code came to.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import cache
from importlib.util import find_spec
from pathlib import Path

# What judges, within this package; the page, the store and the report change no figure.
JUDGES = ("advisories.py", "kernel.py", "lifetime.py", "memory.py", "detectors", "diagnosis", "prognosis")
KINDS = frozenset({".py", ".toml"})


@cache
def code_digest() -> str:
    """Return twelve hexadecimal digits that change with any file that a figure hangs on."""
    digest = hashlib.sha256()
    for path in _files():
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:12]


def _files() -> Iterator[Path]:
    server = Path(__file__).parents[1]
    for name in JUDGES:
        yield from _below(server / name)
    for package in ("axlewright_models", "axlewright_simulators"):
        # Looked for, not imported: the simulators are reached by their command alone.
        found = find_spec(package)
        for folder in (found.submodule_search_locations or ()) if found is not None else ():
            yield from _below(Path(folder))


def _below(path: Path) -> list[Path]:
    if path.is_file():
        return [path]
    return sorted(file for file in path.rglob("*") if file.suffix in KINDS)
