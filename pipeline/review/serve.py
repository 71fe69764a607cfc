"""The server of a review: on 127.0.0.1, at a port that is free, in a thread, until Ctrl-C."""

from __future__ import annotations

import html
import os
import secrets
import socket
import sys
import threading
import time
import webbrowser
from pathlib import Path

import uvicorn

from pipeline.errors import InputError
from pipeline.review.app import application
from pipeline.review.guard import Guard
from pipeline.review.pictures import Pictures
from pipeline.review.session import Session
from pipeline.store.files import write_atomic
from pipeline.store.store import REVIEW

HOST = "127.0.0.1"
_ANSWERED = 1  # s that answers under way have when the review ends
_ENDED = 5.0  # s that the server has after that
_OPENS = "open.html"


class Server:
    """Serves a session from `start` to `stop`."""

    def __init__(self, session: Session, facts: str, port: int = 0) -> None:
        """facts  where a person's tables are, in words; port  0 for any that is free. Raises InputError."""
        self._session = session
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            if os.name != "nt":  # there it would let another program listen as well
                self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._socket.bind((HOST, port))
        except OSError as error:
            self._socket.close()
            raise InputError(f"port {port} cannot be used ({error.strerror}); choose another --port") from error
        self.port: int = self._socket.getsockname()[1]
        self.token = secrets.token_urlsafe(24)
        guarded = Guard(application(session, Pictures(session.store), facts), self.token, self.port)
        config = uvicorn.Config(
            guarded, log_config=None, access_log=False, server_header=False, lifespan="off", ws="none",
            timeout_graceful_shutdown=_ANSWERED, proxy_headers=False,
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        # In a thread of its own: the main one keeps the handling of signals that all commands have.
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}, name="server", daemon=True
        )

    @property
    def address(self) -> str:
        """Of the page."""
        return f"http://{HOST}:{self.port}/{self.token}/"

    def start(self) -> None:
        """Begin to answer. Raises InputError where it cannot."""
        self._thread.start()
        for _ in range(500):
            if self._server.started:
                return
            if not self._thread.is_alive():
                break
            time.sleep(0.02)
        raise InputError("the review's server did not start; run the same command again")

    def wait(self) -> None:
        """Until the server ends, or KeyboardInterrupt."""
        while self._thread.is_alive():
            self._thread.join(0.2)

    def stop(self) -> str:
        """End; every decision is on disk already. What is left to do, for a person, "" for nothing."""
        left = self._session.close()
        self._server.should_exit = True
        self._thread.join(_ANSWERED + _ENDED)
        if not self._thread.is_alive():  # else it would stumble over it, and a traceback be the last that is read
            self._socket.close()
        (self._session.store.work / REVIEW / _OPENS).unlink(missing_ok=True)
        return left

    def open_browser(self) -> bool:
        """Open the page in the person's browser; False where there is none that shows windows.

        Through a file that only they can read, since other people on the machine see what programs are started with.
        """
        if not has_windows():
            return False
        folder = self._session.store.work / REVIEW
        folder.mkdir(parents=True, exist_ok=True)
        address = html.escape(self.address)
        text = f'<!doctype html><title>Review</title><meta http-equiv="refresh" content="0;url={address}">'
        path = folder / _OPENS
        write_atomic(path, text.encode(), private=True)
        try:
            return webbrowser.open(Path(path).resolve().as_uri())
        except (webbrowser.Error, OSError):
            return False


def has_windows() -> bool:
    """Whether a browser could open a window; in a mere terminal one would take its place."""
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
