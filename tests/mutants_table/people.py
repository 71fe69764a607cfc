"""people/: who a frame is about, how good it is, and where it is cut. Each number of the rules is moved by 10 %."""

from __future__ import annotations

from tests.mutants_table import moved, mutant

_FRAMING = "people/framing.py"
_SUBJECT = "people/subject.py"
_CANDIDATES = "people/candidates.py"
_BELONGING = "people/belonging.py"
_CONFIDENCE = "people/confidence.py"
_SURE = ("people/test_confidence.py",)
_TRACKING = "people/tracking.py"
_SHIFT, _SHIFTED = "imaging/bursts/shift.py", ("imaging/test_shift.py",)
_RANKING, _QUALITY = "people/ranking.py", "people/quality.py"
_STRAIGHTEN = "people/straighten.py"
_STRAIGHTENED = ("people/test_straighten.py",)
_NUMBERS = "people/numbers/jersey_numbers.py"
_DETECT = "people/detect.py"
_OBSERVE = "people/observe.py"
_MODELS = "people/modelfiles.py"
_FETCHED = ("people/test_modelfiles.py", "people/test_models_unasked.py")
_HELD = ("people/test_candidates.py",)
_STICKS, _HOLDS = "people/things/sticks.py", ("people/test_sticks.py",)
_MUST_HOLD = ("people/test_constraints.py",)
_FLOWN = ("people/test_motion.py",)
_FRAMED = ("people/test_framing_rules.py", "people/test_framing.py")
_WORTHY = ("people/test_subject_rules.py", "people/test_subject.py")
_TRACKED = ("people/test_tracking_rules.py", "people/test_tracking.py")
_RANKED = ("people/test_ranking_rules.py", "people/test_ranking.py", "people/test_ranking_words.py")
_NUMBERED = (
    "people/test_number_rules.py",
    *(
        f"people/test_numbers.py::{name}"
        for name in (
            "test_a_number_counts_where_frames_agree",
            "test_a_number_is_that_of_whose_shirt_it_stands_on",
            "test_a_box_round_two_people_owns_nothing",
            "test_a_box_round_two_people_takes_no_number_from_one_of_them",
            "test_the_sharpest_frames_are_read",
            "test_who_is_blurred_or_small_is_not_read",
        )
    ),
)
_DETECTED = ("people/test_detect_rules.py", "people/test_detect.py")
_OBSERVED = ("people/test_observe_rules.py",)


