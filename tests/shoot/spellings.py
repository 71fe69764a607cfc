"""Ways in which people and programs write one name, and texts that look like one and name nobody. All made up.

Look-alike letters: Unicode Technical Standard 39, confusables, from memory; the rest is common practice, no source.
"""

from __future__ import annotations

import html
import json
import unicodedata
from collections.abc import Mapping
from urllib.parse import quote

_CYRILLIC = str.maketrans("aceiopxyjsABEHIKMOPCTX", "асеіорхујѕАВЕНІКМОРСТХ")
_GREEK = str.maketrans("ovABEHIKMNOPTXZ", "ονΑΒΕΗΙΚΜΝΟΡΤΧΖ")
_ARMENIAN = str.maketrans("nou", "ոօս")
_SMALL_CAPITALS = str.maketrans("abcdefghijklmnoprstuvwyz", "ᴀʙᴄᴅᴇꜰɢʜɪᴊᴋʟᴍɴᴏᴘʀꜱᴛᴜᴠᴡʏᴢ")


def _shifted(text: str, capital: int, small: int) -> str:
    """Letters as those of a block of letters of another shape, which begins with A and with a."""
    moved = (
        chr(capital + ord(c) - 65) if "A" <= c <= "Z" else chr(small + ord(c) - 97) if "a" <= c <= "z" else c
        for c in text
    )
    return "".join(moved)


def whole(name: str) -> Mapping[str, str]:
    """What it is -> the whole name of two words, spelled so; these are replaced where a frame is not held."""
    given, surname = name.split()
    turned = f"{surname} {given}"
    return {
        "as typed": name,
        "capitals": name.upper(),
        "small": name.lower(),
        "case folded": name.casefold(),
        "turned": turned,
        "turned with a comma": f"{surname}, {given}",
        "turned with a comma, capitals": f"{surname.upper()},{given}",
        "spaced": " ".join(name.replace(" ", "")),
        "spaced, words apart": "  ".join(" ".join(word) for word in (given, surname)),
        "dotted": ".".join(name.replace(" ", "")),
        "dotted words": ". ".join(".".join(word) for word in (given, surname)),
        "turned, spaced": " ".join(turned.replace(" ", "   ")),
        "surname spaced": f"{given} {' '.join(surname)}",
        "hyphens between letters": "-".join(name.replace(" ", "")),
        "underscore": f"{given}_{surname}",
        "joined": given + surname,
        "hyphen": f"{given}-{surname}",
        "digits between": f"{given}7{surname}",
        "digits and underscores": f"{given}_12_{surname}_003",
        "digit after": f"{given}{surname}2",
        "new line": f"{given}\n{surname}",
        "tab": f"{given}\t{surname}",
        "no-break space": f"{given}\u00a0{surname}",
        "broken": f"{given} {surname[:3]}-\n{surname[3:]}",
        "NFD": unicodedata.normalize("NFD", name),
        "a mark over each letter": "".join(c + "\u0301" if c.isalpha() else c for c in name),
        "struck through": "".join(c + "\u0336" for c in name),
        "soft hyphens": "\u00ad".join(name),
        "zero width spaces": "\u200b".join(name),
        "fillers": "\u3164".join(name),
        "joiners": "\u2060".join(name),
        "written from right to left": f"\u202e{name}\u202c",
        "Cyrillic": name.translate(_CYRILLIC),
        "Cyrillic, capitals": name.upper().translate(_CYRILLIC),
        "Greek, capitals": name.upper().translate(_GREEK),
        "Armenian": name.translate(_ARMENIAN),
        "full width": "".join(chr(ord(c) + 0xFEE0) if "!" <= c <= "~" else c for c in name),
        "mathematical bold": _shifted(name, 0x1D400, 0x1D41A),
        "mathematical fraktur": _shifted(name, 0x1D56C, 0x1D586),
        "mathematical monospace": _shifted(name, 0x1D670, 0x1D68A),
        "circled": _shifted(name, 0x24B6, 0x24D0),
        "squared": _shifted(name.upper(), 0x1F130, 0x24D0),
        "negative squared": _shifted(name.upper(), 0x1F170, 0x24D0),
        "small capitals": name.lower().translate(_SMALL_CAPITALS),
        "capital I for l": name.replace("l", "I"),
        "digits for letters": name.replace("l", "1").replace("i", "1").replace("o", "0"),
        "HTML decimal": "".join(f"&#{ord(c)};" for c in name),
        "HTML hexadecimal": "".join(f"&#x{ord(c):x};" for c in name),
        "HTML twice": html.escape("".join(f"&#{ord(c)};" for c in name)),
        "HTML space": name.replace(" ", "&nbsp;"),
        "percent": "".join(f"%{octet:02X}" for octet in name.encode()),
        "percent, space": quote(name),
        "percent twice": quote(quote(name)),
        "JSON": "".join(f"\\u{ord(c):04x}" for c in name),
        "JSON, what is not ASCII": json.dumps(name),
        "UTF-8 twice": name.encode().decode("latin-1"),
    }


