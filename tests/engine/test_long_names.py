"""Frames whose names are as long as a file system takes: all delivered, in every place that is named after them.

255 octets a name: Linux, limits.h (NAME_MAX); the same on the file systems of macOS and Windows, in their units.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import PIL.Image

from pipeline.engine.filenames import LENGTH_LIMIT, file_names
from tests.engine.test_run import evencourt

STEMS = [
    "x" * 251,
    "x" * 250 + "y",
    "ü" * 125,
    "é" + "ü" * 124,
    "\N{GRINNING FACE}" * 62,
    "a" * 200 + " " * 40,
    "C" * 250,
]
RECIPE = """\
recipe: 1
deliveries:
  web:
    - resize: {long_edge: 40}
    - tone:
    - caption:
    - save: {format: jpeg}
    - deliver: {zip: true, page: true, push: "PUSH"}
  %s:
    - resize: {long_edge: 40}
    - tone:
    - save: {format: tiff, name: "{{ event }}_{{ frame }}"}
"""


def test_all_are_delivered_and_done_once(tmp_path: Path) -> None:
    shoot, out = tmp_path / "shoot", tmp_path / "out"
    shoot.mkdir()
    shades = np.linspace(40, 200, 40 * 60 * 3).reshape(40, 60, 3).astype(np.uint8)
    for number, stem in enumerate(STEMS):
        PIL.Image.fromarray(np.roll(shades, number * 7, axis=0)).save(shoot / f"{stem}.jpg")
    (shoot / "shoot.yaml").write_text(f"title: {'Town cup ' * 30}\n", encoding="utf-8")
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text((RECIPE % ("d" * 64)).replace("PUSH", (tmp_path / "sent").as_uri()), encoding="utf-8")
    status, text = evencourt("run", recipe, shoot, "--out", out, "--workers", 1)
    assert status == 0, text
    names = {path.stem for path in (out / "web").glob("*.jpg")}
    assert len(names) == len(STEMS) == len(list((out / ("d" * 64)).iterdir()))
    assert all(len(path.name.encode()) <= LENGTH_LIMIT + 5 for path in out.rglob("*"))
    with zipfile.ZipFile(out / "web" / "web.zip") as archive:
        assert {Path(name).stem for name in archive.namelist() if name.endswith(".jpg")} == names
    assert {path.stem for path in (tmp_path / "sent").rglob("*.jpg")} >= names
    status, text = evencourt("run", recipe, shoot, "--out", out, "--workers", 1)
    assert status == 0 and "nothing to render" in text
    assert evencourt("verify", out)[0] == 0


def test_a_name_that_is_cut_does_not_depend_on_its_neighbours() -> None:
    """Two that begin alike are told apart by what was cut off, not by which comes first."""
    both, alone = file_names(STEMS), {stem: file_names([stem])[stem] for stem in STEMS}
    assert both == alone and len(set(both.values())) == len(STEMS)
    assert all(len(name.encode()) <= LENGTH_LIMIT for name in both.values())
    templated = file_names(STEMS, template="{{ creator }}_{{ frame }}")
    assert len(set(templated.values())) == len(STEMS)
    assert templated == {stem: file_names([stem], template="{{ creator }}_{{ frame }}")[stem] for stem in STEMS}
