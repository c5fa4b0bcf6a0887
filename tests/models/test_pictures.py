"""The pictures of models/README.md are those that its script draws."""

import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

ROOM = Path(__file__).parents[2] / "models"


def test_the_pictures_kept_are_the_pictures_drawn(tmp_path):
    run = subprocess.run(
        [sys.executable, str(ROOM / "draw_pictures.py"), str(tmp_path)], capture_output=True, text=True
    )
    assert run.returncode == 0, run.stderr
    drawn = {file.name: file.read_text(encoding="utf-8") for file in tmp_path.iterdir()}
    kept = {file.name: file.read_text(encoding="utf-8") for file in (ROOM / "pictures").iterdir()}
    assert drawn == kept, "run python models/draw_pictures.py and commit the pictures"


def test_every_picture_is_well_formed():
    for file in (ROOM / "pictures").glob("*.svg"):
        assert ElementTree.parse(file).getroot().tag.endswith("svg")
