"""The whole line through the command, on the generated shoot and on real raws."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import numpy as np
import PIL.Image
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.cli.steps import steps_text
from pipeline.engine.render import long_edge_needed
from pipeline.engine.solve import Plan
from pipeline.errors import EvencourtError
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY, crop, resize

RECIPE = """\
recipe: 1
steps:
  - decode:
  - white_balance: {method: reference_patch}
  - exposure: {across: burst}
  - denoise: {strength: 1.0}
deliveries:
  web:
    - crop: {to: subject, aspect: "3:2"}
    - resize: {long_edge: 480}
    - caption:
    - save: {format: jpeg, quality: 88, at_most: 150 KB}
"""


def evencourt(*arguments: object) -> tuple[int, str]:
    """Exit status and everything printed, with the errors that `main` would print."""
    result = CliRunner().invoke(app.app, [str(a) for a in arguments])
    if isinstance(result.exception, EvencourtError):
        return 2, result.output + str(result.exception)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.output


def hashes(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.glob("*.*"))}


def some_frames(source: Path, target: Path, count: int) -> list[str]:
    target.mkdir(parents=True)
    chosen = sorted(source.glob("*.dng"))[:count]
    for path in chosen:
        shutil.copy2(path, target)
    for name in ("shoot.yaml", "roster.csv", "frames.csv"):
        shutil.copy2(source / name, target)
    rows = (target / "frames.csv").read_text(encoding="utf-8").splitlines()
    stems = [p.stem for p in chosen]
    kept = [rows[0], *(r for r in rows[1:] if r.split(",")[0] in stems)]
    (target / "frames.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    return stems


@pytest.fixture(scope="module")
def finished(small_shoot, tmp_path_factory):
    folder = tmp_path_factory.mktemp("run")
    recipe = folder / "recipe.yaml"
    recipe.write_text(RECIPE, encoding="utf-8")
    names = some_frames(small_shoot[0], folder / "shoot", 8)
    before = hashes(folder / "shoot")
    status, text = evencourt("run", recipe, folder / "shoot", "--out", folder / "out", "--workers", 2)
    assert status == 0, text
    assert hashes(folder / "shoot") == before  # the shoot folder is never written
    return folder, names


def test_every_frame_is_delivered_in_size_and_budget(finished) -> None:
    folder, names = finished
    files = sorted((folder / "out" / "web").iterdir())
    assert [f.stem for f in files] == names
    for path in files:
        with PIL.Image.open(path) as picture:
            assert max(picture.size) == 480 and picture.info["icc_profile"]
            assert picture.width / picture.height == pytest.approx(1.5, abs=0.01)
        assert path.stat().st_size <= 150_000
    assert (folder / "out" / "report.html").is_file()


def test_second_run_renders_nothing(finished) -> None:
    folder, _ = finished
    before = hashes(folder / "out" / "web")
    status, text = evencourt("run", folder / "recipe.yaml", folder / "shoot", "--out", folder / "out")
    assert status == 0 and "nothing to render" in text
    assert hashes(folder / "out" / "web") == before


@pytest.mark.long
def test_one_worker_and_two_give_the_same_bytes(finished, tmp_path) -> None:
    folder, _ = finished
    evencourt("run", folder / "recipe.yaml", folder / "shoot", "--out", tmp_path / "one", "--workers", 1)
    assert hashes(tmp_path / "one" / "web") == hashes(folder / "out" / "web")


def test_a_new_caption_encodes_no_pixel(finished, tmp_path) -> None:
    folder, names = finished
    out = tmp_path / "out"
    shutil.copytree(folder / "out", out)
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text(RECIPE.replace("caption:", 'caption: {headline: "Semi-final night"}'), encoding="utf-8")
    pixels = {p.name: np.asarray(PIL.Image.open(p)) for p in (out / "web").iterdir()}
    status, text = evencourt("run", recipe, folder / "shoot", "--out", out)
    assert status == 0 and "nothing to render" in text and f"{len(names)} captions rewritten" in text
    for path in (out / "web").iterdir():
        assert b"Semi-final night" in path.read_bytes()
        assert (np.asarray(PIL.Image.open(path)) == pixels[path.name]).all()


def test_verify_finds_a_changed_file(finished, tmp_path) -> None:
    folder, names = finished
    out = tmp_path / "out"
    shutil.copytree(folder / "out", out)
    status, text = evencourt("verify", out, "--render", 2)
    assert status == 0, text
    victim = out / "web" / f"{names[0]}.jpg"
    victim.write_bytes(victim.read_bytes() + b"x")
    status, text = evencourt("verify", out)
    assert status == 1 and f"web/{names[0]}.jpg: differs" in text


def test_bad_frames_are_named_and_the_rest_delivered(small_shoot, tmp_path) -> None:
    shoot = tmp_path / "shoot"
    names = some_frames(small_shoot[0], shoot, 4)
    whole = (shoot / f"{names[3]}.dng").read_bytes()
    (shoot / "CUT_0001.dng").write_bytes(whole[: len(whole) // 2])
    (shoot / "EMPTY_01.NEF").write_bytes(b"")
    (shoot / "TEXT_001.NEF").write_text("not a photograph", encoding="utf-8")
    with (shoot / "frames.csv").open("a", encoding="utf-8") as rows:
        rows.write("GONE_001,yes,,,,\n")
    (tmp_path / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
    status, text = evencourt("run", tmp_path / "recipe.yaml", shoot, "--out", tmp_path / "out", "--workers", 1)
    assert status == 1
    for name in ("CUT_0001", "EMPTY_01", "TEXT_001"):
        assert f"failed: {name}" in text, text
    assert "not used: GONE_001: " in text, text
    assert sorted(p.stem for p in (tmp_path / "out" / "web").iterdir()) == names
    record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert record["counts"]["failed"] == 4


def test_out_inside_shoot_is_refused(finished) -> None:
    folder, _ = finished
    status, text = evencourt("run", folder / "recipe.yaml", folder / "shoot", "--out", folder / "shoot" / "out")
    assert status == 2 and "shoot" in text
    assert not (folder / "shoot" / "out").exists()


@pytest.mark.parametrize("every", [5, pytest.param(1, marks=pytest.mark.long)])
def test_real_raws_come_out_as_pictures(shared, tmp_path, every) -> None:
    """Old compact cameras; three files have no camera balance, two have non-square pixels (1.53 : 1)."""
    raws = tmp_path / "raws"
    raws.mkdir()
    of_cameras = sorted(p for p in shared("data/raw").iterdir() if p.suffix in (".CRW", ".KDC"))[::every]
    for path in of_cameras:
        shutil.copyfile(path, raws / path.name)
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text(RECIPE.replace('aspect: "3:2"', "aspect: original"), encoding="utf-8")
    status, text = evencourt("run", recipe, raws, "--out", tmp_path / "out", "--workers", 1)
    assert status == 0, text
    files = list((tmp_path / "out" / "web").iterdir())
    assert len(files) == len(of_cameras)
    for path in files:
        with PIL.Image.open(path) as picture:
            pixels = np.asarray(picture, dtype=float)
        assert 1.2 < pixels.shape[1] / pixels.shape[0] < 1.6, path.name
        assert 30 < pixels.mean() < 200 and pixels.std() > 15, path.name
        means = pixels.reshape(-1, 3).mean(axis=0)
        assert means.max() / means.min() < 1.8, (path.name, means)


def test_check_names_line_and_word(tmp_path) -> None:
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text(RECIPE.replace("resize:", "resise:").replace("strength: 1.0", "strength: 9"), encoding="utf-8")
    status, text = evencourt("check", recipe)
    assert status == 2
    assert "recipe.yaml:6:" in text and "recipe.yaml:10:" in text and "resize" in text


def test_readme_reference_is_generated_from_the_steps() -> None:
    readme = (Path(__file__).resolve().parents[2] / "recipes" / "README.md").read_text(encoding="utf-8")
    assert steps_text(list(REGISTRY.values())) in readme


def test_a_repeated_key_is_reported_with_the_rest(tmp_path) -> None:
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text(RECIPE.replace("quality: 88", "quality: 8, quality: 88"), encoding="utf-8")
    status, text = evencourt("check", recipe)
    assert status == 2
    assert "quality is already on line 12" in text and "quality: 8 is out of range" in text


def withhold_everybody(shoot: Path) -> None:
    text = (shoot / "roster.csv").read_text(encoding="utf-8")
    (shoot / "roster.csv").write_text(text.replace(",yes", ",no"), encoding="utf-8")


@pytest.mark.parametrize("how", ["another frame only", "its delivery now fails", "its raw is gone bad"])
def test_a_name_withheld_later_stays_in_no_file(finished, tmp_path, how) -> None:
    """Whatever the run does not make anew must follow the roster too."""
    folder, names = finished
    shoot, out, recipe = tmp_path / "shoot", tmp_path / "out", tmp_path / "recipe.yaml"
    shutil.copytree(folder / "shoot", shoot)
    shutil.copytree(folder / "out", out)
    recipe.write_text(RECIPE, encoding="utf-8")
    named = [p for p in (out / "web").iterdir() if b"Solbakken" in p.read_bytes()]
    assert named
    withhold_everybody(shoot)
    only: tuple[str, ...] = ()
    if how == "another frame only":
        only = ("--only", names[0])
    elif how == "its delivery now fails":
        recipe.write_text(RECIPE.replace("150 KB", "10 KB"), encoding="utf-8")
    else:
        (shoot / f"{named[0].stem}.dng").write_bytes(b"")
    evencourt("run", recipe, shoot, "--out", out, "--workers", 1, *only)
    for path in [*(out / "web").iterdir(), out / "run.json", out / "report.html"]:
        assert b"Solbakken" not in path.read_bytes(), path.name
    status, text = evencourt("verify", out)
    assert status == 0, text


def test_one_delivery_that_fails_does_not_sink_the_other(finished, tmp_path) -> None:
    folder, names = finished
    recipe = tmp_path / "recipe.yaml"
    small = "  tiny:\n    - resize: {long_edge: 480}\n    - save: {at_most: 10 KB}\n"
    recipe.write_text(RECIPE + small, encoding="utf-8")
    arguments = ("run", recipe, folder / "shoot", "--out", tmp_path / "out", "--workers", 1, "--only", names[3])
    status, text = evencourt(*arguments)
    assert status == 1 and "tiny: does not fit into 10 KB" in text
    assert [p.stem for p in (tmp_path / "out" / "web").iterdir()] == [names[3]]
    status, text = evencourt("verify", tmp_path / "out")
    assert "1 of 1 files" in text


def test_only_fails_only_for_its_own_frames(finished, tmp_path) -> None:
    folder, names = finished
    shoot = tmp_path / "shoot"
    shutil.copytree(folder / "shoot", shoot)
    (shoot / "EMPTY_01.NEF").write_bytes(b"")
    status, text = evencourt(
        "run", folder / "recipe.yaml", shoot, "--out", tmp_path / "out", "--workers", 1, "--only", names[0]
    )
    assert status == 0 and "failed: " not in text and "0 held back, 8 not done" in text


@pytest.mark.parametrize("size", [(2080, 3120), (1600, 2400), (1624, 2448), (4608, 3072), (3024, 4032)])
def test_a_cropped_delivery_has_the_size_asked_for(size, tmp_path) -> None:
    height, width = size
    text = "recipe: 1\ndeliveries:\n  a:\n    - crop: {to: centre, aspect: '4:5'}\n    - resize: {long_edge: 800}\n"
    (tmp_path / "r.yaml").write_text(text, encoding="utf-8")
    recipe = load_recipe(tmp_path / "r.yaml", REGISTRY)
    edge = long_edge_needed(recipe, Plan({}, (), {}, {}), "a", size)
    assert edge is not None
    h, w = round(height * edge / max(size)), round(width * edge / max(size))
    cut = recipe.deliveries[0].steps[0].params
    x0, y0, x1, y1 = crop.box_to_pixels(crop.box_for(cut, {}, h, w), h, w)
    final = resize.output_size(recipe.deliveries[0].steps[1].params, y1 - y0, x1 - x0)
    assert final == (800, 640)
