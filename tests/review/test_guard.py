"""Only the page that the server gave itself may ask anything of it. Attacks: OWASP's pages on cross-site request
forgery and DNS rebinding, the Fetch Standard and Fetch Metadata Request Headers (W3C) for what browsers send."""

from __future__ import annotations

import io
import json
import socket
from collections.abc import Callable
from pathlib import Path

import PIL.Image
import pytest

from tests.review.conftest import ALL, FRAMES, Tab, run

Open = Callable[..., Tab]
BODY = json.dumps({"frame": "TH1_0001", "field": "rating", "value": 1, "seen": 3}).encode()


def own(one: Tab) -> dict[str, str]:
    """The headers of the page's own request."""
    return {"Origin": one.home, "X-Court": "1", "Content-Type": "application/json", "Sec-Fetch-Site": "same-origin"}


def test_it_listens_on_loopback_only(one: Tab) -> None:
    assert one.server._socket.getsockname()[0] == "127.0.0.1"
    outside = [found[4][0] for found in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    for address in {address for address in outside if not address.startswith("127.")}:
        with pytest.raises(OSError):
            socket.create_connection((address, one.server.port), timeout=1).close()


def test_the_token_is_long_and_new_each_time(tab: Open) -> None:
    one, other = tab(), tab()
    assert one.server.token != other.server.token and len(one.server.token) >= 32  # 24 octets of chance in base64


@pytest.mark.parametrize(
    "path", ["/", "/api/view", "/x/", "/x/api/view", "//api/view", "/{half}/api/view", "/{token}x/"]
)
def test_nothing_is_given_without_the_token(one: Tab, path: str) -> None:
    token = one.server.token
    answer = one.ask(path.format(half=token[:-1], token=token))
    assert answer.status == 404 and b"TH1" not in answer.body


HOSTS = [
    "evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "127.0.0.1.evil.example:{port}",
    "0.0.0.0:{port}", "[::1]:{port}", "localhost:{port}.evil.example", "",
]  # fmt: skip


@pytest.mark.parametrize("host", HOSTS)
def test_another_host_is_refused(one: Tab, host: str) -> None:
    """A name that an attacker lets point at 127.0.0.1: the browser would call it the page's own origin."""
    host = host.format(port=one.server.port)
    assert one.ask("", headers={"Host": host}).status in (400, 403)
    origin = {"Host": host, "Origin": f"http://{host}"}
    assert one.ask("api/frame", BODY, {**own(one), **origin}).status in (400, 403)


ORIGINS = [
    "http://evil.example", "null", "https://127.0.0.1:{port}", "http://127.0.0.1", "http://127.0.0.1:1",
    "http://127.0.0.1:{port}.evil.example", "file://", "",
]  # fmt: skip


@pytest.mark.parametrize("origin", ORIGINS)
def test_another_origin_is_refused(one: Tab, origin: str) -> None:
    headers = {"Origin": origin.format(port=one.server.port)}
    assert one.ask("api/frame", BODY, {**own(one), **headers}).status == 403
    assert one.ask("api/view", headers=headers).status == 403


@pytest.mark.parametrize(
    ("changed", "status"),
    [
        ({"Origin": None}, 403), ({"X-Court": None}, 403), ({"X-Court": "2"}, 403),
        ({"Content-Type": "text/plain"}, 403), ({"Content-Type": "application/x-www-form-urlencoded"}, 403),
        ({"Content-Type": None}, 403), ({"Sec-Fetch-Site": "cross-site"}, 403), ({"Sec-Fetch-Site": "same-site"}, 403),
    ],
)  # fmt: skip
def test_a_request_that_another_page_can_send_changes_nothing(
    one: Tab, changed: dict[str, str | None], status: int
) -> None:
    headers = {key: value for key, value in {**own(one), **changed}.items() if value is not None}
    assert one.ask("api/frame", BODY, headers).status == status


def test_the_page_s_own_request_is_answered(night: Path, tab: Open) -> None:
    one = tab()
    assert one.ask("api/frame", BODY, own(one)).status == 200
    assert (night / "facts" / "frames.csv").read_bytes() != FRAMES.encode("utf-8-sig")


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"])
def test_other_methods_are_refused(one: Tab, method: str) -> None:
    answer = one.ask("api/frame", BODY, own(one), method)
    assert answer.status in (403, 405) and "access-control-allow-origin" not in answer.headers


def test_another_site_may_open_the_page_and_nothing_else(one: Tab) -> None:
    """As the file that starts the browser does: it must know the token."""
    opens = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}
    assert one.ask("", headers=opens).status == 200
    assert one.ask("api/view", headers=opens).status == 403
    assert one.ask("", headers={**opens, "Sec-Fetch-Dest": "iframe"}).status == 403
    assert one.ask("", headers={**opens, "Sec-Fetch-Mode": "no-cors"}).status == 403
    assert one.ask("picture/before/TH1_0001", headers={"Sec-Fetch-Site": "cross-site"}).status == 403


