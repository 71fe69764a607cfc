"""The address a push goes to."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from urllib.parse import SplitResult, unquote, urlsplit

FIELDS = ("date", "title", "home", "away", "delivery")
_SAMPLE = dict.fromkeys(FIELDS, "x")
_PLACE = re.compile(r"\{([^{}]*)\}")
_PASSWORD = (
    "holds a password or key; a recipe never does. Leave it out: keys come from the SSH agent or ~/.ssh, a password "
    "from the environment variable EVENCOURT_PUSH_PASSWORD, S3 keys from AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY"
)
FORMS = "write a whole folder path, sftp://user@host/folder or s3://bucket/folder"
# Amazon S3 User Guide, "General purpose bucket naming rules".
_BUCKET = re.compile(r"[a-z0-9][a-z0-9.-]{1,61}[a-z0-9]")


@dataclass(frozen=True)
class Address:
    """Where a push goes. No part can hold a secret, so `text` may be printed.

    kind  "folder", "sftp" or "s3"
    path  a folder: whole, ~ not yet expanded; SFTP: absolute, or from the login folder where it does not begin
          with a slash; S3: bucket/prefix
    fresh how many folders at its end may be made: the last, and all from the first that is named by a fact
    """

    text: str
    kind: str
    path: str
    host: str = ""
    port: int | None = None
    user: str | None = None
    fresh: int = field(default=1, compare=False)


def parse_address(text: str, values: Mapping[str, str] | None = None) -> Address:
    """The address with {date} and the like filled in from `values`, made safe for a folder's name.

    Raises ValueError; its message never repeats the address, which may hold a password.
    """
    text = text.strip()
    _refuse_secrets(text)
    scheme = text.partition("://")[0].lower() if "://" in text else ""
    body = text[len(scheme) + 3 :] if scheme else text
    body = body.rstrip("/") or body[:1]  # one address, one way to write it
    text = f"{scheme}://{body}" if scheme else body
    for place in _PLACE.findall(body):
        if place not in FIELDS:
            raise ValueError(f"an address may use {', '.join('{' + f + '}' for f in FIELDS)}, nothing else in braces")
    if "{" in _PLACE.sub("", body) or "}" in _PLACE.sub("", body):
        raise ValueError("an address has a brace without its partner")
    if scheme and "{" in body.partition("/")[0]:
        raise ValueError("the host or bucket of an address is written out; braces are for the folder")
    filled = _PLACE.sub(lambda m: _safe((_SAMPLE if values is None else values).get(m[1], "")), text)
    if ".." in re.split(r"[/\\]", filled):
        raise ValueError("an address has no .. in its path; write the folder itself")
    named = [number for number, part in enumerate(body.split("/")) if "{" in part]
    fresh = body.count("/") + 1 - named[0] if named else 1
    return replace(_parsed(scheme, filled), fresh=fresh)


def _parsed(scheme: str, filled: str) -> Address:
    if scheme == "sftp":
        return _sftp(filled)
    if scheme == "s3":
        return _s3(filled)
    if scheme not in ("", "file"):
        raise ValueError(f"no push over {scheme}://; {FORMS}")
    return _folder(filled)


def sharing(pushes: Mapping[str, str]) -> list[tuple[str, str]]:
    """Pairs of deliveries that would push to one place, out of delivery -> address as the recipe has it."""
    first: dict[Address, str] = {}
    pairs = []
    for delivery, text in pushes.items():
        address = parse_address(text, _SAMPLE | {"delivery": delivery})
        if address in first:
            pairs.append((first[address], delivery))
        first.setdefault(address, delivery)
    return pairs


def _refuse_secrets(text: str) -> None:
    """Anything that looks like user:password@, or like a key in a query, in whatever disguise."""
    plain = unquote(text)
    scheme, mark, rest = plain.partition("://")
    authority = re.split(r"[/\\]", rest if mark else scheme)[0]
    if ":" in authority.rpartition("@")[0]:
        raise ValueError(f"the address {_PASSWORD}")
    if not mark:
        if re.match(r"[^/\\]*@[^/\\]*:", plain):
            raise ValueError(f"this reads as a host without a scheme; {FORMS}")
        return
    if re.search(r"[?#]", plain):
        raise ValueError(f"an address ends with its folder; what follows ? or # often {_PASSWORD}")
    if "@" in rest[len(authority) :] or authority.count("@") > 1:
        raise ValueError(f"an @ may stand only between user and host; elsewhere it often means that it {_PASSWORD}")


def _safe(value: str) -> str:
    """A fact as part of a folder's name: letters, digits and hyphens."""
    return re.sub(r"[\W_]+", "-", value).strip("-")[:80]


def _sftp(text: str) -> Address:
    parts = urlsplit(text)
    port = _port(parts)
    if not parts.hostname or re.search(r"[\s\x00-\x1f]", text):
        raise ValueError("an SFTP address is sftp://user@host/folder, or sftp://user@host/~/folder for your own folder")
    path = unquote(parts.path)
    if path.startswith("/~"):
        path = path[2:].strip("/") or "."
    elif path.strip("/") == "":
        raise ValueError("an SFTP address names its folder: sftp://user@host/folder, or /~/folder from your own")
    return Address(text, "sftp", path.rstrip("/"), parts.hostname, port, unquote(parts.username or "") or None)


def _port(parts: SplitResult) -> int | None:
    try:
        return parts.port
    except ValueError:  # its own message repeats the text
        raise ValueError("the port of an address is a number from 1 to 65535") from None


def _s3(text: str) -> Address:
    bucket, _, prefix = text.partition("://")[2].partition("/")
    if "@" in bucket or not _BUCKET.fullmatch(bucket):
        raise ValueError(
            "an S3 address is s3://bucket/folder, the bucket in small letters; the server, if it is not Amazon's, "
            "comes from the environment variable AWS_ENDPOINT_URL_S3"
        )
    return Address(text, "s3", f"{bucket}/{prefix}".strip("/"))


def _folder(text: str) -> Address:
    path = text
    if text.lower().startswith("file://"):
        path = unquote(urlsplit(text).path)
    whole = path.startswith(("/", "~", "\\\\")) or re.match(r"[A-Za-z]:[\\/]", path)
    if not whole or "\x00" in path:
        raise ValueError(f"a recipe can be used from anywhere, so its folder is a whole path; {FORMS}")
    return Address(text, "folder", path)


def inside(relative: str, delivery: str) -> bool:
    """Whether a posix path below OUT is a plain file of the delivery's folder."""
    path = PurePosixPath(relative)
    return str(path.parent) == delivery and path.name not in ("", ".", "..")


def expanded(path: str) -> Path:
    """A folder's path with ~ filled in. Raises RuntimeError where there is no home."""
    return Path(path).expanduser()