def short(name: str) -> Mapping[str, str]:
    """Forms that hold a frame, and that another person may have too or that cannot be replaced."""
    given, surname = name.split()
    spaced = " ".join(surname if len(surname) > 3 else [surname])  # of a shorter one nobody would see the word
    return {
        "initial": f"{given[0]}. {surname}",
        "initial, surname spaced": f"{given[0]}. {spaced}",
        "initial last, surname spaced": f"{spaced}, {given[0]}.",
        "initial, no stop": f"{given[0]} {surname}",
        "initial, no space": f"{given[0]}.{surname}",
        "initial, underscore": f"{given[0]}_{surname}".lower(),
        "initial, capitals": f"{given[0]}. {surname.upper()}",
        "two initials": f"{given[0]}.M. {surname}",
        "initial last": f"{surname}, {given[0]}.",
        "initial last, no comma": f"{surname} {given[0]}",
        "initial last, file": f"{surname}_{given[0]}".lower(),
        "initial of the surname": f"{given} {surname[0]}.",
        "middle initial": f"{given} M. {surname}",
        "nickname": f"{given} “Ace” {surname}",
        "nickname of words": f"{given} 'the wall' {surname}",
        "second given name": f"{given} Maria {surname}",
        "two more given names": f"{given} Maria Elena {surname}",
        "hyphen": f"{given}-Maria {surname}",
        "particle": f"{given} von {surname}",
        "second given name, file": f"{given}_maria_{surname}".lower(),
        "genitive": f"{name}s",
        "apostrophe": f"{name}'s",
        "inside a word": f"#Team{given}{surname}Final",
        "inside a file name": f"match{given}{surname}Final",
    }


# Names that may not be published, names that may, and a text that names nobody of the first.
INNOCENT = (
    (("Ida Berg",), ("Anna Berg", "Ida Holm"), "Anna Berg, Ida Holm and Nora Ek celebrate"),
    (("Ida Berg",), ("Anna Berg", "Ida Holm"), "From left, Anna Berg (7), Ida Holm (9)"),
    (("Eva Lind",), ("Eva Lind Holm",), "Eva Lind Holm scores"),
    (("Ida Berg",), ("Anna Berg", "Ida Holm"), "Ida Holm Anna Berg"),
    (("Ida Berg",), (), "Ida passes to Berg. Tom, Ida and Berg celebrate"),
    (("Eva Lind",), (), "Eva Lindberg saves, Eva Linde shoots"),
    (("Nora Ek",), (), "Nora Ekberg and Sonora Ek meet in a week of ekes"),
    (("Anna Holm",), (), "Johanna Holm and Anna Holmberg"),
    (("Ada Holm",), (), "Rita Holm. A great save"),
    (("Ada Holm",), (), "Rita Holm, A. Berg and Kit Marlow"),
    (("Ada Holm",), (), "the Holm a few seconds later"),
    (("Ada Holm",), (), "a holm in the lake"),
    (("Ida Park",), (), "where I park the car"),
    (("Dan Arcy",), (), "Siobhán D'Arcy passes"),
    (("Sam Holm",), (), "the Gulls' Holm, it's Holm"),
    (("Per Lang",), (), "a personal language"),
    (("Ann Other",), (), "and another one"),
    (("Al Lee",), (), "all eels, really alleys"),
    (("Mia Ro",), (), "am I a robin, Miami arose"),
    (("Bo Li",), (), "bold bolts, obol in"),
    (("Ali Ek",), (), "all eked out, a like"),
    (("Tor Vik",), (), "Torwart, Viktor, tor vi kaller, viktor_12"),
    (("Ella Reed",), (), "umbrella reeds"),
    (("Max Power",), (), "maximum power"),
    (("Rose Hill",), (), "the roses on the hill"),
    (("Olga Marn",), (), "Olga Mama"),
    (("Siri Fjellheim",), (), "Stian Fjellheim shoots; Fjellheim Arena, Siri Dahl"),
    (("Siri Fjellheim",), (), "SF 3-2, s.f., Fjell og heim"),
    (("Siri Fjellheim",), (), "handball, quarter-final, Harbour Gulls, Old Market Hall, Westerby, 2026-02-14"),
    (("Siri Fjellheim",), (), "https://example.org/gallery/2026/02/14/TH1_0001.jpg?size=2048&fit=1"),
    (("Siri Fjellheim",), (), "50% off & more; Ünïcödé ½ №12"),
    (("Siri Fjellheim", "Ida Berg"), (), "Ida Fjellheim and Siri Berg"),
    (("王小雨",), (), "王子、小雪"),
    (("Анна Белова",), (), "Анна Беловская и Ганна Белова"),
    (("Ana García López",), (), "Ana Gómez y María García"),
)
