"""`simkit live`: a page on which the user works the panel and sees the reflections change."""

from __future__ import annotations

import ipaddress
import socket
import webbrowser
from pathlib import Path

import click

try:
    import uvicorn

    from simkit.live.server import LiveServer
except ImportError:  # the extra is not installed; the command says so
    uvicorn = None  # type: ignore[assignment]

from simkit.checks.deeper import check_case
from simkit.cli.answer import json_option, result
from simkit.cli.working import cautions, hello, out_folder, say
from simkit.errors import InputError
from simkit.live.talk import lessons
from simkit.live.workshop import open_workshop
from simkit.record.write import identity, open_folder
from simkit.study.run import prepare

SHORTEST_TOKEN = 22
"""Characters of a token of 128 bits in URL-safe base 64."""


@click.command(epilog="""\b
Examples:
  simkit live cases/first-dent
  simkit live cases/first-dent --out runs/lesson --port 8800 --no-browser
""")
@click.argument("case", type=click.Path())
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder of the session; runs/<case>-live if not given.")
@click.option("--port", type=click.IntRange(0, 65535), default=0,
              help="Port; any free one if not given.")
@click.option("--host", metavar="ADDRESS", default="127.0.0.1", show_default=True,
              help="Address to listen on; another than loopback only together with --token.")
@click.option("--token", metavar="TOKEN",
              help="Token of the person who works, at least 22 characters; a new random one if not "
                   "given.")
@click.option("--browser/--no-browser", default=True, help="Open the page in a browser.")
@click.option("--lesson", "lesson_files", multiple=True, metavar="FILE",
              type=click.Path(path_type=Path),
              help="A lesson of your own (YAML); give it again for more.")
@click.option("--threads", type=click.IntRange(1, 64), default=2, show_default=True,
              help="Threads for the sheet.")
@json_option
def command(case: str, out: Path | None, port: int, host: str, token: str | None, browser: bool,
            lesson_files: tuple[Path, ...], threads: int) -> None:
    """Work the panel of CASE by hand on a page in the browser.

    Click on the panel, choose a tool and a height, pull, push, tap, hold and let down, undo,
    branch; everyone who has the second address can watch. The folder holds the session: the same
    command continues it, and every branch is a run folder for `simkit show`. The page loads
    nothing from the network. Stop with Ctrl-C or SIGTERM; the session is stored after every step.
    """
    if uvicorn is None:
        raise InputError("simkit live needs fastapi, uvicorn and websockets",
                         "pip install -e '.[live]' in simkit's folder")
    if token is not None and len(token) < SHORTEST_TOKEN:
        raise InputError(f"--token of {len(token)} letters", f"at least {SHORTEST_TOKEN}")
    if not _is_loopback(host) and token is None:
        raise InputError(f"--host {host} is open to the network",
                         f"--token with at least {SHORTEST_TOKEN} random letters beside it")
    told = lessons(own=lesson_files)  # report errors in the lessons before anything is computed
    checked = check_case(case)
    # Before the reconstruction, which takes minutes, so that a used port is reported at once.
    listener = _listen(host, port)
    folder = out or out_folder(checked, "live")
    hello(checked)
    open_folder(folder, {**identity(checked), "kind": "live"})
    start = prepare(checked, folder / "dent", threads, say)
    if not start.matched:
        say("Note: the dent is not matched as required; the panel shown differs somewhat from the "
            "measured one.")
    live = LiveServer(open_workshop(start, folder, say), token, told=told)
    number = listener.getsockname()[1]
    address = f"http://{'localhost' if host == '127.0.0.1' else host}:{number}/?token="
    say(f"work     {address}{live.work_token}")
    say(f"watch    {address}{live.view_token}")
    say(f"folder   {folder}")
    cautions()
    result({"work": address + live.work_token, "watch": address + live.view_token,
            "folder": folder})
    if browser:
        webbrowser.open(address + live.work_token)
    config = uvicorn.Config(live.app(), log_level="warning", ws_max_size=65536,
                            # a shape of half a megabyte takes longer to compress than to send
                            ws_per_message_deflate=False, timeout_graceful_shutdown=5)
    try:
        uvicorn.Server(config).run(sockets=[listener])
    finally:  # also after Ctrl-C and SIGTERM
        live.ahead.stop()
        live.mechanics.shutdown(wait=True, cancel_futures=True)
        folders = live.shop.save()
        say(f"saved    {len(folders)} branches in {folder / 'runs'}")


def _is_loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _listen(host: str, port: int) -> socket.socket:
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        listener = socket.socket(family)
        # The port of a session that has just ended can be used again at once.
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(128)
    except OSError as error:
        raise InputError(f"cannot listen on {host} port {port} ({error.strerror})",
                         "another --port or --host") from None
    return listener
