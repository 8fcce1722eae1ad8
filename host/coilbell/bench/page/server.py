"""The live page's server: the page, the plotting library from its installed package, one stream of shots.

::

    GET  /TOKEN/                 the page
    GET  /TOKEN/own/NAME         its scripts and styles
    GET  /TOKEN/plots/NAME       scripts of the plotting library, as its package brings them
    GET  /TOKEN/report/ITEM      an item of the bench log, to print
    WS   /TOKEN/shots            messages to the page (`audience`), orders from it (`order`)

It listens on this computer only, unless another address is given. See `gate` for who may ask.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
import socket
from collections.abc import AsyncIterator
from pathlib import Path

import msgspec
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket, WebSocketDisconnect

from coilbell.bench.page.access import Gate, names_of, refuse_everywhere
from coilbell.bench.page.audience import Seat
from coilbell.bench.page.desk import Desk
from coilbell.bench.page.manners import TimedHeads, hushed
from coilbell.bench.page.messages import Answer, Message
from coilbell.bench.page.order import Seen, Take, Whole, order_of
from coilbell.bench.page.word import new_word
from coilbell.errors import CoilbellError, DoubtedUnit, InputError, MissingError

__all__ = ["Server"]

_OWN = Path(__file__).with_name("static")
_PLOTS = ("bokeh.min.js", "bokeh-api.min.js")
_PAGES_AT_MOST = 16
_CLOSE_S = 2
_TWICE = "check it, or press G once more to take it as good all the same: it stays marked"


class Server:
    """A server for one desk. host: the address to listen on; port: 0 for any free one; word: of its address,
    a new one where none is given.

    Raises InputError when it cannot listen there, MissingError without the plotting library.
    """

    def __init__(self, desk: Desk, host: str = "127.0.0.1", port: int = 0, word: str = "") -> None:
        self._socket = _listening(host, port)
        self.port = int(self._socket.getsockname()[1])
        self.token = word or new_word()
        shown = f"[{host}]" if ":" in host else host
        self.address = f"http://{shown}:{self.port}/{self.token}/"
        gated = Gate(_application(desk, self.token), self.token, names_of(host, self.port))
        hushed()
        self._uvicorn = uvicorn.Server(
            uvicorn.Config(
                gated,
                log_level="warning",
                access_log=False,
                http=TimedHeads,
                ws="websockets-sansio",
                ws_max_size=1 << 20,
                ws_per_message_deflate=False,
                server_header=False,
                timeout_graceful_shutdown=_CLOSE_S,
                lifespan="on",
            )
        )

    def run(self) -> None:
        """Serve until it is stopped, by `stop` or Ctrl-C."""
        self._uvicorn.run(sockets=[self._socket])

    def stop(self) -> None:
        """End `run`, from any thread."""
        self._uvicorn.should_exit = True


def _listening(host: str, port: int) -> socket.socket:
    refuse_everywhere(host)
    try:
        return socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
    except (OSError, OverflowError) as error:
        raise InputError(
            f"cannot listen on {host} port {port}: {error}; choose another with --host or --at, "
            "or leave both out"
        ) from error


def _plots_folder() -> Path:
    """Where the plotting library's package keeps its scripts; it is not imported, that would be slow."""
    found = importlib.util.find_spec("bokeh")
    if found is None or not found.submodule_search_locations:
        raise MissingError("the plotting library bokeh is not installed; run: pip install bokeh")
    folder = Path(found.submodule_search_locations[0], "server", "static", "js")
    missing = [name for name in _PLOTS if not (folder / name).is_file()]
    if missing:
        raise MissingError(f"{folder} lacks {missing[0]}; install bokeh again")
    return folder


def _application(desk: Desk, token: str) -> Starlette:
    plots = _plots_folder()

    async def index(request: Request) -> Response:
        return FileResponse(_OWN / "index.html")

    async def plot_script(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in _PLOTS:
            return PlainTextResponse("no such script\n", 404)
        return FileResponse(plots / name, media_type="text/javascript")

    async def report(request: Request) -> Response:
        full = request.query_params.get("full") == "1"
        try:
            return HTMLResponse(await run_in_threadpool(desk.report, request.path_params["item"], full))
        except CoilbellError as error:
            return PlainTextResponse(f"{error}\n", 404)

    async def shots(socket: WebSocket) -> None:
        await _attend(desk, socket)

    @contextlib.asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        desk.audience.open()
        await run_in_threadpool(desk.begin)
        yield
        desk.audience.close()
        await run_in_threadpool(desk.end)

    inside = [
        Route("/", index),
        Mount("/own", StaticFiles(directory=_OWN)),
        Route("/plots/{name}", plot_script),
        Route("/report/{item:path}", report),
        WebSocketRoute("/shots", shots),
    ]
    return Starlette(routes=[Mount(f"/{token}", routes=inside)], lifespan=life)


async def _attend(desk: Desk, socket: WebSocket) -> None:
    """One page, from its coming to its going."""
    await socket.accept()
    if desk.audience.full(_PAGES_AT_MOST):
        await socket.close(1013)  # once accepted: a refusal before it reaches the page without its reason
        return
    seat = desk.audience.enter()
    sending = asyncio.create_task(_send_on(seat, socket))
    try:
        while True:
            message = await socket.receive()
            if message["type"] == "websocket.disconnect":
                return
            await _heard(desk, seat, message.get("text") or message.get("bytes") or b"")
    finally:
        desk.audience.leave(seat)
        sending.cancel()
        with contextlib.suppress(asyncio.CancelledError, WebSocketDisconnect, RuntimeError, OSError):
            await sending


async def _send_on(seat: Seat, socket: WebSocket) -> None:
    with contextlib.suppress(WebSocketDisconnect):
        while True:
            for frame in await seat.take():
                await socket.send_text(frame.decode("utf-8"))


async def _heard(desk: Desk, seat: Seat, message: str | bytes) -> None:
    try:
        answer: Message | None = await _answered(desk, seat, message)
    except DoubtedUnit as error:
        answer = Answer(words=f"{error.told}; {_TWICE}", failed=True, doubted=True)
    except CoilbellError as error:
        answer = Answer(words=str(error), failed=True)
    if answer:
        seat.put(answer.what, msgspec.json.encode(answer))


async def _answered(desk: Desk, seat: Seat, message: str | bytes) -> Message | None:
    order = order_of(message)
    if isinstance(order, Seen):
        seat.seen()
        return None
    if isinstance(order, Take):
        desk.audience.give_command(seat)
        return None
    if isinstance(order, Whole):
        return await run_in_threadpool(desk.whole)
    if not desk.audience.commands(seat):
        raise InputError("another page commands; take over first")
    words = await run_in_threadpool(desk.obey, order)
    return Answer(words=words) if words else None
