"""steps/lens.py, imaging/lens/, light/lens/ and the opcodes of a DNG."""

from __future__ import annotations

from tests.mutants_table import mutant

_STEP = "steps/lens.py"
_PANS = "light/lens/pans.py"
_FALLOFF = "imaging/lens/falloff.py"
_WARP = "imaging/lens/warp.py"
_OPCODES = "imaging/lens/opcodes.py"
_DNG = "formats/dng_opcodes.py"
_STEPS = ("steps/test_lens.py",)
_READ = ("formats/test_dng_opcodes.py",)
_PANNED = ("light/lens/test_pans.py",)
_RECORDED = ("test_constants.py::test_figures_are_those_recorded[pans]",)
_RUN = ("engine/test_lens_in_a_run.py",)

MUTANTS = [
    # Nothing is corrected twice, nor what nobody is sure of.
    mutant(_STEP, 'params.vignetting != "auto" or f.kind == "raw"', "True", *_STEPS),
    mutant(_STEP, 'if "file" in sources and of_file.falloff is not None:', "if False:", *_STEPS),
    mutant(_STEP, "(given is not None and not fit.contradicts(given))", "given is not None", *_STEPS),
    mutant(_STEP, "e.f_number, frame.kind", "frame.kind", *_STEPS),
    mutant(_STEP, "if part is None else replace(", "if part is not None else replace(", *_STEPS),
    mutant(_STEP, "warp=part.filled(*of_file.size)", "warp=part", *_STEPS),
    mutant(_STEP, "falloff.scaled(strength)", "falloff.scaled(1.0)", *_STEPS),
    mutant(_STEP, "noise_gain_map=None if gains is None else warp.gains(gains)", "noise_gain_map=gains", *_STEPS),
    mutant(_STEP, "        warp=warp.gains,\n", "", *_STEPS),
    mutant(_STEP, "image.noise.averaged(CUBIC_ENERGY)", "image.noise", *_STEPS),
    mutant(_STEP, "box if warp is None else warp.box_before(box)", "box", *_RUN),
    mutant("steps/crop.py", "solutions = _moved(context, solutions)", "pass", "steps/test_crop.py"),
    mutant("engine/burst_light.py", "for step in task.before:", "for step in ():", *_RUN),
    mutant("engine/solve.py", "self._light = None  # the steps", "pass  # the steps", *_RUN),
    mutant("engine/render.py", "for bound in reversed(recipe.steps):", "for bound in ():", *_RUN),
    mutant("light/gain_map.py", "before = None if earlier is None else", "before = None if True else", *_STEPS),
    mutant("light/gain_map.py", "gains = image.warp(gains)", "pass", *_STEPS),
    mutant(_PANS, "self.bursts >= PANS.bursts", "True", *_PANNED),
    mutant(_PANS, " and self.errors.max() <= PANS.error", "", *_PANNED),
    mutant(_PANS, "max(PANS.least, PANS.sure * float(self.errors[-1])) <= stops[-1] <=", "stops[-1] <=", *_PANNED),
    mutant(_PANS, "return self.sure and apart >", "return apart >", *_PANNED),
    mutant(_PANS, "and (np.maximum.accumulate(stops) - stops).max() <= PANS.rise", "", *_PANNED),
    mutant(_PANS, "there**k - here**k", "here**k - there**k", *_PANNED),
    mutant(_PANS, "x - 2 * motion.dx / width", "x + 2 * motion.dx / width", *_PANNED),
    mutant(_PANS, "(groups - 1) / groups *", "1 / groups *", *_PANNED),
    mutant(_PANS, "total += _without(pair, trust)", "total += pair", *_RECORDED),
    mutant(_FALLOFF, "(x**2 + y**2) / farthest", "(x**2 + 2 * y**2) / farthest", *_READ),
    mutant(_FALLOFF, "max(centre[0], 1 - centre[0])", "centre[0]", *_READ),
    mutant(_FALLOFF, "return orientation.to_upright(gains", "return orientation.to_sensor(gains", *_READ),
    mutant(_FALLOFF, "if not np.isfinite(gain).all() or gain.min() <= 0:", "if False:", *_READ),
    mutant(_OPCODES, "logs[..., 1] /= 2", "pass", *_READ),
    mutant(_OPCODES, "max() > _MOST_MOVED", "max() > 9", *_READ),
    mutant(_WARP, "sx = sx + k0 * 2 * dx * dy + k1", "sx = sx + k1 * 2 * dx * dy + k0", *_READ),
    mutant(_WARP, "if not lateral_colour:", "if lateral_colour:", *_STEPS),
    mutant(_DNG, 'struct.unpack_from(">IIII", data, at)', 'struct.unpack_from("<IIII", data, at)', *_READ),
    mutant(_DNG, "pattern[2 * (top % 2) + left % 2]", "pattern[2 * (left % 2) + top % 2]", *_READ),
    mutant("imaging/lens/database.py", "== _bare(name, lens.maker)", "!= ''", "imaging/lens/test_database.py"),
]
