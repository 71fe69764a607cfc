"""people/: who a frame is about, how good it is, and where it is cut. Each number of the rules is moved by 10 %."""

from __future__ import annotations

from tests.mutants_table import moved, mutant

_FRAMING = "people/framing.py"
_SUBJECT = "people/subject.py"
_TRACKING = "people/tracking.py"
_RANKING = "people/ranking.py"
_FRAMED = ("people/test_framing_rules.py", "people/test_framing.py")
_WORTHY = ("people/test_subject_rules.py", "people/test_subject.py")
_TRACKED = ("people/test_tracking_rules.py", "people/test_tracking.py")
_RANKED = ("people/test_ranking_rules.py", "people/test_ranking.py")


MUTANTS = [
    *moved(_FRAMING, _FRAMED, "calm 60.0; place 20.0; size 6.0; face 50.0; head 0.5; body 0.12; loosest 1.55"),
    *moved(
        _SUBJECT, _WORTHY, "certainty 0.40; small_certainty 2.5; in_focus 0.6; across 0.27; down 0.35; crowd_worth 0.7"
    ),
    *moved(_SUBJECT, _WORTHY, "face_below 0.5; reach 0.6; shortest 0.65; gap 0.2; full_speed 0.12; place_floor 0.2"),
    *moved(_TRACKING, _TRACKED, "jersey 60.0; weight 0.5; fast 0.15; nearest 0.1; runner_reach 0.4; response 0.1"),
    *moved(_RANKING, _RANKED, "behind 0.25; tie 6.0; full_size 0.6; free_stops 0.3; dark_stops 2.0; blown 0.25"),
    # framing
    mutant(
        _FRAMING, "[-np.sin(angle), np.cos(angle)]", "[np.sin(angle), np.cos(angle)]", *_FRAMED, "steps/test_crop.py"
    ),
    mutant(
        _FRAMING,
        "np.clip(np.minimum(calm / style.fill, loosest), low, high)",
        "np.minimum(calm / style.fill, loosest)",
        *_FRAMED,
    ),
    mutant(_FRAMING, "return np.asarray(np.clip(middle, low, high))", "return np.asarray(middle)", *_FRAMED),
    mutant(_FRAMING, "style.lead_room * free / 2 * towards", "-style.lead_room * free / 2 * towards", *_FRAMED),
    mutant(_FRAMING, "np.maximum(must[1] - half, inner)", "np.minimum(must[1] - half, inner)", *_FRAMED),
    mutant(
        _FRAMING,
        "step = (off_now[:, None] - off_before[None])",
        "step = (off_now[:, None] + off_before[None])",
        *_FRAMED,
    ),
    mutant(_FRAMING, "(share > FRAMING.uncut) & (share < 1 - FRAMING.uncut)", "share < 1 - FRAMING.uncut", *_FRAMED),
    mutant(_FRAMING, "if loose.any():", "if False:", *_FRAMED),
    # subject
    mutant(
        _SUBJECT,
        "np.minimum(tall, WORTH.largest) ** WORTH.height_power * place",
        "np.minimum(tall, WORTH.largest) ** WORTH.height_power",
        *_WORTHY,
    ),
    mutant(_SUBJECT, "np.maximum(WORTH.small - tall, 0)", "np.maximum(tall - WORTH.small, 0)", *_WORTHY),
    mutant(_SUBJECT, "(low < WORTH.rim) | (high > 1 - WORTH.rim)", "low < WORTH.rim", *_WORTHY),
    mutant(_SUBJECT, "faces = faces[faces[:, 4] >= SURE.face]", "pass", *_WORTHY),
    mutant(_SUBJECT, "signs += DIRECTION.ball *", "signs -= DIRECTION.ball *", *_WORTHY),
    mutant(_SUBJECT, "signs += DIRECTION.face *", "signs -= DIRECTION.face *", *_WORTHY),
    mutant(_SUBJECT, "if any(within(ball[None, :4], h)[0] > BELONGING.in_head for h in heads):", "if False:", *_WORTHY),
    mutant(_SUBJECT, "after - before > LINKING.skip + 1:", "False:", *_WORTHY),
]
