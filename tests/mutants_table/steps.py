"""steps/."""

from __future__ import annotations

from tests.mutants_table import moved, mutant

_RESIZE = "steps/resize.py"
_SAVE = "steps/save.py"
_TONE = "steps/tone.py"
_EXPOSURE = "steps/exposure.py"
_BRIGHT = "steps/bright_pixels.py"
_LIMITS = "steps/exposure_limits.py"
_BURNING = ("steps/test_exposure_burning.py",)
_WHITES = ("steps/test_exposure_whites.py",)
_SAVED = ("steps/test_save.py",)
_WHITE = "light/scene_white.py"
_BALANCE = "steps/white_balance.py"
_SELECT = "steps/select.py"
_CROP = "steps/crop.py"
_BURST = "steps/crop_burst.py"
_MUST = "people/constraints.py"
_BALANCED = ("steps/test_white_balance.py", "steps/test_white_over_frame.py")
_FEET, _AT_FEET = "light/mixing/at_feet.py", ("light/mixing/test_at_feet.py",)
_STANDING = ("light/mixing/test_standing.py",)
_FOR = ("steps/test_for.py",)
_SELECTED = ("steps/test_select.py",)
_CROPPED = ("steps/test_crop.py",)
_HELD = ("people/test_constraints.py", "people/test_constraints_rules.py", "steps/test_crop.py")
_GOLDEN = ("test_golden.py",)
_LEARNED = ("engine/test_learned.py",)
_EXPOSED = ("steps/test_exposure.py",)

