"""I build the app of the desk and serve it on this machine alone: routes, and who is let through to them.

In: a session, who may ask. Out: pages, tiles, events; acts done and works begun.

Reading is GET; what changes something is POST or PUT with JSON or bytes, and is told to every page by an event.
"""

from __future__ import annotations

import asyncio
import json
import re
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from importlib import resources
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from stitchbed.core.errors import BadSettings, CannotWrite, StitchbedError, in_words
from stitchbed.desk.access import HEADERS, Access
from stitchbed.desk.guide.topics import TOPICS
from stitchbed.desk.job.pieces import take_in
from stitchbed.desk.look.pages import frame, guide_page, written
from stitchbed.desk.session import Session
from stitchbed.desk.stops import BY_NAME

MOST_BODY = 2**20  # bytes of an act; the largest polygon drawn by hand has some thousand
STATIC = {"css": "text/css; charset=utf-8", "js": "text/javascript; charset=utf-8"}
FROM_REPORT = ("viewer.js", "overlays.js", "overlays.css")  # the one viewer, which serves the proof page too
FOREVER = "private, max-age=31536000, immutable"  # the address of a tile holds a stamp of its file

Handler = Callable[[Request], Awaitable[Response]]


class Gate:
    """Lets through who may ask, and gives every answer the headers of a careful page."""

    def __init__(self, app: ASGIApp, access: Access, told: Callable[[str], None]) -> None:
        self.app, self.access, self.told = app, access, told

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope, receive)

        async def with_headers(message: Any) -> None:
            if message["type"] == "http.response.start":
                given = {key for key, _ in message["headers"]}
                extra = {**HEADERS, "cache-control": "no-store"}
                message["headers"] += [(k.encode(), v.encode()) for k, v in extra.items() if k.encode() not in given]
            await send(message)

        await self._answer(request)(scope, receive, with_headers)

    def _answer(self, request: Request) -> ASGIApp:
        token = request.query_params.get("token")
        stranger = self.access.stranger(request.method, request.headers)
        if stranger:
            return PlainTextResponse(f"Refused: {stranger}.\n", 403)
        if token is not None and request.method == "GET" and request.url.path == "/" and self.access.spend(token):
            answer = RedirectResponse("/", 303)
            answer.set_cookie(self.access.cookie, self.access.secret, httponly=True, samesite="strict", path="/")
            self.told(self.access.address())
            return answer
        refusal = self.access.refusal(request.method, request.headers, request.cookies.get(self.access.cookie))
        return PlainTextResponse(f"Refused: {refusal}.\n", 403) if refusal else self.app


@dataclass(frozen=True)
class Answers:
    """What each address of the desk answers for one session."""

    session: Session

    def routes(self) -> list[Route]:
        return [
            Route("/", self.at),
            Route("/at/{stop}", self.at),
            Route("/at/{stop}/{page}", self.at),
            Route("/tile/{id}/{stamp}/{halvings:int}/{row:int}/{col:int}", self.tile),
            Route("/folders", self.folders),
            Route("/guide", self.guide),
            Route("/guide/{topic}", self.guide),
            Route("/events", self.events),
            Route("/static/{name}", self.static),
            Route("/act", self.act, methods=["POST"]),
            Route("/history/{way}", self.move, methods=["POST"]),
            Route("/start", self.start, methods=["POST"]),
            Route("/stop", self.stop, methods=["POST"]),
            Route("/pieces", self.drop, methods=["PUT"]),
            Route("/pieces/dropped", self.dropped, methods=["POST"]),
        ]

    async def at(self, request: Request) -> Response:
        said = request.path_params
        await self.session.look_about()
        page = await run_in_threadpool(frame, self.session, said.get("stop", "pieces"), said.get("page", ""))
        return HTMLResponse(page) if page else _missing()

    async def tile(self, request: Request) -> Response:
        said = request.path_params
        if request.headers.get("if-none-match") == f'"{said["stamp"]}"':
            return Response(status_code=304)
        place = said["halvings"], said["row"], said["col"]
        jpeg = await run_in_threadpool(self.session.pictures.tile, said["id"], said["stamp"], *place)
        if jpeg is None:
            return _missing()
        return Response(jpeg, 200, {"cache-control": FOREVER, "etag": f'"{said["stamp"]}"'}, "image/jpeg")

    async def act(self, request: Request) -> Response:
        said = await _json(request)
        name = str(said.pop("act", ""))
        if name == "set" and isinstance(said.get("path"), list):
            said["value"] = await run_in_threadpool(_value, said)
        await self.session.act(name, said)
        return JSONResponse({})

    async def move(self, request: Request) -> Response:
        await self.session.move({"undo": -1, "redo": 1}[request.path_params["way"]])
        return JSONResponse({})

    async def start(self, request: Request) -> Response:
        said = await _json(request)
        if said.get("stop") not in BY_NAME:
            raise BadSettings("an unknown stop", expected="one of the line", attempt="the buttons")
        await self.session.start(said["stop"], replace=said.get("replace") is True)
        return JSONResponse({})

    async def stop(self, request: Request) -> Response:
        await self.session.stop()
        return JSONResponse({})

    async def drop(self, request: Request) -> Response:
        size = request.headers.get("content-length", "")
        if not size.isdecimal():
            raise CannotWrite("a file of unknown size", expected="its size", attempt="dropping it again")
        name, digest = request.query_params.get("name", ""), request.headers.get("x-sha256", "")
        path = await take_in(self.session.job.folder, name, int(size), digest, request.stream())
        await self.session.dropped(path)
        return JSONResponse({"name": path.name})

    async def dropped(self, request: Request) -> Response:
        await self.session.look_about()
        self.session.changed()
        return JSONResponse({})

    async def folders(self, request: Request) -> Response:
        id = request.query_params.get("id", "")
        if not id:
            starts = await run_in_threadpool(self.session.folders.starts, self.session.job.file)
            return HTMLResponse(written("folders.html", here=None, inside=starts, above=None))
        found = await run_in_threadpool(self.session.folders.inside, id)
        if found is None:
            return _missing()
        return HTMLResponse(written("folders.html", here=found[0], inside=found[1], above=found[2]))

    async def guide(self, request: Request) -> Response:
        return HTMLResponse(guide_page(request.path_params.get("topic", next(iter(TOPICS)))))

    async def events(self, request: Request) -> Response:
        last = request.headers.get("last-event-id", request.query_params.get("after", "0"))
        after = int(last) if last.isdecimal() else 0
        return StreamingResponse(self.session.hub.stream(after), media_type="text/event-stream")

    async def static(self, request: Request) -> Response:
        name = request.path_params["name"]
        if not re.fullmatch(r"[a-z_]+\.(css|js)", name):
            return _missing()
        home = resources.files("stitchbed.report") / "viewer" if name in FROM_REPORT else _static()
        file = home / name
        if not file.is_file():
            return _missing()
        return Response(file.read_bytes(), media_type=STATIC[name.rpartition(".")[2]])

    @asynccontextmanager
    async def alive(self, app: Starlette) -> AsyncIterator[None]:
        """Keep the session's own tasks going for as long as the app is."""
        loop = asyncio.get_running_loop()
        beside = [loop.create_task(self.session.worker.warm()), loop.create_task(self.session.keep_watch())]
        threading.Thread(target=self.session.pictures.warm, daemon=True).start()
        yield
        for task in beside:
            task.cancel()
        await self.session.close()


