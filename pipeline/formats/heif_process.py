"""Decodes one HEIF file in a process of its own: on damaged files the decoder may end its process instead of failing.

`python -P heif_process.py FILE MOST_PIXELS MOST_BYTES PARENT` writes a line of JSON to standard output, and after it
the octets of the picture. It is run by heif.py as a script and imports hardly anything of the program, so that it
starts in a tenth of a second; it ends when the process PARENT does.
"""

import json
import sys
from pathlib import Path


def main(path: str, most_pixels: int, most_bytes: int) -> None:
    """Write {"error": ...}, or what the octets are: rows of `row` octets, of which `width` pixels count."""
    _limit(most_bytes)
    import pi_heif

    pi_heif.options.THUMBNAILS = pi_heif.options.DEPTH_IMAGES = pi_heif.options.AUX_IMAGES = False
    pi_heif.options.DECODE_THREADS = 1  # frames are the unit of parallel work
    out = sys.stdout.buffer
    try:
        picture = pi_heif.open_heif(Path(path).read_bytes(), convert_hdr_to_8bit=False)
        width, height = picture.size
        info = picture.info
        profile = info.get("icc_profile") or b""
        said = {
            "size": picture.size,
            "bits": int(info.get("bit_depth", 8)),
            "profile": profile.hex(),
            "colour": {key: int(value) for key, value in (info.get("nclx_profile") or {}).items() if key in _CODES},
        }
        data = memoryview(b"")
        if width * height <= most_pixels:
            data = memoryview(picture.data)
            said |= {"mode": picture.mode, "width": picture.size[0], "height": picture.size[1], "row": picture.stride}
    except Exception as error:  # whatever its libraries come up with
        said, data = {"error": f"{error}" or type(error).__name__}, memoryview(b"")
    out.write(json.dumps(said).encode() + b"\n")
    out.write(data)


def _limit(most_bytes: int) -> None:
    """What is coded in the file may be larger than what the file says, and may take any time."""
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (most_bytes, most_bytes))
        resource.setrlimit(resource.RLIMIT_CPU, (_MOST_SECONDS, _MOST_SECONDS))
    except (ImportError, ValueError, OSError):
        return  # Windows has none, and some systems refuse them


_MOST_SECONDS = 300  # of CPU time; 100 megapixels take some 20
_CODES = ("color_primaries", "transfer_characteristics")

if __name__ == "__main__":
    sys.path.append(str(Path(__file__).resolve().parents[2]))  # where the program is, should it not be installed
    from pipeline.lifetime import end_with

    end_with(int(sys.argv[4]))
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