MUTANTS = [
    mutant(_EXPOSURE, "                level = lost[i]\n", "                level = 0.0\n", "steps/test_exposure.py"),
    mutant(_EXPOSURE, " + np.median(lost[typical])", "", "steps/test_exposure.py"),
    mutant(_EXPOSURE, "finished & np.isfinite(own), as_found", "np.isfinite(own), as_found", "steps/test_exposure.py"),
    mutant(_SELECT, "ranks[name].card and not _wanted(row)", "False", *_SELECTED),
    mutant(_SELECT, "ranks[name].card and not _wanted(row)", "ranks[name].card", *_SELECTED),
    mutant(
        _RESIZE, "noise=image.noise.averaged(resize_energy(before, after))", "noise=image.noise", "steps/test_resize.py"
    ),
    mutant(
        _RESIZE,
        "(params.width, width), (params.height, height)",
        "(params.width, height), (params.height, width)",
        "steps/test_resize.py",
    ),
    mutant(_RESIZE, "factor = min(factors)", "factor = max(factors)", "steps/test_resize.py"),
    mutant(_RESIZE, "/ max(height, width)]", "/ min(height, width)]", "steps/test_resize.py"),
    mutant(
        _RESIZE, "if factor >= 1 and not params.enlarge:", "if not params.enlarge and False:", "steps/test_resize.py"
    ),
    mutant(_RESIZE, "params.sharpen, params.radius, t", "params.radius, params.sharpen, t", "steps/test_resize.py"),
    mutant("imaging/resample.py", "SHARPEN.room) * (left - 1)", "1.0) * (left - 1)", "imaging/test_resample.py"),
    mutant(_RESIZE, "_LONG_EDGE = 2048", "_LONG_EDGE = 1843", "steps/test_resize.py"),
    mutant("steps/denoise.py", "        return solution.quality\n", "        pass\n", *_LEARNED),
    mutant(
        "steps/denoise.py", 'return "learned" if params.quality == "learned"', 'return "learned" if True', *_LEARNED
    ),
    mutant("steps/denoise.py", '"fine" if params.quality == "learned" else', '"fine" if True else', *_LEARNED),
    mutant("steps/denoise.py", '{"quality": self.quality} if self.no_weights else {}', "{}", *_LEARNED),
    mutant("steps/denoise.py", "runtime.FINISHED.sha256 if self.frames", '"" if self.frames', *_LEARNED),
    mutant("steps/denoise.py", "= [runtime.MOSAIC.sha256, runtime.WEB.sha256]", "= []", *_LEARNED),
    mutant("steps/denoise.py", "isinstance(found.get(frame.name), SensorCorrection)", "False", *_LEARNED),
    mutant("steps/denoise.py", "_no_weights(asked or bool(raws))", "_no_weights(asked)", *_LEARNED),
    mutant("steps/denoise.py", "        quality = _instead(params)", '        quality = "fine"', *_LEARNED),
    mutant("steps/denoise.py", 'asked or params.quality == "auto"', "asked", *_LEARNED),
    mutant("steps/denoise.py", "if of_raws else (runtime.FINISHED,)", "if of_raws else ()", *_LEARNED),
    mutant("steps/denoise.py", '(f"denoise: {why}",) if why else ()', "()", *_LEARNED),
    mutant("steps/denoise.py", '    if quality == "learned":\n', "    if False:\n", *_LEARNED),
    mutant(_SAVE, "found, low = Encoded(data, quality), quality + 1", "return Encoded(data, quality)", *_SAVED),
    mutant(_SAVE, "parse_size(params.at_most) - reserve", "parse_size(params.at_most)", *_SAVED),
    mutant(_SAVE, "0 if full else 2", "0 if full else 1", *_SAVED),
    mutant(_SAVE, "0 if full else 2", "2 if full else 0", *_SAVED),
    mutant(_SAVE, "full_chroma_from: int = 90", "full_chroma_from: int = 99", *_SAVED),
    mutant(_SAVE, "full_chroma_from: int = 90", "full_chroma_from: int = 81", *_SAVED),
    mutant(_SAVE, "* 255.0 + 0.5)", "* 255.0)", *_SAVED),
    mutant(_SAVE, ".clip(0, 255)", "", *_SAVED),
    mutant(_SAVE, '"MB": 1000_000', '"MB": 1024**2', *_SAVED),
    mutant(_SAVE, "smallest_file: int = 10_000", "smallest_file: int = 1_000", *_SAVED),
    mutant(_SAVE, "lowest_quality: int = 40", "lowest_quality: int = 36", *_SAVED),
    mutant(_SAVE, ", icc_profile=srgb_profile()", "", *_SAVED),
    mutant(
        _SAVE,
        "-(-metadata_size(metadata) // RULES.metadata_step) * RULES.metadata_step",
        "metadata_size(metadata) // RULES.metadata_step * RULES.metadata_step",
        *_SAVED,
    ),
    mutant(_SAVE, "encode_jpeg(image, params, reserve(metadata))", "encode_jpeg(image, params, 0)", *_SAVED),
    mutant(_SAVE, "if encoded.quality < params.quality:", "if False:", *_SAVED),
    mutant("formats/tiff.py", "65535", "65500", *_SAVED),
    mutant(_SAVE, "octets_per_pixel: int = 4", "octets_per_pixel: int = 1", *_SAVED),
    mutant(_SAVE, "while low <= high:", "while low < high:", *_SAVED),
    mutant(
        _TONE,
        "image.to_working if image.domain is Domain.CAMERA else np.eye(3)",
        "image.to_working",
        "steps/test_tone.py",
    ),
    mutant(
        _TONE, "image.to_working if image.domain is Domain.CAMERA else np.eye(3)", "np.eye(3)", "steps/test_tone.py"
    ),
    mutant(_TONE, "domain=Domain.DISPLAY, to_working", "to_working", "steps/test_tone.py"),
    mutant(
        _TONE,
        "params.knee, white, params.saturation, *own",
        "0.55, white, params.saturation, *own",
        "steps/test_tone.py",
    ),
    mutant(_TONE, "if not finished and params.contrast > 0", "if params.contrast > 0", "steps/test_tone.py"),
    mutant(_TONE, "keep = finished and white > 1", "keep = False", "steps/test_tone.py"),
    mutant(_TONE, "lift = max(_lift", "lift = min(_lift", "steps/test_tone.py"),
    mutant(_TONE, "max(shadow - noise, 0.0), RULES.most", "max(shadow, 0.0), RULES.most", "steps/test_tone.py"),
    mutant(_TONE, "float(np.median(shadows))", "float(np.max(shadows))", "steps/test_tone.py"),
    mutant(
        _EXPOSURE,
        "return apply_gain_map(image, context.solution.gain_map, Orientation(context.frame.exif.orientation))",
        "return image",
        *_EXPOSED,
    ),
    mutant(
        _EXPOSURE,
        "Orientation(context.frame.exif.orientation))",
        "Orientation(1))",
        *_EXPOSED,
    ),
    mutant(_EXPOSURE, "own_reach: float = 0.8", "own_reach: float = 0.72", *_EXPOSED),
    mutant(_EXPOSURE, "own_share: float = 0.5", "own_share: float = 0.55", *_EXPOSED),
    mutant(
        _EXPOSURE, "np.clip(hall - usual, -RULES.own_reach, RULES.own_reach)", "hall - usual", "steps/test_exposure.py"
    ),
    mutant(_EXPOSURE, "recognised: float = 0.6", "recognised: float = 0.54", *_EXPOSED),
    mutant(_EXPOSURE, "common: float = 0.03", "common: float = 0.033", *_EXPOSED),
    mutant(_EXPOSURE, "common: float = 0.03", "common: float = 0.027", *_EXPOSED),
    mutant(_EXPOSURE, "flicker: float = 0.15", "flicker: float = 0.165", *_EXPOSED),
    mutant(_EXPOSURE, "flicker: float = 0.15", "flicker: float = 0.135", *_EXPOSED),
    mutant(
        _EXPOSURE, "flicker + shared + -GainMap.of_multipliers", "flicker + shared + GainMap.of_multipliers", *_EXPOSED
    ),
    mutant(_EXPOSURE, "flicker.coefficients[..., 1:2]", "flicker.coefficients[..., 0:1]", *_EXPOSED),
    mutant(_EXPOSURE, "if balance.evened:", "if False:", *_EXPOSED),
    mutant(_EXPOSURE, "if i not in references] or members", "] or members", *_EXPOSED),
    mutant(_EXPOSURE, "if part < RULES.common else", "if part > RULES.common else", *_EXPOSED),
    mutant(_LIMITS, "alone: float = 0.3", "alone: float = 9.0", *_BURNING),
    mutant(_LIMITS, "if len(others) < 2 or others[0]", "if others[0]", *_BURNING),
    mutant(_LIMITS, "LIMITS.burnt for s in shown)", "LIMITS.burnt for s in shown[:1])", *_BURNING),
    mutant(_EXPOSURE, "as_shot = finished | (", "as_shot = (", *_BURNING),
    mutant(_LIMITS, "else evening + balance.stops", "else evening", *_BURNING),
    mutant(_EXPOSURE, "if abs(level - own_level) > RULES.said:", "if False:", *_BURNING),
    mutant(_EXPOSURE, "if abs(level - own_level) >", "if level - own_level >", *_WHITES),
    mutant(_EXPOSURE, 'if params.across != "burst" or', "if", *_WHITES),
    mutant(_EXPOSURE, 'params.target in ("reference", "exposed")', "False", *_WHITES),
    mutant(_EXPOSURE, "tones[i] + RULES.own_reach * RULES.own_share", "tones[i] + RULES.own_reach", *_WHITES),
    mutant(_EXPOSURE, "highest = levels + RULES.own_reach", "highest = levels + 9", *_WHITES),
    mutant(_LIMITS, "(0.005, 96.0)", "(0.015, 96.0)", *_WHITES),
    mutant(_LIMITS, "(0.005, 96.0)", "(0.003, 96.0)", *_WHITES),
    mutant(_LIMITS, "(0.05, 90.0)", "(0.3, 90.0)", *_WHITES),
    mutant(_LIMITS, "(0.05, 90.0)", "(0.05, 84.0)", *_WHITES),
    mutant(_LIMITS, "lack: float = 3.0", "lack: float = 0.0", *_WHITES),
    mutant(_LIMITS, "lack: float = 3.0", "lack: float = 300.0", *_WHITES),
    mutant(_LIMITS, "float(np.median(least)) + asked", "float(np.max(least)) + asked", *_WHITES),
    mutant(_LIMITS, "float(np.median(least)) + asked", "float(np.median(least))", *_WHITES),
    mutant(_LIMITS, "[max((bright.lightness", "[min((bright.lightness", *_WHITES),
    mutant(_BRIGHT, "[np.flatnonzero(clipped.all(axis=1))]", "[]", *_WHITES),
    mutant(
        "light/highlights.py",
        "one, level = gains.shape[0] * gains.shape[1] == 1",
        "one, level = gains.shape[0] == 1",
        *_BURNING,
    ),
    mutant(_BRIGHT, "gains[None].astype(np.float32), finished)", "gains[None].astype(np.float32))", *_BURNING),
    mutant("light/gain_map.py", "finished = image.is_finished", "finished = False", *_BURNING),
    mutant(_BRIGHT, "coding: float = 4.6", "coding: float = 0.5", *_BURNING),
    mutant(_BRIGHT, "np.maximum(around, 0) / 4", "np.maximum(around, 0)", *_BURNING),
    mutant(_BRIGHT, "square[:-1] += np.diff(shown, axis=0) ** 2", "pass", *_BURNING),
    mutant(_BRIGHT, "np.any(clipped, axis=1, keepdims=True)", "clipped[:, :1]", *_BURNING),
    mutant(_BRIGHT, "[2 * down - 1, 2 * across - 1]", "[2 * across - 1, 2 * down - 1]", *_BURNING),
    mutant(_BRIGHT, "lot = lot[~taken[lot]]", "pass", *_BURNING),
    mutant(_BRIGHT, "step: int = 3", "step: int = 2", *_BURNING),
    mutant(
        _EXPOSURE,
        "float(np.median(tones[with_reference])) - tones[i]",
        "tones[i] - float(np.median(tones[with_reference]))",
        *_EXPOSED,
    ),
    # white_balance
    mutant(_WHITE, "np.exp([-white[0], 0.0, -white[1]])", "np.exp([white[0], 0.0, white[1]])", *_BALANCED),
    mutant(_BALANCE, "rounded(gains / gains[1]), source, words)", "rounded(gains), source, words)", *_BALANCED),
    mutant(
        _BALANCE,
        "-shape[..., 0] * STOPS_PER_LOG, -shape[..., 1] * STOPS_PER_LOG",
        "shape[..., 0] * STOPS_PER_LOG, shape[..., 1] * STOPS_PER_LOG",
        *_BALANCED,
    ),
    mutant(
        _BALANCE,
        "gain_map = GainMap(over) + colour_of(scene.flicker[at])",
        "gain_map = GainMap(over) + -colour_of(scene.flicker[at])",
        *_BALANCED,
    ),
    mutant(_WHITE, "name, place, chroma - here,", "name, place, chroma,", *_BALANCED),
    mutant(_BALANCE, "white.white + gradient", "white.white - gradient", *_BALANCED),
    mutant(_BALANCE, "1 + RULES.people *", "1 + 0 *", *_BALANCED),
    mutant(_WHITE, "scene.people.known(gradient) * (seen - unseen)", "(seen - unseen)", *_STANDING),
    mutant(_WHITE, "np.minimum(seen, unseen)", "seen", *_STANDING),
    mutant(_FEET, "lamp.at(frame, rows, low, near)", "lamp.at(frame, low, low, near)", *_AT_FEET),
    mutant(_FEET, "lamp.at(frame, rows, low, near)", "lamp.at(frame, rows, rows, near)", *_AT_FEET),
    mutant(_FEET, "low = down * np.maximum(feet, down * rows)", "low = np.maximum(feet, rows)", *_AT_FEET),
    mutant(_FEET, "down * (at - dy) / motion.scale", "down * at / motion.scale", *_AT_FEET),
    mutant(_FEET, "aside = (columns - dx) / motion.scale", "aside = columns / motion.scale", *_AT_FEET),
    mutant(_FEET, "aside = (columns - dx) / motion.scale", "aside = columns - dx", *_AT_FEET),
    mutant(_FEET, "if not whole:", "if False:", *_AT_FEET),
    mutant("light/mixing/standing.py", "Standing(lies.to_sensor(self.share),", "Standing(self.share,", *_AT_FEET),
    mutant("light/scenes.py", "        if down:\n            stood", "        if False:\n            stood", *_AT_FEET),
    mutant("light/flicker.py", "maps[index] += one", "pass", *_AT_FEET),
    mutant("light/mixing/standing.py", "np.maximum(lowest,", "np.minimum(lowest,", *_STANDING),
    mutant("light/mixing/standing.py", "across + right -", "across - right -", *_STANDING),
    mutant("light/mixing/standing.py", "if bottom < _CUT else _BELOW", "", *_STANDING),
    mutant("light/mixing/standing.py", "there / np.maximum(shown, 1)", "there / len(people)", *_STANDING),
    mutant("light/mixing/standing.py", "_COUNT = 5.0", "_COUNT = 2.5", *_STANDING),
    mutant("light/mixing/standing.py", "_COUNT = 5.0", "_COUNT = 10.0", *_STANDING),
    mutant("light/mixing/standing.py", "else _BELOW) / larger", "else _BELOW)", *_STANDING),
    mutant("light/mixing/standing.py", "larger * across + right -", "across + right -", *_STANDING),
    mutant("light/mixing/standing.py", "_BESIDE * np.minimum", "2 * np.minimum", *_STANDING),
    mutant("light/mixing/standing.py", "boxes[~np.array(several, dtype=bool)]", "boxes", *_STANDING),
    mutant("light/scenes.py", "each_alone(one) for one in people", "one for one in people", *_STANDING),
    mutant(
        "light/scenes.py",
        "/ one.pixels.shape[1], one.motion.scale",
        "/ one.pixels.shape[1], 1.0",
        "light/test_scenes.py",
    ),
    mutant(_WHITE, "/ scene.zoom[frame], y / scene.zoom[frame]", ", y", "steps/test_white_over_frame.py"),
    mutant("light/scenes.py", "if behind.total > LEAST_BEHIND * chroma_samples.total else", "if True else", *_STANDING),
    mutant(_WHITE, ".clip(0, 1)", "", "light/test_references.py"),
    mutant(_WHITE, ".at(row, column)\n", ".at(column, row)\n", *_BALANCED),
    mutant(_WHITE, "+ flicker / STOPS_PER_LOG", "- flicker / STOPS_PER_LOG", *_BALANCED),
    mutant(_BALANCE, "if within else np.zeros", "if not within else np.zeros", *_BALANCED),
    mutant(_WHITE, "gain_map.coefficients - gain_map.coefficients[..., 1:2]", "gain_map.coefficients", *_BALANCED),
    mutant(_BALANCE, "if vote.sure:", "if not vote.sure:", *_BALANCED),
    # select
    mutant(_SELECT, "and ranks[name].blank and not _wanted(row):", "and False:", *_SELECTED),
    mutant(_SELECT, "and ranks[name].blank and not _wanted(row):", "and ranks[name].blank:", *_SELECTED),
    mutant(_SELECT, "(poor or _wanted(rows[n]) or ranks[n].rating > _POOR)", "True", *_SELECTED),
    mutant(_SELECT, "if row.keep and not held_back(context.facts, row)}", "if row.keep}", *_SELECTED),
    mutant(_SELECT, "for name in names[params.best :]:", "for name in names[: params.best]:", *_SELECTED),
    mutant(_SELECT, "-(rows[n].rating or 0), ranks[n].place", "(rows[n].rating or 0), ranks[n].place", *_SELECTED),
    mutant(_SELECT, "key=lambda n: (not rows[n].always,", "key=lambda n: (rows[n].always,", *_SELECTED),
    mutant(_SELECT, "else 0) < params.rating and", "else 0) <= params.rating and", *_SELECTED),
    mutant(_SELECT, "row.rating == -1 and name not in always", "row.rating == -1", *_SELECTED),
    mutant(_SELECT, "stretch = open_[i * len(open_) // groups :", "stretch = open_[0 :", *_SELECTED),
    mutant(_SELECT, "if shown is not None and shown.isdisjoint(row.players)}", "if False}", *_FOR),
    mutant(_SELECT, "if words.isdisjoint(map(folded, row.marks))] if words", "if False] if words", *_FOR),
    mutant(_SELECT, "in facts.roster if not withheld(facts, player)]", "in facts.roster]", *_FOR),
    mutant(_SELECT, "chosen &= name not in others", "pass", *_FOR),
    mutant(_SELECT, "return set() if params.each else", "return", *_FOR),
    mutant(_SELECT, " - {n for n, row in rows.items() if row.always}", "", *_SELECTED),
    # crop
    mutant(_BURST, "if own and all(_trimmable", "if all(_trimmable", *_CROPPED),
    mutant(_BURST, "if height > width and across > down else across / down", "if False else across / down", *_CROPPED),
    mutant(
        _BURST,
        "_least(params, height, width) / (max(aspect, 1.0) * height)",
        "_least(params, height, width) / height",
        *_CROPPED,
    ),
    mutant(_MUST, "_grown(face, RULES.face_room * (face[3] - face[1]))", "_grown(face, 0.0)", *_HELD),
    mutant(
        _MUST,
        "must = _grown(needed, margin * tall)",
        "must = _grown(needed, 0.0)",
        *_HELD,
    ),
    mutant(_MUST, "np.array([-by, -by, by, by])", "np.array([-by, by, by, by])", *_HELD),
    mutant(_MUST, "np.clip(box, low, high)", "np.asarray(box)", *_HELD),
    mutant(_MUST, "_to_rim(_within(must, frame), frame)", "_within(must, frame)", *_HELD),
    mutant(_MUST, "faces=placed(found.faces)", "faces=placed(found.faces[:0])", *_HELD),
    mutant(_MUST, "people=np.concatenate([people, there])", "people=people[:0]", *_HELD),
    mutant(_MUST, "(-1 if subject.row is None else subject.row)", "-1", *_HELD),
    mutant(
        _MUST,
        "turned_boxes(rows * scale, turned, ratio) if turned",
        "turned_boxes(rows * scale, -turned, ratio) if turned",
        *_HELD,
    ),
    mutant(_MUST, "towards=subject.towards", "towards=-subject.towards", *_HELD),
    mutant(_CROP, "if source is CropSource.TABLE and aspect is not None:", "if False:", *_CROPPED),
    mutant(
        _CROP,
        "gains = gains_of_part(image.noise_gain_map, pixels_to_box(box, height, width))",
        "gains = image.noise_gain_map",
        *_CROPPED,
        "steps/test_gain_map_noise.py",
    ),
    # decode and denoise
    mutant("steps/decode.py", "known = bool(model and iso)", "known = True", "engine/test_finished_noise.py"),
    mutant("steps/decode.py", "frame.exif.iso, size)", "None, size)", "engine/test_finished_noise.py"),
    mutant("steps/decode.py", "frame.exif.serial, reading.size)", "reading.size)", "steps/test_decode.py"),
    mutant(
        "steps/denoise.py",
        "image.pixels / gains_at_pixels(gains, shape, image.part)",
        "image.pixels",
        "steps/test_gain_map_noise.py",
    ),
    mutant(
        "steps/denoise.py",
        "pixels *= gains_at_pixels(gains, shape, image.part)",
        "pass",
        "steps/test_gain_map_noise.py",
    ),
    mutant("steps/denoise.py", "grain / 3 + of_chroma * 2 / 3", "grain / 3", "imaging/denoise/test_denoise.py"),
    mutant(
        "steps/denoise.py",
        "math.sqrt(of_luma) * (1 - keep_grain) + keep_grain",
        "math.sqrt(of_luma)",
        "imaging/denoise/test_denoise.py",
    ),
    mutant(_BALANCE, "lit = balanced if solution.matrix is None else", "lit = balanced if True else", *_BALANCED),
    mutant(_WHITE, "x - upright_pan(", "x + upright_pan(", *_BALANCED),
    *moved(_BALANCE, _BALANCED, "unsure 0.5; recognised 0.6"),
    mutant(_WHITE, "TO_SIDES = 0.45, 0.15, 4", "TO_SIDES = 0.5, 0.15, 4", *_BALANCED),
    mutant(_WHITE, "TO_SIDES = 0.45, 0.15, 4", "TO_SIDES = 0.4, 0.15, 4", *_BALANCED),
    mutant(_WHITE, "TO_SIDES = 0.45, 0.15, 4", "TO_SIDES = 0.45, 0.15, 2", *_BALANCED),
    mutant(_WHITE, "/ STOPS_PER_LOG", "* STOPS_PER_LOG", *_BALANCED),
    mutant(_WHITE, "+ flicker / STOPS", "- flicker / STOPS", *_BALANCED),
    mutant("steps/base.py", "_DIGITS = 7 ", "_DIGITS = 8 ", "steps/test_base.py"),
    mutant("steps/base.py", "_DIGITS = 7 ", "_DIGITS = 6 ", "steps/test_base.py"),
    mutant(
        _WHITE, "np.array([row]), np.array([column]), held", "np.array([row]), np.array([-column]), held", *_BALANCED
    ),
    # The golden test sees what is wrong in the run as a whole.
    mutant(
        _EXPOSURE,
        "return apply_gain_map(image, context",
        "return image if image else (image, context",
        *_GOLDEN,
    ),
    mutant(_TONE, "linear, matrix, ev,", "linear * np.float32(1.01), matrix, ev,", *_GOLDEN),
    mutant(_TONE, "linear, matrix, ev,", "linear[..., ::-1], matrix, ev,", *_GOLDEN),
    mutant("steps/crop.py", "cut = pixels[box.y0", "cut = np.roll(pixels, 2, axis=1)[box.y0", *_GOLDEN),
    mutant(_SAVE, "(pixels[part] * 255.0 + 0.5)", "(pixels[part] * 256.5 + 0.5)", *_GOLDEN),
    mutant(_RESIZE, "params.sharpen, params.radius, top)", "0.9 * params.sharpen, params.radius, top)", *_GOLDEN),
]