MUTANTS = [
    *moved(_FRAMING, _FRAMED, "calm 60.0; place 20.0; size 30.0; face 50.0; head 0.5; body 0.12; loosest 1.55"),
    *moved(
        _SUBJECT, _WORTHY, "certainty 0.40; small_certainty 2.5; in_focus 0.6; across 0.27; down 0.35; crowd_worth 0.7"
    ),
    *moved(_BELONGING, _WORTHY, "face_below 0.5; reach 0.6"),
    *moved(
        _CONFIDENCE, _SURE, "enough 0.5; no_lead 0.6; no_play 0.25; rival 0.5; everybody 0.3; alike 0.25; frontal 0.12"
    ),
    *moved(_FRAMING, _FRAMED, "torso 30.0; near 0.45"),
    *moved(_SUBJECT, _WORTHY, "shortest 0.65; gap 0.2; full_speed 1.2; place_floor 0.2"),
    *moved(_TRACKING, _TRACKED, "jersey 60.0; weight 0.5; fast 1.5; nearest 0.1; runner_reach 0.4; large 0.15"),
    *moved(_QUALITY, _RANKED, "behind 0.25; again 15.0; full_size 0.6; free_stops 0.6; blown 0.25; neighbour 0.5"),
    *moved(_QUALITY, _RANKED, "hardly 6.0"),
    # A face before a black night.
    mutant(_RANKING, "return max(lit, black * (1 - rise(", "return max(lit, 0 * (1 - rise(", *_RANKED),
    mutant(_RANKING, "RANKING.unlit_from, RANKING.unlit_to)))", "8, 9)))", *_RANKED),
    mutant(_OBSERVE, "_brightest(values, RULES.highlights) if", "_brightest(values, 1) if", *_OBSERVED),
    mutant(_RANKING, "sharp=own + RANKING.beside * (beside - own)", "sharp=own", *_RANKED),
    mutant(_RANKING, "peak=peak * min(as_sharp, as_lit)", "peak=peak", *_RANKED),
    mutant(_RANKING, "RANKING.neighbour * trust[k] for k", "RANKING.neighbour for k", *_RANKED),
    mutant(_RANKING, "values[at] + trust[at] * (mean - values[at])", "mean", *_RANKED),
    mutant(_RANKING, "if 0 <= k < len(values) and seen[k]]", "if 0 <= k < len(values)]", *_RANKED),
    mutant(_SUBJECT, "float(rises.min())", "float(rises.max())", "people/test_leaps.py"),
    mutant(
        _SUBJECT,
        "ends = boxes[alike][:, [1, 3]] - hall[known]",
        "ends = boxes[alike][:, [1, 3]]  # ",
        "people/test_leaps.py",
    ),
    mutant(_RANKING, "(shown[at] - max(0.0, min(surest, shown[at]) - sure[at]))", "sure[at]", *_RANKED),
    mutant(_RANKING, "(shown[at] - max(0.0, min(surest, shown[at]) - sure[at]))", "shown[at]", *_RANKED),
    mutant("people/heads.py", "if y1 > 1 - LOOK.ends:", "if True:", "people/test_heads.py"),
    mutant("people/heads.py", "LOOK.shoulders * aspect * ", "LOOK.shoulders * ", "people/test_heads.py"),
    mutant(_RANKING, "RANKING.hidden if one.guessed else 1.0", "1.0", *_RANKED),
    mutant("steps/select.py", "groups = 1 if poor else min(", "groups = min(", "steps/test_select.py"),
    mutant(_RANKING, "score > max(fives, fours)", "score > fours", *_RANKED),
    mutant(_RANKING, "(-scores[names[i]], abs(i - middle), i)", "(abs(i - middle), i)", *_RANKED),
    mutant(_RANKING, "if count < len(falling) else -1.0", "if count < len(falling) else 101.0", *_RANKED),
    mutant("people/moments.py", "-points[one], place[one])", "points[one], place[one])", "people/test_moments.py"),
    mutant("people/moments.py", "(one in held, ", "(", *_RANKED),
    mutant(_RANKING, "q.subject and not q.guessed]", "q.subject]", *_RANKED),
    mutant(_RANKING, "min(usual - RANKING.lost, RANKING.unseen)", "RANKING.unseen", *_RANKED),
    mutant(_RANKING, "_below_four(score) if n in more else score", "score", *_RANKED),
    mutant(_RANKING, "(n for n in as_good if not beside(n, best))", "iter(as_good)", *_RANKED),
    mutant(_RANKING, "min(scores[n], scores[second] - 0.1)", "scores[n]", *_RANKED),
    mutant(_RANKING, "for n in names if n != second}", "for n in names}", *_RANKED),
    mutant(_RANKING, "for other in shown if places[other] < places[n]]", "for other in shown if other != n]", *_RANKED),
    mutant(_RANKING, "2 * len(have) < len(burst) and all(", "all(", *_RANKED),
    mutant(_RANKING, "(left := beside(one)) < ", "(left := beside(one)) < 0 * ", *_RANKED),
    mutant(_RANKING, " and one.sharp >= RANKING.as_sharp_from * q.sharp]", "]", *_RANKED),
    mutant(_RANKING, " if same_view(q.look, one.look)), default", "), default", *_RANKED),
    mutant(_QUALITY, "edges and one.sharp > times", "one.sharp > times", *_RANKED),
    mutant("people/observe.py", "over = (y > subject.whole.y0)", "over = (y > box.y0)", "people/test_observe_rules.py"),
    mutant(_QUALITY, "max(headless, cheek)", "headless", "people/test_ranking.py"),
    mutant("people/moments.py", "rally[k] == rally[at]", "k == at", "people/test_moments.py"),
    mutant(
        "imaging/sharpness.py",
        "np.percentile(np.sqrt(a / b), SHARPNESS.sharpest)",
        "np.mean(np.sqrt(a / b))",
        "imaging/test_sharpness.py",
        "test_constants.py",
    ),
    mutant("imaging/sharpness.py", "e[enough] - count[enough] * v", "e[enough]", "imaging/test_sharpness.py"),
    mutant("people/moments.py", "return together or ratio", "return ratio", "people/test_moments.py"),
    mutant("engine/burst_people.py", "not row.keep or held_back(facts, row)", "not row.keep", "engine/test_ranks.py"),
    mutant("people/eyes.py", "darker = max(", "darker = min(", "people/test_eyes.py"),
    mutant(_STRAIGHTEN, "(over.any(axis=1) & tall).any()", "over.any()", *_STRAIGHTENED),
    mutant(_STRAIGHTEN, "np.tile(size, 2)) & free", "np.tile(size, 2))", *_STRAIGHTENED),
    mutant(_STRAIGHTEN, "turned = middle @ matrix /", "turned = middle @ matrix.T /", *_STRAIGHTENED),
    mutant(
        "steps/crop.py",
        "found, told, unseen = _burst(context, params, burst, measured, free, 0.0)",
        "pass",
        "steps/test_crop.py",
    ),
    mutant("steps/crop.py", 'if params.aspect == "original" or straighten', "if straighten", "steps/test_crop.py"),
    mutant(
        "steps/crop.py",
        "if not straighten.cuts(frame.people, same,",
        "if straighten.cuts(frame.people, same,",
        "steps/test_crop.py",
    ),
    mutant(
        _STRAIGHTEN,
        "np.percentile(degrees, rules.percentiles)) > rules.spread",
        "np.percentile(degrees, rules.percentiles)) > 80",
        *_STRAIGHTENED,
    ),
    mutant(_STRAIGHTEN, "round(-float(np.median(degrees)), 2)", "round(float(np.median(degrees)), 2)", *_STRAIGHTENED),
    # framing
    mutant(
        "people/constraints.py",
        "[-np.sin(angle), np.cos(angle)]",
        "[np.sin(angle), np.cos(angle)]",
        *_FRAMED,
        "steps/test_crop.py",
    ),
    mutant(_FRAMING, "result[at] = max(result[at], result[at + 1] / (1 + FRAMING.zoom))", "pass", *_FRAMED),
    mutant(_FRAMING, "result[at] = max(result[at], result[at - 1] / (1 + FRAMING.zoom))", "pass", *_FRAMED),
    mutant(_FRAMING, "if all(way.cut for way in ways):", "if False:", *_FRAMED),
    mutant(_FRAMING, "way.cost + FRAMING.left * way.cut", "way.cost", *_FRAMED),
    mutant(
        _FRAMING,
        "np.clip(middle, *_range(constraints, np.array([height * aspect / 2, height / 2])))",
        "middle",
        *_FRAMED,
        why="crops are clipped to the same limits when they are proposed",
    ),
    mutant(_FRAMING, "style.lead_room * free / 2 * towards", "-style.lead_room * free / 2 * towards", *_FRAMED),
    mutant(_FRAMING, "np.maximum(must[1] - half, inner)", "np.minimum(must[1] - half, inner)", *_FRAMED),
    mutant(
        _FRAMING,
        "step = (off_now[:, None] - off_before[None])",
        "step = (off_now[:, None] + off_before[None])",
        *_FRAMED,
    ),
    mutant(_FRAMING, "(share > FRAMING.uncut) & (share < 1 - FRAMING.uncut)", "share < 1 - FRAMING.uncut", *_FRAMED),
    mutant(_FRAMING, "torsos[all_of, 3] = people[all_of, 3]", "pass", *_FRAMED),
    mutant(_FRAMING, "all_of = touches | (", "all_of = (", *_FRAMED),
    mutant(_FRAMING, "all_of = touches | (", "all_of = touches & (", *_FRAMED),
    mutant(_FRAMING, "if loose.any():", "if False:", *_FRAMED),
    # who is missed in a frame, and what is decided for a burst
    mutant(_CANDIDATES, "found[at].append(a + (b - a) * (at - first) / (last - first))", "pass", *_HELD),
    mutant(_CANDIDATES, "(b - a) * (at - first) / (last - first)", "(b - a) / 2", *_HELD),
    mutant(
        _CANDIDATES, "RULES.share if any(verdict.everybody for verdict in told) else RULES.led", "RULES.share", *_HELD
    ),
    mutant(
        "steps/crop_burst.py", "if whole and spoilt >= (len(whole) + len(led)) / 2:", "if whole and not led:", *_HELD
    ),
    mutant("steps/crop_burst.py", "if whole and spoilt", "if spoilt", *_HELD),
    mutant("steps/crop_burst.py", "rough: float = 0.5", "rough: float = 0.45", *_HELD),
    mutant("steps/crop_burst.py", "+ RULES.rough * sum(one.rough for one in led)", "", *_HELD),
    mutant(_FRAMING, "ends - half[axis], ends + half[axis]]", "]", *_FRAMED),
    mutant("people/framing.py", "np.asarray(found + _cut(inside", "np.asarray(_cut(inside", *_HELD),
    mutant(_FRAMING, "constraints.limbs[_near(constraints)]])", "constraints.limbs])", "people/test_framing.py"),
    mutant(_FRAMING, 'kind="stable")[: FRAMING.beside]', 'kind="stable")', "people/test_framing.py"),
    mutant("people/framing.py", "else crossed(boxes, constraints.moving)", "else np.zeros(len(boxes))", *_HELD),
    mutant(
        "steps/crop_burst.py",
        "zip(unseen, moves,",
        "zip([None] * len(unseen), moves,",
        *_HELD,
    ),
    mutant("steps/crop_burst.py", "moves, stands, unknown,", "moves, [None] * len(stands), unknown,", *_HELD),
    mutant(
        "people/candidates.py", "(frame.faces, frame.balls, frame.rackets, *mounts)", "(frame.faces, *mounts)", *_HELD
    ),
    mutant("people/candidates.py", "mounts = (frame.animals[near], ", "mounts = (frame.animals[:0], ", *_HELD),
    mutant("people/constraints.py", "missed, found.animals[:, :4]]", "missed]", "steps/test_crop.py"),
    mutant(_SUBJECT, ", mounts_of(frame.reach[i], frame))", ",)", "steps/test_crop.py"),
    mutant(_BELONGING, "ridden &= y1 >= rows[:, 1]", "ridden &= y1 >= -rows[:, 1]", *_WORTHY),
    mutant(_DETECT, "balls = balls[~_flat(balls, width / height)]", "pass", "people/test_detect_rules.py"),
    mutant(_DETECT, "whole = (balls[:, :2] > 0).all(axis=1) &", "whole =", "people/test_detect_rules.py"),
    mutant(_CONFIDENCE, "veto = HEADLESS", "pass", *_SURE),
    mutant(_CONFIDENCE, "and not len(faces_of(person, frame.faces)):", ":", *_SURE),
    mutant(_CONFIDENCE, "+ holds / EARNING.holds >= 1", "+ (holds > 0.5) >= 1", *_SURE),
    mutant("people/candidates.py", "and at not in first", "and False", *_HELD),
    mutant(
        "steps/crop_burst.py", "for box, one in zip(boxes, held.values(), strict=True)", "for box, one in ()", *_HELD
    ),
    mutant("people/candidates.py", "reach += np.concatenate([-room, room], axis=1)", "pass", *_HELD),
    mutant(
        "people/constraints.py",
        "balls += RULES.ball_room * (balls[:, 3:] - balls[:, 1:2]) * [-1, -1, 1, 1]",
        "pass",
        "people/test_constraints.py",
    ),
    mutant(
        "people/constraints.py",
        "np.clip(balls, np.tile(frame[:2], 2), np.tile(frame[2:], 2))",
        "balls",
        "steps/test_crop.py",
    ),
    mutant("people/constraints.py", "people=np.concatenate([people, there])", "people=people", *_MUST_HOLD),
    # what flies
    mutant(_BELONGING, "passed if start < end else -passed", "passed", *_FLOWN),
    mutant(_BELONGING, "min(max(at, 1), count - 2)", "at", *_FLOWN),
    mutant(
        _BELONGING,
        "wide = cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8))",
        "wide = mask.astype(np.uint8)",
        *_FLOWN,
    ),
    mutant(_BELONGING, "rims = [x0 == 0, y0 == 0,", "rims = [x0 < 0, y0 == 0,", *_FLOWN),
    mutant("people/constraints.py", "None if turned or moves is None else compact(moves)", "None", *_FLOWN),
    mutant(_BELONGING, "(np.sign(first) == np.sign(second))", "True", *_FLOWN),
    mutant(_BELONGING, "brought += np.nanmedian(change, axis=axis, keepdims=True)", "pass", *_FLOWN),
    mutant(_BELONGING, "< MOTION.own", "< 9", *_FLOWN),
    mutant(
        "people/constraints.py",
        "balls = np.concatenate([balls, placed(flying",
        "np.concatenate([balls, placed(flying",
        *_FLOWN,
    ),
    mutant("steps/crop_burst.py", "zip(unseen, moves,", "zip(unseen, [None] * len(moves),", *_FLOWN),
    mutant("steps/crop_burst.py", "stands, unknown,", "stands, [None] * len(unknown),", *_FLOWN),
    mutant("people/constraints.py", "moving |= uncompared &", "moving |= False * uncompared &", *_FLOWN),
    mutant("people/constraints.py", "found.people[keep][grown], RULES.limb", "found.people[keep], RULES.limb", *_FLOWN),
    mutant(_BELONGING, "np.nan_to_num(_turned(shifts, other, at))", "-_turned(shifts, other, at)", *_FLOWN),
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
    mutant(
        _BELONGING, "if any(within(ball[None, :4], h)[0] > BELONGING.in_head for h in heads):", "if False:", *_WORTHY
    ),
    mutant(_SUBJECT, "after - before > LINKING.skip + 1:", "False:", *_WORTHY),
    mutant(_SUBJECT, "whole = row_to_box(first.reach[i] + share", "whole = row_to_box(a + 0 * share", *_WORTHY),
    mutant(_SUBJECT, "share = (at - before) / (after - before)", "share = 0.5", *_WORTHY),
    mutant(_SUBJECT, "sharp = left * min(", "sharp = left * max(", *_WORTHY),
    mutant(_SUBJECT, "sure=left * float(min(a[4], b[4]))", "sure=float(min(a[4], b[4]))", *_WORTHY),
    mutant(_SUBJECT, "doubt=one.doubt or other.doubt", 'doubt=""', *_WORTHY),
    mutant(_SUBJECT, "frame.sharp * np.sqrt(_looked_at(frame))", "frame.sharp", *_WORTHY),
    mutant(_SUBJECT, "np.maximum(tall, wide * frame.size[1] / frame.size[0])", "tall", *_WORTHY),
    mutant(_SUBJECT, "longer * frame.told_in", "longer * frame.size[0] / 2", *_WORTHY),
    # sticks
    mutant(
        "people/observe.py",
        "reach=reach_with_sticks(np.asarray(grey, dtype=np.uint8), people, found.reach[: RULES.most])",
        "reach=found.reach[: RULES.most]",
        "people/test_observe_rules.py",
    ),
    mutant(
        _STICKS, "if any(_beside(edge, other, tall) for n, other in enumerate(edges) if n != at)", "if edges", *_HOLDS
    ),
    mutant(_STICKS, "if (line & (further | back)).any()", "if (line & further).any()", *_HOLDS),
    mutant(_STICKS, "if (line & (further | back)).any()", "if (line & back).any()", *_HOLDS),
    mutant(_STICKS, "begins > RULES.begins * tall or", "", *_HOLDS),
    mutant(_STICKS, "- RULES.blade * tall", "", *_HOLDS),
    mutant(_STICKS, "if (edge[1] < RULES.rim).any() or", "if", *_HOLDS),
    mutant(_STICKS, "or (edge[1] > size - RULES.rim).any()", "", *_HOLDS),
    mutant(_STICKS, "<= high - low <= RULES.longest * tall", "<= high - low", *_HOLDS),
    mutant(_STICKS, "if not RULES.shortest * tall <= high", "if not 0 <= high", *_HOLDS),
    mutant(_STICKS, "if _away(edge[0], box) > _away(edge[1], box):", "if False:", *_HOLDS),
    mutant(_STICKS, ">= RULES.tall)", ">= 0)", *_HOLDS),
    mutant(_STICKS, " & (side.min(axis=1) < 0) & (side.max(axis=1) > 0)", "", *_HOLDS),
    # confidence
    mutant(_CONFIDENCE, "kept if len(said) > 1 else said[0].handled", "said[0].handled", *_SURE),
    mutant(_CONFIDENCE, "kept if len(said) > 1 else said[0].handled", "kept", *_SURE),
    mutant(_CONFIDENCE, "min(a.handled, b.handled)", "max(a.handled, b.handled)", *_SURE),
    mutant(_CONFIDENCE, "handled=ball_sign if held else 0.0", "handled=ball_sign", *_SURE),
    mutant(_CONFIDENCE, "if len(vetoes) > len(said) / 2:", "if vetoes:", *_SURE),
    mutant(_CONFIDENCE, "if len(vetoes) > len(said) / 2:", "if len(vetoes) == len(said):", *_SURE),
    mutant(_CONFIDENCE, "may_be |= _movers(frame, row, pace)", "pass", *_SURE),
    mutant(_CONFIDENCE, "float(np.median(held)) if held", "float(np.max(held)) if held", *_SURE),
    mutant(_CONFIDENCE, "lead / EARNING.least_lead + holds / EARNING.holds >= 1", "True", *_SURE),
    mutant(_CONFIDENCE, "+ holds / EARNING.holds >= 1", ">= 1", *_SURE),
    # what shows nothing
    mutant(_OBSERVE, "        blank=blank(image),\n", "", *_OBSERVED),
    mutant(_OBSERVE, "            blank=self.blank,\n", "", *_OBSERVED),
    mutant("imaging/blank.py", "channels: int = 2", "channels: int = 1", "imaging/test_blank.py", *_OBSERVED),
    mutant(_RANKING, "empty = [n for n in names if qualities[n].blank]", "empty = list[str]()", *_RANKED),
    mutant(_RANKING, "len(names) + blanks, ratings", "len(names), ratings", *_RANKED),
    mutant(
        "people/moments.py", "if together else LIKENESS.hall", "if True else LIKENESS.hall", "people/test_moments.py"
    ),
    mutant("people/moments.py", "(-1.0 if seen else LIKENESS.followed)", "LIKENESS.followed", "people/test_moments.py"),
    # tracking
    mutant(_TRACKING, "(f.people[:, 4] >= SURE.person) & one", "one", *_TRACKED),
    # shift
    mutant(_SHIFT, "there[y0:y1, x0:x1] = 0", "pass", *_SHIFTED),
    mutant(
        _SHIFT,
        "rows.append([*_uphill(pair, x - width // 2, y - height // 2), RULES.phase * clear])",
        "rows.append([x - width // 2, y - height // 2, clear, RULES.phase * clear])",
        *_SHIFTED,
    ),
    mutant(_SHIFT, " and _stands_out(pair, rows[one])", "", *_SHIFTED),
    mutant(
        _SHIFT,
        "np.minimum(RULES.even * _between(one, two, size), RULES.most)",
        "0 * _between(one, two, size)",
        *_SHIFTED,
    ),
    mutant(_SHIFT, "_way(same) if min(size) else [_UNKNOWN] * len(same)", "_way(same)", *_SHIFTED),
    mutant(_TRACKING, "_centres(first)[:, None] - hall)", "_centres(first)[:, None] + hall)", *_TRACKED),
    mutant(_TRACKING, "_nearness(first + np.tile(hall, 2), second, ratio)", "0", *_TRACKED),
    mutant(_TRACKING, "(second - first - np.tile(hall, 2)).T", "(second - first).T", *_TRACKED),
    mutant(_TRACKING, "np.where(top * bottom > 0, ", "np.where(True, ", *_TRACKED),
    mutant(_TRACKING, "np.minimum(np.abs(top), np.abs(bottom))", "np.abs(top + bottom) / 2", *_TRACKED),
    mutant(
        _TRACKING,
        "if not np.isfinite(_links(frames[a], frames[b], shifts[a + 1 : b + 1])[rows[a], rows[b]]):",
        "if False:",
        *_SURE,
    ),
    mutant(_TRACKING, "(ratio, 1.0) / (seconds[b] - seconds[a])", "(ratio, 1.0)", *_TRACKED),
    mutant(_TRACKING, "np.hypot(*away) <= CAMERA.jolt", "True", *_TRACKED),
    mutant(_SHIFT, "_UNKNOWN = np.full(2, np.nan)", "_UNKNOWN = np.zeros(2)", *_SHIFTED),
    # jersey numbers
    mutant(_NUMBERS, "if few or longer or sure", "if few or sure", *_NUMBERED),
    mutant(_NUMBERS, "np.argmax(people[near, 3])", "np.argmin(people[near, 3])", *_NUMBERED),
    mutant(_NUMBERS, "can = ~_several(people) & (across", "can = (across", *_NUMBERED),
    mutant(_NUMBERS, "(frame.sharp >= least) & ~_several(frame.people)", "(frame.sharp >= least)", *_NUMBERED),
    mutant(_NUMBERS, "AGREEMENT.agree * total", "AGREEMENT.agree * count", *_NUMBERED),
    mutant(_NUMBERS, "-float(frames[at].sharp[path[at]])", "float(frames[at].sharp[path[at]])", *_NUMBERED),
    # detection and what is measured of a frame
    mutant(_DETECT, "weight = group[:, 4:5] ** 2", "weight = group[:, 4:5]", *_DETECTED),
    mutant(
        _DETECT, "(np.concatenate(rows) for rows in zip(fine[1:], coarse[1:], strict=True))", "fine[1:]", *_DETECTED
    ),
    mutant(_DETECT, "part &= ~side_by_side(others, best)", "pass", *_DETECTED),
    mutant(
        _DETECT,
        "people = without_pairs(merged(rows, rows[:, 4] * trust))",
        "people = merged(rows, rows[:, 4] * trust)",
        *_DETECTED,
    ),
    mutant(_DETECT, "without_parts(close, wide, tall)", "close", *_DETECTED),
    mutant(_DETECT, "part &= overlap(other[:4], fine[:, :4]) < DETECTION.same", "pass", *_DETECTED),
    mutant(_DETECT, "cast = np.sqrt(means.mean() / means)", "cast = means.mean() / means", *_DETECTED),
    mutant(_DETECT, "np.diag(cast * gain)[::-1]", "np.diag(cast * gain)", *_DETECTED),
    mutant(_DETECT, "found[:, :4] = np.clip(found[:, :4], 0, 1)", "pass", *_DETECTED),
    mutant(
        _DETECT,
        "[centre - half, centre + half], axis=1) / scale",
        "[centre - half, centre + half], axis=1)",
        *_DETECTED,
    ),
    mutant(_OBSERVE, "_part(found, row_to_box(person))[...] = True", "pass", *_OBSERVED),
    mutant(_OBSERVE, "float(_part(clipped, row_to_box(p)).mean())", "float(clipped.mean())", *_OBSERVED),
    mutant(_OBSERVE, "max(float(faces[best, 4]), closer)", "float(faces[best, 4])", *_OBSERVED),
    mutant(_OBSERVE, "torsos = [_part(picture, _torso(p))", "torsos = [_part(picture, row_to_box(p))", *_OBSERVED),
    mutant(_OBSERVE, "if known else 0.0", "if looked else 0.0", *_OBSERVED),
    mutant(_OBSERVE, "Face(closer, looked=looked, none=none)", "Face(closer, looked=looked)", *_OBSERVED),
    mutant(_OBSERVE, "sharp = [sharpness(detail, _inner(p))", "sharp = [sharpness(detail, row_to_box(p))", *_OBSERVED),
    # the model files
    mutant(_MODELS, "if came != model.sha256:", "if False:", *_FETCHED),
    mutant(_MODELS, "if never or offline():", "if never:", *_FETCHED),
    mutant(_MODELS, "thread.join(max(until - time.monotonic(), 0))", "thread.join()", *_FETCHED),
    mutant(_MODELS, "if not 0 <= time.time() - when < PATIENCE.again:", "if False:", *_FETCHED),
    mutant(_MODELS, "if time.monotonic() - start > PATIENCE.cheap:", "if True:", *_FETCHED),
    mutant(_MODELS, "unasked: float = 10.0", "unasked: float = 11.0", *_FETCHED),
]
