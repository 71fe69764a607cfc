"""How often a table in a code page is read right, against charset-normalizer: `python -m tests.code_pages`."""

from __future__ import annotations

import charset_normalizer

from pipeline.textfile.encodings import _PAGES, read_text
from tests.textfile.test_encodings import country_names


def main() -> None:
    for count in (1, 6, 25):
        tables = [
            (language, page, text)
            for language, pages in _PAGES.items()
            for page in pages
            if (text := country_names(language, page, count))
        ]
        right = {"its language": 0, "English": 0, "charset-normalizer": 0}
        among = 0
        for language, page, text in tables:
            raw = text.encode(page)
            right["its language"] += read_text(raw, [language]).text == text
            found = read_text(raw, ["en"])
            right["English"] += found.text == text
            among += found.text == text or any(_same(raw, other, text) for other in found.others)
            best = charset_normalizer.from_bytes(raw).best()
            right["charset-normalizer"] += best is not None and str(best) == text
        shown = ", ".join(f"{name} {number}" for name, number in right.items())
        print(f"{count} names, {len(tables)} tables: read right with the shoot in {shown}; among the readings {among}")


def _same(raw: bytes, page: str, text: str) -> bool:
    return raw.decode(page, "replace") == text


if __name__ == "__main__":
    main()
