"""Whom the facts withhold by the end of a run, which read them at its beginning: what is sent cannot be called back."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass, replace

from pipeline.engine.jobs import Shoot, without_wrong_rows
from pipeline.errors import InputError
from pipeline.shoot.consent import named_by_own_texts, with_copies
from pipeline.shoot.read_facts import load_facts, named_tables
from pipeline.textfile.messages import counted

_AGAIN = "nothing more was put into a zip or page or sent; run the same command again"


@dataclass(frozen=True)
class Withdrawal:
    """why  nothing more of a run may be sent; shoot  with the facts as they are now, as far as they can be read"""

    why: str
    shoot: Shoot


def withheld_meanwhile(shoot: Shoot) -> Withdrawal | None:
    """Whether nothing of a run may be sent: its facts, as their files are now, withhold somebody whom they did not when
    they were read, or cannot be read any more. None where it may."""
    facts, problems, _ = load_facts(shoot.folder, shoot.facts_file, shoot.index)
    try:
        facts, _ = without_wrong_rows(facts, problems)
    except InputError as error:
        where = f"{error.problems[0].file}:{error.problems[0].line}" if error.problems else "see evencourt check"
        return Withdrawal(f"the facts were changed while the run was on and are wrong now ({where}): {_AGAIN}", shoot)
    texts = shoot.own_texts
    if [p for p in facts.roster if not p.publish] != [p for p in shoot.facts.roster if not p.publish]:
        texts = named_by_own_texts(facts, shoot.frames)
    now = replace(shoot, facts=facts, own_texts=with_copies(facts, shoot.frames, texts))
    if facts.minors and not shoot.facts.minors:
        return Withdrawal(f"shoot.yaml says minors: true since the run began: {_AGAIN}", now)
    more = [f.name for f in shoot.frames if now.for_consent(f.name) and not shoot.for_consent(f.name)]
    if not more:
        return None
    frames = counted(len(more), "frame is", "frames are")
    return Withdrawal(
        f"{frames} held back for consent since the run began, and still in OUT: {_AGAIN}, which takes them away", now
    )


class Watch:
    """Looks whether somebody withdraws while a run sends, for as long as that takes. found  what was seen, or None"""

    def __init__(self, shoot: Shoot) -> None:
        self.found: Withdrawal | None = None
        self._shoot, self._read_at = shoot, frozenset[tuple[str, int, int]]()
        self._named = named_tables(shoot.folder, shoot.facts_file)

    def withdrawal(self) -> Withdrawal | None:
        """As `withheld_meanwhile`; the facts are read again where their files have changed since the last look."""
        now = self._files()
        if self.found is None and now != self._read_at:
            self._named = named_tables(self._shoot.folder, self._shoot.facts_file)
            self._read_at = self._files()
            self.found = withheld_meanwhile(self._shoot)
        return self.found

    def _files(self) -> frozenset[tuple[str, int, int]]:
        """What the file system says of the tables and YAML files beside the frames and where the facts are, and of
        those that shoot.yaml names, whatever their names are."""
        facts = self._shoot.facts_file
        folders = {self._shoot.folder}
        if facts is not None:
            folders.add(facts if facts.is_dir() else facts.parent)
        found = {("", 0, 0)}  # so that the first look is one
        for folder in folders:
            with suppress(OSError), os.scandir(folder) as entries:
                for entry in entries:
                    if entry.name.lower().endswith((".csv", ".yaml", ".yml")):
                        about = entry.stat()
                        found.add((entry.path, about.st_size, about.st_mtime_ns))
        for path in self._named:
            with suppress(OSError):
                about = path.stat()
                found.add((str(path), about.st_size, about.st_mtime_ns))
        return frozenset(found)
