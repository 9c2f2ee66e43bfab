"""The live page: runs looked at in a browser, while they go on or afterwards. A door beside the command line: it holds
no logic of its own and only reads, but for notes, which go to a file beside the log.

It listens to this machine only, unless it is told to listen to others; then a token is asked for."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import json
import re
import signal
import socket
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import quote

import uvicorn
from jinja2 import Environment, StrictUndefined
from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.responses import StreamingResponse as Streamed
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gateway.app.watch import Watch, logs_in, runs_of
from gateway.log.notes import LATEST_MS
from gateway.model.errors import GattestError, InputError, LogFileError
from gateway.model.utc import utc_text
from gateway.report.page import drawn

LOOK_EVERY_S = 1.0
LEFT_AFTER_S = 30.0  # a run that nobody has looked at for so long is read no more
JUDGE_SHARE = 30  # the requirements are looked at again after so many times what that took
JUDGE_EVERY_S = 5.0
FIRST_EVENTS = 200
MOST_PLOTS = 50
MOST_BODY = 10_000
_COOKIE = "gattest_token"
_POLICY_HEADER = "content-security-policy"
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src data: blob:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


class _Watched:
    """A run that somebody looks at: read once a second, and judged now and then."""

    def __init__(self, watch: Watch) -> None:
        self.watch = watch
        self.used_s = time.monotonic()
        self.trouble = ""
        self.changed = asyncio.Event()
        self._judge_at_s = 0.0
        self._judged = -1

    @property
    def over(self) -> bool:
        """Whether it is read no more: nobody looked for a while, or it can't be."""
        left = time.monotonic() - self.used_s > LEFT_AFTER_S
        return left or bool(self.trouble)

    async def run(self) -> None:
        """Read until that is over."""
        try:
            async with asyncio.TaskGroup() as group:
                judging: asyncio.Task[None] | None = None
                while not self.over:
                    begun_s = time.monotonic()
                    await self._look()
                    if (judging is None or judging.done()) and self._due():
                        judging = group.create_task(self._judge(), name="judging")
                    self._tell()
                    left_s = LOOK_EVERY_S - (time.monotonic() - begun_s)
                    await asyncio.sleep(max(left_s, 0.05) if self.watch.read >= 1 else 0.01)
        finally:
            await asyncio.to_thread(self.watch.close)

    async def _look(self) -> None:
        try:
            if self.watch.replaced:
                raise LogFileError("the log was replaced by another file, or moved away")
            await asyncio.to_thread(self.watch.look)
        except GattestError as error:
            self.trouble = str(error)

    def _due(self) -> bool:
        """Whether it is time to look at the requirements: never again where nothing can change."""
        info = self.watch.info
        done = info.ended_ns is not None and self._judged == info.end_frame
        return bool(info.requirements) and time.monotonic() >= self._judge_at_s and not (done or self.trouble)

    async def _judge(self) -> None:
        frames = self.watch.info.end_frame
        with contextlib.suppress(GattestError):  # of a run that has barely begun
            await asyncio.to_thread(self.watch.judge)
            self._judged = frames
        self._judge_at_s = time.monotonic() + max(JUDGE_EVERY_S, JUDGE_SHARE * self.watch.standing.took_s)
        self._tell()

    def end(self) -> None:
        """Read no more."""
        self.used_s = -LEFT_AFTER_S
        self._tell()

    def _tell(self) -> None:
        self.changed.set()
        self.changed = asyncio.Event()