def app_of(session: Session, access: Access, told: Callable[[str], None] = lambda address: None) -> ASGIApp:
    """The whole app. told : is given the next address with a token when one was used."""
    answers = Answers(session)
    errors: Mapping[Any, Any] = {StitchbedError: _told_wrong, OSError: _told_wrong, Exception: _told_wrong}
    app = Starlette(routes=answers.routes(), lifespan=answers.alive, exception_handlers=errors)
    return Gate(app, access, told)


def listening(port: int) -> socket.socket:
    """A socket on this machine alone; port 0 takes a free one.

    Raises
    ------
    BadSettings : the port is taken.
    """
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind(("127.0.0.1", port))
    except OSError as error:
        sock.close()
        raise BadSettings(
            f"port {port} ({error.strerror})", expected="a free port", attempt="another --port, or none"
        ) from error
    return sock


def serve(app: ASGIApp, sock: socket.socket, ready: Callable[[], None], ending: Callable[[], None]) -> None:
    """Serve until Ctrl-C or SIGTERM. ready : called once requests are taken. ending : before answers are waited for, as
    those that tell of events would never end."""
    import uvicorn

    config = uvicorn.Config(
        app, log_level="error", access_log=False, lifespan="on", timeout_graceful_shutdown=1, server_header=False
    )

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            ready()

        async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
            ending()
            await super().shutdown(sockets)

    Server(config).run(sockets=[sock])


def _static() -> Any:
    return resources.files("stitchbed.desk") / "static"


def _value(said: Mapping[str, Any]) -> Any:
    from stitchbed.desk.look.fields import value_of

    return value_of(str(said.get("step")), said["path"], said.get("value"))


async def _json(request: Request) -> dict[str, Any]:
    """The body as a mapping.

    Raises
    ------
    BadSettings : it is none, or too long.
    """
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > MOST_BODY:
            raise BadSettings("an act of more than a megabyte", expected="a short one", attempt="fewer points")
    try:
        said = json.loads(body or b"{}")
    except ValueError:
        said = None
    if not isinstance(said, dict):
        raise BadSettings("a request that is no mapping", expected="what the page sends", attempt="loading it anew")
    return said


def _missing() -> Response:
    return PlainTextResponse("Nothing is here.\n", 404)


async def _told_wrong(request: Request, error: Exception) -> Response:
    if isinstance(error, ClientDisconnect):
        return Response(status_code=400)
    words = in_words(error)
    status = 409 if isinstance(error, StitchbedError | OSError) else 500
    return JSONResponse({"found": words.found, "expected": words.expected, "try": words.attempt}, status)
