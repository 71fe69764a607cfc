"""Ctrl-C, SIGTERM and a closed terminal: words, the status of the signal, and an end within three seconds."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipeline.cli import stop
from pipeline.cli.stop import stoppable

pytestmark = pytest.mark.skipif(os.name == "nt", reason="sends POSIX signals")
ROOT = Path(__file__).resolve().parents[2]
# A shell gives 128 and the number of a signal (POSIX, Shell Command Language, 2.8.2); a closed terminal counts as the
# request to end that SIGTERM is.
STATUS = {signal.SIGINT: 130, signal.SIGTERM: 143, signal.SIGHUP: 143}
SCRIPT = """\
import hashlib, sys, time
from pipeline.cli import stop
from pipeline.cli.stop import finish, install, stoppable
stop._LIMIT, stop._SAME = (float(word) for word in sys.argv[2:])
def wait():  # in short sleeps: a signal that comes just before one does not cut it short
    for _ in range(6000):
        time.sleep(0.01)
def ready():  # where a stop is from here on what the function makes of it
    print("ready", flush=True)
def swallow():
    ready()
    while True:
        try:
            wait()
        except KeyboardInterrupt:
            pass
def turn():
    try:
        ready()
        wait()
    except KeyboardInterrupt:
        raise ImportError("a library made this of it")
def compute():
    ready()
    hashlib.pbkdf2_hmac("sha256", b"", b"", 10**9)
def tidy():
    try:
        ready()
        wait()
    finally:
        print("tidied", flush=True)
def slowly():
    try:
        ready()
        wait()
    finally:
        time.sleep(0.05)
        print("tidied", flush=True)
install()
try:
    ready()
    if sys.argv[1] == "outside":
        wait()
    with stoppable():
        globals()[sys.argv[1]]()
finally:
    finish()
"""


PATIENCE = 30.0  # s, on a machine that is busy with other work
NEVER = 10 * PATIENCE  # s: a stop that only the limit ends is seen


@contextmanager
def started(what: str, *prefix: str, limit: float = NEVER, same: float = stop._SAME) -> Iterator[subprocess.Popen[str]]:
    """A child that does `what`; limit, same  of stop.py, s"""
    with subprocess.Popen(
        [*prefix, sys.executable, "-c", SCRIPT, what, str(limit), str(same)],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as child:  # fmt: skip
        try:
            assert child.stdout is not None
            for _ in range(1 if what == "outside" else 2):
                assert child.stdout.readline() == "ready\n"
            time.sleep(0.1)
            yield child
        finally:
            child.kill()


def ended(child: subprocess.Popen[str], *signals: signal.Signals, pause: float = 0.0) -> tuple[int, str, str]:
    """(exit status, standard output, standard error). Raises TimeoutExpired where it does not end."""
    for number in signals:
        child.send_signal(number)
        time.sleep(pause)
    out, err = child.communicate(timeout=PATIENCE)
    return child.returncode, out, err


@pytest.mark.parametrize("how", STATUS)
@pytest.mark.parametrize("what", ["outside", "tidy", "turn"])
def test_a_stop_has_words_and_a_status_of_its_own(what: str, how: signal.Signals) -> None:
    with started(what) as child:
        status, out, err = ended(child, how)
    assert status == STATUS[how]
    assert out == ("tidied\n" if what == "tidy" else "")
    assert err.count("\n") == 1 and "stopped" in err and "run the same command again" in err


@pytest.mark.parametrize("what", ["swallow", "compute"])
def test_where_the_stop_is_not_heard_the_command_ends_all_the_same(what: str) -> None:
    assert stop._LIMIT <= 3  # what a person is told
    with started(what, limit=stop._LIMIT) as child:
        status, _, err = ended(child, signal.SIGINT)
    assert (status, err.count("\n")) == (130, 1)


@pytest.mark.parametrize("what", ["swallow", "compute"])
def test_a_second_one_ends_it_at_once(what: str) -> None:
    """Not by the limit. Where the first is heard so late that two are one request, the third is another."""
    with started(what) as child:
        status, _, err = ended(child, *[signal.SIGINT] * 3, pause=2 * stop._SAME)
    assert (status, err.count("\n")) == (130, 1)


@pytest.mark.parametrize("second", [signal.SIGTERM, signal.SIGHUP])
def test_signals_that_come_at_once_are_one_request(second: signal.Signals) -> None:
    """`timeout` and some supervisors signal a process and then its group, which it is in. Of two equal signals the
    system may hand on one; a shell that ends sends two that differ."""
    with started("slowly", same=PATIENCE) as child:
        status, out, _ = ended(child, signal.SIGTERM, second)
    assert (status, out) == (143, "tidied\n")


def test_under_nohup_a_closed_terminal_stops_nothing() -> None:
    with started("tidy", "nohup") as child:
        child.send_signal(signal.SIGHUP)
        time.sleep(0.5)
        assert child.poll() is None
        status, _, _ = ended(child, signal.SIGTERM)
    assert status == 143


@pytest.mark.parametrize("delay", [0.05, 0.15, 0.3, 0.6])
def test_control_c_while_the_program_starts(delay: float, tmp_path: Path) -> None:
    """Python itself must have started; before that the system ends it, as it does any program."""
    ready = (
        f"from pipeline.cli import stop; stop._LIMIT = {NEVER}; print('ready', flush=True); "
        "from pipeline.cli.entry import main; main()"
    )
    command = [
        sys.executable,
        "-c",
        ready,
        "run",
        str(tmp_path / "no.yaml"),
        str(tmp_path),
        "--out",
        str(tmp_path / "o"),
    ]

    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None and child.stdout.readline() == "ready\n"
        time.sleep(delay)
        status, _, err = ended(child, signal.SIGINT)
    assert "Traceback" not in err
    assert status == 130 or (status == 2 and "no.yaml" in err)  # 2: it was faster, and found no recipe
    assert err.count("\n") == 1


def test_without_a_stop_errors_pass_through() -> None:
    with pytest.raises(ZeroDivisionError), stoppable():
        raise ZeroDivisionError
