"""The three kinds of address a push goes to, over fsspec: how a file gets there whole, and how it is read back."""

from __future__ import annotations

import hashlib
import importlib.util
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.deliver.address import Address, expanded
from pipeline.store.files import TEMPORARY
from pipeline.textfile.messages import install

_BLOCK = 1 << 18
_S3_PART = 16 << 20  # octets of a multipart upload's part; S3 takes 5 MiB or more
_TIMEOUT = 30.0  # seconds without an answer, after which a link counts as cut
_PASSWORD = "EVENCOURT_PUSH_PASSWORD"


class PushError(Exception):
    """A sentence for the user, without any credential. `lost`: the link was cut, so that trying again may help."""

    def __init__(self, message: str, *, lost: bool = False) -> None:
        super().__init__(message)
        self.lost = lost


@dataclass(frozen=True)
class Observation:
    """A file at the target: octets, and a mark that changes when it is written again (time of change or ETag)."""

    size: int
    mark: str


class Target:
    """A folder at the other end. Every method may raise whatever its library raises; `errors.plain` has the words."""

    def __init__(self, fs: Any, base: str, fresh: int = 1) -> None:
        self.fs, self.base, self.fresh = fs, base, fresh

    def path(self, name: str) -> str:
        """Where a posix path below the address lies for fsspec."""
        return f"{self.base}/{name}" if self.base not in ("", "/") else f"{self.base}{name}"

    def prepare(self, folders: set[str]) -> None:
        """Make the address's last folder and those below it; nothing where there are no folders (S3)."""

    def there(self) -> bool:
        """Whether the address itself is there."""
        raise NotImplementedError

    def observe(self, name: str) -> Observation | None:
        """What is there under a name; None for nothing."""
        try:
            info = self.fs.info(self.path(name))
        except FileNotFoundError:
            return None
        if info.get("type") == "directory":
            raise PushError(f"{name}: a folder has this name there; choose another address")
        return Observation(int(info["size"]), _mark(info))

    def listed(self, above: int = 0) -> list[str]:
        """The names of the files and folders at the address, or so many folders above it, without hidden ones and what
        is on its way; none where it is not there, or this user may not look."""
        folder = self.base
        for _ in range(above):
            folder = folder.rpartition("/")[0]
        try:
            folder = folder or ("/" if self.base.startswith("/") or not self.base else ".")
            found = [path.rstrip("/").rsplit("/", 1)[-1] for path in self.fs.ls(folder, detail=False)]
        except (FileNotFoundError, PermissionError):
            return []
        return [name for name in found if not name.startswith((TEMPORARY, "."))]

    def holds(self, name: str, there: Observation, sha256: str, local: Path | None = None) -> bool:
        """Whether the file there has these bytes, by reading it back."""
        return self._digest(self.path(name)) == sha256

    def put(self, local: Path, name: str, sha256: str) -> Observation:
        """Bring a file there, whole and verified, or not at all under its name."""
        raise NotImplementedError

    def remove(self, name: str) -> None:
        """Remove a file; no error when it is gone already."""
        self.remove_path(self.path(name))

    def remove_path(self, path: str) -> None:
        """`remove` for a path as fsspec has it."""
        with suppress(FileNotFoundError):
            self.fs.rm_file(path)

    def remove_part(self, name: str, sha256: str) -> None:
        """Remove what was begun of a file under its temporary name."""

    def remove_folder(self, folder: str) -> None:
        """Remove a folder of ours if nothing is left in it; "" is that of the address."""

    def close(self) -> None:
        """Give the connection back."""

    def _digest(self, path: str) -> str:
        digest = hashlib.sha256()
        with self.fs.open(path, "rb") as file:
            if hasattr(file, "prefetch"):
                file.prefetch(max_concurrent_requests=64)  # SFTP asks ahead instead of waiting for each block
            while block := file.read(_BLOCK):
                digest.update(block)
        return digest.hexdigest()


