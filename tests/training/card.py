"""Write the model card beside the weights: `python -m tests.training.card WALLPAPERS`.

WALLPAPERS is the folder in which Debian's packages are unpacked, for the licence of each picture. What was trained on
is sources.json of the pack, kept beside this file.
"""

from __future__ import annotations

import hashlib
import json
import re
import sys
from collections import defaultdict
from fnmatch import fnmatch
from pathlib import Path

from pipeline.imaging.learned import runtime
from tests.training.pictures import held_back, of_scenes_held_out

SEED = 20151
# Of the runs that made the weights: commit, steps, pieces.
RUNS = {
    runtime.MOSAIC: ("the commit that changed it last", 595_587, "twelve"),
    runtime.WEB: ("the commit that changed it last", 376_859, "ten"),
    runtime.FINISHED: ("the commit that changed it last", 145_216, "four"),
}
HERE = Path(__file__).parent
CARD = Path(runtime.__file__).with_name("MODEL_CARD.md")

TEXT = """\
# Model card: the networks of `denoise: {{quality: learned}}`

- {mosaic}: for full size, and for files of more than two thirds of it. It takes the packed cells of a noisy Bayer
  mosaic (RGGB, in the root domain of domain.py), told how noisy they are, and gives red, green and blue of every
  pixel. 3x3 convolutions on four scales.
- {web}: for web sizes. It takes the mosaic averaged to twice the size of the result, told how noisy it is, and how
  much smaller than the sensor it is. 3x3 convolutions on three scales.
- {finished}: for finished pictures (JPEG, TIFF, PNG), at any size. It takes cells of 2x2 pixels, sRGB, over the
  deviation of the noise that was measured in them, told its power by size and colour (told.py), and gives a
  correction in that unit. 3x3 convolutions on four scales. What it takes is bounded by what was measured.

All are of half precision, NumPy's .npz, and run by this program (winograd.py) on one thread. They were made by this
project, for this program; no weights of others went into them.

{runs}
- tests/training/README.md says how to repeat it.
- Licence: that of the project, MIT. Some of the pictures they learnt from are under licences that ask for the
  same licence of what is derived from them (below). They hold no picture; whether the law of your country calls
  weights derived is not settled, so ask before you rely on it beyond this program.

## What they were trained on

Pictures without noise, to which the noise of sensors was added by simulation (tests/training/sensor.py): shot
and read noise over the ranges of five measured cameras from about ISO 100 to above 25,600, most above ISO 800, rows,
defects, clipping, steps of the raw numbers, and levels told up to 35 % wrong. No photograph with real noise, of
sport, or of a user was used.

{finished} learnt from such pictures as cameras finish them (tests/training/finished.py): demosaiced three ways,
parted in colour, sharpened, smoothed, bent by a curve, made smaller, and saved as JPEG of quality 75 to 97; one in
six had no noise, and in its last two pieces one in five had noise of another kind, added to the finished picture. Of
the photographs below it saw {charts}, of charts: the scenes of all others are measured (`python -m tests.jpeg_noise`).
The wallpapers were brought to 1900 pixels for it, to 1440 for the others.

- {photos} crops of photographs of all kinds (../shared/data/photos: CC0-1.0, and "free to use however you
  wish"); {kept_back} more of the same set were only looked at, to see how far it was.
- {wallpapers} photographs and drawings of Debian's wallpaper packages, each by the licence that its package
  states:
{packages}
- Dead leaves, stripes, nets, wedges and letters, drawn by tests/training/synthetic.py; in the last ten pieces of
  {mosaic} and seven of {web} also pieces of cloth, skin and floor, in deep colours, black and white, some woven, and in
  the last eight and five, knitted and woven in many ways.

File by file, with SHA-256: tests/training/sources.json, whose own is `{listed}`. The photographs that `python
-m tests.denoise_table` compares with were held out.

## What they are for, and what not

For making photographs of dim halls clean to look at, by raw files of Bayer sensors and by finished pictures. They were
measured on simulated noise only (MEASURED.md, "Noise: the networks for raws").

Not for evidence: they draw what is likely where the noise hides what was there. Below the noise they may round a
letter, close a net or smooth a face. Do not use it to read a number or a name, to tell who somebody is, to
judge a goal or an injury, for medical or scientific pictures, or for measuring. Keep the raw file: it alone is
what the camera saw.

They know nothing of people, and find or name nobody. Faces of every skin are cleaned by the same rule, but the
share of them in their pictures was not counted, and whether darker skin loses more texture was not measured.
"""


def licences(package: Path) -> list[tuple[str, str]]:
    """(pattern, licence) by the machine-readable copyright file of a Debian package."""
    text = next(package.rglob("copyright")).read_text(encoding="utf-8", errors="replace")
    found = []
    for block in re.split(r"\n\s*\n", text):
        files, licence = (re.search(rf"^{key}:(.*(?:\n[ \t].*)*)", block, re.M) for key in ("Files", "License"))
        if files and licence:
            found += [(p, licence[1].strip().split("\n")[0]) for p in files[1].split()]
    return found


def licence_of(path: str, known: list[tuple[str, str]]) -> str:
    """Of the pattern that names the file, or else of that for all files."""
    named = [licence for pattern, licence in known
             if Path(pattern).name.strip("*") and fnmatch(Path(path).name, Path(pattern).name)]  # fmt: skip
    return (named or [licence for pattern, licence in known if pattern == "*"] or ["see its package"])[-1]


def main() -> None:
    wallpapers = Path(sys.argv[1])
    listed = json.loads((HERE / "sources.json").read_text(encoding="utf-8"))
    photos = [name for name in listed if name.endswith(".webp")]
    by_package: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for name in listed:
        if name not in photos:
            package = name.split("/")[0]
            by_package[package][licence_of(name, licences(wallpapers / package))] += 1
    lines = [
        f"  - {package}: " + ", ".join(f"{count} {licence}" for licence, count in sorted(of.items()))
        for package, of in sorted(by_package.items())
    ]
    runs = []
    for weights, (commit, steps, pieces) in RUNS.items():
        data = CARD.with_name(weights.file).read_bytes()
        runs.append(
            f"- {weights.file}: {len(data):,} bytes, SHA-256 `{hashlib.sha256(data).hexdigest()}`. The program\n"
            f"  refuses any other file. Trained with `tests/training` of {commit}, seed {SEED}, {steps:,}\n"
            f"  steps, on one GPU in {pieces} pieces of under ten minutes."
        )
    back = sum(held_back(index) for index in range(len(photos)))
    text = TEXT.format(
        mosaic=runtime.MOSAIC.file, web=runtime.WEB.file, finished=runtime.FINISHED.file,
        runs="\n".join(runs), photos=len(photos) - back,
        charts=sum(not of_scenes_held_out(index) for index in range(len(photos))),
        kept_back=back, wallpapers=len(listed) - len(photos), packages="\n".join(lines),
        listed=hashlib.sha256((HERE / "sources.json").read_bytes()).hexdigest(),
    )  # fmt: skip
    CARD.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
