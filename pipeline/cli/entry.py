"""The console entry: signals are handled before anything is imported that takes time."""

from __future__ import annotations

from pipeline.cli.stop import finish, install
from pipeline.threads import one_thread


def main() -> None:
    """Console entry of evencourt; does not return."""
    install()
    one_thread()
    from pipeline.cli import app

    try:
        app.main()
    finally:
        finish()
