"""imaging/raw and imaging/denoise, and the step that decodes."""

from __future__ import annotations

from tests.mutants_table import mutant

_NOISE = "imaging/raw/noise.py"
_MOSAIC = "imaging/raw/mosaic.py"
_DEMOSAIC = "imaging/raw/demosaic.py"
_DENOISE = "imaging/denoise/denoise.py"
_CELLS, _CLEAN = "imaging/denoise/cells.py", "imaging/denoise/test_clean.py"
_EDGES = "imaging/denoise/edges.py"
_DEFECTS, _POOL, _DEFECT_TESTS = "imaging/raw/defects.py", "imaging/raw/noise_pool.py", "imaging/raw/test_defects.py"
_AREA, _AVERAGED = "imaging/raw/area.py", ("imaging/raw/test_area.py",)
_SLIDING, _PATCHES = "imaging/denoise/sliding_dct.py", ("imaging/denoise/test_sliding_dct.py",)
_ROWS = "imaging/denoise/patch_rows.py"
_ORIENTATION = "imaging/orientation.py"
_TYPES = "types.py"
_RECORDED = "test_constants.py::test_figures_are_those_recorded"
_NOISE_TESTS = ("imaging/raw/test_noise.py",)
_MOSAIC_TESTS = ("imaging/raw/test_mosaic.py",)
_WINDOW, _RESIDUAL = "imaging/raw/window.py", "imaging/raw/residual_demosaic.py"
_GREENS = "imaging/raw/greens.py"
_WINDOW_TESTS = ("imaging/raw/test_window.py",)
_QUIET = "imaging/raw/quiet.py"
_QUIET_TESTS = ("imaging/raw/test_quiet.py",)
_BORDERS, _BORDERS_TESTS = "imaging/raw/borders.py", ("imaging/raw/test_borders.py",)
_CUT, _CUT_TESTS = "imaging/raw/cut_darks.py", ("imaging/raw/test_cut_darks.py",)

