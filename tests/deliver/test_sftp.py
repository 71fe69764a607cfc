"""A push to a real OpenSSH server on the loopback, over a link that is cut."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.deliver import targets
from pipeline.engine.sending import sent_record
from pipeline.store.files import TEMPORARY
from tests.deliver.servers import Cable, Sshd, ssh_server
from tests.deliver.test_push import go, names, picture, same

pytest.importorskip("paramiko", reason="paramiko is not installed: pip install 'evencourt[push]'")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sshd]:
    with ssh_server(tmp_path_factory.mktemp("ssh")) as server:
        yield server


@pytest.fixture(autouse=True)
def home(server: Sshd, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = server.folder.parent / "home"
    monkeypatch.setenv("HOME", str(path))
    monkeypatch.delenv("SSH_AUTH_SOCK", raising=False)
    know(path, server, server.port)
    return path


def know(home: Path, server: Sshd, *ports: int) -> None:
    (home / ".ssh" / "known_hosts").write_text("".join(f"[127.0.0.1]:{p} {server.host_key}\n" for p in ports))


def address(server: Sshd, folder: Path, port: int = 0) -> str:
    return f"sftp://{server.user}@127.0.0.1:{port or server.port}{folder}"


def test_arrives_is_kept_and_is_taken_back(server: Sshd, tmp_path: Path) -> None:
    out, there = tmp_path / "out", tmp_path / "club"
    items = [picture(out, f"TH1_{n}å.jpg", n) for n in range(3)]
    to = address(server, there)
    first = go(out, items, to, zip=True, page=True)
    assert first.problems == () and len(first.push.sent) == 8
    assert same(out, there)
    again = go(out, items, to, zip=True, page=True)
    assert again.push.sent == () and len(again.push.kept) == 8
    renamed = picture(out, "TH1_0å.jpg", 7)  # its caption was changed: written over in one step
    gone = go(out, [renamed, items[1]], to, zip=True, page=True)
    assert gone.problems == () and set(gone.push.removed) == {"TH1_2å.jpg", "small/TH1_2å.jpg"}
    assert same(out, there) and len(names(there)) == 6


def test_a_link_cut_in_the_middle_leaves_no_half_file_and_the_next_push_goes_on(
    server: Sshd, home: Path, tmp_path: Path
) -> None:
    out, there = tmp_path / "out", tmp_path / "club"
    items = [picture(out, f"TH1_{n}.jpg", n, size=900) for n in range(3)]  # about 1 MB each
    with Cable(server.port, limit=items[0].bytes * 3 // 2).plugged() as cable:
        know(home, server, cable.at)
        to = address(server, there, cable.at)
        cut = go(out, items, to)
        assert "the link was cut; run again to go on" in cut.problems[0]
        assert cut.push.sent == ("TH1_0.jpg",)
        left = {n for n in names(there) if not n.startswith(".evencourt-part-")}
        assert left == {"TH1_0.jpg"} and (there / "TH1_0.jpg").read_bytes() == (out / "web/TH1_0.jpg").read_bytes()
        (part,) = names(there) - left
        assert 0 < (there / part).stat().st_size < items[1].bytes
        begun = (there / part).stat().st_size
        cable.limit, cable.carried = None, 0
        done = go(out, items, to)
        assert done.problems == () and done.push.sent == ("TH1_1.jpg", "TH1_2.jpg")
        # It went on: what was there already was not sent again (the rest is the protocol's own).
        assert cable.carried < items[1].bytes - begun + items[2].bytes + 300_000
    assert names(there) == {"TH1_0.jpg", "TH1_1.jpg", "TH1_2.jpg"} and same(out, there)


def test_a_link_that_falls_silent_is_given_up(
    server: Sshd, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(targets, "_TIMEOUT", 1.0)
    out, there = tmp_path / "out", tmp_path / "club"
    items = [picture(out, f"TH1_{n}.jpg", n, size=1200) for n in range(2)]
    with Cable(server.port, limit=items[0].bytes * 3 // 2, silent=True).plugged() as cable:
        know(home, server, cable.at)
        done = go(out, items, address(server, there, cable.at))
        assert "cannot be reached, or the link was cut" in done.problems[0]
    assert {n for n in names(there) if not n.startswith(TEMPORARY)} == {"TH1_0.jpg"}


def test_a_cut_link_is_taken_up_again_within_a_push(server: Sshd, home: Path, tmp_path: Path) -> None:
    from pipeline.deliver.deliver import deliver
    from pipeline.deliver.model import SetFacts, Wanted

    out, there = tmp_path / "out", tmp_path / "club"
    items = [picture(out, f"TH1_{n}.jpg", n, size=400) for n in range(3)]
    with Cable(server.port, limit=items[0].bytes * 3 // 2).plugged() as cable:
        know(home, server, cable.at)
        params = Wanted(**{"push": address(server, there, cable.at)})

        def correction(done: int, total: int) -> None:
            cable.limit = cable.carried + items[0].bytes * 3 // 2  # each new link carries a picture and a half

        done = deliver(
            out, "web", items, params, SetFacts(), environ={},
            pauses=(0.0,) * 5, progress=lambda phase, n, total: correction(n, total),
        )  # fmt: skip
    assert done.problems == () and same(out, there)


def test_a_server_that_renames_to_a_free_name_only(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with ssh_server(tmp_path_factory.mktemp("old"), "internal-sftp -P posix-rename") as old:
        monkeypatch.setenv("HOME", str(old.folder.parent / "home"))
        know(old.folder.parent / "home", old, old.port)
        out, there = tmp_path / "out", tmp_path / "club"
        for seed in (0, 1):  # the second is written over the first
            done = go(out, [picture(out, "TH1_0.jpg", seed)], address(old, there))
            assert done.problems == () and done.push.sent == ("TH1_0.jpg",)
            assert names(there) == {"TH1_0.jpg"} and same(out, there)


def test_a_folder_that_is_not_there(server: Sshd, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = go(out, [picture(out, "TH1_0.jpg")], address(server, tmp_path / "no" / "club"))
    assert f"{tmp_path / 'no'} is not there; make it" in done.problems[0] and not (tmp_path / "no").exists()


def test_a_server_that_is_not_known_is_not_trusted(server: Sshd, home: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    (home / ".ssh" / "known_hosts").write_text("")
    done = go(out, [picture(out, "TH1_0.jpg")], address(server, tmp_path / "club"))
    assert "the server is not known yet" in done.problems[0] and not (tmp_path / "club").exists()
    other = tmp_path / "other"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", other], check=True)
    key = " ".join((tmp_path / "other.pub").read_text().split()[:2])
    (home / ".ssh" / "known_hosts").write_text(f"[127.0.0.1]:{server.port} {key}\n")
    done = go(out, [picture(out, "TH1_0.jpg")], address(server, tmp_path / "club"))
    assert "the server's key is not the one in known_hosts" in done.problems[0]


def test_keys_come_from_the_agent(server: Sshd, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out, there = tmp_path / "out", tmp_path / "club"
    key, away = home / ".ssh" / "id_ed25519", tmp_path / "key"
    key.rename(away)
    agent = subprocess.run(["ssh-agent", "-s"], check=True, capture_output=True, text=True).stdout
    values = dict(part.strip().split("=") for part in agent.split(";") if "=" in part)
    try:
        refused = go(out, [picture(out, "TH1_0.jpg")], address(server, there))
        assert "lets nobody in with these keys" in refused.problems[0]
        monkeypatch.setenv("SSH_AUTH_SOCK", values["SSH_AUTH_SOCK"])
        subprocess.run(["ssh-add", "-q", away], check=True, stderr=subprocess.DEVNULL)
        assert go(out, [picture(out, "TH1_0.jpg")], address(server, there)).problems == ()
    finally:
        os.kill(int(values["SSH_AGENT_PID"]), 15)
        away.rename(key)


def test_the_password_of_the_environment_reaches_the_server(home: Path, tmp_path: Path) -> None:
    """A server of paramiko's own, since OpenSSH's looks up passwords of this machine's users only."""
    import socket
    import threading

    import paramiko

    from pipeline.deliver.deliver import deliver
    from pipeline.deliver.model import SetFacts, Wanted

    asked: list[tuple[str, str]] = []

    class Door(paramiko.ServerInterface):
        def get_allowed_auths(self, username: str) -> str:
            return "password"

        def check_auth_password(self, username: str, password: str) -> int:
            asked.append((username, password))
            return paramiko.AUTH_SUCCESSFUL  # type: ignore[attr-defined]

    key = paramiko.ECDSAKey.generate()
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        (home / ".ssh" / "known_hosts").write_text(f"[127.0.0.1]:{port} {key.get_name()} {key.get_base64()}\n")

        def serve() -> None:
            connection, _ = listener.accept()
            transport = paramiko.Transport(connection)
            transport.add_server_key(key)
            transport.start_server(server=Door())
            transport.join(10)
            transport.close()

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        params = Wanted(**{"push": f"sftp://ada@127.0.0.1:{port}/club"})
        environ = {"EVENCOURT_PUSH_PASSWORD": "tide-table-9"}
        out = tmp_path / "out"
        deliver(out, "web", [picture(out, "a.jpg")], params, SetFacts(), environ=environ, pauses=())
        thread.join(15)
    assert asked == [("ada", "tide-table-9")]


