"""A camera's contrast: found (light/response), taken out (steps/decode), put back (steps/tone)."""

from __future__ import annotations

from tests.mutants_table import mutant

_EVIDENCE = "light/response/evidence.py"
_REFERENCES = "light/response/references.py"
_CURVE = "imaging/camera_curve.py"
_DECODE = "steps/decode.py"
_TONE = "steps/tone.py"
_LIMITS = "steps/exposure_limits.py"
_FOUND = ("light/response/test_evidence.py",)
_RECORDED = ("test_constants.py::test_figures_are_those_recorded[response]",)
_STEPS = ("steps/test_camera_curve.py",)
_BENT = ("imaging/test_camera_curve.py",)
_RUN = ("engine/test_camera_curve.py",)

MUTANTS = [
    mutant(_EVIDENCE, "if one.score[0] <= RESPONSE.sure * error[0]:", "if one.score[0] <= 0:", *_FOUND),
    mutant(_EVIDENCE, "one.score - RESPONSE.margin * error", "one.score", *_FOUND),
    mutant(
        _EVIDENCE,
        "_proven(one) for one in evidence]), weights)",
        "_proven(one) for one in evidence]), weights * 0 + 1)",
        *_FOUND,
    ),
    mutant(_EVIDENCE, "< RESPONSE.least:", "< 0:", *_FOUND),
    mutant(_EVIDENCE, "    rest -= (weight * rest)", "    0 * (weight * rest)", *_RECORDED),
    mutant(_EVIDENCE, "maps = agree(light) if strength else found", "maps = found", *_FOUND),
    mutant(_CURVE, "inside + (over + under)", "inside + (over - under)", *_BENT),
    mutant(_CURVE, "variance * _steepness(shown, strength) ** 2", "variance", *_BENT),
    mutant(_DECODE, "if pictures.issuperset(scene.names):", "if True:", *_STEPS),
    mutant(_DECODE, "cameras.setdefault((exif.make, exif.model) if", "cameras.setdefault(('', '') if", *_STEPS),
    mutant(_DECODE, "(exif.make, exif.model) if exif.model else own", "(exif.make, exif.model)", *_STEPS),
    mutant(_DECODE, "image = on_proxy(image, options.picture, frame)", "pass", *_STEPS),
    mutant(_TONE, "linear, ev = bend(image.pixels * np.float32(more), image.curve), 0.0", "pass", *_STEPS),
    mutant(_TONE, "end = _bent(2.0 ** (lift + params.ev),", "end = _bent(2.0 ** (lift + params.ev), 0 *", *_STEPS),
    mutant(_LIMITS, "bright.straightened(curve)", "bright", *_STEPS),
    mutant(_REFERENCES, "level = _GREYS if", "level = 1.0 if", *_STEPS),
    mutant("steps/white_balance.py", "    context = _as_decoded(context)\n", "", *_STEPS),
    mutant("light/scenes.py", 'if all(f.kind == "picture" for f in frames) and', "if False and", *_RUN),
    mutant("engine/burst_light.py", "if self.step.proxy_key is None else", "if True else", *_RUN),
]
