"""What a person writes, damaged: recipe, shoot.yaml, roster, frames.csv, sidecars and templates, through the commands.

Whatever stands in them, a command ends soon, in little memory, with words and a documented exit status, prints no
control character, and names nobody whom the facts still withhold.
"""

from __future__ import annotations

import contextlib
import io
import os
import random
import re
import resource
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import PIL.Image

from pipeline.cli import app
from tests.faults.harness import cases, wrong

NAME = "tables"
FULL, QUICK = 8000, 150

LONGEST = 5.0  # s of this process's own time for one command; a quiet machine takes hundredths
MEMORY = 1_000_000_000  # bytes more than at the start
MOST_SAID = 60_000  # letters that a command prints

HIDDEN, SHOWN = "Lina Marlowe", "Ada Nordlys"
RECIPE = """\
recipe: 1
steps:
  - decode: {size: needed}
  - white_balance: {method: gray_world, within_frame: yes}
  - exposure: {across: burst, target: median, limit: 1.5}
  - denoise: {strength: 1.0, quality: standard}
deliveries:
  web:
    - select: {rating: 2, best: 3, total: 40}
    - crop: {to: subject, aspect: "3:2", margin: 0.1}
    - resize: {long_edge: 2048}
    - tone: {ev: 0.1}
    - caption: {template: "{{ opening }} {{ setting }}", headline: words.txt, keywords: [handball, cup]}
    - save: {format: jpeg, quality: 88, at_most: 1.5 MB, name: "{{ event }}_{{ frame }}"}
    - deliver: {zip: true, page: true}
  print:
    - caption: {template: "{% for w in words.split(',') %}{{ w | trim }}{% endfor %}"}
    - save: {format: tiff}
"""
WORDS = "{{ match or title }} in {{ city | default('town') }} {% if venue %}({{ venue | upper }}){% endif %}\n"
EVENT = """\
title: Town cup, semi-final
teams: {home: Harbour Gulls, away: Mill Lane Foxes}
venue: Old Market Hall
city: Westerby
country: NOR
start: 2026-02-14T19:30:00+01:00
language: en
creator: Ada Nordlys
contact: {email: ada@example.org, web: "https://example.org"}
roster: roster.csv
frames: frames.csv
references:
  - {frame: TH1_0001, patch: [0.34, 0.69, 0.65, 0.79], end: left}
clocks: {EC-7749: -3.2}
minors: false
"""
ROSTER = f"team,number,name,publish\nhome,4,{HIDDEN},no\nhome,7,{SHOWN},yes\naway,12,Eva Vale,yes\n"
FRAMES = """\
frame,keep,rating,players,words,crop
TH1_0001,yes,4,home 4,"shoots, and scores",
TH1_0002,always,,home 7; away 12,meet at the line,0.1 0.1 0.9 0.9
TH1_0003,no,-1,,,
"""
SIDECAR = """<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="3">
<dc:description xmlns:dc="http://purl.org/dc/elements/1.1/"><rdf:Alt><rdf:li xml:lang="x-default">At the line</rdf:li>
</rdf:Alt></dc:description></rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="w"?>
"""
FILES = {"recipe.yaml": RECIPE, "words.txt": WORDS, "shoot/shoot.yaml": EVENT, "shoot/roster.csv": ROSTER,
         "shoot/frames.csv": FRAMES, "shoot/TH1_0002.xmp": SIDECAR}  # fmt: skip

COMMANDS = (["check", "recipe.yaml"], ["captions", "shoot", "--check", "--recipe", "recipe.yaml"])

