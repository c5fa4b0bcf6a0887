"""What every benchmark prints above its table: the machine and the day."""

from __future__ import annotations

import datetime
import os
import platform
from pathlib import Path


def machine() -> str:
    """Return one line about this machine, Python and numpy."""
    import numpy as np

    model = "unknown processor"
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text(encoding="utf-8", errors="replace").splitlines():
            if line.startswith("model name"):
                model = line.split(":", 1)[1].strip()
                break
    today = datetime.datetime.now(datetime.UTC).date().isoformat()
    return (
        f"{today} · {model} · {os.cpu_count()} cores · {platform.system()} {platform.release().split('-')[0]}"
        f" · Python {platform.python_version()} · numpy {np.__version__}"
    )


def table(title: str, header: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    """Return a plain table with a title and the machine."""
    widths = [max(len(row[column]) for row in [header, *rows]) for column in range(len(header))]
    lines = [title, machine(), ""]
    lines.extend(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in [header, tuple("-" * width for width in widths), *rows]
    )
    return "\n".join(lines)
