"""Render what changed: a run of its own, told while it is on, stopped, and taken in."""

from __future__ import annotations

import dataclasses
import http.client
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.cli.console import progress
from pipeline.engine.earlier import keep_done, read_done
from pipeline.review.render_job import RenderJob, arguments
from pipeline.store.keys import record_name
from pipeline.store.store import Store
from tests.review.conftest import Tab, run_in_a_terminal

Open = Callable[..., Tab]


def until(one: Tab, *states: str) -> dict:
    """What render says when it has come to one of these states."""
    for _ in range(600):
        found = one.get("api/render")
        if found["state"] in states:
            return found
        time.sleep(0.1)
    raise AssertionError(found)


def test_a_drop_a_crop_and_a_name_are_in_the_files_after_it(night: Path, tab: Open) -> None:
    one = tab()
    shas = {name: _sha(one, name) for name in ("TH1_0001", "TH1_0002")}
    one.post("api/frame", frame="TH1_0003", field="keep", value="no", seen="")
    one.post("api/frame", frame="TH1_0001", field="crop", delivery="phone", value=[0, 0, 0.5, 1], seen=None)
    version = one.post("api/frame", frame="TH1_0004", field="keep", value="always", seen="no")["version"]
    assert one.get("api/render")["stale"] == 3
    began = one.post("api/render")
    assert began["render"]["state"] == "running"
    ended = until(one, "done", "failed")
    assert ended["state"] == "done" and "frames delivered" in ended["message"] and ended["stale"] == 0
    told = {frame["name"]: frame for frame in one.get(f"api/since/{version}")["frames"]}
    assert told["TH1_0003"]["status"] == "held" and told["TH1_0003"]["deliveries"] == {}
    assert told["TH1_0004"]["status"] == "delivered"
    phone = told["TH1_0001"]["deliveries"]["phone"]
    assert (phone["width"], phone["height"]) == (90, 120) and phone["crop"] == [0, 0, 0.5, 1]
    assert not any(frame["stale"] for frame in told.values())
    assert _sha(one, "TH1_0001")["web"] == shas["TH1_0001"]["web"] and _sha(one, "TH1_0002") == shas["TH1_0002"]
    assert _sha(one, "TH1_0001")["phone"] != shas["TH1_0001"]["phone"]
    assert not (night / "out" / "web" / "TH1_0003.jpg").exists()
    verified = _evencourt("verify", str(night / "out"))
    assert verified.returncode == 0, verified.stderr  # what a review keeps is no part of a run


def _sha(one: Tab, name: str) -> dict[str, str]:
    return {delivery: file["after"]["large"] for delivery, file in one.frame(name)["deliveries"].items()}


def _evencourt(*given: str) -> subprocess.CompletedProcess[str]:
    code = "from pipeline.cli.entry import main; main()"
    return subprocess.run([sys.executable, "-c", code, *given], capture_output=True, text=True, timeout=120)


def test_it_is_refused_while_another_run_is_on(night: Path, tab: Open) -> None:
    one = tab()
    with Store(night / "out").locked():
        said = one.post("api/render", expect=422)
        assert "a run is on" in said["message"]
        assert any("a run is on" in text for text in one.get("api/since/0")["notices"])
        one.post("api/frame", frame="TH1_0001", field="rating", value=1, seen=3)  # it is written all the same
    assert one.get("api/render")["state"] == "idle" and one.get("api/render")["stale"] == 1


def test_it_is_refused_where_the_facts_would_stop_it(night: Path, tab: Open) -> None:
    one = tab()
    (night / "facts" / "shoot.yaml").write_text("titel: x\n", encoding="utf-8")
    assert "no key titel" in one.post("api/render", expect=422)["message"]
    assert any("no key titel" in text for text in one.get("api/since/0")["notices"])


def test_a_run_in_a_terminal_is_taken_in(night: Path, tab: Open) -> None:
    one = tab()
    version = one.post("api/frame", frame="TH1_0001", field="words", value="dives", seen="jumps to shoot")["version"]
    assert run_in_a_terminal(night).returncode == 0
    told = one.get(f"api/since/{version}")
    assert [frame["name"] for frame in told["frames"]] == ["TH1_0001"] and told["render"]["stale"] == 0
    assert "dives" in told["frames"][0]["deliveries"]["web"]["caption"]


def test_a_record_that_cannot_be_read_after_a_run_is_said(night: Path, tab: Open) -> None:
    one = tab()
    path = night / "out" / "run.json"
    whole = path.read_bytes()
    path.write_bytes(whole[:100])
    assert any("run.json" in text and "damaged" in text for text in one.get("api/since/0")["notices"])
    path.write_bytes(whole)
    assert not any("run.json" in text for text in one.get("api/since/0")["notices"])