def test_the_password_of_the_environment_is_nowhere_to_be_read(
    server: Sshd, home: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    from pipeline.deliver.deliver import deliver
    from pipeline.deliver.model import SetFacts, Wanted

    secret = "correct-horse-4711"
    key = home / ".ssh" / "id_ed25519"
    key.rename(tmp_path / "key")
    out = tmp_path / "out"
    params = Wanted(**{"push": address(server, tmp_path / "club")})
    environ = {"EVENCOURT_PUSH_PASSWORD": secret}
    try:
        with caplog.at_level(1):
            done = deliver(out, "web", [picture(out, "a.jpg")], params, SetFacts(), environ=environ, pauses=())
    finally:
        (tmp_path / "key").rename(key)
    assert done.problems
    kept = "".join(p.read_bytes().decode("latin-1") for p in (out / ".work").rglob("*") if p.is_file())
    assert secret not in repr(done) + str(sent_record(done)) + kept + caplog.text + "".join(capfd.readouterr())


def test_the_users_ssh_configuration_is_followed(server: Sshd, home: Path, tmp_path: Path) -> None:
    out, there = tmp_path / "out", tmp_path / "club"
    config = home / ".ssh" / "config"
    config.write_text(f"Host club\n HostName 127.0.0.1\n Port {server.port}\n User {server.user}\n")
    try:
        assert go(out, [picture(out, "TH1_0.jpg")], f"sftp://club{there}").problems == ()
    finally:
        config.unlink()
    assert names(there) == {"TH1_0.jpg"}