class Files(Target):
    """A folder or SFTP: written under a temporary name, read back, then renamed."""

    def prepare(self, folders: set[str]) -> None:
        """Make the last folders of the address that a fact names (`fresh` of them) and those below it.

        Raises PushError where the folder above is not there.
        """
        missing = [self.base]
        while not self._exists(missing[-1]):
            parent = missing[-1].rsplit("/", 1)[0] or "/"
            # A disk that is not plugged in must not become a folder of the same name on another.
            if "/" in missing[-1] and len(missing) == self.fresh and not self._exists(parent):
                raise PushError(f"{parent} is not there; make it or plug in its disk, or correct the address")
            if "/" not in missing[-1]:
                missing.append("")
                break
            missing.append(parent)
        for folder in reversed(missing[:-1]):
            self.fs.mkdir(folder, create_parents=False)
        for path in map(self.path, sorted(folders)):
            if not self._exists(path):
                self.fs.mkdir(path, create_parents=False)

    def there(self) -> bool:
        """Whether the address's folder is there."""
        return self._exists(self.base)

    def _exists(self, path: str) -> bool:
        """fsspec's own `exists` takes a link that is cut for a file that is not there."""
        try:
            self.fs.info(path)
        except FileNotFoundError:
            return False
        return True

    def put(self, local: Path, name: str, sha256: str) -> Observation:
        """Send under a temporary name, from where an earlier push was cut; read back and compare; rename.

        Raises PushError where the bytes arrive changed.
        """
        size = local.stat().st_size
        part = self._part(name, sha256)
        for again in (True, False):
            self._send(local, part, size)
            if self.fs.info(part)["size"] == size and self._digest(part) == sha256:
                break
            self.remove_path(part)  # begun by a link that spoilt it: once more from the beginning
            if not again:
                raise PushError(f"{name}: arrives changed; try again, and check the disk or server")
        self._rename(part, self.path(name))
        there = self.observe(name)
        if there is None or there.size != size:
            raise PushError(f"{name}: is not there whole after its renaming; check the server")
        return there

    def _send(self, local: Path, part: str, size: int) -> None:
        """Go on from where an earlier push was cut."""
        try:
            begun = int(self.fs.info(part)["size"])
        except FileNotFoundError:
            begun = 0
        if begun > size:
            self.remove_path(part)
            begun = 0
        if begun == size and size:
            return
        with local.open("rb") as source, self.fs.open(part, "ab" if begun else "wb") as into:
            if hasattr(into, "set_pipelined"):
                into.set_pipelined(True)  # SFTP: do not wait for the answer to each block
            source.seek(begun)
            while block := source.read(_BLOCK):
                into.write(block)
            into.flush()
            self._sync(into)

    def _sync(self, file: Any) -> None:
        """Onto the disk before the rename, where that can be asked for."""

    def _part(self, name: str, sha256: str) -> str:
        folder = name.rpartition("/")[0]
        unfinished = f"{TEMPORARY}{sha256[:32]}"
        return self.path(f"{folder}/{unfinished}" if folder else unfinished)

    def _rename(self, part: str, final: str) -> None:
        raise NotImplementedError

    def remove_part(self, name: str, sha256: str) -> None:
        """Remove the file under its temporary name."""
        self.remove_path(self._part(name, sha256))

    def remove_folder(self, folder: str) -> None:
        """Remove an empty folder."""
        path = self.path(folder).rstrip("/")
        with suppress(OSError):
            if not self.fs.ls(path, detail=False):
                self.fs.rmdir(path)


class Folder(Files):
    """A folder of this machine or a mounted one."""

    def _sync(self, file: Any) -> None:
        os.fsync(file.fileno())

    def _rename(self, part: str, final: str) -> None:
        Path(part).replace(final)  # fsspec's own move is not atomic on Windows


class Sftp(Files):
    """An SSH server's files."""

    def _rename(self, part: str, final: str) -> None:
        try:
            self.fs.mv(part, final)
        except OSError as error:
            # Servers without posix-rename@openssh.com rename only to a free name (draft-ietf-secsh-filexfer-02, 6.5),
            # and each says so in its own words. What is there goes for a moment; a half file never stands.
            try:
                self.remove_path(final)
                self.fs.ftp.rename(part, final)
            except OSError:
                raise error from None

    def remove_path(self, path: str) -> None:
        """By paramiko's own call, which asks the server once."""
        with suppress(FileNotFoundError):
            self.fs.ftp.remove(path)

    def close(self) -> None:
        """End the SSH connection."""
        self.fs.client.close()