def test_every_answer_has_the_headers_that_keep_it_here(one: Tab) -> None:
    for path in ("", "api/view", "page.js", "web/review.js", "picture/before/TH1_0001", "picture/before/none", "/x/"):
        headers = one.ask(path).headers
        policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
        assert policy["default-src"] == "'none'" and policy["frame-ancestors"] == "'none'"
        assert all(value in ("'none'", "'self'") for value in policy.values())
        assert headers["cache-control"] == "no-store" and headers["referrer-policy"] == "no-referrer"
        assert headers["x-content-type-options"] == "nosniff" and "server" not in headers
        assert headers["cross-origin-resource-policy"] == "same-origin" and headers["x-frame-options"] == "DENY"
        assert not any(name.startswith("access-control") for name in headers)


def test_what_is_too_large_is_refused_and_what_is_no_json_too(one: Tab) -> None:
    assert one.ask("api/frame", b"x" * 70_000, own(one)).status == 413
    for body in (b"", b"{", b"[]", b'"x"', b"\xff", b"null", b"[" * 10_000):
        assert one.ask("api/frame", body, own(one)).status == 400


OUTSIDE = [
    "../run.json", "..%2f..%2frun.json", "%2e%2e/%2e%2e/run.json", "/etc/passwd", "%2fetc%2fpasswd", "web/../run.json",
    "TH1_0001%00.jpg", "....//run.json", "C:%5cWindows", "TH1_0001/../../../facts/roster.csv",
]  # fmt: skip


@pytest.mark.parametrize("name", OUTSIDE)
def test_no_address_leads_out_of_the_pictures(one: Tab, name: str) -> None:
    for path in (
        f"picture/before/{name}",
        f"picture/after/web/{name}",
        f"picture/after/{name}/TH1_0001",
        name,
        f"web/{name}",
    ):
        answer = one.ask(path)
        assert answer.status == 404 and b"Solbakken" not in answer.body and b"root:" not in answer.body


def test_a_record_that_names_another_file_is_not_followed(night: Path, tab: Open) -> None:
    path = night / "out" / "run.json"
    text = path.read_text(encoding="utf-8")
    assert '"file":"web/TH1_0001.jpg"' in text
    thumb = next((night / "out" / ".work" / "thumbs").glob("*.jpg")).name  # a picture, and none that is delivered
    for planted in (
        f".work/thumbs/{thumb}",
        "../facts/roster.csv",
        "/etc/passwd",
        ".work/recipe.yaml",
        "web/../../facts/roster.csv",
        "run.json",
    ):
        path.write_text(text.replace("web/TH1_0001.jpg", planted), encoding="utf-8")
        answer = tab().ask("picture/after/web/TH1_0001")
        assert answer.status == 404 and b"Solbakken" not in answer.body
    path.write_text(text, encoding="utf-8")
    there = night / "out" / "web" / "TH1_0001.jpg"
    there.unlink()
    there.symlink_to(night / "facts" / "roster.csv")
    assert tab().ask("picture/after/web/TH1_0001").status == 404


def test_the_picture_of_a_familys_folder_is_shown(night: Path, tab: Open) -> None:
    recipe = night / "night.yaml"
    recipe.write_text(recipe.read_text("utf-8") + "  family: [for: {each: player}, save: {}]\n", encoding="utf-8")
    assert run(night)[0] == 0
    one = tab()
    frame = next(f for f in json.loads(one.ask("api/view").body)["frames"] if f["name"] == "TH1_0001")
    (family,) = (name for name in frame["deliveries"] if name.startswith("family/"))
    where = frame["deliveries"][family]["after"]["large"]
    assert one.ask(where).body == (night / "out" / family / "TH1_0001.jpg").read_bytes()


def test_pictures_come_in_the_size_asked_for(night: Path, tab: Open) -> None:
    def size(path: str) -> tuple[int, int]:
        answer = one.ask(path)
        assert (answer.status, answer.headers["content-type"]) == (200, "image/jpeg")
        return PIL.Image.open(io.BytesIO(answer.body)).size

    one = tab()
    assert size("picture/after/web/TH1_0001") == (180, 120) and size("picture/after/phone/TH1_0001") == (120, 80)
    assert one.ask("picture/after/web/TH1_0001").body == (night / "out" / "web" / "TH1_0001.jpg").read_bytes()
    assert size("picture/before/TH1_0001?width=320") == (180, 120) == size("picture/before/TH1_0001")
    assert size("picture/before/TH1_0005") == (180, 120)  # held: who decides must see it
    for asked in ("-1", "x", "999999999999", "1e3", ""):
        size(f"picture/after/web/TH1_0001?width={asked}")
    assert [frame["name"] for frame in one.get("api/view")["frames"]] == ALL
