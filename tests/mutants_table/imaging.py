"""imaging/: colour, tone, resample."""

from __future__ import annotations

from tests.mutants_table import mutant

_COLOUR = "imaging/colour.py"
_TONE = "imaging/tone.py"
_HALL = "imaging/test_manhattan.py"
_RESAMPLE = "imaging/resample.py"
_LOST, _LOST_TEST = "imaging/raw/lost_sectors.py", "imaging/raw/test_lost_sectors.py"

_PICTURE_POOL = "imaging/denoise/picture_noise_pool.py"
_PICTURE_TEST = "imaging/denoise/test_picture_noise.py"

_SAMPLES, _AS_PIXELS = "imaging/tone_samples.py", "imaging/test_tone_samples.py"

_WEB, _WEB_TEST = "imaging/learned/web.py", "imaging/learned/test_web.py"
_TEXTURE, _TEXTURE_TEST = "imaging/learned/texture.py", "imaging/learned/test_texture.py"
_REPEATS, _REPEATS_TEST = "imaging/learned/repeats.py", "imaging/learned/test_repeats.py"
_FINISHED, _FINISHED_TEST = "imaging/learned/finished.py", "imaging/learned/test_finished.py"
_RUNTIME, _LEARNED_RUN = "imaging/learned/test_runtime.py", "engine/test_learned.py"

