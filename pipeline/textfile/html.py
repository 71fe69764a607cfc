"""Templates of our own pages, and links in them."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined


@cache
def page_environment(folder: str) -> Environment:
    """Jinja2 for the templates in pipeline/`folder`: every text is escaped, and a missing name is an error. It keeps
    what it has compiled, which takes longer than to write the page of a few pictures."""
    return Environment(
        loader=PackageLoader("pipeline", folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def link(relative: str) -> str:
    """Relative link to a posix path; after "./" a colon is not read as the end of a scheme (RFC 3986, 4.2)."""
    return "./" + quote(relative)


def hash_source(text: str) -> str:
    """A hash-source for the text between script or style tags: Content Security Policy Level 3, 2.3.1."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
