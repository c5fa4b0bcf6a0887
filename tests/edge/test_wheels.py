"""What the edge needs installs on small boards from wheels only: asked of the index that pip is set to."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
README = (ROOT / "edge" / "README.md").read_text(encoding="utf-8")
PYTHON = "3.11"  # the oldest that is supported
# glibc 2.28 and later: what the wheels of numpy and cbor2 ask for.
AARCH64 = ("manylinux2014_aarch64", "manylinux_2_17_aarch64", "manylinux_2_28_aarch64")
ARMV7 = ("manylinux2014_armv7l", "manylinux_2_17_armv7l", "manylinux_2_31_armv7l", "linux_armv7l")


def needed() -> list[str]:
    """Return what `pip install 'axlewright[edge]'` asks for by name."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return project["dependencies"] + project["optional-dependencies"]["edge"]


def found(platforms: tuple[str, ...], *packages: str, whole: bool = False) -> tuple[bool, str]:
    """Return whether pip finds wheels of these packages (`whole`: and of all that they need), and what it said."""
    words = [word for platform in platforms for word in ("--platform", platform)]
    words += ["--python-version", PYTHON, "--implementation", "cp", "--abi", f"cp{PYTHON.replace('.', '')}"]
    words += ["--timeout", "10", "--retries", "0", *([] if whole else ["--no-deps"]), *packages]
    asked = ["install", "--dry-run", "--ignore-installed", "--target", "unused", "--only-binary=:all:"]
    done = subprocess.run(
        [sys.executable, "-m", "pip", *asked, *words],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    return done.returncode == 0, done.stdout + done.stderr


@pytest.fixture(scope="module")
def index() -> None:
    """Skip where no index answers: a wheel of any platform must be found."""
    good, said = found(AARCH64, "paho-mqtt")
    if not good:
        pytest.skip(f"no package index can be reached: {said.strip().splitlines()[-1] if said.strip() else 'no word'}")


def test_the_edge_installs_on_aarch64_from_wheels_only(index: None) -> None:
    good, said = found(AARCH64, *needed(), whole=True)
    assert good, said


def test_the_readme_names_what_has_no_wheel_for_armv7(index: None) -> None:
    missing = set()
    for requirement in needed():
        name = re.split(r"[<>=!~ ;\[]", requirement, maxsplit=1)[0]
        if not found(ARMV7, requirement)[0]:
            missing.add(name)
    told = re.search(r"no armv7l wheel of ([^:]+):", README)
    assert told is not None
    assert missing == set(re.findall(r"[a-z0-9-]+", told.group(1))) - {"and"}, "edge/README.md says otherwise"