class S3(Target):
    """A bucket. An object appears whole or not at all; it is compared by its ETag, or else read back."""

    def there(self) -> bool:
        """True; raises what the library raises where the bucket is not there or refuses."""
        bucket, _, prefix = self.base.partition("/")
        self.fs.call_s3("list_objects_v2", Bucket=bucket, Prefix=prefix, MaxKeys=1)  # raises where it is not
        return True

    def holds(self, name: str, there: Observation, sha256: str, local: Path | None = None) -> bool:
        """By size and ETag against the local file where there is one; else by reading it back."""
        if local is not None and there.size != local.stat().st_size:
            return False
        if local is not None and there.mark == _etag(local):
            return True
        return super().holds(name, there, sha256)

    def remove_part(self, name: str, sha256: str) -> None:
        """End the uploads in parts of this object that a cut link left; their parts would be paid for."""
        bucket, _, key = self.path(name).partition("/")
        with suppress(PermissionError, NotImplementedError):  # a key for this only is not needed to push
            begun = self.fs.call_s3("list_multipart_uploads", Bucket=bucket, Prefix=key)
            for each in begun.get("Uploads", []):
                if each["Key"] == key:
                    self.fs.call_s3("abort_multipart_upload", Bucket=bucket, Key=key, UploadId=each["UploadId"])

    def put(self, local: Path, name: str, sha256: str) -> Observation:
        """Send, from 32 MiB on in parts, and compare. Raises PushError where the bytes arrive changed."""
        if local.stat().st_size >= 2 * _S3_PART:
            self.remove_part(name, sha256)
        self.fs.put_file(str(local), self.path(name), chunksize=_S3_PART, max_concurrency=2)
        there = self.observe(name)
        if there is None or there.size != local.stat().st_size or not self.holds(name, there, sha256, local):
            raise PushError(f"{name}: arrived changed; push again, and tell who runs the server")
        return there


def _etag(path: Path) -> str:
    """The ETag S3 gives: MD5, or for a multipart upload the MD5 of its parts' MD5s and their number.

    Amazon S3 User Guide, "Checking object integrity"; the form for parts is common practice. Encrypted objects may
    have another ETag, and are then read back.
    """
    with path.open("rb") as file:
        if path.stat().st_size < 2 * _S3_PART:
            return hashlib.file_digest(file, lambda: hashlib.md5(usedforsecurity=False)).hexdigest()
        parts = []
        while block := file.read(_S3_PART):
            parts.append(hashlib.md5(block, usedforsecurity=False).digest())
    return f"{hashlib.md5(b''.join(parts), usedforsecurity=False).hexdigest()}-{len(parts)}"


_PACKAGES = {"folder": ("fsspec",), "sftp": ("fsspec", "paramiko"), "s3": ("fsspec", "s3fs")}


def lacking(address: Address) -> str:
    """What has to be installed for a push to this address, as a sentence; "" where nothing lacks."""
    name = next((name for name in _PACKAGES[address.kind] if importlib.util.find_spec(name) is None), "")
    return _needs(name) if name else ""


def _needs(name: str) -> str:
    return f"a push needs more packages ({name} is missing): {install('push')}"


def _mark(info: Mapping[str, object]) -> str:
    etag = info.get("ETag")
    return str(etag).strip('"') if etag else str(info.get("mtime", ""))


@contextmanager
def connected(address: Address, environ: Mapping[str, str]) -> Iterator[Target]:
    """The target at an address, closed afterwards."""
    target = _connect(address, environ)
    try:
        yield target
    finally:
        with suppress(Exception):  # a cut link has nothing left to close
            target.close()


def _connect(address: Address, environ: Mapping[str, str]) -> Target:
    try:
        if address.kind == "folder":
            from fsspec.implementations.local import LocalFileSystem

            base = expanded(address.path).as_posix()
            system = LocalFileSystem(auto_mkdir=False, skip_instance_cache=True)
            return Folder(system, base.rstrip("/") or "/", address.fresh)
        if address.kind == "sftp":
            from pipeline.deliver.sftp import open_sftp

            return Sftp(open_sftp(address, environ.get(_PASSWORD), _TIMEOUT), address.path or "/", address.fresh)
        from s3fs import S3FileSystem
    except ImportError as error:
        raise PushError(_needs(error.name or "a package")) from None
    config = {
        "connect_timeout": 10,
        "read_timeout": _TIMEOUT,
        "retries": {"max_attempts": 2},
        # Newer checksum headers are unknown to some S3-compatible servers; what arrives is signed, and compared after.
        "request_checksum_calculation": "when_required",
        "response_checksum_validation": "when_required",
    }
    fs = S3FileSystem(skip_instance_cache=True, use_listings_cache=False, config_kwargs=config)
    fs.retries = 2  # a link that stays cut is reported after seconds, and tried again by the push itself
    return S3(fs, address.path)