PIECES = [
    "\0", "\x1b[2J", "\x07", "\r", "\n", "\t", "\ufeff", "\u202e", "\u2028", "\ud7ff", "\U0010ffff", "'", '"', ",", ";",
    ":", ": ", "- ", "#", "%", "&a ", "*a", "!!python/object:os.system ", "<<: ", "|\n", ">\n", "? ", "---\n", "...\n",
    "{", "}", "[", "]", "{{", "}}", "{%", "%}", "{{ 'a' * 10**10 }}", "{% for a in range(10**9) %}", "{{ 1/0 }}",
    "{{ who.__class__ }}", "\\", "\\x00", "\\u0000", "\\ud800", "../../../etc/passwd", "/dev/zero", "file:///", "CON",
    "null", "~", "yes", "no", "true", "-1", "0", "1e999", ".inf", "-.inf", ".nan", "0x7fffffffffffffffff", "1" * 400,
    "0o777", "1_000", "NaN", "Infinity", "0000-00-00", "9999-12-31T23:59:59+23:59", "0001-01-01T00:00:00-14:00",
    "24:61:61", "2026-02-30", "home 4", "home 999", "away 0x4", "4" * 5000, "always", "publish", "frame", "ß", "İ", "ﬁ",
    "😀", "\u0301" * 50, "\N{ARABIC LETTER LAM}", "=cmd()", "@SUM(1)", '""', "''", "x" * 3000, " " * 3000, "[" * 200,
    "{a: " * 60, "- " * 200, "<!DOCTYPE a [<!ENTITY b 'c'>]>", "&b;", "<a>", "]]>", "&#0;", "<rdf:li>" * 300, "sep=;\n",
]  # fmt: skip


def mutated(data: bytes, chance: random.Random) -> bytes:
    """A text with a few things wrong."""
    for _ in range(chance.choice((1, 1, 1, 2, 4, 12))):
        at, to = sorted((chance.randrange(len(data) + 1), chance.randrange(len(data) + 1)))
        piece = chance.choice(PIECES).encode("utf-8", "surrogatepass")
        lines = data.splitlines(keepends=True) or [b""]
        way = chance.randrange(12)
        if way == 0:
            data = data[:at] + chance.randbytes(1) + data[at + 1 :]
        elif way == 1:
            data = data[:at] + data[min(to, at + chance.choice((1, 3, 20, 200))) :]
        elif way == 2:
            data = data[:at]
        elif way in (3, 4, 5):
            data = data[:at] + piece + data[at:]
        elif way in (6, 7):  # one value by another
            words = [m.span() for m in re.finditer(rb"[\w.:+-]+", data)] or [(0, 0)]
            start, end = chance.choice(words)
            data = data[:start] + piece + data[end:]
        elif way == 8:
            chance.shuffle(lines)
            data = b"".join(lines)
        elif way == 9:
            data = b"".join(lines[:1] + [chance.choice(lines)] * chance.choice((2, 50, 3000)) + lines[1:])
        elif way == 10:
            data = data[:at] + data[at:to] * chance.choice((2, 9)) + data[to:]
        else:
            text = data.decode("utf-8", "replace")
            data = text.encode(chance.choice(("utf-16", "utf-16-le", "utf-8-sig", "cp1252", "mac-roman")), "replace")
        data = data[:300_000]
    return data


def run(amount: int, folder: Path, seed: int) -> list[str]:
    """Damage one or two of the files of a small shoot, and let check and captions read them."""
    shoot = folder / "shoot"
    shoot.mkdir()
    rng = np.random.default_rng(3)
    for number in range(1, 4):
        exif = PIL.Image.Exif()
        exif[0x0110] = "Evencourt Test Camera"  # Exif 2.32: Model; below DateTimeOriginal, BodySerialNumber
        exif.get_ifd(0x8769).update({0x9003: f"2026:02:14 19:30:0{number}", 0xA431: "EC-7749"})
        picture = PIL.Image.fromarray(rng.integers(0, 255, (8, 12, 3), np.uint8))
        picture.save(shoot / f"TH1_{number:04d}.jpg", exif=exif)
    found = []
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    for command in COMMANDS:  # the files as they are, or nothing is tried
        if whole := tried(command, folder, status=0):
            return [f"{NAME}: {why}" for why in whole]
    with limited():
        for number, chance in cases(amount, seed):
            for name, text in FILES.items():
                (folder / name).write_text(text, encoding="utf-8")
            damaged = chance.sample(sorted(FILES), chance.choice((1, 1, 2)))
            if chance.random() < 0.2:
                (folder / "shoot/shoot.yaml").write_text(EVENT.replace("minors: false", "minors: true"), "utf-8")
            for name in damaged:
                (folder / name).write_bytes(mutated((folder / name).read_bytes(), chance))
            before = seen(shoot)
            for command in COMMANDS:
                if command[0] == "check" and not {"recipe.yaml", "words.txt"} & set(damaged):
                    continue
                found += [wrong(NAME, number, f"{damaged}: {why}") for why in tried(command, folder)]
            if seen(shoot) != before:
                found.append(wrong(NAME, number, "the shoot was written to"))
    shutil.rmtree(shoot)
    return found


