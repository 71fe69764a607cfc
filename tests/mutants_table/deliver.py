"""deliver/: what is put where, and what has to leave."""

from __future__ import annotations

from tests.mutants_table import mutant

_PUSH = "deliver/push.py"
_TARGETS = "deliver/targets.py"
_DELIVER = "deliver/deliver.py"
_EXTRAS = "deliver/extras.py"
_ZIP = "deliver/zip.py"
_ADDRESS = "deliver/address.py"
_PUSHED = ("deliver/test_push_again.py", "deliver/test_push.py")
_WHO = ("engine/test_who_gets_what.py",)

MUTANTS = [
    mutant(
        "deliver/records.py",
        "        self._keep(replace(record, sending=sha256))",
        "        pass",
        "deliver/test_push_killed.py",
    ),
    mutant("deliver/sheet.py", "3 if shape >= 1 else 4", "3", "deliver/test_sheet.py"),
    mutant(
        _PUSH, "if (there.size, there.mark) == (record.bytes, record.mark):", "if there.size == record.bytes:", *_PUSHED
    ),
    mutant(_PUSH, "(file.sha256, *_pair(there))", "(file.sha256, there.size, record.mark)", *_PUSHED),
    mutant(
        _PUSH,
        "(0 if record is not None and record.sha256 != file.sha256 else 1,",
        "(1 if record is not None and record.sha256 != file.sha256 else 0,",
        *_PUSHED,
    ),
    mutant(_PUSH, '(2 if file.kind == "archive" else 3,', '(-1 if file.kind == "archive" else -2,', *_PUSHED),
    mutant(_PUSH, "if target.observe(record.name) is not None:", "if False:", *_PUSHED),
    mutant(
        _PUSH,
        "if not self._ours(target, there, record):\n                self.settled",
        "if False:\n                self.settled",
        *_PUSHED,
    ),
    mutant(_PUSH, "return not record.sending and self.earlier", "return self.earlier", *_PUSHED),
    mutant(_PUSH, "e.name not in self.files and not self._may_stay(e)", "e.name not in self.files", *_PUSHED),
    mutant(_PUSH, "if gone.outdated():", "if False:", *_PUSHED),
    mutant(_PUSH, "for record in (*outdated, *self._holders(records, outdated)):", "for record in outdated:", *_PUSHED),
    mutant(_PUSH, "if records and not target.there():", "if False:", *_PUSHED),
    mutant(_PUSH, "if digest_file(file.path) != file.sha256:", "if False:", *_PUSHED),
    mutant(_PUSH, "self.records.sending(known, file.sha256)", "pass", *_PUSHED),
    mutant(_PUSH, "record.delivery != self.delivery:", "False:", *_PUSHED),
    mutant(_PUSH, "reworded |= record.text != file.text", "reworded |= False", *_PUSHED),
    mutant(_PUSH, "changed = True\n", "changed = False\n", *_PUSHED),
    mutant(_PUSH, "bool(record.sha256) and record.text !=", "bool(record.sha256) and record.text ==", *_PUSHED),
    mutant(_PUSH, '- {address.text if address else ""}', "", *_PUSHED),
    mutant(_TARGETS, "and self._digest(part) == sha256:", ":", *_PUSHED),
    mutant(_TARGETS, "source.seek(begun)", "source.seek(0)", *_PUSHED),
    mutant(_TARGETS, "len(missing) == self.fresh and", "", *_PUSHED),
    mutant(_DELIVER, "if made_page is None:", "if False:", *_PUSHED, "deliver/test_page.py"),
    mutant("deliver/records.py", 'path.is_relative_to(folder)), "")', 'False), "")', *_PUSHED),
    mutant(_DELIVER, "fit = [i for i in files if facts.own(i.name)]", "fit = list(files)", *_PUSHED),
    mutant(
        _EXTRAS,
        "if not same and self._digest(local) != record.sha256:",
        "if False:",
        "deliver/test_zip.py",
        "deliver/test_page.py",
    ),
    mutant(_EXTRAS, "(self.pending and digest == self.replaced)", "self.pending", "deliver/test_extras.py"),
    mutant(_EXTRAS, "if not ours and os.path.lexists(self.begin(local)):", "if False:", "deliver/test_zip.py"),
    mutant(_EXTRAS, "record is not None and record.is_ours(self._digest(local)):", "True:", "deliver/test_extras.py"),
    mutant(_EXTRAS, "record if record_name(record.relative) == name else None", "record", "deliver/test_extras.py"),
    mutant("deliver/records.py", " and _name(record) == name", "", "deliver/test_extras.py"),
    mutant("deliver/records.py", " and _may_be(store, record.address)", "", "deliver/test_extras.py"),
    mutant(_DELIVER, "extras.drop(archive)  #", "pass  #", "deliver/test_zip.py"),
    mutant(_DELIVER, "if hashlib.sha256(data).hexdigest() != sha256:", "if False:", *_PUSHED),
    mutant(_DELIVER, "extras.drop(sheet.NAME)  #", "pass  #", "deliver/test_sheet.py"),
    mutant(
        "deliver/sheet.py",
        '"caption": _cut(facts.clean(item.caption))',
        '"caption": item.caption',
        "deliver/test_sheet.py",
    ),
    mutant("deliver/page.py", " if facts.own(one.name)}", "}", "deliver/test_page.py"),
    # A folder that may have the name of somebody who must not be named any more.
    mutant("engine/recipients.py", " and not holds_withheld(name, facts):", ":", *_WHO),
    mutant("store/places.py", "            folder.rmdir()", "            pass", *_WHO),
    mutant(_PUSH, '            target.remove_folder("")', "            pass", *_WHO),
    mutant("engine/outputs.py", 'relative.rpartition("/")[0] == d.name', 'relative.startswith(f"{d.name}/")', *_WHO),
    mutant("engine/render.py", "(output.key, text_key(output.metadata))", '(output.key, "")', *_WHO),
    mutant(
        "engine/outputs.py",
        "        if entry is None or entry.key != output.key or",
        "        if entry is None or",
        *_WHO,
    ),
    mutant(_ZIP, "if digest.hexdigest() != item.sha256:", "if False:", "deliver/test_zip.py"),
    mutant(_ZIP, "return sorted(items, key=lambda item: item.name)", "return list(items)", "deliver/test_zip.py"),
    mutant(_ADDRESS, 'if ":" in authority.rpartition("@")[0]:', "if False:", "deliver/test_address.py"),
    mutant(_ADDRESS, 'if ".." in re.split(r"[/\\\\]", filled):', "if False:", "deliver/test_address.py"),
]
