"""engine/: which files stay in OUT, which go, and what results depend on."""

from __future__ import annotations

from tests.mutants_table import mutant

_OUTPUTS = "engine/outputs.py"
_STANDING = ("engine/test_outputs.py",)

_JOBS = "engine/jobs.py"
_WRONG_ROWS = ("engine/test_wrong_rows.py",)
_PLANNED = ("engine/test_jobs.py",)
_KEYS = ("engine/test_result_keys.py",)
_FORESEEN = ("cli/test_foreseen.py",)
_ONCE = ("engine/test_measured_once.py",)
_TABLE = "engine/tables/selection.py"
_SOLVE = "engine/solve.py"
_FAILING = ("engine/test_failing_steps.py",)
_SPECIAL = ("cli/test_special_files.py",)
_TYPED = ("cli/test_facts_folder.py",)

_PLANTED = ("engine/test_planted_records.py",)
_LOST = ("engine/kept/test_lost_records.py",)
_LINKED = ("engine/kept/test_links.py",)
_THUMBS = ("engine/test_thumbs.py",)
_ASIDE = ("engine/kept/test_set_aside.py",)
_VERIFY = ("engine/kept/test_verify.py",)

MUTANTS = [
    mutant("engine/earlier.py", " and record_name(entry.relative) == name else None", " else None", *_PLANTED),
    mutant("engine/earlier.py", "return bool(digest) and (", "return (", *_PLANTED),
    mutant("engine/earlier.py", "    if not known:  # that record is damaged\n", "    if False:\n", *_PLANTED),
    mutant(
        "engine/kept/lost_records.py",
        "one.file not in strays or digest_below(store.out, one.file) != one.sha256:",
        "one.file not in strays:",
        *_LOST,
    ),
    mutant("engine/kept/lost_records.py", " - (extras.keys() - small)", "", *_VERIFY),
    mutant("engine/kept/lost_records.py", 'true = f"{true} (then)"', "pass", *_LOST),
    mutant(_OUTPUTS, "for entry in (*entries, *lost):", "for entry in entries:", *_LOST),
    mutant(_OUTPUTS, "self.notices += left.notices", "pass", *_LOST),
    mutant(_OUTPUTS, "        for relative in (*left.held, *left.made):\n", "        for relative in ():\n", *_ASIDE),
    mutant(
        "engine/kept/lost_records.py",
        "for called in (planner.names[delivery.name], before)",
        "for called in (planner.names[delivery.name],)",
        *_ASIDE,
    ),
    mutant("engine/earlier.py", 'aside = "" if ours else _make_way', 'aside = "" if True else _make_way', *_ASIDE),
    mutant("engine/render.py", "                move(store.out / aside, path)\n", "                pass\n", *_ASIDE),
    mutant("engine/record.py", "*log.moved, *of_shoot]", "*of_shoot, *log.moved]", *_ASIDE),
    mutant(_OUTPUTS, "                self._set_aside(relative, why)\n", "", *_ASIDE),
    mutant("engine/decide.py", "refuse_links(out, (*OWN", "tuple((*OWN", *_LINKED),
    mutant("engine/run.py", "out, recipe = resolved(out),", "out, recipe = out,", *_LINKED),
    mutant("engine/thumbs.py", "light = _linear_of_codes()[strip.astype(np.uint16)]", "light = strip", *_THUMBS),
    mutant("engine/thumbs.py", "srgb_encode(resize(np.concatenate(narrow)", "(resize(np.concatenate(narrow)", *_THUMBS),
    mutant("engine/outputs.py", "not left and has_damaged_thumbs(self.store, job)", "False", *_VERIFY),
    mutant("cli/verify.py", "digest_file(frame.path) != known[frame.relative]", "False", *_VERIFY),
    mutant("engine/kept/compare.py", "name in manifest.own and found != manifest.own[name]", "False", *_VERIFY),
    mutant("engine/kept/compare.py", "if is_unfinished(store, record, manifest):", "if False:", *_VERIFY),
    mutant("engine/kept/compare.py", "work_digest(store, kind, name) != digest", "False", *_VERIFY),
    mutant("engine/kept/compare.py", "for name in sorted(set(names) - set(listed)):", "for name in ():", *_VERIFY),
    mutant("engine/kept/rerender.py", 'return self._store.get(ROOT, "digests.json") if', "return None if", *_VERIFY),
    mutant(_OUTPUTS, "self._before[output.relative] = entry.sha256", "pass", *_STANDING),
    mutant(_OUTPUTS, "notices, entry.light, entry.light_before,", "notices,", "engine/test_who_gets_what.py"),
    mutant(_OUTPUTS, "if made is None:", "if True:", *_STANDING),
    mutant(
        _OUTPUTS,
        "self._before.get(one.relative, one.sha256) != one.sha256",
        "one.relative in self._before",
        "engine/test_outputs.py",
    ),
    # What a person typed is not written over.
    mutant(_TABLE, "if folder != shoot.folder and out.exists() and out.samefile(folder):", "if False:", *_TYPED),
    mutant(_TABLE, "    if (out / FRAMES_FILE).exists() and not", "    if False and not", *_TYPED),
    mutant(_TABLE, "    if there is None or there in _written(store):", "    if True:", *_TYPED),
    mutant(_TABLE, "*([before] if before else [])", "", "engine/tables/test_selection.py"),
    # Sizes that frames are measured at and kept at.
    mutant("engine/measure.py", "MEASURED_EDGE = 960", "MEASURED_EDGE = 864", "engine/test_measure.py"),
    mutant("engine/measure.py", "PROXY_EDGE = 192", "PROXY_EDGE = 211", "engine/test_measure.py"),
    mutant(
        "engine/tables/jersey_suggestions.py", "_TORSO_MARGIN = 1.25", "_TORSO_MARGIN = 1.125", "engine/test_measure.py"
    ),
    # What a result depends on.
    mutant("engine/render.py", '            "window": list(window),\n', "", *_KEYS),
    mutant("engine/render.py", '            "edge": long_edge,\n', "", *_KEYS),
    mutant("engine/render.py", '            "frame": digest,\n', "", *_KEYS),
    mutant("engine/render.py", '            "on": environment(),\n', "", *_KEYS),
    mutant("engine/render.py", "                if bound.step.changes_pixels\n", "", *_KEYS),
    mutant(
        "engine/render.py",
        "bound.key(solutions.get(label), metadata)",
        "bound.key(solutions.get(bound.step.name), metadata)",
        *_KEYS,
    ),
    mutant("engine/measure.py", '"models": models.digest, ', "", *_KEYS),
    mutant("engine/measure.py", '"references": patches, ', "", *_KEYS),
    mutant("engine/measure.py", '"frame": digest, ', "", *_KEYS),
    mutant("engine/measure.py", '{"patch": r.patch, "chart": r.chart}', '{"patch": r.patch}', *_KEYS),
    mutant("engine/measure.py", "if step.measure or step is DECODE", "if step.measure", *_KEYS),
    mutant("engine/measure.py", '{**of, "kind": kind, "on": environment()}', '{**of, "kind": kind}', *_KEYS),
    mutant("engine/measure.py", '{**of, "kind": kind, "on": environment()}', '{**of, "on": environment()}', *_KEYS),
    mutant("recipe/recipe.py", "[self.step.name, self.step.version, params,", "[self.step.name, params,", *_KEYS),
    mutant("recipe/recipe.py", "{} if solution is None else solution.as_json()]", "{}]", *_KEYS),
    mutant("steps/save.py", 'of["texts"] = repr(metadata)', "pass", *_KEYS),
    mutant("steps/save.py", 'of["reserve"] = reserve(metadata)', "pass", *_KEYS),
    mutant("steps/crop_solution.py", 'found["turned"] = self.turned', "pass", *_KEYS),
    mutant("steps/white_balance.py", 'found["matrix"] = self.matrix.tolist()', "pass", *_KEYS),
    mutant("imaging/raw/frame.py", '            "clips_black": self.clips_black,\n', "", *_KEYS),
    mutant(_OUTPUTS, "if not same and digest_below", "if False and digest_below", *_STANDING),
    mutant(
        _OUTPUTS,
        "if stays else None",
        "if True else None",
        *_STANDING,
        why="what may not stay has no texts either, and rewrap then gives None",
    ),
    mutant(_OUTPUTS, "            if not intact:\n", "            if False:\n", *_STANDING),
    mutant(_OUTPUTS, "                path.unlink()\n", "                pass\n", *_STANDING),
    mutant(_OUTPUTS, "and orphan and not holds_withheld(stem, facts):", "and orphan:", *_STANDING),
    mutant(_OUTPUTS, "not holds_withheld(stem, facts):", "False:", *_STANDING),
    mutant(_OUTPUTS, "if delivery is not None and orphan", "if orphan", *_STANDING),
    mutant(
        _OUTPUTS,
        "            if not path.is_file():\n                self.store.remove",
        "            if False:\n                self.store.remove",
        *_STANDING,
    ),
    mutant(
        "engine/render.py",
        "if not scan or scan_digest(data) != scan:",
        "if not scan:",
        "engine/test_outputs.py",
        why="still_good and settle have compared the whole file's SHA-256 before: a second lock on one door",
    ),
    mutant(
        "engine/earlier.py",
        "if _some_equal(store, [(f, {known[f.relative, size]})",
        "if True or _some_equal(store, [(f, {known[f.relative, size]})",
        "engine/test_earlier.py::test_another_shoot_is_refused",
    ),
    mutant(
        "engine/earlier.py", "if store.frame_digest(frame) in digests:", "if True:", "engine/test_planted_records.py"
    ),
    mutant(
        "engine/earlier.py",
        "for f, size in there if (f.relative, size) in known]):",
        "for f, size in ()]):",
        "engine/test_earlier.py::test_a_shoot_that_moved_goes_on",
    ),
    mutant(
        "engine/earlier.py",
        "    if store.source().shoot == str(shoot.resolve()):\n",
        "    if store.source().shoot == str(shoot.resolve()):\n        return\n",
        "engine/test_planted_records.py",
    ),
    mutant("engine/earlier.py", " or _some_of_then(store.out, frames):", ":", "engine/test_planted_records.py"),
    mutant("engine/jobs.py", "unclear={**facts.unclear, **why}", "unclear=facts.unclear", *_WRONG_ROWS),
    mutant("engine/jobs.py", "are_many = _are_many(len(frames), len(facts.rows)) or ", "are_many = ", *_WRONG_ROWS),
    mutant("engine/jobs.py", 'if "" in frames:', "if False:", *_WRONG_ROWS),
    # What may be in no delivery.
    mutant(_JOBS, "if not row.keep:", "if False:", *_PLANNED),
    mutant(
        _JOBS,
        'return held_back(self.facts, row) or self.own_texts.get(frame, "")',
        'return self.own_texts.get(frame, "")',
        *_PLANNED,
    ),
    mutant(
        _JOBS,
        'return held_back(self.facts, row) or self.own_texts.get(frame, "")',
        "return held_back(self.facts, row)",
        *_PLANNED,
    ),
    mutant(
        _JOBS,
        "if one.error or self.shoot.withheld(frame.name) or not wanted:",
        "if one.error or not wanted:",
        *_PLANNED,
    ),
    mutant(_JOBS, "            if self.shoot.withheld(name):\n", "            if False:\n", *_PLANNED),
    mutant(_JOBS, "if unknown or not plan.left_out(self.recipe, delivery, name):", "if True:", *_PLANNED),
    mutant("engine/render.py", "needed = max(needed, edge)", "needed = edge", *_PLANNED),
    mutant("engine/render.py", "return None if needed >= max(full) else needed", "return needed", *_PLANNED),
    mutant(
        "engine/render.py", "max(min(x0), 0.0), max(min(y0), 0.0)", "max(max(x0), 0.0), max(max(y0), 0.0)", *_PLANNED
    ),
    mutant("engine/render.py", "if edge is not None and edge <= FULL_ABOVE * max(full):", "if False:", *_PLANNED),
    mutant(
        "engine/render.py", "ratio = max(wanted) / max(y1 - y0, x1 - x0)", "ratio = max(wanted) / max(full)", *_PLANNED
    ),
    mutant("workers/cluster.py", "len(in_flight) < most_in_flight", "True", "workers/test_executors.py"),
    # stopped runs: a file without a record would stay when consent is withdrawn
    mutant(
        "engine/render.py", "        if job.to is not None:", "        if job.to is None:", "engine/test_stopped.py"
    ),
    mutant("engine/earlier.py", "not self.mtime and digest == self.replaced", "False", "engine/test_stopped.py"),
    mutant("engine/run.py", "self.outputs.collect(decided.planned)", "pass", "engine/test_stopped.py"),
    mutant("engine/decide.py", "    store.stop_if_lost()\n    return", "    return", "engine/test_lost_disks.py"),
    mutant("engine/decide.py", "    store.stop_if_lost()  #", "    #", "engine/test_lost_disks.py"),
    mutant("engine/decide.py", "    refuse_unplaced(recipe, unplaced)", "    pass", "engine/test_unplaced.py"),
    # What check and --dry-run announce is what a run does.
    mutant("engine/jobs.py", "dict((*self.missing, *self.lost))", "dict(self.missing)", *_FORESEEN),
    mutant("engine/decide.py", "RunLog(shoot.failures(), ", "RunLog(", *_FORESEEN),
    mutant("engine/decide.py", "if holds_withheld(delivery.name, shoot.facts):", "if False:", *_FORESEEN),
    mutant("engine/decide.py", "    log.failed |= failed\n", "", *_FORESEEN),
    mutant("engine/decide.py", "    refuse(recipe, shoot, only, out)\n", "", *_FORESEEN),
    mutant("cli/check.py", "    if record.counts.failed or", "    if", *_FORESEEN),
    mutant("cli/run.py", "    if record.counts.failed or", "    if", *_FORESEEN),
    # What fails costs what it gives, and what may not be shown is not shown for that.
    mutant(_JOBS, "if unknown or not plan", "if not plan", *_FAILING),
    mutant(_SOLVE, "and solution is None and (step.leaves_out or step.fallback)", "and False", *_FAILING),
    mutant(
        _SOLVE,
        "            raise_if_full(error)\n            trace(error)\n            self.failed[label]",
        "            self.failed[label]",
        *_FAILING,
    ),
    mutant("steps/select.py", "chosen = (row.always or rated) and", "chosen =", *_FAILING),
    # In the workers, so that the parent loads no OpenCV.
    mutant(
        _SOLVE,
        "self.bursts, self.facts, self.workers, cards, self.progress",
        "self.bursts, self.facts, 1, cards, self.progress",
        "cli/test_startup.py",
    ),
    mutant("engine/burst_light.py", "read(self._key)[at]", "read(self._key)[0]", "engine/test_burst_light.py"),
    mutant(
        "engine/burst_light.py",
        "flicker) or scenes[short]",
        "flicker) or unknown(scenes[short].names)",
        "engine/test_burst_light.py",
    ),
    mutant("engine/burst_light.py", "replace(self, halls=keys,", "replace(self,", "engine/test_burst_light.py"),
    mutant("engine/burst_light.py", "failed |= _find", "_find", "engine/test_burst_light.py"),
    mutant("steps/exposure.py", " and not s.flicker[0].coefficients.any()", "", "steps/test_exposure.py"),
    mutant("steps/crop.py", "CropSolution(source) if box is None else", "CropSolution(source) if True else", *_FAILING),
    mutant(
        "shoot/consent.py",
        '            trace(error)\n            unread.append("metadata")',
        "            trace(error)",
        "engine/test_failing_steps.py::test_texts_that_break_the_search_for_names_hold_a_frame_back",
    ),
    # What is there and no file.
    mutant(
        "shoot/read_facts.py",
        "for folder in folders if is_there(folder / name)), None)",
        "for folder in folders if (folder / name).is_file()), None)",
        *_SPECIAL,
    ),
    mutant("shoot/read_facts.py", "            if is_there(table):", "            if table.is_file():", *_SPECIAL),
    mutant(
        "shoot/consent.py",
        "data = read_bytes(file, SIZE_LIMIT)",
        "data = file.read_bytes() if file.is_file() else b' x'",
        "shoot/test_consent.py",
    ),
    mutant("engine/record.py", "entry.rated = shoot.facts.row(name).rating", "pass", "engine/test_who_gets_what.py"),
    mutant("engine/record.py", "*_beside_withheld(shoot, frames), ", "", *_FORESEEN),
    mutant("engine/record.py", 'if entry.status == "held":', "if False:", *_FORESEEN),
    mutant("engine/record.py", "players and bool(frames[name].deliveries)", "players", *_FORESEEN),
    mutant("engine/record.py", "return not shoot.facts.row(name).players and", "return", *_FORESEEN),
    mutant("engine/jobs.py", "or is_named(self.own_texts", "or bool(self.own_texts", *_FORESEEN),
    mutant("engine/jobs.py", 'or is_named(self.own_texts.get(frame, ""))', "", *_FORESEEN),
    # What was measured comes out of the cache only for the bytes that it was measured from.
    mutant(
        "engine/measure.py",
        'store.shared("measured", key, partial(_is_whole, len(references)))',
        'store.get("measured", key)',
        *_ONCE,
    ),
    mutant(
        "engine/measure.py",
        "    if not store.is_as_read(task.frame):  # what",
        "    if False:  # what",
        *_ONCE,
    ),
    mutant("engine/measure.py", '    store.share("measured", task.key)\n', "", *_ONCE),
    mutant(
        "engine/measure.py", "plan(frame) if store.is_known(frame) else frame", "plan(frame)", "engine/test_measure.py"
    ),
    mutant(
        "engine/measure.py",
        "            self._planned[index] = self._plan(of)\n",
        "            return self._plan(of)\n",
        "engine/test_measure.py",
    ),
    mutant(
        "engine/measure.py",
        "read_texts(task.frame.path))",
        "without_own_name(read_texts(task.frame.path), task.frame.path))",
        *_ONCE,
    ),
    mutant("engine/burst_light.py", "== len(scene.pan) == frames", "== len(scene.pan)", *_ONCE),
    mutant(
        "engine/burst_light.py",
        '            store.share("burst_light", waiting[index].key)\n',
        "            pass\n",
        *_ONCE,
    ),
    mutant(
        "workers/cluster.py",
        "                    died.append(index)",
        "                    pass",
        "workers/test_executors.py",
    ),
    # A frame that is another one by now, and a disk that is pulled in the middle.
    mutant("engine/render.py", "!= job.seen:", "!= job.seen and False:", "engine/test_lost_disks.py"),
    mutant("engine/run.py", "and self._stops(result):", "and False:", "engine/test_lost_disks.py"),
    mutant(
        "engine/measure.py",
        "if not store.is_as_read(task.frame):  # no wonder",
        "if False:  # no",
        "engine/test_lost_disks.py",
    ),
    mutant("store/watch.py", "if not self._held.holds():", "if False:", "engine/test_lost_disks.py"),
    mutant("store/watch.py", "if not self.is_own(error):", "if False:", "engine/test_lost_disks.py"),
]