def seen(shoot: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(shoot.iterdir()) if path.suffix != ".jpg"}


@contextlib.contextmanager
def limited() -> Iterator[None]:
    """No more memory than MEMORY beyond what is taken now, where the system can say so."""
    with contextlib.suppress(OSError, ValueError):
        taken = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        before = resource.getrlimit(resource.RLIMIT_AS)
        resource.setrlimit(resource.RLIMIT_AS, (taken + MEMORY, before[1]))
        try:
            yield
        finally:
            resource.setrlimit(resource.RLIMIT_AS, before)
        return
    yield


def over(number: int, frame: object) -> None:
    raise TimeoutError("it hangs")


def tried(command: list[str], folder: Path, status: int | None = None) -> list[str]:
    """What is wrong with what a command does; `status`: how it must end, where that is known."""
    here, arguments, before = Path.cwd(), sys.argv, signal.signal(signal.SIGALRM, over)
    said, ended_as = io.StringIO(), 0
    from pipeline.cli import console

    streams = [(one, one.file) for one in (console.out_console, console.err_console)]
    start = time.process_time()
    try:
        os.chdir(folder)
        sys.argv = ["evencourt", *command]
        for one, _ in streams:
            one.file = said
        signal.alarm(60)
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            app.main()
    except SystemExit as ended:
        ended_as = int(ended.code or 0)
    except BaseException as error:
        return [f"{command[0]}: {type(error).__name__}: {error}"]
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
        os.chdir(here)
        sys.argv = arguments
        for one, file in streams:
            one.file = file
    took = time.process_time() - start
    found = [f"{command[0]}: {why}" for why in judged(said.getvalue(), ended_as, took, folder)]
    if status not in (None, ended_as):
        found.append(f"{command[0]} ends with {ended_as}: {said.getvalue()[-400:]!r}")
    return found


def judged(said: str, status: int, took: float, folder: Path) -> Iterator[str]:
    """What is wrong with how a command ended."""
    if status not in (0, 1, 2):
        yield f"exit status {status}"
    if re.search(r"Traceback|unexpected \w+(Error|Exception|Exit|Warning)\b|enough memory", said):
        yield f"an error that nobody foresaw: {said[-400:]!r}"
    if status and not said.strip():
        yield "no words"
    if took > LONGEST:
        yield f"it took {took:.1f} s"
    if len(said) > MOST_SAID:
        yield f"it said {len(said)} letters"
    if control := re.search(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", said):
        yield f"it printed {control[0]!r}: {said[max(0, control.start() - 60) : control.end() + 20]!r}"
    if status == 0:
        yield from named(said, folder)


def named(said: str, folder: Path) -> Iterator[str]:
    """Whether somebody was named whom the facts, where they are whole, withhold."""
    event = (folder / "shoot/shoot.yaml").read_bytes()
    roster = (folder / "shoot/roster.csv").read_bytes()
    if event == EVENT.replace("minors: false", "minors: true").encode() and SHOWN + " of " in said:
        yield "a player of a shoot of minors was named"
    if roster == ROSTER.encode() and HIDDEN in said:
        yield f"{HIDDEN} was named"
