"""The addresses of the review, below /TOKEN/ (see guard). All answers of api/ are JSON.

    GET  ""                          the page of the run, report/page.html with mode "review"
    GET  page.js, page.css, web/NAME  the page's scripts and styles, and the tools'
    GET  picture/before/FRAME        the whole frame, JPEG; ?width=320 the small one
    GET  picture/after/DELIVERY/FRAME  the delivered file, or with ?width= a JPEG no wider
    GET  api/view                    {version, frames: all of them, ...}, see report.view.RunView and FrameView, and
                                     Session.frame_json for what is added to a frame
    GET  api/since/VERSION           {version, frames that changed after it, undo, render, roster where it changed,
                                     notices}
    GET  api/roster                  see Session.roster
    GET  api/render                  see Session.render
    POST api/frame                   {frame, field, delivery, value, seen} -> {version, frames, undo}; see values
    POST api/reference               {frame, patch or chart, end}; neither: no reference any more
    POST api/consent                 {team, number, publish}; with ask: true {frames, files}, what it would withdraw
    POST api/undo                    {} -> {version, frames, undone: words, "" where nothing is left}
    POST api/caption                 {frame, players, words} -> {caption, headline, alt, delivery, held, problems}
    POST api/render, api/render/stop {} -> {render}

A POST needs the header X-Court: 1 and a JSON body. What cannot be done is answered with {message: words for the
person}: 400 it is no such request, 404 no such frame, 409 the value is another than the tab saw, with {theirs, version,
frames}, 422 it cannot be written: nothing has changed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from importlib.resources import files
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, JsonValue, TypeAdapter, ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from pipeline.errors import EvencourtError, in_short, trace
from pipeline.report.html import asset, page
from pipeline.report.view import RunView, run_view, safe
from pipeline.review.pictures import AbsentError, Pictures
from pipeline.review.session import Session
from pipeline.review.state import ConflictError, UnknownError
from pipeline.review.views import Addresses

_OF_REPORT = ("page.js", "page.css")
_KINDS = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
_WEB = files("pipeline.review").joinpath("web")


class _Body(BaseModel):
    model_config = ConfigDict(extra="ignore", strict=True)


class _Decision(_Body):
    frame: str
    field: Literal["keep", "rating", "players", "words", "crop"]
    delivery: str | None = None
    value: JsonValue
    seen: JsonValue


class _Reference(_Body):
    frame: str
    patch: JsonValue = None
    chart: JsonValue = None
    end: str | None = None


class _Consent(_Body):
    team: str
    number: str
    publish: bool
    ask: bool = False


class _Caption(_Body):
    frame: str
    players: JsonValue
    words: JsonValue


class _Nothing(_Body):
    pass


def application(session: Session, pictures: Pictures, facts: str) -> Starlette:
    """The server's application, still without guard. facts  where a person's tables are, in words"""

    def view() -> Iterator[str]:
        head = TypeAdapter(RunView).dump_python(run_view(session.record_now(), "review"), mode="json")
        yield safe(json.dumps({**head, "version": session.version}))[:-1] + ',"frames":['
        for at, name in enumerate(session.names()):
            yield (",\n" if at else "") + safe(json.dumps(session.frame_json(name), ensure_ascii=False))
        yield "]}"

    def whole_page() -> Response:
        text = "".join(page(session.record_now(), Addresses(), facts, "review", view()))
        return Response(text.encode("utf-8", "replace"), media_type="text/html")

    async def index(request: Request) -> Response:
        return await run_in_threadpool(whole_page)

    async def static(request: Request) -> Response:
        name = request.path_params["name"]
        suffix = name[name.rfind(".") :]
        there = {one.name: one for one in _WEB.iterdir()} if _WEB.is_dir() else {}
        if name not in there or suffix not in _KINDS:
            return _refused(404, "there is no such file")
        return Response(there[name].read_text(encoding="utf-8"), media_type=_KINDS[suffix])

    async def of_report(request: Request) -> Response:
        name = request.url.path.rsplit("/", 1)[-1]
        return Response(asset(name), media_type=_KINDS[name[name.rfind(".") :]])

    async def before(request: Request) -> Response:
        name, width = request.path_params["name"], _width(request)

        def make() -> Response:
            frame = session.frame_record(name)
            return Response(
                pictures.before(session.shoot.index.frames[session.real(name)], frame, width), 200, None, "image/jpeg"
            )

        return await _picture(make)

    async def after(request: Request) -> Response:
        delivery, name, width = request.path_params["delivery"], request.path_params["name"], _width(request)

        def make() -> Response:
            file = session.delivered(name, delivery.replace(":", "/"))
            if file is None:
                raise AbsentError
            data, kind = pictures.after(file, width)
            return Response(data, media_type=kind)

        return await _picture(make)

    def get(action: Callable[[Request], Any]) -> Callable[[Request], Any]:
        async def answer(request: Request) -> Response:
            return await _answered(lambda: action(request))

        return answer

    def post(of: type[_Body], action: Callable[[Any], Any]) -> Callable[[Request], Any]:
        async def answer(request: Request) -> Response:
            try:
                body = of.model_validate_json(await request.body())
            except (ValidationError, ValueError):
                return _refused(400, "this is no such request; load the page again")
            return await _answered(lambda: action(body))

        return answer

    def everything() -> dict[str, JsonValue]:
        value: dict[str, JsonValue] = json.loads("".join(view()))
        return value

    def decide(body: _Decision) -> Any:
        return session.decide(body.frame, body.field, body.delivery, body.value, body.seen)

    def consent(body: _Consent) -> Any:
        if body.ask:
            return session.reach(body.team, body.number)
        found = session.consent(body.team, body.number, body.publish)
        pictures.forget()
        return found

    def reference(body: _Reference) -> Any:
        given = {"patch": body.patch, "chart": body.chart}
        some = {key: value for key, value in given.items() if value is not None}
        return session.reference(body.frame, {**some, "end": body.end} if some else None)

    def route(path: str, endpoint: Callable[[Request], Any], method: str = "GET") -> Route:
        return Route(path, endpoint, methods=[method])

    return Starlette(
        routes=[
            route("/", index),
            route("/picture/before/{name:path}", before),
            route("/picture/after/{delivery}/{name:path}", after),
            route("/api/view", get(lambda request: everything())),
            route("/api/since/{version:int}", get(lambda request: session.since(request.path_params["version"]))),
            route("/api/roster", get(lambda request: session.roster())),
            route("/api/render", get(lambda request: session.render())),
            route("/api/frame", post(_Decision, decide), "POST"),
            route("/api/reference", post(_Reference, reference), "POST"),
            route("/api/consent", post(_Consent, consent), "POST"),
            route("/api/undo", post(_Nothing, lambda body: session.undo()), "POST"),
            route("/api/caption", post(_Caption, lambda b: session.caption(b.frame, b.players, b.words)), "POST"),
            route("/api/render", post(_Nothing, lambda body: session.start_render()), "POST"),
            route("/api/render/stop", post(_Nothing, lambda body: session.stop_render()), "POST"),
            *(route(f"/{name}", of_report) for name in _OF_REPORT),
            route("/web/{name}", static),
        ],
    )


def _width(request: Request) -> int:
    """What is asked for in ?width=, 0 for all there is."""
    asked = request.query_params.get("width", "")
    return int(asked) if asked.isascii() and asked.isdecimal() and len(asked) < 6 else 0


async def _picture(make: Callable[[], Response]) -> Response:
    try:
        return await run_in_threadpool(make)
    except (AbsentError, UnknownError):
        return _refused(404, "there is no such picture")


async def _answered(action: Callable[[], Any]) -> Response:
    try:
        value = await run_in_threadpool(action)
    except ConflictError as error:
        return JSONResponse(error.answer, 409)
    except UnknownError as error:
        return _refused(404, str(error))
    except EvencourtError as error:
        return _refused(422, "; ".join(error.lines[:5]))
    except OSError as error:
        return _refused(422, f"{in_short(error)}: nothing has changed; look at that disk, and try again")
    except Exception as error:
        trace(error)
        return _refused(500, f"unexpected {in_short(error)}")
    return JSONResponse(value)


def _refused(status: int, message: str) -> Response:
    return JSONResponse({"message": message.encode("utf-8", "replace").decode()}, status)
