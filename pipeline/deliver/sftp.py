"""SFTP through fsspec, to servers this user already knows, with this user's own keys."""

from __future__ import annotations

import logging
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paramiko
from fsspec.implementations.sftp import SFTPFileSystem

from pipeline.deliver.address import Address

# Without a handler of its own, paramiko prints the traceback of every cut link.
logging.getLogger("paramiko").addHandler(logging.NullHandler())


class _KnownHosts(SFTPFileSystem):  # type: ignore[misc]
    """fsspec's SFTP trusts any server it meets; this one only those of ~/.ssh/known_hosts."""

    cachable = False

    def _connect(self) -> None:
        self.client = paramiko.SSHClient()
        self.client.load_system_host_keys()
        self.client.set_missing_host_key_policy(paramiko.RejectPolicy())
        timeout = self.ssh_kwargs["timeout"]
        try:
            self.client.connect(self.host, **self.ssh_kwargs)
            transport = self.client.get_transport()
            transport.set_keepalive(15)
            transport.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # many small questions, one at a time
            self.ftp = self.client.open_sftp()
            self.ftp.get_channel().settimeout(timeout)
        except BaseException:
            self.client.close()  # its thread and connection would stay otherwise
            raise


def open_sftp(address: Address, password: str | None, timeout: float) -> Any:
    """A connection with the keys of the user's agent and ~/.ssh, and the password if there is one.

    ~/.ssh/config is followed for HostName, Port, User and IdentityFile. `timeout` in seconds, of every wait.
    Raises what paramiko raises.
    """
    known = _user_config(address.host)
    return _KnownHosts(
        known.host,
        port=address.port or known.port,
        username=address.user or known.user,
        password=password,
        key_filename=list(known.keys) or None,
        timeout=timeout,
        banner_timeout=timeout,
        auth_timeout=timeout,
        channel_timeout=timeout,
    )


@dataclass(frozen=True)
class _HostConfig:
    """What ~/.ssh/config says of a host; `keys`: those of its key files that are there."""

    host: str
    port: int = 22
    user: str | None = None
    keys: tuple[str, ...] = ()


def _user_config(host: str) -> _HostConfig:
    path = Path.home() / ".ssh" / "config"
    try:
        known = paramiko.SSHConfig.from_path(str(path)).lookup(host)
    except (OSError, UnicodeDecodeError, paramiko.SSHException):
        return _HostConfig(host)  # none, or more than is understood here: the address alone decides
    keys = tuple(k for k in known.get("identityfile", []) if Path(k).is_file())
    return _HostConfig(known.get("hostname", host), int(known.get("port", 22)), known.get("user"), keys)
