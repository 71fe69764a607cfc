"""quality learned in a whole run: the same bytes on one worker and on two, and words where it cannot be used."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.engine.run import read_shoot, run
from pipeline.imaging.learned import runtime
from pipeline.recipe.recipe import load_recipe
from pipeline.shoot.facts import FrameFacts
from pipeline.steps import REGISTRY, denoise
from pipeline.steps.base import ApplyContext
from pipeline.steps.denoise import Basis
from pipeline.types import Domain, Exif, Frame, Image, Noise
from pipeline.workers.executors import Workers, worker_setup
from pipeline.workers.processes import Processes
from tests.golden import write_shoot

RECIPE = """\
recipe: 1
steps:
  - decode: {size: SIZE}
  - white_balance: {method: fixed, multipliers: [1.7, 1.0, 1.9]}
  - exposure: {across: none}
  - denoise: {quality: learned}
deliveries:
  prints:
    - resize: {long_edge: 240}
    - tone:
    - save:
"""


def delivered(
    folder: Path, out: str, size: str, workers: Workers, only: str = "*", quality: str = "learned"
) -> tuple[dict[str, bytes], dict]:
    (folder / "r.yaml").write_text(RECIPE.replace("SIZE", size).replace("learned", quality), encoding="utf-8")
    recipe = load_recipe(folder / "r.yaml", REGISTRY)
    outcome = run(recipe, read_shoot(folder / "shoot", models=folder), folder / out, workers=workers, only=only)
    assert not outcome.failed, outcome.failed
    files = {p.name: p.read_bytes() for p in sorted((folder / out / "prints").iterdir())}
    return files, json.loads((folder / out / "run.json").read_text(encoding="utf-8"))["frames"]


def notices(frame: dict) -> str:
    return " ".join(frame["deliveries"]["prints"]["notices"])


@pytest.mark.parametrize("which", ["MOSAIC", "WEB", "FINISHED"])
def test_weights_that_are_gone_are_known_before_a_frame_is_cleaned(monkeypatch: pytest.MonkeyPatch, which: str) -> None:
    """Finished pictures need their own alone; what is done instead is in the key of the frame, and it is done."""
    monkeypatch.setattr(runtime, which, runtime.Weights("none.npz", "0" * 64))
    assert "quality fine instead of learned" in denoise._no_weights(of_raws=True)
    assert bool(denoise._no_weights(of_raws=False)) == (which == "FINISHED")
    assert Basis(3, "fine", no_weights=True).as_json() == {"quality": "fine"}
    auto = denoise.DenoiseParams.model_validate({"quality": "auto"})
    assert [denoise._done_with(auto, Basis(3, q)) for q in ("learned", "fine")] == ["learned", "fine"]


@pytest.mark.long
def test_the_same_bytes_on_one_worker_and_on_two_raw_or_finished(tmp_path: Path) -> None:
    write_shoot(tmp_path / "shoot")
    for path in sorted((tmp_path / "shoot").glob("*.dng"))[2:]:
        path.unlink()
    (tmp_path / "shoot" / "frames.csv").unlink()
    picture = np.random.default_rng(1).integers(90, 160, (240, 320, 3), np.uint8)
    cv2.imwrite(str(tmp_path / "shoot" / "phone.jpg"), cv2.GaussianBlur(picture, (0, 0), 2))
    one, frames = delivered(tmp_path, "one", "full", 1)
    with Processes(2, worker_setup) as workers:
        two, _ = delivered(tmp_path, "two", "full", workers)
    assert len(one) == 3 and one == two
    assert notices(frames["TH5_0001"]) == notices(frames["TH5_0002"]) == ""
    assert any("with quality learned" in text for text in frames["TH5_0001"]["decisions"])
    assert any("with quality learned by the noise of this frame" in text for text in frames["phone"]["decisions"])
    fine, _ = delivered(tmp_path, "fine", "full", 1, quality="fine")
    assert all(one[name] != fine[name] for name in one)


@pytest.mark.long
def test_web_sizes_too_are_the_same_on_one_worker_and_on_two(tmp_path: Path) -> None:
    write_shoot(tmp_path / "shoot")
    for path in (*sorted((tmp_path / "shoot").glob("*.dng"))[2:], tmp_path / "shoot" / "frames.csv"):
        path.unlink()
    one, frames = delivered(tmp_path, "one", "needed", 1)
    with Processes(2, worker_setup) as workers:
        two, _ = delivered(tmp_path, "two", "needed", workers)
    assert len(one) == 2 and one == two
    assert one != delivered(tmp_path, "fine", "needed", 1, quality="fine")[0]
    assert notices(frames["TH5_0001"]) == ""
    assert any("with quality learned" in text for text in frames["TH5_0001"]["decisions"])


@pytest.mark.parametrize("size", ["full", "needed"])
def test_a_step_of_one_delivery_is_denoised_with_fine_and_says_so(tmp_path: Path, size: str) -> None:
    write_shoot(tmp_path / "shoot")
    for path in (*sorted((tmp_path / "shoot").glob("*.dng"))[1:], tmp_path / "shoot" / "frames.csv"):
        path.unlink()
    step = "  - denoise: {quality: learned}\n"
    recipe = RECIPE.replace(step, "").replace("    - tone:", "  " + step + "    - tone:").replace("SIZE", size)
    (tmp_path / "r.yaml").write_text(recipe, encoding="utf-8")
    shoot = read_shoot(tmp_path / "shoot", models=tmp_path)
    run(load_recipe(tmp_path / "r.yaml", REGISTRY), shoot, tmp_path / "out", workers=1)
    frames = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))["frames"]
    assert "learned must stand under steps" in notices(frames["TH5_0001"])


@pytest.mark.long
def test_by_default_raws_and_finished_pictures_get_the_networks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_shoot(tmp_path / "shoot")
    for path in (*sorted((tmp_path / "shoot").glob("*.dng"))[1:], tmp_path / "shoot" / "frames.csv"):
        path.unlink()
    picture = np.random.default_rng(1).integers(90, 160, (240, 320, 3), np.uint8)
    cv2.imwrite(str(tmp_path / "shoot" / "phone.jpg"), cv2.GaussianBlur(picture, (0, 0), 2))
    (raw, jpeg), frames = delivered(tmp_path, "out", "needed", 1, quality="auto")
    files = {q: delivered(tmp_path, q, "needed", 1, quality=q)[0] for q in ("standard", "fine", "learned")}
    got, standard = delivered(tmp_path, "out", "needed", 1, quality="auto")[0], files["standard"]
    assert got == files["learned"] and all(got[one] not in (standard[one], files["fine"][one]) for one in (raw, jpeg))
    assert any("with quality learned by the noise of this frame" in text for text in frames["phone"]["decisions"])
    assert any("with quality learned, by trained networks" in text for text in frames["TH5_0001"]["decisions"])
    for which, named in (("FINISHED", jpeg), ("WEB", raw)):
        with monkeypatch.context() as damaged:
            damaged.setattr(runtime, which, runtime.Weights("none.npz", getattr(runtime, which).sha256))
            instead = delivered(tmp_path, "out", "needed", 1, quality="auto")[0]
            record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
        assert instead == files["fine"] and instead[named] != got[named]
        said = [n for n in record["notices"] if "none.npz" in n]
        assert len(said) == 1 and "done with quality fine instead of learned" in said[0]
    assert delivered(tmp_path, "out", "needed", 1, quality="auto")[0] == got  # and again with the weights


def test_a_shoot_of_jpegs_needs_no_weights_for_raws(monkeypatch: pytest.MonkeyPatch) -> None:
    for which in ("MOSAIC", "WEB"):
        monkeypatch.setattr(runtime, which, runtime.Weights("none.npz", "0" * 64))
    assert denoise._no_weights(of_raws=False) == "" != denoise._no_weights(of_raws=True)


def test_auto_takes_standard_where_no_network_can_be_used() -> None:
    """A raw of another sensor than Bayer's, or denoised in one delivery: each file says so."""
    auto, learned = (denoise.DenoiseParams.model_validate({"quality": q}) for q in ("auto", "learned"))
    assert "quality standard: the trained networks are for Bayer" in denoise.off_mosaic(auto, of_all=True)
    assert "quality fine: the trained networks are for Bayer" in denoise.off_mosaic(learned, of_all=True)
    assert "standard: learned must stand under steps" in denoise.off_mosaic(auto, of_all=False)
    assert "fine: learned must stand under steps" in denoise.off_mosaic(learned, of_all=False)
    assert denoise.off_mosaic(denoise.DenoiseParams(quality="fine"), of_all=False) == ""
    clean = denoise.on_mosaic(auto)
    assert clean is not None and clean.quality == "standard"
    light = np.full((64, 64, 3), 0.2, np.float32) + np.random.default_rng(1).normal(0, 0.01, (64, 64, 3))
    noise = Noise(np.full(3, 1e-4), np.full(3, 1e-4))
    image = Image(light.astype(np.float32), Domain.CAMERA, noise, np.ones(3), np.eye(3))
    context = ApplyContext(Frame("x", Path(), "", "raw", Exif()), FrameFacts(), Basis(0, "learned"))
    found = {q: denoise.apply(image, denoise.DenoiseParams.model_validate({"quality": q}), context).pixels
             for q in ("auto", "standard", "learned", "fine")}  # fmt: skip
    assert np.array_equal(found["auto"], found["standard"]) and np.array_equal(found["learned"], found["fine"])
    assert not np.array_equal(found["standard"], found["fine"])


