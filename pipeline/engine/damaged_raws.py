"""A damaged raw with a good JPEG of the same exposure: the JPEG is measured and delivered in its place.

Some damage shows only when every pixel is decoded, in the middle of a run. It is kept by the bytes of the raw, so that
later runs and commands go to the JPEG at once, and come to the same pictures.
"""

from __future__ import annotations

from dataclasses import replace

from pipeline.formats.exif import read_exif
from pipeline.shoot.pairs import kind_of_twin
from pipeline.store.keys import digest_json, environment
from pipeline.store.store import Store
from pipeline.types import Frame

_KIND = "damaged"


def is_damaged(store: Store, digest: str) -> str:
    """Why the raw of this SHA-256 cannot be decoded, as far as an earlier try showed; "" where it is not known to be.

    Raises OSError where what the cache knows cannot be written into OUT.
    """
    return (store.shared(_KIND, _name(digest), bool) or b"").decode("utf-8", "replace")


def keep_damage(store: Store, digest: str, why: str) -> None:
    """Keep that the raw of this SHA-256 cannot be decoded. Raises OSError."""
    store.put(_KIND, _name(digest), why.encode())
    store.share(_KIND, _name(digest))


def from_twin(frame: Frame) -> Frame | None:
    """The frame with its JPEG in place of the raw; None where it has none that can be opened."""
    if frame.twin is None:
        return None
    try:
        exif = replace(frame.exif, orientation=read_exif(frame.twin, "picture").orientation)
    except OSError:
        return None
    copies = (frame.path, *frame.copies)
    relative = frame.relatives[1]
    return replace(frame, path=frame.twin, relative=relative, kind="picture", exif=exif, twin=None, copies=copies)


def notice(raw: Frame, why: str) -> str:
    """What the report says of such a frame."""
    twin = raw.twin.name if raw.twin else ""
    return f"delivered from its {kind_of_twin(twin)}, {twin}, because the raw is damaged or cannot be read now: {why}"


def _name(digest: str) -> str:
    return digest_json({"frame": digest, "on": environment()})
