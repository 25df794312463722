"""The server of the page: local host by default, tokens, checked origins, one worker thread.

A client with the work token may work; one with the view token may only watch. All mechanics runs in
one separate thread, so that the server answers during a computation and operations never overlap.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
import time
from collections import deque
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request, WebSocket, WebSocketDisconnect
from fastapi.responses import FileResponse, JSONResponse, Response

from simkit.errors import InputError, InputErrors
from simkit.live.ahead import Ahead
from simkit.live.answers import answer, counsel
from simkit.live.forecast import Forecaster
from simkit.live.keep import save_as_case
from simkit.live.shape import Shape, make_shape
from simkit.live.talk import (
    forecast,
    lessons,
    number_of,
    operation_of,
    panel_words,
    read_message,
    word_of,
)
from simkit.live.workshop import Workshop, case_words
from simkit.repair.spoken import LONGEST, read_operation

PAGE = Path(__file__).with_name("page")
FILES = {"live.js": "text/javascript", "view.js": "text/javascript", "maps.js": "text/javascript",
         "live.css": "text/css"}
MOST_VIEWERS = 60
LONGEST_READINGS = 3000
MOST_MESSAGES, WINDOW_S = 60, 2.0
"""A client that sends this many messages within the window is disconnected."""
SLOWEST_S = 5.0
"""A client that needs longer than this to receive a message is dropped."""


@dataclass(eq=False)
class Client:
    """One page: its socket, whether it may work, times of its last messages."""

    socket: WebSocket
    works: bool
    spoke: deque[float] = field(default_factory=lambda: deque(maxlen=MOST_MESSAGES))

    def too_fast(self) -> bool:
        """Note a message; True if the limit of messages within the window is reached."""
        now = time.monotonic()
        self.spoke.append(now)
        return len(self.spoke) == MOST_MESSAGES and now - self.spoke[0] < WINDOW_S


class LiveServer:
    """The session and all clients connected to it."""

    def __init__(self, shop: Workshop, work_token: str | None = None,
                 view_token: str | None = None,
                 told: list[dict[str, Any]] | None = None) -> None:
        self.shop = shop
        self.work_token = work_token or secrets.token_urlsafe(24)
        self.view_token = view_token or secrets.token_urlsafe(24)
        work = shop.start.work
        grid = work.sampling
        extent = (float(grid.x_mm[0]), float(grid.x_mm[-1]),
                  float(grid.y_mm[0]), float(grid.y_mm[-1]))
        self.shape: Shape = make_shape(work.model, work.window, extent)
        self.forecasters: dict[int, Forecaster] = {}
        self.clients: set[Client] = set()
        self.mechanics = ThreadPoolExecutor(1, thread_name_prefix="mechanics")
        self.ahead = Ahead(self.mechanics)
        self.busy = False
        self.said = ""
        self.told: dict[str, Any] | None = None
        self.lessons = lessons() if told is None else told

    def app(self) -> FastAPI:
        """The web application."""
        app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)

        @app.middleware("http")
        async def guard(request: Request,
                        go_on: Callable[[Request], Awaitable[Response]]) -> Response:
            if not self.knows(request.query_params.get("token")) and (
                    request.url.path.lstrip("/") not in FILES):
                return JSONResponse({"error": "the address that simkit printed has a token"}, 403)
            answer = await go_on(request)
            answer.headers["Content-Security-Policy"] = (
                "default-src 'self'; connect-src 'self' ws: wss:; img-src 'self' data: blob:; "
                "frame-ancestors 'none'")
            answer.headers["X-Content-Type-Options"] = "nosniff"
            answer.headers["Referrer-Policy"] = "no-referrer"
            answer.headers["Cache-Control"] = "no-store"
            return answer

        @app.get("/")
        async def page() -> Response:
            return FileResponse(PAGE / "index.html", media_type="text/html")

        @app.get("/{name}")
        async def file(name: str) -> Response:
            if name not in FILES:
                return JSONResponse({"error": "no such file"}, 404)
            return FileResponse(PAGE / name, media_type=FILES[name])

        @app.websocket("/talk")
        async def talk(socket: WebSocket) -> None:
            await self.talk(socket)

        return app

    def knows(self, token: str | None) -> bool:
        """Whether a token is one of the two."""
        # Constant-time comparison: the time must not reveal how many characters are right.
        given = (token or "").encode()
        return (secrets.compare_digest(given, self.work_token.encode())
                or secrets.compare_digest(given, self.view_token.encode()))

    def welcome(self, socket: WebSocket) -> bool:
        """Whether a socket has a token, comes from our own page, and a place is free."""
        origin = socket.headers.get("origin")
        host = socket.headers.get("host", "")
        # Browsers send the origin with WebSockets; pages of other sites are refused.
        own = origin in (f"http://{host}", f"https://{host}")
        return (self.knows(socket.query_params.get("token")) and own
                and len(self.clients) < MOST_VIEWERS)

    async def talk(self, socket: WebSocket) -> None:
        """Serve one client until it disconnects."""
        if not self.welcome(socket):
            await socket.close(1008)
            return
        await socket.accept()
        token = (socket.query_params.get("token") or "").encode()
        client = Client(socket, secrets.compare_digest(token, self.work_token.encode()))
        self.clients.add(client)
        try:
            await self.send(client, {
                "type": "hello", "works": client.works, "rows": self.shape.rows,
                "columns": self.shape.columns, "case": case_words(self.shop.start),
                "match": self.shop.start.sentence, "lessons": self.lessons,
                "view_token": self.view_token if client.works else ""})
            await self.send_shape(client, 0, self.shop.nodes[0].session.state)
            await self.send_panel([client])
            while True:
                text = await socket.receive_text()
                if client.too_fast():
                    await self.send(client, {"type": "error", "text": "too many messages"})
                    await socket.close(1008)
                    return
                await self.answer(client, text)
        except (WebSocketDisconnect, RuntimeError, KeyError):
            pass  # it disconnected, or sent something other than text
        finally:
            self.clients.discard(client)

    async def answer(self, client: Client, text: str) -> None:
        """Carry out a message; faults are sent to that client as text, never as a traceback."""
        try:
            message = read_message(text)
            deed = message["do"]
            if deed == "shape":
                node = int(number_of(message, "node"))
                if not 0 <= node < len(self.shop.nodes):
                    raise InputError(f"no step {node}", f"0 to {len(self.shop.nodes) - 1}")
                await self.send_shape(client, node, self.shop.nodes[node].session.state)
                return
            if not client.works:
                raise InputError("this page only watches", "the address for the one who works")
            if deed == "ahead":
                self.think_ahead(word_of(message, "text", LONGEST))
                return
            if deed == "forecast":
                if not self.busy:
                    self.ahead.stop()
                reply = await self.compute(
                    lambda: forecast(self.shop, self.shape, self.forecasters, message))
                await self.send(client, reply)
                return
            await self.change(deed, message)
        except (InputError, InputErrors) as error:
            await self.send(client, {"type": "error", "text": str(error)})
        except (WebSocketDisconnect, RuntimeError):
            raise
        except Exception as error:  # a fault of ours must not end the session of everyone
            await self.send(client, {"type": "error",
                                     "text": f"a fault inside simkit ({type(error).__name__}); "
                                             "the panel is as it was"})

    def think_ahead(self, text: str) -> None:
        """Compute an operation before it is asked for; what cannot be read is told when it is."""
        with contextlib.suppress(InputError, InputErrors):
            if not self.busy:
                self.ahead.begin(self.shop.session, read_operation(text))

    async def change(self, deed: str, message: dict[str, Any]) -> None:
        """Change the session and send the result to all clients."""
        if self.busy:
            raise InputError("the last operation is still being computed", "a moment")
        if deed == "work":
            self.ahead.stop_unless(self.shop.session, operation_of(message))
        else:
            self.ahead.stop()
        self.busy = True
        words = {"readings": "the histories of the dent", "counsel": "which tap tells most"}
        await self.tell({"type": "busy", "text": words.get(deed) or message.get("text", deed)})
        begin = time.monotonic()
        try:
            await self.compute(lambda: self.deed(deed, message))
        finally:
            self.busy = False
            await self.tell({"type": "free", "seconds": round(time.monotonic() - begin, 3),
                             "text": self.said})
            self.said = ""
        if self.told is not None:
            await self.tell(self.told)
            self.told = None
        for client in list(self.clients):
            await self.send_shape(client, self.shop.here, self.shop.session.state)
        await self.send_panel(list(self.clients))
        if deed == "work":
            # After the answer to the clients, because writing the run folder takes longer.
            await self.compute(self.shop.record)

    def deed(self, deed: str, message: dict[str, Any]) -> None:
        """One change, in the thread of the mechanics."""
        if deed == "work":
            self.shop.carry_out(operation_of(message), self.ahead.apply)
        elif deed == "undo":
            self.shop.undo()
        elif deed == "redo":
            self.shop.again()
        elif deed == "fork":
            node = None if message.get("node") is None else int(number_of(message, "node"))
            self.shop.fork(word_of(message, "name"), node)
        elif deed == "switch":
            self.shop.switch(word_of(message, "name"))
        elif deed == "save":
            self.said = "saved in " + ", ".join(f.name for f in self.shop.save())
        elif deed == "readings":
            text = word_of(message, "text", LONGEST_READINGS)
            noise = None if message.get("noise_mm") is None else number_of(message, "noise_mm")
            learned = answer(self.shop, text, lambda said: None, noise)
            self.told = {"type": "answer", **asdict(learned)}
        elif deed == "counsel":
            self.told = {"type": "answer", "histories": [],
                         "sentences": counsel(self.shop, lambda said: None)}
        elif deed == "case":
            self.said = f"case written: {save_as_case(self.shop, word_of(message, 'name'))}"
        else:
            raise InputError(f"'{deed}' changes nothing", "another deed")

    async def compute(self, job: Callable[[], Any]) -> Any:
        """Carry out a job in the thread of the mechanics."""
        return await asyncio.get_running_loop().run_in_executor(self.mechanics, job)

    async def send_panel(self, clients: list[Client]) -> None:
        """Rows, spots and tree to some clients."""
        words = panel_words(self.shop)
        for client in clients:
            await self.send(client, words)

    async def send_shape(self, client: Client, node: int, state: Any) -> None:
        """The drawn shape of a node: a line of JSON, then its bytes."""
        await self.send(client, {"type": "shape", "node": node})
        await self._within(client, client.socket.send_bytes(self.shape.packed(state)))

    async def tell(self, words: dict[str, Any]) -> None:
        """The same words to everyone."""
        for client in list(self.clients):
            await self.send(client, words)

    async def send(self, client: Client, words: dict[str, Any]) -> None:
        """Words to one client."""
        await self._within(client, client.socket.send_text(json.dumps(words)))

    async def _within(self, client: Client, sending: Awaitable[None]) -> None:
        """Send; a client that is disconnected or too slow is dropped."""
        try:
            await asyncio.wait_for(sending, SLOWEST_S)
        except (TimeoutError, RuntimeError, WebSocketDisconnect, OSError):
            self.clients.discard(client)