class Site:
    """The page of some logs.

    Args:
        paths: logs, and folders of them.
        hosts: by what names it may be asked for (the header Host), with their ports; none for any, with a token.
        token: what a browser has to bring, "" for nothing.
    """

    def __init__(self, paths: Sequence[Path], hosts: Sequence[str], token: str = "") -> None:
        self._paths = paths
        self._hosts, self._token = {one.lower() for one in hosts}, token
        self._watched: dict[tuple[str, int], _Watched] = {}
        self._group: asyncio.TaskGroup | None = None
        self._opening = asyncio.Lock()
        self._pages = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
        self.app = _Guard(
            Starlette(
                routes=[
                    Route("/", self._index),
                    Route("/log/{log}/{run:int}", self._page),
                    Route("/log/{log}/{run:int}/now", self._now),
                    Route("/log/{log}/{run:int}/plots", self._plots),
                    Route("/log/{log}/{run:int}/events", self._earlier),
                    Route("/log/{log}/{run:int}/note", self._note, methods=["POST"]),
                    Route("/log/{log}/{run:int}/report", self._report),
                    Route("/file/{name}", self._file),
                ],
                lifespan=self._lifespan,
                exception_handlers={
                    404: _nowhere,
                    GattestError: _missing,
                    InputError: _refused,
                    LogFileError: _missing,
                },
            ),
            self,
        )

    @contextlib.asynccontextmanager
    async def _lifespan(self, _: Starlette) -> AsyncIterator[None]:
        async with asyncio.TaskGroup() as self._group:
            yield
            for one in self._watched.values():
                one.end()

    def may(self, request: Request) -> bool:
        """Whether a request may be answered: by its Host, where it writes by its Origin, and by its token."""
        host = request.headers.get("host", "").lower()
        origin = request.headers.get("origin", "").lower().partition("://")[2]
        writes = request.method not in ("GET", "HEAD")
        if (self._hosts and host not in self._hosts) or (writes and origin != host):
            return False
        brought = (request.cookies.get(_COOKIE, ""), request.query_params.get("token", ""))
        return not self._token or any(hmac.compare_digest(one.encode(), self._token.encode()) for one in brought)

    def _log(self, request: Request) -> Path:
        name = request.path_params["log"]
        if (path := logs_in(self._paths).get(name)) is None:
            raise LogFileError(f"there is no log {name!r} here; the page / lists those that are")
        return path

    async def _watch(self, request: Request) -> _Watched:
        """The run that is asked for, read from now on; one that is read no more is read anew."""
        key, path = (request.path_params["log"], request.path_params["run"]), self._log(request)
        async with self._opening:
            known = self._watched.get(key)
            if known is None or known.over or known.watch.replaced:
                watch = await asyncio.to_thread(Watch, path, key[1])
                await asyncio.to_thread(watch.look)
                known = self._watched[key] = _Watched(watch)
                if self._group is not None:
                    self._group.create_task(known.run(), name=f"reading {key[0]}")
        known.used_s = time.monotonic()
        return known

    def _rendered(self, name: str, **values: object) -> HTMLResponse:
        return HTMLResponse(self._pages.from_string((files(__name__) / name).read_text("utf-8")).render(**values))

    async def _index(self, request: Request) -> Response:
        listed = await asyncio.to_thread(self._listed)
        if len(listed) == 1 and len(listed[0]["runs"]) == 1:
            return RedirectResponse(f"/log/{quote(listed[0]['name'])}/{listed[0]['runs'][0]['id']}")
        return self._rendered("index.html", logs=listed)

    def _listed(self) -> list[dict[str, Any]]:
        """What each log holds; one that can't be used with the reason."""
        found: list[dict[str, Any]] = []
        for name, path in logs_in(self._paths).items():
            listed: dict[str, Any] = {"name": name, "path": str(path), "runs": [], "trouble": ""}
            try:
                listed["runs"] = runs_of(path)
            except GattestError as error:
                listed["trouble"] = str(error)
            found.append(listed)
        return found

    async def _page(self, request: Request) -> Response:
        watched = await self._watch(request)
        return self._rendered("run.html", info=watched.watch.info, log=request.path_params["log"])

    async def _now(self, request: Request) -> Response:
        """A stream of what is new: the state once a second, and events as they happen (Server-sent events, HTML
        standard, 9.2)."""
        watched = await self._watch(request)
        told = _whole(request.headers.get("last-event-id", ""))
        last = -(1 << 62) if told is None else told

        async def stream() -> AsyncIterator[str]:
            nonlocal last
            while True:
                if watched.over:
                    if watched.trouble:
                        yield _sent("over", {"why": watched.trouble})
                    return
                watched.used_s = time.monotonic()
                changed = watched.changed
                shown = watched.watch.state() | {"plots": watched.watch.plot_names()}
                fresh = watched.watch.events(last, FIRST_EVENTS)
                last = fresh[-1]["number"] if fresh else last
                yield _sent("state", shown | {"events": fresh}, last)
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(10 * LOOK_EVERY_S):
                        await changed.wait()

        return Streamed(stream(), media_type="text/event-stream", headers={"cache-control": "no-store"})

    async def _plots(self, request: Request) -> Response:
        watched = await self._watch(request)
        names = request.query_params.getlist("name")[:MOST_PLOTS]
        ends = [_whole(request.query_params.get(key, "")) for key in ("from", "to")]
        from_ns, to_ns = (None if one is None or not 0 <= one < LATEST_MS else one * 10**6 for one in ends)
        made = await asyncio.to_thread(watched.watch.plots, names, from_ns, to_ns)
        return JSONResponse({plot.name: drawn(plot) | {"said": plot.said} for plot in made})

    async def _earlier(self, request: Request) -> Response:
        watched = await self._watch(request)
        before = _whole(request.query_params.get("before", ""))
        return JSONResponse(watched.watch.events(-(1 << 62), FIRST_EVENTS, before))

    async def _note(self, request: Request) -> Response:
        watched = await self._watch(request)
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > MOST_BODY:
                return PlainTextResponse(f"a note of more than {MOST_BODY} bytes", 413)
        try:
            told = json.loads(body)
            text, ms = told["text"], told.get("ms", time.time_ns() // 10**6)
            valid = isinstance(text, str) and isinstance(ms, int) and bool(text.encode())
        except (ValueError, TypeError, LookupError, AttributeError, RecursionError):
            valid = False
        if not valid:
            return PlainTextResponse(
                'a note is JSON: {"text": "heater on"}, with "ms" for another moment than now', 400
            )
        note = await asyncio.to_thread(watched.watch.note, text, ms * 10**6)
        return JSONResponse({"utc": utc_text(note.t_ns)[:19], "text": note.text, "by": note.by})

    async def _report(self, request: Request) -> Response:
        from gateway.app.report import review

        path, run = self._log(request), request.path_params["run"]
        page = await asyncio.to_thread(lambda: review(path, run).page())
        # it says itself which scripts may run, and would be hindered by what other pages may do
        return HTMLResponse(page, headers={_POLICY_HEADER: "frame-ancestors 'none'"})

    async def _file(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name == "plotly.js":
            from plotly.offline import get_plotlyjs

            return Response(get_plotlyjs(), media_type="text/javascript", headers={"cache-control": "max-age=86400"})
        if name in ("page.js", "page.css"):
            text = (files("gateway.report.page") / name).read_text("utf-8")
        elif name in ("run.js", "run.css"):
            text = (files(__name__) / name).read_text("utf-8")
        else:
            raise HTTPException(404)
        return Response(text, media_type="text/css" if name.endswith("css") else "text/javascript")


class _Guard:
    """Answers nobody it should not, and tells browsers what the pages may do."""

    def __init__(self, app: ASGIApp, site: Site) -> None:
        self._app, self._site = app, site

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        if not self._site.may(request):
            told = "not answered: open the address that gattest serve printed, with its token where it has one"
            await PlainTextResponse(told, 403)(scope, receive, send)
            return
        token = request.query_params.get("token", "")

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault(_POLICY_HEADER, _POLICY)
                headers["x-content-type-options"] = "nosniff"
                headers["referrer-policy"] = "no-referrer"
                if token:
                    headers.append("set-cookie", f"{_COOKIE}={token}; HttpOnly; SameSite=Strict; Path=/")
            await send(message)

        await self._app(scope, receive, guarded)


async def _nowhere(request: Request, _: Exception) -> Response:
    return PlainTextResponse(f"there is no page at {request.url.path}; the runs are listed at /", 404)


async def _missing(_: Request, error: Exception) -> Response:
    return PlainTextResponse(str(error), 404)


async def _refused(_: Request, error: Exception) -> Response:
    return PlainTextResponse(str(error), 400)


def _whole(text: str) -> int | None:
    """A whole number, None for anything else."""
    return int(text) if re.fullmatch(r"-?[0-9]{1,18}", text, re.ASCII) else None


def _sent(kind: str, told: dict[str, Any], number: int | None = None) -> str:
    mark = f"id: {number}\n" if number is not None else ""
    return f"event: {kind}\n{mark}data: {json.dumps(told, ensure_ascii=False)}\n\n"


class _Server(uvicorn.Server):
    """One that Ctrl-C ends cleanly."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        loop = asyncio.get_running_loop()
        for one in (signal.SIGINT, signal.SIGTERM):
            with contextlib.suppress(NotImplementedError):  # not on Windows, where Ctrl-C interrupts
                loop.add_signal_handler(one, self._end)
        yield

    def _end(self) -> None:
        self.force_exit, self.should_exit = self.should_exit, True  # asked once more: at once


async def serve(site: Site, listener: socket.socket, ready: Callable[[], None]) -> None:
    """Answer on a socket that listens, until asked to end; ``ready`` is called once it does."""
    config = uvicorn.Config(
        site.app, log_level="critical", access_log=False, lifespan="on", timeout_graceful_shutdown=1
    )
    server = _Server(config)
    async with asyncio.TaskGroup() as group:
        serving = group.create_task(server.serve([listener]), name="serving")
        while not server.started and not serving.done():  # noqa: ASYNC110  uvicorn has no event for it
            await asyncio.sleep(0.01)
        if server.started:
            ready()