def test_other_weights_are_another_key_of_the_frames_that_they_clean_only(monkeypatch: pytest.MonkeyPatch) -> None:
    finished, raw = Basis(3, "learned"), Basis(0, "learned")
    before = finished.as_json(), raw.as_json()
    monkeypatch.setattr(runtime, "FINISHED", runtime.Weights("x.npz", "0" * 64))
    assert finished.as_json() != before[0] and raw.as_json() == before[1]
    for which in ("MOSAIC", "WEB"):
        with monkeypatch.context() as other:
            other.setattr(runtime, which, runtime.Weights("x.npz", "0" * 64))
            assert raw.as_json() != before[1]
    assert Basis().as_json() == {} == Basis(3, "standard").as_json()


@pytest.mark.parametrize("which", ["MOSAIC", *(pytest.param(w, marks=pytest.mark.long) for w in ("WEB", "FINISHED"))])
def test_a_night_without_the_weights_is_delivered_with_fine_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, which: str
) -> None:
    write_shoot(tmp_path / "shoot")
    for path in (*sorted((tmp_path / "shoot").glob("*.dng"))[1:], tmp_path / "shoot" / "frames.csv"):
        path.unlink()
    learned, _ = delivered(tmp_path, "out", "full", 1)
    with monkeypatch.context() as damaged:
        damaged.setattr(runtime, which, runtime.Weights("none.npz", getattr(runtime, which).sha256))
        instead, frames = delivered(tmp_path, "out", "full", 1)
        record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    said = [n for n in record["notices"] if "none.npz" in n]
    assert len(said) == 1 and "quality fine instead of learned" in said[0] and "install evencourt again" in said[0]
    assert "quality fine instead of learned" in json.dumps(frames["TH5_0001"], ensure_ascii=False)
    assert instead == delivered(tmp_path, "fine", "full", 1, quality="fine")[0]
    assert instead != learned
    assert delivered(tmp_path, "out", "full", 1)[0] == learned  # and again with the weights


@pytest.mark.parametrize("which", ["MOSAIC", "WEB", "FINISHED"])
def test_other_weights_are_another_key(monkeypatch: pytest.MonkeyPatch, which: str) -> None:
    params = [REGISTRY["denoise"].Params.model_validate({"quality": q}) for q in ("fine", "learned")]
    own = REGISTRY["denoise"].key
    assert own is not None
    before = [own(p, None) for p in params]
    assert before[0] == params[0].model_dump(mode="json")  # what was rendered by the others stays
    monkeypatch.setattr(runtime, which, runtime.Weights("x.npz", "0" * 64))
    after = [own(p, None) for p in params]
    assert after[0] == before[0] and after[1] != before[1]
