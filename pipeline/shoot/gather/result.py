"""What became of each card, and whether it may be formatted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.shoot.gather.listing import shown
from pipeline.textfile.messages import and_more, counted


def size_text(size: int) -> str:
    """Bytes in decimal units: "812 kB", "14.2 GB"."""
    for limit, unit in ((1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if size >= limit:
            return f"{size / limit:.1f} {unit}" if unit != "kB" else f"{size / limit:.0f} kB"
    return f"{size} bytes"


def some_text(paths: Sequence[str]) -> str:
    """ "A", or "A and 2 more", fit to print. Raises IndexError where there is none."""
    return shown(and_more(paths))


@dataclass
class CardResult:
    """One card.

    card      the folder as it was given; folders  where each file must stand
    found     files on it; size  their octets; copied  files that were copied now
    gathered  files that stand verified in every folder; verified  files that stand verified in each
    copied_to (one of folders, what is at its top) -> how many were copied to it, usually into the card's own folder
    renamed   (path on the card, path in the folders, or with its folder where only that one got it) of files that
              could not keep their name
    changed   (file, good copy) of files that were gathered earlier and have other bytes now
    failed    (path on the card, reason) of files that are not safe
    against   further reasons against formatting, of the whole card
    on_disk_of  those of folders that are on the disk of the card: to format it would delete their copies too
    notes     what is worth knowing and is no reason against it
    """

    card: Path
    folders: tuple[Path, ...]
    found: int = 0
    size: int = 0
    gathered: int = 0
    copied: int = 0
    copied_to: Counter[tuple[Path, str]] = field(default_factory=Counter)
    renamed: list[tuple[str, str]] = field(default_factory=list)
    changed: list[tuple[Path, Path]] = field(default_factory=list)
    failed: list[tuple[str, str]] = field(default_factory=list)
    against: list[str] = field(default_factory=list)
    on_disk_of: list[Path] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    verified: Counter[Path] = field(default_factory=Counter)
    complete: bool = False

    @property
    def safe(self) -> bool:
        """Whether every file of the card stands in every folder, verified and on another disk: only then may it be
        formatted."""
        return self.whole and not self.on_disk_of

    @property
    def whole(self) -> bool:
        """Whether every file of the card stands in every folder, verified."""
        return self.complete and not self.failed and not self.against and self.gathered == self.found > 0

    def verdict(self) -> str:
        """ "safe to format: yes, because ..." or "no, because ..."."""
        where = " and in ".join(map(shown, self.folders))
        what = "its only file stands" if self.found == 1 else f"all {counted(self.found, 'file')} stand"
        all_there = (
            f"{what} in {where}, read back from disk with the same SHA-256 as on the card ({size_text(self.size)})"
        )
        if self.safe:
            return f"safe to format: yes, because {all_there}"
        reasons = [] if self.whole else self._reasons()
        if self.on_disk_of and self.found:
            disks = " and of ".join(map(shown, self.on_disk_of))
            reasons.append(f"it is a folder on the disk of {disks}: to format that disk would delete the copy too")
        if self.whole:
            reasons.append(f"to empty it, delete its files: {all_there}")
        return f"safe to format: no, because {'; '.join(reasons)}"

    def _reasons(self) -> list[str]:
        reasons = list(dict.fromkeys(self.against))
        by_reason: dict[str, list[str]] = {}
        for path, why in self.failed:
            by_reason.setdefault(why, []).append(path)
        reasons += [f"{some_text(paths)}: {why}" for why, paths in by_reason.items()]
        if self.gathered != self.found:
            counts = [
                f"{self.verified[folder]:,} of {counted(self.found, 'file')} in {shown(folder)}"
                for folder in self.folders
            ]
            reasons.append(f"verified are {', '.join(counts)}")
        return reasons or ["it was not read to its end"]
