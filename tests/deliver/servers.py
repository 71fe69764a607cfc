"""Real servers on the loopback for the tests of a push, and a link that can be cut."""

from __future__ import annotations

import getpass
import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


def wait_for(port: int, process: subprocess.Popen[bytes] | None = None) -> None:
    for _ in range(100):
        if process is not None and process.poll() is not None:
            raise AssertionError(f"the server ended with {process.returncode}")
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
            return
        time.sleep(0.1)
    raise AssertionError("the server does not answer")


@dataclass
class Cable:
    """A TCP proxy to `port` that drops every connection once `limit` octets went towards the server.

    `silent`: it drops nothing, and just carries nothing any more."""

    port: int
    limit: int | None = None
    at: int = 0
    carried: int = 0
    silent: bool = False
    over: threading.Event = field(default_factory=threading.Event)
    _open: list[socket.socket] = field(default_factory=list)

    @contextmanager
    def plugged(self) -> Iterator[Cable]:
        listener = socket.create_server(("127.0.0.1", 0))
        self.at = listener.getsockname()[1]
        thread = threading.Thread(target=self._accept, args=(listener,), daemon=True)
        thread.start()
        try:
            yield self
        finally:
            with suppress(OSError):
                listener.shutdown(socket.SHUT_RDWR)  # wakes the thread; closing alone does not
            listener.close()
            self.over.set()
            self._drop()
            thread.join(5)

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                near, _ = listener.accept()
            except OSError:
                return
            if self._is_cut():
                near.close()
                continue
            far = socket.create_connection(("127.0.0.1", self.port))
            self._open += [near, far]
            threading.Thread(target=self._carry, args=(near, far, True), daemon=True).start()
            threading.Thread(target=self._carry, args=(far, near, False), daemon=True).start()

    def _is_cut(self) -> bool:
        return self.limit is not None and self.carried >= self.limit

    def _carry(self, source: socket.socket, into: socket.socket, up: bool) -> None:
        with suppress(OSError):
            while data := source.recv(16384):
                if up:
                    if self.limit is not None:
                        data = data[: max(0, self.limit - self.carried)]
                    self.carried += len(data)
                into.sendall(data)
                if self._is_cut() and self.silent:
                    self.over.wait(60)
                if self._is_cut():
                    time.sleep(0.5)  # let the server take what it got, as on a link slower than this one
                    break
        for s in (source, into):
            with suppress(OSError):
                s.shutdown(socket.SHUT_RDWR)

    def _drop(self) -> None:
        for s in self._open:
            with suppress(OSError):
                s.shutdown(socket.SHUT_RDWR)
            s.close()


@dataclass
class Sshd:
    port: int
    host_key: str
    folder: Path
    user: str


@contextmanager
def ssh_server(folder: Path, sftp: str = "internal-sftp") -> Iterator[Sshd]:
    """An OpenSSH server that lets in `folder`/home/.ssh/id_ed25519; `sftp` is its Subsystem, sshd_config(5)."""
    binary = shutil.which("sshd") or shutil.which("sshd", path="/usr/sbin:/usr/local/sbin")
    if binary is None or shutil.which("ssh-keygen") is None:
        pytest.skip("no OpenSSH server (Debian: openssh-server) is installed here")
    home = folder / "home" / ".ssh"
    home.mkdir(parents=True, mode=0o700)
    for path in (folder / "host", home / "id_ed25519"):
        subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "test", "-f", path], check=True)
    shutil.copy(home / "id_ed25519.pub", folder / "authorized")
    port = free_port()
    config = folder / "sshd_config"
    config.write_text(
        f"Port {port}\nListenAddress 127.0.0.1\nHostKey {folder / 'host'}\nPidFile none\nStrictModes no\nUsePAM no\n"
        f"AuthorizedKeysFile {folder / 'authorized'}\nPasswordAuthentication no\nKbdInteractiveAuthentication no\n"
        f"Subsystem sftp {sftp}\n"
    )
    if os.geteuid() == 0:
        Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)  # sshd(8): must exist where it runs as root
    process = subprocess.Popen([binary, "-D", "-E", folder / "log", "-f", config])
    try:
        wait_for(port, process)
        key = " ".join((folder / "host.pub").read_text().split()[:2])
        yield Sshd(port, key, folder / "served", getpass.getuser())
    finally:
        process.terminate()
        process.wait(timeout=10)
