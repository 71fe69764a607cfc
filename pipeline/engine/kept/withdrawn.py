"""Whom the facts withhold by the end of a run, which read them at its beginning: what is sent cannot be called back."""

from __future__ import annotations

from dataclasses import replace

from pipeline.engine.jobs import Shoot, without_wrong_rows
from pipeline.errors import InputError
from pipeline.shoot.consent import held_by_own_texts
from pipeline.shoot.read_facts import load_facts
from pipeline.textfile.messages import counted

_AGAIN = "nothing was put into a zip or page or sent; run the same command again"


def withheld_meanwhile(shoot: Shoot) -> str:
    """Why nothing of a run may be sent: its facts, as their files are now, withhold somebody whom they did not when
    they were read, or cannot be read any more. "" where it may."""
    facts, problems, _ = load_facts(shoot.folder, shoot.facts_file, shoot.index)
    try:
        facts, _ = without_wrong_rows(facts, problems)
    except InputError as error:
        where = f"{error.problems[0].file}:{error.problems[0].line}" if error.problems else "see evencourt check"
        return f"the facts were changed while the run was on and are wrong now ({where}): {_AGAIN}"
    if facts.minors and not shoot.facts.minors:
        return f"shoot.yaml says minors: true since the run began: {_AGAIN}"
    texts = shoot.own_texts
    if [p for p in facts.roster if not p.publish] != [p for p in shoot.facts.roster if not p.publish]:
        texts = held_by_own_texts(facts, shoot.frames)
    now = replace(shoot, facts=facts, own_texts=texts)
    more = [f.name for f in shoot.frames if now.for_consent(f.name) and not shoot.for_consent(f.name)]
    if not more:
        return ""
    frames = counted(len(more), "frame is", "frames are")
    return f"{frames} held back for consent since the run began, and still in OUT: {_AGAIN}, which takes them away"