MUTANTS = [
    mutant(_BORDERS, "if told.sum() < of.places:", "if True:", *_BORDERS_TESTS),
    mutant(_BORDERS, "dead = middle <", "dead = middle >", *_BORDERS_TESTS),
    mutant(
        _BORDERS,
        "told &= (other[:, 1] > of.lit * white) & (np.abs(other[:, 0] - other[:, 1]) <= of.other * other[:, 1])",
        "",
        *_BORDERS_TESTS,
    ),
    mutant(_BORDERS, "of.off / 2).mean()) < of.nearly_all", "of.off / 2).mean()) < 0", *_BORDERS_TESTS),
    mutant(_CUT, "black.max() > 0 or ", "", *_CUT_TESTS),
    mutant(_CUT, " * float(np.clip(sure, 0, 1))", "", *_CUT_TESTS),
    mutant(_CUT, "max(ended) - min(ended)", "max(ended)", *_CUT_TESTS),
    mutant(_CUT, "float(np.clip(sure, 0, 1))", "float(sure > 0)", *_CUT_TESTS),
    mutant(_CUT, "(1 / white[colour])", "(1 / white.min())", *_CUT_TESTS),
    mutant(_CUT, "(before.pixels / before.saturation.astype(np.float32))", "before.pixels", *_CUT_TESTS),
    mutant(_CUT, "LUMINANCE @ balanced.to_working", "LUMINANCE @ np.ones((3, 3)) / 3", *_CUT_TESTS),
    mutant(_MOSAIC, "cut_level(mosaic, pattern, black, white)", "0.0", "imaging/raw/test_mosaic.py"),
    mutant("steps/white_balance.py", "grey_darks(lit, image)", "lit", "steps/test_white_balance.py"),
    mutant(
        "imaging/blank.py",
        "if image.is_finished else BLANK.black",
        "if False else BLANK.black",
        "imaging/test_blank.py",
    ),
    mutant(_QUIET, "if threading.current_thread() is not threading.main_thread():", "if False:", *_QUIET_TESTS),
    mutant(_QUIET, "        os.dup2(before, _STDERR)\n", "", *_QUIET_TESTS),
    mutant(_QUIET, "            os.write(_STDERR, rest)\n", "            pass\n", *_QUIET_TESTS),
    mutant(_QUIET, "            os.close(kept)\n", "            pass\n", *_QUIET_TESTS),
    mutant(_NOISE, "np.median(noisy[:, 1]) * _CENSORED", "np.median(noisy[:, 1]) / _CENSORED", *_NOISE_TESTS),
    mutant(_NOISE, "2 * np.pi / (np.pi - 1)", "2 * np.pi / (np.pi + 1)", *_NOISE_TESTS),
    mutant(_NOISE, "[1.0, -3.0, 3.0, -1.0]", "[1.0, -3.0, 3.0, 1.0]", *_NOISE_TESTS),
    mutant(_NOISE, "np.sqrt(20.0)", "np.sqrt(18.0)", *_NOISE_TESTS),
    mutant(_NOISE, "quiet[:, 1].mean() / variance", "quiet[:, 1].mean()", *_NOISE_TESTS),
    mutant(_NOISE, "if bad.mean() > NOISE.clipped_bin:", "if bad.mean() > 1:", *_NOISE_TESTS),
    mutant(
        _NOISE,
        "white: float = 0.98",
        "white: float = 1.98",
        *_NOISE_TESTS,
        why="clipped pixels have the greatest value of the frame, which is asked for beside it",
    ),
    mutant(_NOISE, "np.where(ratio > 1.0, cauchy", "np.where(ratio < 1.0, cauchy", *_NOISE_TESTS),
    mutant(_NOISE, "Noise(a * saturation, b * saturation**2)", "Noise(a * saturation, b * saturation)", *_NOISE_TESTS),
    mutant(_NOISE, "(0, 1, 2, 1)[int(pattern[y, x])] == colour", "int(pattern[y, x]) == colour", *_NOISE_TESTS),
    mutant(_MOSAIC, "round(black4[1] - black4[3])", "round(black4[3] - black4[1])", *_MOSAIC_TESTS),
    mutant(_MOSAIC, "cut_short: float = 0.02", "cut_short: float = 0.2", *_MOSAIC_TESTS),
    mutant(_MOSAIC, "if tail > MOSAIC.cut_short:", "if False:", *_MOSAIC_TESTS),
    mutant(_MOSAIC, "constant[::-1]", "constant", *_MOSAIC_TESTS),
    mutant(_WINDOW, "rim: int = 64", "rim: int = 0", *_WINDOW_TESTS),
    mutant(_WINDOW, "slack: int = 2", "slack: int = 0", *_WINDOW_TESTS),
    mutant(_WINDOW, "before = RIM + (red - low) % 2", "before = RIM", *_WINDOW_TESTS),
    mutant(_WINDOW, "starts.append(span.first - low + before)", "starts.append(before)", *_WINDOW_TESTS),
    mutant(_WINDOW, "cv2.BORDER_REFLECT_101)", "cv2.BORDER_REFLECT)", *_WINDOW_TESTS),
    mutant(_WINDOW, "share[span.low : span.high]  #", "share[: span.high - span.low]  #", *_WINDOW_TESTS),
    mutant(_WINDOW, "share = 0.5 if colour == 1 else 1.0", "share = 1.0", *_WINDOW_TESTS),
    mutant(_WINDOW, "else Part(place.x0, place.y0,", "else Part(place.y0, place.x0,", *_WINDOW_TESTS),
    mutant(
        _RESIDUAL,
        "out[k] = min(slope[k] * green[k] + rest[k], max(most[k], full))",
        "out[k] = slope[k] * green[k] + rest[k]",
        *_WINDOW_TESTS,
    ),
    mutant(_RESIDUAL, "max(high, min(high + room, full))", "high + room", *_WINDOW_TESTS),
    mutant(_RESIDUAL, "min(u[k] - start, zero)", "zero * (u[k] - start)", *_WINDOW_TESTS),
    mutant(_RESIDUAL, "sign[r, k] = f32(1) if (k + r) % 2 == 0 else f32(-1)", "sign[r, k] = f32(1)", *_WINDOW_TESTS),
    mutant("imaging/raw/area.py", "(1 / (white - black))", "(1 / white)", *_MOSAIC_TESTS),
    mutant(_DEMOSAIC, "balance.max() / balance / 65535.0", "1 / balance / 65535.0", *_MOSAIC_TESTS),
    mutant(_DEMOSAIC, "adjust_maximum_thr=0.0", "adjust_maximum_thr=0.75", *_MOSAIC_TESTS),
    mutant(_MOSAIC, "model.a * energy, model.b * energy", "model.a, model.b", *_MOSAIC_TESTS),
    mutant(_MOSAIC, "return np.asarray(values / values[1])", "return np.asarray(values[1] / values)", *_MOSAIC_TESTS),
    mutant(
        _ORIENTATION,
        "return self >= Orientation.LEFT_TOP",
        "return self > Orientation.LEFT_TOP",
        "imaging/test_orientation.py",
    ),
    mutant(
        _ORIENTATION,
        "self.BOTTOM_LEFT, self.RIGHT_BOTTOM, self.LEFT_BOTTOM),",
        "self.BOTTOM_LEFT, self.RIGHT_BOTTOM, self.RIGHT_TOP),",
        *_MOSAIC_TESTS,
    ),
    mutant(
        _ORIENTATION, "return (y, x) if self.swaps_sides else (x, y)", "return (x, y)", "imaging/test_orientation.py"
    ),
    mutant(_ORIENTATION, "(1, 2, 4, 3, 5, 8, 6, 7))", "(1, 2, 4, 3, 5, 6, 8, 7))", "imaging/test_orientation.py"),
    mutant(
        _DENOISE,
        "threshold: float = 2.9",
        "threshold: float = 2.6",
        "imaging/denoise/test_denoise.py::test_thresholds_are_at_their_best",
    ),
    mutant(
        _DENOISE,
        "threshold: float = 2.9",
        "threshold: float = 3.2",
        "imaging/denoise/test_denoise.py::test_thresholds_are_at_their_best",
    ),
    mutant(
        _DENOISE,
        "wiener: float = 1.02",
        "wiener: float = 0.9",
        "imaging/denoise/test_denoise.py::test_thresholds_are_at_their_best",
    ),
    mutant(_AREA, "before = f32(2) * before", "before = f32(1) * before", *_AVERAGED),
    mutant(_AREA, "after = f32(2) * after", "after = f32(1) * after", *_AVERAGED),
    mutant(_AREA, "own[1, x] + half * about[1, x] +", "own[1, x] + about[1, x] +", *_AVERAGED),
    mutant(_ROWS, "g0 = one if mean else g0 / (g0 + v0)", "g0 = g0 / (g0 + v0)", *_PATCHES),
    mutant(_ROWS, "l0 = zero if i == 0 and slow else l0", "l0 = l0", *_PATCHES),
    mutant(_SLIDING, "(end + _N - 2) // down * down", "(end - 1) // down * down", *_PATCHES),
    mutant(_SLIDING, "range(0, planes.shape[1], BAND)", "(0,)", *_PATCHES),
    mutant(_SLIDING, "kept_all[:] = 0", "kept_all[:8] = 0", *_PATCHES),
    mutant(_WINDOW, "level_greens(light,", "level_greens(light.copy(),", "imaging/raw/test_greens.py"),
    mutant(_GREENS, "to[0] += sign * off", "to[0] += (sign > 0) * off", "imaging/raw/test_greens.py"),
    mutant(_GREENS, "first * (1 - half * room)", "first * (1 - half)", "imaging/raw/test_greens.py"),
    mutant(_DENOISE, "[cells.sharp_edges(*pair) for pair in", "[pair[0] for pair in", _CLEAN),
    mutant(_CELLS, "guide -= slow", "guide -= 0 * slow", _CLEAN),
    mutant(_CELLS, "known = _near(luma * luma) - mean * mean + prior", "known = prior + 0 * mean", _CLEAN),
    mutant(_CELLS, "_near(luma * colour) - mean * _near(colour) + prior * share) / known", "share)", _CLEAN),
    mutant(_CELLS, "known = between_greens(", "known = 0 * between_greens(", _CLEAN),
    mutant(_DENOISE, "cells.between_greens(clean_luma, planes, mix)[None]", "0 * planes[3:]", _CLEAN),
    mutant(_DENOISE, "if len(own) == 1 else DENOISE.threshold_two", "", _CLEAN),
    mutant(_ROWS, "across[p] = s if both >= f32(0) else -s", "across[p] = s", *_PATCHES),
    mutant(_ROWS, "if i == 0 and k == 0:", "if False:", *_PATCHES),
    mutant(_ROWS, "half * (most * most + least * least)", "most * most", *_PATCHES),
    mutant(_ROWS, "power = zero if mean and k == 0 else power", "power = power", *_PATCHES),
    mutant(_ROWS, "c * first - s * second", "first", *_PATCHES),
    mutant(_CELLS, "slow / (1 + power", "0 * slow / (1 + power", _CLEAN),
    mutant(_CELLS, "slow / (1 + power", "slow / (1 + 0 * power", _CLEAN),
    mutant(_EDGES, "* (1 + np.float32(part - 1) * share)", "* 1", _CLEAN),
    mutant(_EDGES, "EDGES.strong**2", "0.1", _CLEAN),
    mutant(_CELLS, "share * mix[0, index]", "share", "imaging/denoise/test_denoise.py"),
    mutant(_CELLS, "found += along_luma(", "along_luma(", _CLEAN),
    mutant(_DENOISE, "planes[_COLOURS] -= within", "within *= 0", _CLEAN),
    mutant(_DENOISE, "1 / max(part, 1.0) for", "1.0 for", _CLEAN),
    mutant(_DEFECTS, "if around[7] - around[0] > calm * abs(excess):", "if around[7] < around[0]:", _RECORDED),
    mutant(_DEFECTS, "return bool(sign * lift", "return bool(0 * lift", _DEFECT_TESTS),
    mutant(_POOL, "if few and not alone[here].any():", "if few and False:", _DEFECT_TESTS),
    mutant("imaging/denoise/stabilise.py", "closed + 0.25) +", "closed) +", "imaging/denoise/test_denoise.py"),
    mutant(_DENOISE, "1.0 / np.sqrt(a *", "np.sqrt(a *", _RECORDED),
    mutant(_DENOISE, "noise if balance is None else noise.scaled(balance)", "noise", _RECORDED),
    mutant(_TYPES, "self.b * gain * gain", "self.b * gain", "steps/test_exposure.py"),
    mutant(
        _TYPES,
        "return Noise(self.a * energy, self.b * energy)",
        "return Noise(self.a * energy, self.b * energy, self.spectrum)",
        "steps/test_resize.py",
    ),
]
