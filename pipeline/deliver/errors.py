"""Words for what goes wrong on the way to an address. No library's text is passed on: it may hold a credential."""

from __future__ import annotations

import errno
from collections.abc import Iterator

from pipeline.deliver.address import Address
from pipeline.deliver.targets import PushError

_FULL = {errno.ENOSPC, errno.EDQUOT}
# By the names of their classes, so that no optional library is imported to look at an error.
_LOST = {
    "SSHException", "NoValidConnectionsError", "ChannelException", "IncompatiblePeer", "EndpointConnectionError",
    "ConnectTimeoutError", "ReadTimeoutError", "ConnectionClosedError", "HTTPClientError", "ClientPayloadError",
    "FSTimeoutError", "IncompleteRead", "ResponseParserError", "gaierror",
}  # fmt: skip
_S3_CODES = {
    "NoSuchBucket": "the bucket does not exist",
    "InvalidAccessKeyId": "the server does not know the access key in the environment",
    "SignatureDoesNotMatch": "the secret key in the environment does not fit its access key",
    "AccessDenied": "the server refuses: the key may not read, list, write or delete there",
    "ExpiredToken": "the session token in the environment has run out",
    "QuotaExceeded": "there is no room left",
}


def plain(error: BaseException, address: Address) -> PushError:
    """An error of any library as a sentence without a secret."""
    if isinstance(error, PushError):
        return error
    where, chain = address.text, list(_chain(error))
    names = {name for e in chain for name in (c.__name__ for c in type(e).__mro__)}
    for each in chain:
        code = getattr(each, "response", None)
        code = code.get("Error", {}).get("Code") if isinstance(code, dict) else None
        if code in _S3_CODES:
            return PushError(f"{where}: {_S3_CODES[code]}")
    if "BadHostKeyException" in names:
        return PushError(
            f"{where}: the server's key is not the one in known_hosts; nothing was sent. Ask the person who runs it "
            "before you go on"
        )
    no_keys = any("No authentication methods available" in str(e) for e in chain)
    if no_keys or "AuthenticationException" in names:  # an encrypted key without its password is one too
        return PushError(
            f"{where}: the server lets nobody in with these keys. Add yours to the SSH agent, or put the password into "
            "the environment variable EVENCOURT_PUSH_PASSWORD"
        )
    if "SSHException" in names and any("not found in known_hosts" in str(e) for e in chain):
        return PushError(
            f"{where}: the server is not known yet. Connect to it once with ssh, compare its key with what the "
            "person who runs it says, and push again"
        )
    if names & {"NoCredentialsError", "PartialCredentialsError", "CredentialRetrievalError", "ProfileNotFound"}:
        return PushError(
            f"{where}: no keys for S3; set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or name AWS_PROFILE"
        )
    if any(isinstance(e, OSError) and e.errno in _FULL for e in chain):
        return PushError(f"{where}: there is no room left")
    if isinstance(error, PermissionError):
        return PushError(f"{where}: the server or disk refuses it; check the rights there")
    if isinstance(error, FileNotFoundError):
        return PushError(f"{where}: the folder or bucket is not there")
    if isinstance(error, OSError) and str(error) == "Failure":  # all that SFTP says of a full disk and much else
        return PushError(f"{where}: the server says only that it failed; perhaps there is no room left")
    cut = isinstance(error, ConnectionError | EOFError | TimeoutError) or "Socket is closed" in str(error)
    if cut or names & _LOST:
        return PushError(f"{where}: cannot be reached, or the link was cut; run again to go on", lost=True)
    return PushError(f"{where}: {type(error).__name__}; try again, and check the address")


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__