MUTANTS = [
    mutant("imaging/learned/runtime.py", "!= weights.sha256", '== ""', _RUNTIME),
    mutant("imaging/learned/network.py", "if width % BANDS:", "if width < 0:", "imaging/learned/test_network.py"),
    mutant("imaging/learned/network.py", "if rows < BANDS:", "if rows < 0:", "imaging/learned/test_network.py"),
    mutant("imaging/learned/tiles.py", "overlap: int = 32", "overlap: int = 16", "imaging/learned/test_mosaic.py"),
    mutant("steps/denoise.py", 'asked["weights"] = [runtime', 'asked["weights"] = "" and [runtime', _LEARNED_RUN),
    mutant(
        "steps/denoise.py", "in (runtime.MOSAIC, runtime.WEB, runtime.FINISHED)", "in (runtime.MOSAIC,)", _LEARNED_RUN
    ),
    mutant(_FINISHED, "most: tuple[float, float] = (2.2, 1.6)", "most: tuple[float, float] = (99, 99)", _FINISHED_TEST),
    mutant(_FINISHED, "if not of_camera:", "if False:", _FINISHED_TEST),
    mutant(_FINISHED, "doubt * np.interp(codes, c.strong, (0, 1))", "doubt", _FINISHED_TEST),
    mutant(_FINISHED, "worth *= 1 - even[own]", "pass", _FINISHED_TEST),
    mutant(_FINISHED, "if d.max() < told.LEAST:", "if False:", _FINISHED_TEST),
    mutant(_FINISHED, "worth *= share_taken(", "share_taken(", _FINISHED_TEST),
    mutant(_FINISHED, "worth *= self.believed", "pass", _FINISHED_TEST),
    mutant(_FINISHED, "1.0 if self.grey else part_believed", "part_believed", _FINISHED_TEST),
    mutant(_FINISHED, "if self.grey:", "if False:", _FINISHED_TEST),
    mutant(_FINISHED, "tuple[float, float] = (-9.0, -6.5)", "tuple[float, float] = (-6.0, -3.0)", _FINISHED_TEST),
    mutant(_FINISHED, "faint: float = 0.15", "faint: float = 1.0", _FINISHED_TEST),
    mutant(_FINISHED, "- off[i // 2, j // 2]", "", _FINISHED_TEST),
    mutant(_FINISHED, "true + darker, darker", "true, darker", _FINISHED_TEST),
    mutant(_FINISHED, "(3.0, 5.0)", "(9.0, 12.0)", _FINISHED_TEST),
    mutant(_WEB, "overlap: int = 24", "overlap: int = 8", _WEB_TEST),
    mutant(_WEB, "classical: float = 0.3", "classical: float = 1.0", _WEB_TEST),
    mutant(_WEB, "give_back(found, small, averaged, scale)", "pass", _TEXTURE_TEST),
    mutant(_TEXTURE, "(found > TEXTURE.threshold * power)", "(found > 0)", _TEXTURE_TEST),
    mutant(_TEXTURE, "real &= np.abs(shows + lacks) > np.abs(shows)", "pass", _TEXTURE_TEST),
    mutant(_TEXTURE, "even = windows - windows.mean(axis=2, keepdims=True)", "even = windows.copy()", _TEXTURE_TEST),
    mutant(_TEXTURE, "even -= even.mean(axis=1, keepdims=True)", "pass", _TEXTURE_TEST),
    mutant(_TEXTURE, "(certainty + one) / root", "root", _TEXTURE_TEST),
    mutant(_TEXTURE, "enumerate((other, green, other))", "enumerate((green, green, green))", _TEXTURE_TEST),
    mutant(_WEB, "found += np.maximum(aside, -np.maximum(found, 0))", "pass", _REPEATS_TEST),
    mutant(_REPEATS, "row[j, c] -= base * held[0, c, left + j]", "pass", _REPEATS_TEST),
    mutant(_REPEATS, "np.clip(1 + (found - 1)", "np.clip(1 + 0 * (found - 1)", _REPEATS_TEST),
    mutant("imaging/raw/mosaic.py", "if has_lost_sectors(mosaic, black4):", "if False:", _LOST_TEST),
    mutant(_LOST, "if black.min() <= 0:", "if False:", _LOST_TEST),
    mutant(
        _LOST,
        "inside = zeros[int(np.argmin(masked)) : len(masked) - int(np.argmin(masked[::-1]))]",
        "inside = zeros",
        _LOST_TEST,
    ),
    mutant(_LOST, "if np.diff(others).max() > RUN:", "if np.diff(others).max() > 1:", _LOST_TEST),
    mutant(_LOST, "RUN = 128", "RUN = 300", _LOST_TEST),
    mutant(
        "imaging/raw/mosaic.py",
        "(2 * times * size[0], 2 * times * size[1])",
        "(2 * times * size[1], 2 * times * size[0])",
        _LEARNED_RUN,
    ),
    mutant("engine/render.py", "and not (cleaned and b is early)", "", _LEARNED_RUN),
    mutant(_SAMPLES, "distance <= edge", "distance < 0", _AS_PIXELS),
    mutant(_SAMPLES, "np.where(most > knee, bottom", "np.where(most > 0, bottom", _AS_PIXELS),
    mutant(_SAMPLES, "one - square * near", "one - square", _AS_PIXELS),
    mutant(_SAMPLES, "(least < 0) & (light > 0)", "(least < 0)", _AS_PIXELS),
    mutant("light/highlights.py", "raised + clipped * (", "raised - clipped * (", _AS_PIXELS),
    mutant("steps/tone.py", "partial(displayed, samples=True)", "displayed", "cli/test_startup.py"),
    mutant(_PICTURE_POOL, "np.minimum(pooled.power, coded(np.exp(most)))", "pooled.power", _PICTURE_TEST),
    mutant(_PICTURE_POOL, "* np.array([one.over", "* 0 * np.array([one.over", _PICTURE_TEST),
    mutant(_PICTURE_POOL, "if one_camera else seen.power", "if False else seen.power", _PICTURE_TEST),
    mutant(_PICTURE_POOL, "if one_camera else seen.power", "if True else seen.power", _PICTURE_TEST),
    mutant(_PICTURE_POOL, "min(limit, density[s]) if", "density[s] if", _PICTURE_TEST),
    mutant(_PICTURE_POOL, "lowered * (1 if plane else finer)", "lowered", _PICTURE_TEST),
    mutant(_PICTURE_POOL, "colour + POOL.colour_smoothed", "9 + POOL.colour_smoothed", _PICTURE_TEST),
    mutant(_PICTURE_POOL, "POOL.few_unsure * unsure * fewer", "0", _PICTURE_TEST),
    mutant(_PICTURE_POOL, "if not np.isfinite(bounded).all()", "if False", _PICTURE_TEST),
    mutant("imaging/denoise/rounding.py", "power = _HALF_LOST *", "power = 3 * _HALF_LOST *", _PICTURE_TEST),
    mutant("imaging/denoise/rounding.py", "part = np.interp(least - line, _FAINT, (1, 0))", "part = 0", _PICTURE_TEST),
    mutant("formats/jpeg_steps.py", "* (across * down) ** 0.5", "", "formats/test_jpeg_steps.py"),
    mutant(
        "formats/pictures.py",
        "steps = np.ascontiguousarray(steps.swapaxes(1, 2))",
        "pass",
        "formats/test_jpeg_steps.py",
    ),
    mutant("imaging/denoise/picture_noise.py", "mean / p.lost", "mean * p.lost", _PICTURE_TEST),
    mutant("imaging/denoise/picture_noise.py", "own &= ~drawn", "pass", _PICTURE_TEST),
    mutant(_PICTURE_POOL, "if not pooled.alike:", "if False:", _PICTURE_TEST),
    mutant(_PICTURE_POOL, "unlike <= max(1, ", "unlike <= max(9, ", _PICTURE_TEST),
    mutant("imaging/denoise/level_table.py", "0.25 * lift", "-0.25 * lift", _PICTURE_TEST),
    mutant("types.py", "- 0.5 * math.log2(energy)", "- math.log2(energy)", _PICTURE_TEST),
    mutant("types.py", "levels[1] * of_channel**2", "levels[1] * of_channel", _PICTURE_TEST),
    mutant("imaging/manhattan.py", "* z - np.sin(pitch) * y", "* z + np.sin(pitch) * y", _HALL),
    mutant("imaging/manhattan.py", "(rolls[modes] - roll) ** 2", "0 * roll", _HALL),
    mutant("imaging/manhattan.py", "on &= gap > -pieces[:, 3] / 2", "on &= gap > -9", _HALL),
    mutant("imaging/manhattan.py", "sigma=seen.sigma * min(bent, 1.0)", "sigma=seen.sigma", _HALL),
    mutant("imaging/manhattan.py", "self.bent <= of.straight and", "", _HALL),
    mutant("imaging/manhattan.py", "free[i + 1 :], _gap", "free[i + 1 :] | True, _gap", _HALL),
    mutant("imaging/rotation.py", "kept = farthest > BORDERS.rim", "kept = farthest > -1", "imaging/test_level.py"),
    mutant("imaging/rotation.py", "inner.std(axis=1) <", "rows.std(axis=1) <", "imaging/test_level.py"),
    mutant(
        "imaging/level.py",
        "rotation.off_rim(segments(grey, edge, noisy), shown)",
        "segments(grey, edge, noisy)",
        "imaging/test_level.py",
    ),
    mutant(
        "imaging/level.py", "together is not None and together.sure", "together is not None", "imaging/test_level.py"
    ),
    mutant("imaging/level.py", "kept &= ~within", "pass", "imaging/test_level.py"),
    mutant("imaging/level.py", "room = LEVEL.around * (y1 - y0)", "room = 0.0", "imaging/test_level.py"),
    mutant("imaging/level.py", "_contradicts(together, found.degrees)", "False", "imaging/test_level.py"),
    mutant("people/observe.py", "np.float32(255), found.people)", "np.float32(255))", "people/test_choice.py"),
    mutant(
        "imaging/manhattan.py",
        "steady = self.moved <= of.moved and self.second >= of.second",
        "steady = self.moved <= of.moved",
        "imaging/test_level.py",
    ),
    mutant("imaging/manhattan.py", "(0, 6, 15, 30, 45, 60, 75, 84)", "(0,)", "imaging/test_level.py"),
    mutant("imaging/level.py", "noise_of(grey) > LEVEL.noisy", "False", "imaging/test_level.py"),
    mutant(
        "imaging/level.py",
        "apart = min(LEVEL.agree, LEVEL.both_apart * math.hypot(one.error, found.spread))",
        "apart = LEVEL.agree",
        "imaging/test_level.py",
    ),
    mutant("imaging/level.py", "math.hypot(one.error, found.spread))", "one.error)", "imaging/test_level.py"),
    mutant(
        "imaging/level.py",
        "verticals = [_both(*one)[0] for one in pictures[::2]]",
        "verticals = []",
        "imaging/test_level.py",
    ),
    mutant("imaging/manhattan.py", "[down, -right, right *", "[down, right, right *", _HALL),
    mutant("imaging/sharpness.py", "(6 * _MEDIAN)", "6", "imaging/test_sharpness.py"),
    mutant(
        "imaging/level.py",
        "for one, other in (verticals, verticals[::-1]):",
        "for one, other in ():",
        "imaging/test_level.py",
    ),
    mutant("imaging/rotation.py", "(whole_width - 1) / 2 - left", "(whole_width - 1) / 2", "imaging/test_level.py"),
    mutant(
        "imaging/rotation.py",
        "ys.append(down * math.cos(turn) - ",
        "ys.append(down * math.cos(turn) + ",
        "imaging/test_level.py",
    ),
    mutant(_COLOUR, "x <= 0.0031308,", "x <= 0.0134308,", "imaging/test_colour.py"),
    mutant(_COLOUR, "x <= 0.0031308,", "x <= 0.00031308,", "imaging/test_colour.py"),
    mutant(_COLOUR, "12.92 * x,", "14.2 * x,", "imaging/test_colour.py"),
    mutant(_COLOUR, "(1 / 2.4) - 0.055)", "(1 / 2.2) - 0.055)", "imaging/test_colour.py"),
    mutant(_COLOUR, "v <= 0.04045,", "v <= 0.4045,", "imaging/test_colour.py"),
    mutant(_COLOUR, "v <= 0.04045,", "v <= 0.004045,", "imaging/test_colour.py"),
    mutant(_COLOUR, "500 * (f[..., 0] - f[..., 1])", "500 * (f[..., 1] - f[..., 0])", "imaging/test_colour.py"),
    mutant(_COLOUR, "ratio > (6 / 29) ** 3", "ratio > (6 / 29) ** 2", "imaging/test_colour.py"),
    mutant(_COLOUR, "white[1] / white", "white / white[1]", "imaging/test_colour.py"),
    mutant(_COLOUR, "rgb_to_camera / white[:, None]", "rgb_to_camera / white[None]", "imaging/test_colour.py"),
    mutant(_TONE, "matrix = to_working * 2.0**ev", "matrix = to_working * 2.0**-ev", "imaging/test_tone.py"),
    mutant(_TONE, "grey + saturation * (matrix - grey)", "grey - saturation * (matrix - grey)", "imaging/test_tone.py"),
    mutant(_TONE, "bottom + (r - least) * share", "top", "imaging/test_tone_contrast.py"),
    mutant(_TONE, "    if distance <= edge:", "    if True:", "imaging/test_tone_contrast.py"),
    mutant(_TONE, "light + vivid * (most - light)", "light", "imaging/test_tone_contrast.py"),
    mutant(_TONE, "free = one - square * near", "free = one", "imaging/test_tone_contrast.py"),
    mutant(_TONE, "pure = ends[5] * (square", "pure = 0 * ends[5] * (square", "imaging/test_tone_contrast.py"),
    mutant(_TONE, "edge = CONTRAST.edge if raw else 0.0", "edge = 0.0", "imaging/test_tone_contrast.py"),
    mutant(
        _TONE, "(above + middle)) ** contrast", "(above + middle)) ** (2 * contrast)", "imaging/test_tone_contrast.py"
    ),
    mutant(_TONE, "signal = x / (x + floor) if floor > 0 else 1.0", "signal = 1.5", "imaging/test_tone_contrast.py"),
    mutant(_TONE, "if saturation != 1.0:", "if saturation > 1.0:", "imaging/test_tone.py"),
    mutant(_TONE, "np.outer(np.ones(3), LUMINANCE)", "np.outer(np.ones(3), np.ones(3) / 3)", "imaging/test_tone.py"),
    mutant(_TONE, "pull = lowest / (lowest - light)", "pull = lowest / (lowest + light)", "imaging/test_tone.py"),
    mutant(_TONE, "g += pull * (light - g)", "g -= pull * (light - g)", "imaging/test_tone.py"),
    mutant(_TONE, "if lowest < zero:", "if lowest > zero:", "imaging/test_tone.py"),
    mutant(_TONE, "x <= knee, np.maximum", "x <= 0.9 * knee, np.maximum", "imaging/test_tone.py"),
    mutant(
        _TONE, "over = np.clip(x - knee, 0.0, reach)", "over = np.clip(x - knee, 0.0, None)", "imaging/test_tone.py"
    ),
    mutant(_TONE, "if reach <= room * _STRAIGHT:", "if reach <= room * 0.5:", "imaging/test_tone.py"),
    mutant(_TONE, "(low, k)", "(k, low)", "imaging/test_tone.py"),
    mutant(_TONE, "** 2 * white", "** 2", "imaging/test_tone.py"),
    mutant(_RESAMPLE, "down = height * width <", "down = height * width >", "imaging/test_resample.py"),
    mutant(_RESAMPLE, "(after[0] * after[1]) /", "(after[0] * after[0]) /", "imaging/test_resample.py"),
    mutant(_RESAMPLE, "return min(1.0, (after", "return max(1.0, (after", "imaging/test_resample.py"),
    mutant(_RESAMPLE, "return min(1.0, (after", "return min(9.9, (after", "imaging/test_resample.py"),
    mutant(_RESAMPLE, "* (root - soft)", "* (soft - root)", "imaging/test_resample.py"),
    mutant(_RESAMPLE, "slack = SHARPEN.overshoot *", "slack = 10 * SHARPEN.overshoot *", "imaging/test_resample.py"),
    mutant(_RESAMPLE, "slack = SHARPEN.overshoot *", "slack = 0.8 * SHARPEN.overshoot *", "imaging/test_resample.py"),
    mutant(_RESAMPLE, "np.cbrt(luminance)", "luminance", "imaging/test_resample.py"),
    mutant(_RESAMPLE, "pixels @ LUMINANCE.astype(np.float32)", "pixels[..., 0]", "imaging/test_resample.py"),
    mutant(_RESAMPLE, "(width, height), interpolation", "(height, width), interpolation", "imaging/test_resample.py"),
]