def test_a_picture_is_shown_as_soon_as_it_is_there(night: Path, tab: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    one = tab()
    before = one.frame("TH1_0001")["deliveries"]
    version = one.post("api/frame", frame="TH1_0001", field="crop", value=[0, 0, 0.5, 1], seen=None)["version"]
    done = read_done(one.session.store, record_name("web/TH1_0001.jpg"))
    assert done is not None
    monkeypatch.setattr(RenderJob, "is_running", True)
    for mtime, shown in ((0, False), (1, True)):  # announced, then written
        keep_done(one.session.store, dataclasses.replace(done, sha256="ab" * 32, width=90, mtime=mtime))
        told = one.get(f"api/since/{version}")
        assert bool(told["frames"]) == shown
    now = told["frames"][0]["deliveries"]
    assert now["web"]["after"]["large"].endswith("v=" + "ab" * 8) and now["web"]["width"] == 90
    assert now["phone"] == before["phone"]
    monkeypatch.undo()


SLOW = """
import sys, time
for n in range(300):
    print(f'render: {n:,} of 300', file=sys.stderr, flush=True)
    time.sleep(0.1)
"""


def fake(monkeypatch: pytest.MonkeyPatch, code: str, ended: Callable[[int], None] = lambda status: None) -> RenderJob:
    """A job whose run is this code."""
    monkeypatch.setattr("pipeline.review.render_job._CODE", f"import sys; sys.argv.pop(1)\n{code}")
    return RenderJob(["run"], ended)


def test_progress_is_read_while_it_is_on_and_stop_ends_it(monkeypatch: pytest.MonkeyPatch) -> None:
    statuses: list[int] = []
    job = fake(monkeypatch, SLOW, statuses.append)
    job.start()
    for _ in range(200):
        if job.progress.done > 1:
            break
        time.sleep(0.05)
    assert (job.progress.state, job.progress.of, job.progress.message) == ("running", 300, "rendering")
    job.start()  # a second press begins no second one
    job.stop()
    assert job.progress.state == "stopping"
    job.close()
    assert not job.is_running and job.progress.state == "stopped" and len(statuses) == 1


ROW = "5 of 6 frames delivered, 0 failed, 1 held back, 1 row of frames.csv not used"


@pytest.mark.parametrize(
    ("code", "state", "words"),
    [
        ("print('5 of 6 frames delivered')", "done", "5 of 6 frames delivered"),
        ("print('x'); print('4 of 6 frames delivered, 1 failed'); sys.exit(1)", "failed", "not all went well: 4 of 6"),
        (f"print('{ROW}: 5 frames rendered'); sys.exit(1)", "done", "1 row of frames.csv not used"),
        (
            "print('5 of 6 frames delivered, 0 failed, 2 not done, 1 row of frames.csv not used: x'); sys.exit(1)",
            "failed",
            "5 of 6",
        ),
        (f"print('failed: roster.csv:4'); print('{ROW}: 5 frames rendered'); sys.exit(1)", "failed", "5 of 6"),
        (f"print('not sent: a'); print('{ROW}: 5 frames rendered'); sys.exit(1)", "failed", "5 of 6"),
        ("print('facts: wrong', file=sys.stderr); sys.exit(2)", "failed", "The render failed: facts: wrong"),
        ("sys.exit(130)", "stopped", "what is done is kept"),
        ("sys.exit(9)", "failed", "status 9"),
    ],
)
def test_how_it_ended_is_said(monkeypatch: pytest.MonkeyPatch, code: str, state: str, words: str) -> None:
    job = fake(monkeypatch, code)
    job.start()
    for _ in range(200):
        if not job.is_running:
            break
        time.sleep(0.05)
    assert job.progress.state == state and words in job.progress.message


def test_what_cannot_be_taken_in_after_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(status: int) -> None:
        raise OSError(28, "No space left on device")

    job = fake(monkeypatch, "print('5 of 6 frames delivered')", full)
    job.start()
    for _ in range(200):
        if not job.is_running:
            break
        time.sleep(0.05)
    assert job.progress.state == "failed"
    assert "5 of 6 frames delivered" in job.progress.message and "No space left" in job.progress.message


def test_the_command_is_the_one_of_the_run() -> None:
    given = arguments(Path("/r.yaml"), Path("/s"), Path("/o"), Path("/f"), Path("/m"), "-TH*", 2)
    assert given == [
        "run", "/r.yaml", "/s", "--out", "/o", "--offline", "--facts", "/f", "--models", "/m", "--only=-TH*",
        "--workers", "2",
    ]  # fmt: skip
    assert arguments(Path("/r.yaml"), Path("/s"), Path("/o"), None, None, None, 0) == given[:6]


def test_a_log_has_a_line_of_progress_as_often_as_asked(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    for every, lines in (("0", 3), (None, 0), ("often", 0)):
        monkeypatch.setenv("EVENCOURT_PROGRESS", every) if every else monkeypatch.delenv("EVENCOURT_PROGRESS")
        with progress() as report:
            for done in range(3):
                report("render", done, 3)
        assert capfd.readouterr().err.count("render: ") == lines


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_ctrl_c_ends_the_review_cleanly_and_it_says_what_is_left(night: Path, number: int, status: int) -> None:
    code = "from pipeline.cli.entry import main; main()"
    environment = {key: value for key, value in os.environ.items() if key not in ("DISPLAY", "WAYLAND_DISPLAY")}
    process = subprocess.Popen(
        [sys.executable, "-c", code, "review", str(night / "out")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
    )  # fmt: skip
    assert process.stdout is not None and process.stderr is not None
    address = process.stdout.readline().split()[-1]
    assert address.startswith("http://127.0.0.1:")
    assert "Ctrl-C" in process.stdout.readline()
    assert "no browser could be opened: copy the address" in process.stderr.readline()
    port, token = address.split("/")[2], address.split("/")[3]
    connection = http.client.HTTPConnection(port, timeout=30)
    body = json.dumps({"frame": "TH1_0001", "field": "rating", "value": 1, "seen": 3})
    headers = {"Origin": f"http://{port}", "X-Court": "1", "Content-Type": "application/json"}
    connection.request("POST", f"/{token}/api/frame", body, headers)
    assert connection.getresponse().status == 200
    connection.close()
    process.send_signal(number)
    _, errors = process.communicate(timeout=30)
    assert process.returncode == status, errors
    assert "1 frame decided and not rendered" in errors and "Traceback" not in errors
    assert b";1;home 7" in (night / "facts" / "frames.csv").read_bytes()
    assert not list((night / "out" / ".work" / "review").glob("open*"))
