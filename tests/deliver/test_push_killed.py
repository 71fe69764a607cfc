"""A push over SFTP or to S3 that is killed at any moment: the next one ends it, and takes back who withdrew meanwhile.

Moments are before and after each thing that is done at the other end or written down here: of first pushes and of
second ones, that change a picture and take one back. The process ends as by SIGKILL: nothing is tidied up.
"""

from __future__ import annotations

import os
import signal
import sys
import traceback
import warnings
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from pipeline.deliver import targets
from pipeline.deliver.deliver import withdraw
from pipeline.deliver.model import Item
from pipeline.deliver.records import PushRecords
from tests.deliver import test_s3, test_sftp
from tests.deliver.servers import Sshd
from tests.deliver.test_push import go, names, picture

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="a child is forked for each moment")
_MOMENTS = (
    (PushRecords, "_keep"), (PushRecords, "forget"),
    (targets.Files, "_send"), (targets.Sftp, "_rename"), (targets.Sftp, "remove_path"),
    (targets.S3, "put"), (targets.S3, "remove_part"), (targets.Target, "remove"),
)  # fmt: skip
_MOST = 200
_EVERY = 7  # of the moments that are tried here; with 1, all of them: some minutes
server, port = test_sftp.server, test_s3.port  # fixtures


@pytest.fixture
def bucket(port: int, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> tuple[Any, str]:
    """A client that is not the project's, and a bucket."""
    for variable, value in (
        ("AWS_ACCESS_KEY_ID", test_s3.KEY), ("AWS_SECRET_ACCESS_KEY", test_s3.SECRET),
        ("AWS_DEFAULT_REGION", "us-east-1"), ("AWS_ENDPOINT_URL_S3", f"http://127.0.0.1:{port}"),
    ):  # fmt: skip
        monkeypatch.setenv(variable, value)
    client = test_s3.boto.get_session().create_client("s3")
    name = f"killed-{request.node.name[-5:-1].strip('[').lower()}"
    client.create_bucket(Bucket=name)
    return client, name


class Killed:
    """Counts moments, and ends this process at the one of number `at`."""

    def __init__(self, at: int) -> None:
        self.at, self.seen = at, 0
        for of, name in _MOMENTS:
            setattr(of, name, partial_method(self, getattr(of, name)))

    def moment(self) -> None:
        self.seen += 1
        if self.seen == self.at:
            os.kill(os.getpid(), signal.SIGKILL)


def partial_method(killed: Killed, method: Callable[..., Any]) -> Callable[..., Any]:
    def around(*arguments: Any, **named: Any) -> Any:
        killed.moment()
        found = method(*arguments, **named)
        killed.moment()
        return found

    return around


def in_child(do: Callable[[], object]) -> bool:
    """Whether it came to its end; False where it was killed."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of threads that this process has: the child uses none of them
        child = os.fork()
    if not child:
        status = 1
        try:
            do()
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, "the push failed in the child"
    return not os.WIFSIGNALED(status)


def cases(make: Callable[[int], tuple[Path, str]], second: bool, every: int) -> Iterator[tuple[int, Path, str]]:
    """(moment, OUT, address) after a push that was killed at that moment, for each until one ends whole.

    make  an empty OUT and address for a moment; second  whether it is the second push that is killed
    """
    for at in range(1, _MOST, every):
        out, to = make(at)
        first = [picture(out, f"TH1_{n}.jpg", n, size=96) for n in range(3)]
        if second:
            assert in_child(partial(go, out, first, to, zip=True))
            first[0] = picture(out, "TH1_0.jpg", 7, size=96)
        items = [first[0], first[2]] if second else first

        def killed(out: Path = out, to: str = to, items: list[Item] = items, at: int = at) -> None:
            Killed(at)
            go(out, items, to, zip=True)

        whole = in_child(killed)
        yield at, out, to
        if whole:
            return
    raise AssertionError("no push came to its end")


def taken_back(out: Path, to: str, there: Callable[[], dict[str, bytes]]) -> None:
    """Who is on TH1_1 withdrew: first of all, and before anything is sent, it is not there any more, nor in a zip."""

    def go_on() -> None:
        items = [picture(out, "TH1_0.jpg", 7, size=96), picture(out, "TH1_2.jpg", 2, size=96)]
        withdraw(out, {i.relative: i.sha256 for i in items}, (), environ={}, pauses=())
        left = there()
        assert "TH1_1.jpg" not in left and b"TH1_1.jpg" not in left.get("web.zip", b""), list(left)
        done = go(out, items, to, zip=True)
        assert done.problems == (), done.problems
        files = ("TH1_0.jpg", "TH1_2.jpg", "web.zip")
        assert there() == {one: (out / "web" / one).read_bytes() for one in files}, list(there())
        assert go(out, items, to, zip=True).push.sent == ()

    assert in_child(go_on)


@pytest.mark.parametrize("second", [False, True])
def test_over_sftp(second: bool, tmp_path: Path, server: Sshd, monkeypatch: pytest.MonkeyPatch) -> None:
    home = server.folder.parent / "home"
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.delenv("SSH_AUTH_SOCK", raising=False)
    test_sftp.know(home, server, server.port)

    def make(at: int) -> tuple[Path, str]:
        return tmp_path / f"out{at}", test_sftp.address(server, tmp_path / f"club{at}")

    for at, out, to in cases(make, second, _EVERY):
        club = tmp_path / f"club{at}"
        taken_back(out, to, lambda club=club: {name: (club / name).read_bytes() for name in names(club)})


@pytest.mark.parametrize("second", [False, True])
def test_to_s3(second: bool, tmp_path: Path, bucket: tuple[Any, str]) -> None:
    client, name = bucket

    def make(at: int) -> tuple[Path, str]:
        return tmp_path / f"out{at}", f"s3://{name}/club{at}"

    def there(at: int) -> dict[str, bytes]:
        found = test_s3.objects((client, name))
        return {key.partition("/")[2]: data for key, data in found.items() if key.startswith(f"club{at}/")}

    for at, out, to in cases(make, second, _EVERY):
        taken_back(out, to, partial(there, at))
