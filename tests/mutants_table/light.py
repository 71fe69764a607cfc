"""light/."""

from __future__ import annotations

from tests.mutants_table import moved, mutant

_MAINS = "light/mains.py"
_LAMPS = "light/lamp_flicker.py"
_REFERENCES = "light/references.py"
_GAIN = "light/gain_map.py"
_HIGH = "light/highlights.py"
_MERCURY, _MERCURY_TEST = "light/rendering/mercury.py", "light/rendering/test_mercury.py"
_PAIRS, _TONES = "light/comparing/pairs.py", "light/comparing/tones.py"
_COMPARED, _SCENES = ("light/comparing/test_comparing.py",), ("light/test_scenes.py",)
_MAINS_TESTS = ("light/test_mains.py::test_frequency_is_found", "light/test_mains.py::test_what_cannot_be_told_is_not")
_WAVES = ("light/test_mains.py::test_what_an_exposure_leaves_of_a_wave",)
_PERCENT = (
    "light/test_mains.py::test_percent_flicker_of_the_worked_values",
    "light/test_mains.py::test_percent_flicker_by_the_times",
)
_DARK_TESTS = ("light/test_mains.py::test_dark_phase_is_a_quarter_stop_below_the_burst",)
_REFERENCE_TESTS = ("light/test_references.py",)
_ELSEWHERE = ("light/test_charts_elsewhere.py",)
_GAIN_TESTS = ("light/test_gain_map.py", "steps/test_exposure.py")
_GREY_TESTS = ("light/test_highlights.py", "light/test_illuminant.py")

_WHITE_TESTS = ("light/test_neutral.py",)
_COMMON = ("light/comparing/test_common_chroma.py",)

_COURT_TESTS = ("light/test_court_flicker.py",)
_LAMP_TESTS = ("light/test_shared_lamp.py",)
_UNSURE_TESTS = (
    "light/test_flicker.py::test_how_unsure_a_mean_is_by_its_blocks",
    "light/test_flicker.py::test_blocks_are_squares_of_tiles",
    "light/test_flicker.py::test_a_shadow_that_passes_is_no_lamp",
)
_DISTURBED_TESTS = (
    "light/test_disturbance.py",
    "light/test_flicker.py::test_a_shadow_that_passes_is_no_lamp",
    "light/test_flicker.py::test_a_wide_shadow_that_stays_for_some_frames_moves_a_wave_little",
)
_MIXING, _MIXING_TESTS = "light/mixing/hall.py", ("light/mixing/test_hall.py",)
_FLOOR, _FLOOR_TESTS = "light/mixing/floor.py", ("light/mixing/test_floor.py",)
_VIEW_TESTS = ("light/test_perspective.py",)
_TURN_TESTS = ("light/test_registration.py::test_a_pan_that_rolls",)

_ALIKE, _ALIKE_TESTS = "light/rendering/alike.py", ("light/rendering/test_alike.py",)
_COLOURS, _COLOURS_TESTS = "light/hall/colours.py", ("light/test_hall_colours.py",)

_SINGLE = "light/singles/frame.py"
_PROOF_TEST = "light/singles/test_frame.py::test_each_proof_is_asked_for"
_OWN_TEST = "light/singles/test_frame.py::test_a_burst_that_tells_its_own_wave_is_left_alone"
_TWO_TEST = "light/singles/test_frame.py::test_two_frames_gain_what_they_have_in_common"
_STEP_TEST = "light/singles/test_frame.py::test_each_band_of_rows_is_laid_where_it_lies"
_NO_PULSE_TEST = "light/singles/test_frame.py::test_a_burst_whose_light_changes_without_a_pulse_tells_nothing"
_KEPT_TEST = "light/singles/test_frame.py::test_where_nothing_proves_it_rows_are_kept"
_STATIC, _FLASH_TEST = (
    "light/static_bands.py",
    "light/test_flicker.py::test_flashes_of_others_put_no_bands_on_the_rest_of_a_burst",
)
_LIKELY, _LIKELY_TESTS = "light/singles/likely.py", ("light/singles/test_likely.py",)

