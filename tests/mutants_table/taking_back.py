"""Who withdraws is taken back first, everywhere, and nothing that is not proven ours is removed."""

from __future__ import annotations

from tests.mutants_table import mutant

_BACK = "engine/kept/taking_back.py"
_AGAIN = "engine/kept/sent_again.py"
_DELETED = "engine/kept/deleted_frames.py"
_TESTS = ("engine/test_taking_back.py",)
_GONE = ("engine/kept/test_records_gone.py",)
_SENT = ("engine/test_sending.py",)

MUTANTS = [
    mutant("engine/earlier.py", "if not known and _is_other_evening(store.out, frames):", "if False:", *_GONE),
    mutant("engine/earlier.py", "> _A_DAY for now", "> 0 * _A_DAY for now", *_GONE),
    mutant("engine/run.py", "            run.take_back_first()\n", "", *_TESTS),
    mutant("engine/run.py", "        self.take_back_first()\n", "", *_TESTS),
    mutant("engine/run.py", "refuse_unplaced(self.recipe, unplaced,", "refuse_unplaced(self.recipe, (),", *_TESTS),
    mutant(_BACK, "    unknown = find_sent_again(store)\n", '    unknown = ""\n', *_TESTS),
    mutant(
        _BACK,
        "    _take_back_names(store, planner, outputs, [one",
        "    (lambda *a: None)(store, planner, outputs, [one",
        "engine/test_names_taken_back.py",
    ),
    mutant(
        _BACK,
        "    if store.record(ROOT, WITHHELD, str) == names:\n        return\n",
        "",
        "engine/test_names_taken_back.py",
    ),
    mutant(
        "engine/outputs.py",
        "                    path.unlink()  # which makes room",
        "                    pass  # which makes room",
        "engine/test_names_taken_back.py",
    ),
    mutant(
        "engine/outputs.py",
        "            self.files.pop(entry.relative, None)  # the run",
        "            # the run",
        "engine/test_names_taken_back.py",
    ),
    mutant(_BACK, "return is_renamed and", "return False and", *_GONE),
    mutant(_AGAIN, "if lost.pushes and not records_kept(store)", "if False", *_GONE),
    mutant(_AGAIN, "read_left(records.store.out)[0].values() if addresses", "() if addresses", *_GONE),
    mutant("engine/kept/lost_records.py", "true = then[name] or true_names", "true = true_names", *_GONE),
    mutant(
        "engine/kept/lost_records.py",
        "made = [one for one in pictures if _is_made_here",
        "made = [one for one in () if _is_made_here",
        *_GONE,
    ),
    mutant("engine/outputs.py", "        self.unknown = left.perhaps\n", "", *_GONE),
    mutant("engine/tables/selection.py", "if left := pictures_left(Store(out)):", "if left := 0:", *_GONE),
    mutant("deliver/push.py", "if one not in ours and self.is_named(one)", "if False", *_GONE),
    mutant("deliver/push.py", "not (self.held or self.names)", "True", *_GONE),
    mutant("engine/sending.py", "for text in done.problems if text not in said)", "for text in done.problems)", *_SENT),
    mutant("engine/sending.py", "in sent.items() if name != one.name)", "in sent.items())", *_SENT),
    mutant(_BACK, "if name in there else one.frame in deleted.hidden", "", *_TESTS),
    mutant(_BACK, "    outputs.remove_held(held, perhaps)\n", "", *_TESTS),
    mutant(_BACK, "return watch.withdrawal() is None", "return True", *_TESTS, "engine/test_withdrawn.py"),
    mutant(_BACK, "watch.found.shoot, files,", "planner.shoot, files,", *_TESTS),
    mutant(_BACK, "if not shoot.withheld(formerly.get(one.frame, one.frame))}", "}", *_TESTS),
    mutant(_AGAIN, "if delivery in addresses and one.current:", "if False:", *_TESTS),
    mutant(_DELETED, "if not (one.may and one.sure)", "if not one.may", *_TESTS),
    mutant("engine/kept/withdrawn.py", "and now != self._read_at", "", *_TESTS),
    mutant("engine/kept/withdrawn.py", "for path in self._named:", "for path in ():", *_TESTS),
    mutant(
        "engine/sending.py",
        "        if not go_on():\n            return sent\n        done",
        "        done",
        *_TESTS,
    ),
    mutant(
        "engine/sending.py", "sent = withdraw(out,", "sent = dict[str, Delivered]() or withdraw(out / 'none',", *_SENT
    ),
    mutant("deliver/push.py", "{r.name for r in older if is_named(r.name)}", "set[str]()", *_TESTS),
    mutant("deliver/push.py", "records.cleared([r for r in older if r.name not in named], names)", "pass", *_TESTS),
    mutant(_BACK, "            texts += [one.text for one in inside.texts if not one.maker]\n", "", *_TESTS),
    mutant("engine/run.py", "        for text in left:", "        for text in ():", *_TESTS),
    mutant("engine/outputs.py", "        for text in self.notices:\n", "        for text in ():\n", *_TESTS),
    mutant("engine/outputs.py", "        self.unsettled.clear()", "        pass", *_TESTS),
    mutant("deliver/push.py", "and r.names == names and", "and", *_TESTS),
    mutant("deliver/push.py", "if known is None and name not in", "if False and name not in", *_TESTS),
    mutant("deliver/extras.py", "or record.names != self.names", "", "deliver/test_push_again.py"),
    mutant(
        "deliver/extras.py",
        "all(may_stay.get(name) == sha256 for name, sha256 in record.holds.items())",
        "True",
        "deliver/test_push_again.py",
    ),
    mutant("deliver/extras.py", "and record.key in small", "", "deliver/test_push_again.py"),
]