MUTANTS = [
    mutant(_SINGLE, "self.agrees >= c.agrees", "self.agrees >= 0", _PROOF_TEST),
    mutant(_SINGLE, "min(c.held_out, c.gained * self.without)", "c.held_out", _PROOF_TEST),
    mutant(_SINGLE, "min(c.held_out, c.gained * self.without)", "c.gained * self.without", _PROOF_TEST),
    mutant(_SINGLE, "and self.error <= c.error", "and True", _PROOF_TEST),
    mutant(_SINGLE, "and self.decided >= c.decided", "and True", _PROOF_TEST),
    mutant(_SINGLE, "and self.slope > 0", "and True", _PROOF_TEST),
    mutant(_SINGLE, "self._seen - by * down", "self._seen", _KEPT_TEST),
    mutant(_SINGLE, " or not is_pulse(lamp.phases)", "", _NO_PULSE_TEST),
    mutant(_STATIC, "distinct >= STATIC.frames and", "distinct > 0 and", _NO_PULSE_TEST),
    mutant(_STATIC, "not (one_way and", "not (False and", _NO_PULSE_TEST),
    mutant(_STATIC, "_most_in_one(lamp.phases) > count / 2", "False", _FLASH_TEST),
    mutant(_SINGLE, "min(c.held_out, c.gained", "max(c.held_out, c.gained", _PROOF_TEST),
    mutant(_SINGLE, "if own.lamp is not None:", "if False:", _OWN_TEST),
    mutant(_SINGLE, "total.coefficients / len(known)", "total.coefficients", _TWO_TEST),
    mutant(_SINGLE, "by_hall + -even", "by_hall", _TWO_TEST),
    mutant(_SINGLE, "_aside(scene[rows], int(shift))", "_aside(scene[rows], 0)", _STEP_TEST),
    mutant(_LIKELY, "<= _SAME * min", "<= 2 * min", *_LIKELY_TESTS),
    mutant(_LIKELY, "> _FEW or scene.tells", "> _FEW", *_LIKELY_TESTS),
    mutant(_LIKELY, "a.orientation, one.kind", "b.orientation, one.kind", *_LIKELY_TESTS),
    mutant(_LIKELY, "{*near, *alike}", "{*near}", *_LIKELY_TESTS),
    mutant(_LIKELY, "{*near, *alike}", "{*alike}", *_LIKELY_TESTS),
    mutant(
        "light/registration.py",
        "best.explained > quiet.explained + REGISTRATION.gain",
        "best.explained > still.explained + REGISTRATION.gain",
        "light/test_registration.py",
    ),
    mutant(_ALIKE, "target += 0.5 * say * _pulls", "target += 0.0 * say * _pulls", *_ALIKE_TESTS),
    mutant(_ALIKE, "if any(far > _BELIEVED for far", "if any(False for far", *_ALIKE_TESTS),
    mutant(_ALIKE, "_BELIEVED = 2.5", "_BELIEVED = 1.5", *_ALIKE_TESTS),
    mutant(_ALIKE, "far = 0.0 if one.known else", "far = 1.0 if one.known else", *_ALIKE_TESTS),
    mutant(_ALIKE, "float(one.white @ one.white) + ALIKE.as_daylight**2", "1.0", *_ALIKE_TESTS),
    mutant(_ALIKE, "spread is None or all(one.known for one in lights) or", "spread is None or", *_ALIKE_TESTS),
    mutant(_ALIKE, "apart @ target - trusted", "target - trusted", *_ALIKE_TESTS),
    mutant(_ALIKE, "total if np.trace(total) <= _FORETOLD else None", "total", *_ALIKE_TESTS),
    mutant(_ALIKE, "one.shares @ found[:, :_FREE]", "found[at, :_FREE]", *_ALIKE_TESTS),
    mutant(_COLOURS, " or _mercury(light.scenes[known[0]], whites)", "", *_COLOURS_TESTS),
    mutant(_COLOURS, "if light.match[i] >= HALL_COLOURS.recognised", "if True", *_COLOURS_TESTS),
    mutant("light/scene_white.py", "self.turn @ matrix", "matrix", *_COLOURS_TESTS),
    mutant(
        "light/flicker.py",
        "maps = [GainMap(-w @ TO_CHANNELS) for w in whole]",
        "maps = [GainMap.constant(np.zeros(3)) for w in whole]",
        *_COURT_TESTS,
    ),
    mutant(
        "light/mixing/gradient.py", "(GRADIENT.unclear, GRADIENT.clear), (0.0, 1.0)", "(0, 1), (1, 1)", *_MIXING_TESTS
    ),
    mutant(
        _MIXING,
        "_sure(apart, HALL.apart) * _sure(of.clear, HALL.clear) *",
        "_sure(apart, HALL.apart) *",
        *_MIXING_TESTS,
    ),
    mutant(_MIXING, "if _sure(apart, HALL.apart) else ():", "if True else ():", *_MIXING_TESTS),
    mutant(_FLOOR, "low = row >= _ROWS - _LOWEST", "low = row < _LOWEST", *_FLOOR_TESTS),
    mutant(_FLOOR, 'median_filter(rows, 3, mode="nearest")', "rows", *_FLOOR_TESTS),
    mutant(_FLOOR, "FLOOR.columns, axis=1", "0.0, axis=1", *_FLOOR_TESTS),
    mutant(_FLOOR, "(FLOOR.doubted, FLOOR.believed)", "(-1.0, 0.0)", *_FLOOR_TESTS),
    mutant(_FLOOR, "apart**2 *", "apart *", *_FLOOR_TESTS),
    mutant("light/mixing/gradient.py", "if number:", "if False:", *_FLOOR_TESTS),
    mutant(
        "light/mixing/gradient.py",
        "        if nearer:\n            cost",
        "        if True:\n            cost",
        "light/mixing/test_gradient.py",
    ),
    mutant(_MIXING, "np.outer(of.doubted @ line, line)", "of.doubted", *_MIXING_TESTS),
    mutant(_MIXING, "_sure(float(along @ along) / squares, HALL.along)", "1.0", *_MIXING_TESTS),
    mutant(_MIXING, "sure *= min(1.0,", "sure *= max(1.0,", *_MIXING_TESTS),
    mutant(_MIXING, "np.flatnonzero(place == number)", "np.arange(len(place))", *_MIXING_TESTS),
    mutant("light/flicker.py", "decided, FLICKER.decided)", "frames - 1.0, FLICKER.decided)", *_LAMP_TESTS),
    mutant("light/flicker.py", "trust[index], prior / error,", "trust[index], prior,", *_UNSURE_TESTS),
    mutant("light/flicker.py", "[:, None] / beside", "[:, None]", *_DISTURBED_TESTS),
    mutant("light/flicker.py", "FLICKER.below, FLICKER.above) ** still", "1.0, 1.0)", *_DISTURBED_TESTS[:1]),
    mutant("light/flicker.py", "FLICKER.above) ** still", "FLICKER.above)", *_DISTURBED_TESTS[:1]),
    mutant(
        "light/registration.py", "t[:2] / t[2] - corners[:2]", "t[:2] - corners[:2] / 1.1", "light/test_registration.py"
    ),
    mutant("light/flicker.py", "weight / disturbed[index]", "weight / 1.0", *_DISTURBED_TESTS),
    mutant(
        "light/registration.py",
        "there = warp(one.reshape(*tiles, 3).astype(np.float32), small[index])",
        "there = one.reshape(*tiles, 3)",
        *_DISTURBED_TESTS,
    ),
    mutant(
        "light/registration.py", "back = [warp(mean, one, back=True).reshape", "back = [mean.reshape", *_DISTURBED_TESTS
    ),
    mutant("imaging/robust.py", "blurred[:, :3] / share", "blurred[:, :3]", *_DISTURBED_TESTS),
    mutant("light/registration.py", "dx=self.dx / by", "dx=self.dx", *_DISTURBED_TESTS),
    mutant("imaging/robust.py", "np.linalg.solve(whole - grams,", "np.linalg.solve(whole,", *_UNSURE_TESTS),
    mutant("imaging/robust.py", "moved / np.diag(inverse @ data @ inverse)", "moved", *_UNSURE_TESTS),
    mutant("light/flicker.py", "* (across[-1] + 1) + across)", "+ across)", *_UNSURE_TESTS),
    mutant("light/shared_lamp.py", "self._target[at] -= flat @ scene[:, part]", "pass", *_LAMP_TESTS),
    mutant("light/shared_lamp.py", "self.rows[:, None] * across]", "0 * across]", *_LAMP_TESTS),
    mutant("light/shared_lamp.py", "np.roll(turn, 1, axis=2)", "turn", *_LAMP_TESTS),
    mutant("light/shared_lamp.py", "block[0, 1:] = block[1:, 0] = ", "block[0, 1:] = ", *_LAMP_TESTS),
    mutant("light/shared_lamp.py", "flat *= np.sqrt(share[:, part])", "flat *= share[:, part]", *_LAMP_TESTS),
    mutant("light/shared_lamp.py", "self._places[frame + 1] is not place", "False", *_LAMP_TESTS),
    mutant("light/shared_lamp.py", "        self._waves[:] = 0\n", "", *_LAMP_TESTS),
    mutant(
        "light/shared_lamp.py", "self.nearer * np.maximum(rows - self.floor, 0.0)", "self.nearer * rows", *_VIEW_TESTS
    ),
    mutant("light/shared_lamp.py", "distance(down * (rows - dy)", "distance((rows - dy)", *_VIEW_TESTS),
    mutant("light/shared_lamp.py", "((across - dx) / scale)", "(across - dx)", *_VIEW_TESTS),
    mutant("light/shared_lamp.py", "((across - dx) / scale)", "(across / scale)", *_VIEW_TESTS),
    mutant("light/lamp_perspective.py", "misfit.of(Perspective(floor, nearer)) + ", "", *_VIEW_TESTS),
    mutant("light/lamp_perspective.py", " + float(off[0] ** 2 + off[1] ** 2)", "", *_VIEW_TESTS),
    mutant("light/lamp_perspective.py", "(values - mean) * np.sqrt", "values * np.sqrt", *_VIEW_TESTS),
    mutant("light/flicker.py", "_FINE = (96, 12)", "_FINE = (24, 36)", *_VIEW_TESTS),
    mutant("light/flicker.py", "bool(expected.any()) or part", "part", "light/test_flicker.py"),
    mutant("light/flicker.py", "if down and believed and", "if False and", *_VIEW_TESTS),
    mutant("light/scenes.py", "found.pop() if len(found) == 1 else 0", "1", "light/test_scenes.py"),
    mutant("light/registration.py", " + reach * slope[strong]", "", "light/test_registration.py"),
    mutant("imaging/kronecker.py", "(-2, -1), (-4, -2))", "(-1, -2), (-4, -2))", "imaging/test_kronecker.py"),
    mutant(
        "light/row_wave.py",
        "x * weights[..., None]",
        "x",
        "light/test_gain_map.py",
    ),
    mutant(
        "light/shared_lamp.py",
        "usual / np.sqrt(cauchy(self.exposure / usual))",
        "usual + 0 * self.exposure",
        *_LAMP_TESTS,
    ),
    mutant(
        "light/shared_lamp.py",
        "found if whole else found - found.mean(axis=0)",
        "found - found.mean(axis=0)",
        *_LAMP_TESTS,
    ),
    mutant("light/shared_lamp.py", "return lamp, 1 - after /", "return lamp, 1 - 0 * after /", *_LAMP_TESTS),
    mutant("light/registration.py", "gy * u - gx * v", "gy * u + gx * v", *_TURN_TESTS),
    mutant("light/registration.py", "away * u, away * v", "away * v, away * u", *_TURN_TESTS),
    mutant("light/references.py", "and one.guessed", "and False", *_REFERENCE_TESTS),
    mutant("light/references.py", "and not one.surely", "", *_REFERENCE_TESTS),
    mutant("light/scene_white.py", "first.setdefault(key, index)", "index", "light/test_copied_votes.py"),
    mutant("light/hall/remembered.py", "group not in taken and ", "", "light/test_hall_colours.py"),
    mutant(
        "light/hall/remembered.py", "turn is not None), turn=turn", "turn is not None)", "light/test_hall_colours.py"
    ),
    mutant("light/hall/colours.py", "if i in at]", "]", "light/test_hall_colours.py"),
    mutant(
        "light/hall/colours.py",
        "_shares(whites, at[i])",
        "_shares(whites, light.chromaticities[i])",
        "light/test_hall_colours.py",
    ),
    mutant("light/scene_white.py", "WhiteSource.HALL: 1.0, ", "", "light/test_hall_colours.py"),
    mutant(_REFERENCES, "say = likeness(here, mixture)", "say = 1.0", *_ELSEWHERE),
    mutant(_REFERENCES, "max(like) * beyond[", "beyond[", *_ELSEWHERE),
    mutant(_REFERENCES, "if not turned else ()", "", *_ELSEWHERE),
    mutant(_REFERENCES, "m - foretold(self.whites[i])", "m - foretold(np.zeros(2))", *_ELSEWHERE),
    mutant(_REFERENCES, "along**2 / (other * max(one, other))", "along**2 / other**2", *_ELSEWHERE),
    mutant(_REFERENCES, "max(float(white @ chart) + floor, 0.0)", "float(white @ chart) + floor", *_ELSEWHERE),
    mutant(_PAIRS, "weights * cauchy(off / outlier)", "weights", *_COMPARED),
    mutant(_PAIRS, "** PAIRS.tone_power", "** 0", *_COMPARED),
    mutant(_PAIRS, "np.add.at(target, other, -w", "np.add.at(target, other, w", *_COMPARED),
    mutant(_TONES, "(shown.stops / STEP)", "(-shown.stops / STEP)", *_COMPARED),
    mutant(_TONES, "* shown.say[..., None]", "* 1.0", *_COMPARED),
    mutant(_TONES, "LUMINANCE @ to_working", "LUMINANCE", *_COMPARED),
    mutant("light/scenes.py", "(f.exif.make, f.exif.model, f.kind)", "(f.exif.make, f.exif.model)", *_SCENES),
    mutant("light/neutral.py", "if not self.finished:", "if True:", *_WHITE_TESTS),
    mutant("light/neutral.py", "if not self.finished:", "if False:", *_WHITE_TESTS),
    mutant("light/neutral.py", "prior.finished_poor * (1 - _to_blue(gap))", "prior.finished_poor", *_WHITE_TESTS),
    mutant(
        "light/scene_white.py",
        "light.place == place",
        "light.group == light.group[place]",
        *_WHITE_TESTS,
        "light/test_real_white.py",
    ),
    mutant(_PAIRS, "(p.match + f.match) / 2", "max(p.match, f.match)", *_COMPARED),
    mutant(_MERCURY, "-0.7, -0.6]", "0.7, 0.6]", _MERCURY_TEST),
    mutant(_MERCURY, "share = sure * mercury_share", "share = mercury_share", _MERCURY_TEST),
    mutant(_MERCURY, "(1.0, 0.0)", "(1.0, 1.0)", _MERCURY_TEST),
    mutant(_MERCURY, "(share - MERCURY.spared)", "share", _MERCURY_TEST),
    mutant(_MERCURY, " or np.array_equal(to_working, np.eye(3))", "", _MERCURY_TEST),
    mutant(_MERCURY, "min(white.min(), day.min()) <= 0", "False", _MERCURY_TEST),
    mutant("light/scene_white.py", "2 * self.sure - 1", "1.0", "steps/test_white_balance.py"),
    mutant("light/cast.py", "if sure < (", "if sure < 0 * (", "light/test_cast.py"),
    mutant("light/cast.py", "max(needed, CAST.unsupported)", "needed", "light/test_cast.py"),
    mutant(
        "light/scene_white.py",
        "supported=several or s.names[0] not in unexposed",
        "supported=True",
        "steps/test_white_balance.py",
    ),
    mutant("light/scene_white.py", "len(set(copies)) > 1", "False", "light/test_copied_votes.py"),
    mutant("steps/white_balance.py", "whites[index].cast or (", "(", "steps/test_white_balance.py"),
    mutant(
        "light/cast.py",
        "if warm >= CAST.bright * sum(w.score for w in whites) else",
        "if True else",
        "light/test_cast.py",
    ),
    mutant("light/cast.py", "table - rarest", "table", "light/test_cast.py"),
    mutant(
        "light/cast.py", "np.minimum((1 - taken) * warmth, CAST.left)", "(1 - taken) * warmth", "light/test_cast.py"
    ),
    mutant("light/cast.py", "cast - np.minimum(", "cast - np.maximum(", "light/test_cast.py"),
    mutant("light/palette.py", "(across - pan) / zoom", "(across - pan)", "light/test_palette.py"),
    mutant("light/palette.py", "down[:, None] / zoom", "down[:, None]", "light/test_palette.py"),
    mutant(
        "light/palette.py",
        "spectrum(one) * np.conj(spectrum(other))",
        "spectrum(other) * np.conj(spectrum(one))",
        "light/test_cast.py",
    ),
    mutant("light/cast.py", "share[-1] / 2", "share[-1]", "light/test_cast.py"),
    mutant("light/cast.py", "+ CAST.bluer, 0.0)", "+ CAST.bluer, 1.0)", "light/test_cast.py"),
    mutant("light/cast.py", "part *= np.minimum(1.0, ", "part *= np.minimum(9.0, ", "light/test_cast.py"),
    mutant("light/cast.py", "2 * len(offsets) <= len(votes)", "not len(offsets)", "light/test_cast.py"),
    mutant("light/cast.py", "sum(w.score * w.chroma for w in near) / score", "near[0].chroma", "light/test_cast.py"),
    mutant(
        "light/neutral.py",
        "self.finished * _to_blue(gap) * (prior",
        "0.0 * (prior",
        "light/test_neutral.py",
    ),
    mutant("light/cast.py", "2 * sum(lit) > len(offsets)", "any(lit)", "light/test_cast.py"),
    mutant("light/cast.py", "CAST.hall <= value < CAST.outdoors", "value < CAST.outdoors", "light/test_cast.py"),
    mutant("steps/white_balance.py", "if of_kind(f.exif)", "", "steps/test_white_balance.py"),
    mutant("formats/ciff.py", "seen < _MOST_HEAPS", "True", "formats/test_ciff.py"),
    mutant(_PAIRS, "room = True", "room = False", *_SCENES),
    mutant(_PAIRS, "if not found_again[h]", "if True", *_SCENES),
    mutant("light/neutral.py", "of.chroma @ scale.T", "of.chroma", *_COMMON),
    mutant("light/neutral.py", "back @ at, float", "at, float", *_COMMON),
    mutant("light/neutral.py", "(-1, 2)) @ scale.T for of in", "(-1, 2)) for of in", *_COMMON),
    mutant("light/neutral.py", "np.reshape(colours, (-1, 2)) @ scale.T", "np.reshape(colours, (-1, 2))", *_COMMON),
    mutant("light/neutral.py", "white=back @ (", "white=1.0 * (", *_COMMON),
    mutant("light/neutral.py", "at_daylight & ", "", *_WHITE_TESTS),
    mutant("light/neutral.py", "known = (1 - self.lost)", "known = (1 - prior.camera_lost)", *_WHITE_TESTS),
    mutant("light/scene_white.py", "not own and light.scenes[i].names[0] in halls", "not own", *_COMMON),
    mutant(
        "light/scene_white.py", "scale = to_common(light.scenes[once[0]].to_working)", "scale = np.eye(2)", *_COMMON
    ),
    mutant(
        "light/scenes.py",
        "candidates(level_samples, to_common(images[0].to_working))",
        "candidates(level_samples, np.eye(2))",
        *_COMMON,
    ),
    mutant("light/scenes.py", "to_common(s.to_working) @ at for", "at for", *_COMMON),
    mutant("light/comparing/common_chroma.py", "if np.array_equal(to_working, np.eye(3)):", "if False:", *_COMMON),
    mutant("light/comparing/common_chroma.py", " and sizes[0] < _COARSEST", "", *_COMMON),
    mutant("light/comparing/common_chroma.py", "sizes[-1] > _FINEST and ", "", *_COMMON),
    mutant(
        _REFERENCES, "off = one.size(one.white - white)", "off = float(np.linalg.norm(one.white - white))", *_COMMON
    ),
    mutant(_REFERENCES, "gap = one.size(offset", "gap = np.linalg.norm(offset", *_COMMON),
    mutant(_REFERENCES, "distance = one.size(", "distance = np.linalg.norm(", *_COMMON),
    mutant(_REFERENCES, "if one.size(some[0]", "if np.linalg.norm(some[0]", *_COMMON),
    mutant(_REFERENCES, "if one.size(found[j].chromaticity", "if np.linalg.norm(found[j].chromaticity", *_COMMON),
    mutant("light/neutral.py", "self.centre + at * gap", "self.centre + gap", *_WHITE_TESTS),
    mutant("light/neutral.py", "here, lost(prior.finished_lost))", "here, lost(prior.pictures_lost))", *_WHITE_TESTS),
    mutant("light/neutral.py", "CAMERA_PRIOR.camera**2 + scatter", "CAMERA_PRIOR.camera**2", *_WHITE_TESTS),
    mutant("light/neutral.py", "known * (lost - near) * prior.lamps + ", "", *_WHITE_TESTS),
    mutant(
        "light/neutral.py",
        "guided = prior.density(offset) ** (1 / max(scenes, 1.0))",
        "guided = np.ones(len(offset))",
        *_WHITE_TESTS,
    ),
    *moved(
        "light/neutral.py",
        ("test_constants.py::test_figures_are_those_recorded",),
        "bright 10.0; stands_out 3.5; area 0.3; across 0.25; near 0.15",
    ),
    *moved(
        "light/neutral.py",
        ("test_constants.py::test_figures_are_those_recorded",),
        "same_light 0.02; far_say 0.02; counted_near 0.12",
    ),
    mutant(
        _LAMPS,
        "left = np.sinc(hz * p.exposure)\n    drift",
        "left = np.ones(len(p.exposure))\n    drift",
        *_PERCENT,
    ),
    mutant(
        _MAINS,
        "left = np.sinc(hz * p.exposure)\n    angle",
        "left = np.ones(len(p.exposure))\n    angle",
        *_WAVES,
    ),
    mutant(_MAINS, "2 * np.pi * hz * p.times", "np.pi * hz * p.times", *_WAVES),
    mutant(_MAINS, "+ exposure[index] / 2", "", *_WAVES),
    *moved(_LAMPS, _DARK_TESTS, "dark 0.25"),
    mutant(
        _LAMPS,
        "np.median(level[those]) - LAMP_FLICKER.dark",
        "np.median(level[those]) + LAMP_FLICKER.dark",
        *_DARK_TESTS,
    ),
    mutant(
        _MAINS,
        "coarse: float = 0.0025",
        "coarse: float = 0.025",
        "light/test_mains.py::test_coarse_times_are_noticed_even_when_unsaid",
    ),
    mutant(_LAMPS, "q = min(amplitude * math.log(2) / 2, 1.0)", "q = min(amplitude / 2, 1.0)", *_PERCENT),
    mutant(_MAINS, "< MAINS.above_trend", "< -1e9", *_MAINS_TESTS),
    mutant(_MAINS, "-dof / 2 * np.log", "dof / 2 * np.log", *_MAINS_TESTS),
    mutant(_REFERENCES, "disagrees: float = 0.08", "disagrees: float = 0.088", *_REFERENCE_TESTS),
    mutant(_REFERENCES, "disagrees: float = 0.08", "disagrees: float = 0.072", *_REFERENCE_TESTS),
    mutant(_REFERENCES, "np.argmax(own)", "np.argmin(own)", *_REFERENCE_TESTS),
    mutant(
        _REFERENCES,
        "r.white - r.chromaticity for r in found",
        "r.white + r.chromaticity for r in found",
        *_REFERENCE_TESTS,
    ),
    mutant(_REFERENCES, "like: float = 0.10", "like: float = 10", *_REFERENCE_TESTS),
    mutant(_REFERENCES, "if distance > size:", "if distance > REFERENCES.disagrees:", *_REFERENCE_TESTS),
    mutant(_REFERENCES, "beyond_reason: float = 4.5", "beyond_reason: float = 4.05", *_REFERENCE_TESTS),
    mutant(_REFERENCES, "beyond_reason: float = 4.5", "beyond_reason: float = 45", *_REFERENCE_TESTS),
    mutant(_REFERENCES, "clipped: float = 0.02", "clipped: float = 0.2", *_REFERENCE_TESTS),
    mutant(_REFERENCES, "dark: float = 0.003", "dark: float = 0.0003", *_REFERENCE_TESTS),
    mutant(_REFERENCES, "np.array([1 - s, s])", "np.array([s, 1 - s])", *_REFERENCE_TESTS),
    mutant(_REFERENCES, "mean[1] / mean / daylight", "mean / mean[1] / daylight", *_REFERENCE_TESTS),
    mutant(_REFERENCES, "+ chromaticity - place)", "- chromaticity + place)", *_REFERENCE_TESTS),
    mutant(_REFERENCES, "if matrix is not None and not rendered:", "if matrix is not None:", *_REFERENCE_TESTS),
    mutant(
        _GAIN, "mean = 2.0 ** gain_map.coefficients[0, 0]", "mean = 2.0 ** -gain_map.coefficients[0, 0]", *_GAIN_TESTS
    ),
    mutant(_GAIN, "(2.0 ** gain_map.on(_COARSE", "(2.0 ** -gain_map.on(_COARSE", *_GAIN_TESTS),
    mutant(_GAIN, "return GainMap(-self.coefficients)", "return GainMap(self.coefficients)", *_GAIN_TESTS),
    mutant(
        _GAIN,
        "_times(gains / mean.astype(np.float32), earlier)",
        "_times(gains, earlier)",
        "steps/test_gain_map_noise.py",
    ),
    mutant(_GAIN, "np.log2(gains)", "np.log(gains)", *_GAIN_TESTS),
    mutant(_GAIN, "_NOTHING = 0.0005", "_NOTHING = 0.05", *_GAIN_TESTS),
    mutant(_GAIN, "(np.arange(count) + 0.5) / count", "np.arange(count) / count", *_GAIN_TESTS),
    mutant(
        _GAIN,
        "across * (left + 0.5)], [0, down, down * (top + 0.5)",
        "across * left], [0, down, down * top",
        *_GAIN_TESTS,
    ),
    mutant(_HIGH, "(most - g)", "(g - most)", *_GREY_TESTS),
    *moved(_HIGH, ("light/test_highlights.py",), "near 0.9; ramp 0.09; bent 0.8; bent_ramp 0.12"),
    *moved(_HIGH, ("light/test_highlights.py",), "pale 0.4; pale_ramp 0.2"),
    mutant(_HIGH, "min(max(b, min(as_b, g)), max(as_b, g))", "min(b, g)", *_GREY_TESTS),
    mutant(_HIGH, "low = min(near, first) if finished else near", "low = near", *_GREY_TESTS),
    mutant(_HIGH, "np.clip(given, np.minimum(*ends), np.maximum(*ends))", "given", "imaging/test_tone_samples.py"),
    mutant(_HIGH, "counts**GRAY_WORLD.power", "counts", *_GREY_TESTS),
    mutant(_HIGH, "np.exp([-self.log_rg, 0.0, -self.log_bg])", "np.exp([self.log_rg, 0.0, self.log_bg])", *_GREY_TESTS),
    mutant(
        _HIGH, "limit = GRAY_WORLD.clipped * saturation", "limit = 10 * GRAY_WORLD.clipped * saturation", *_GREY_TESTS
    ),
]
