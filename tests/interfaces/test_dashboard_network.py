"""Nothing leaves the machine: a whole session under a hook on every connection and look-up, foreign pages included."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.exceptions import WebSocketException
from websockets.sync.client import connect

ROOT = Path(__file__).resolve().parents[2]
FOREIGN = "http://elsewhere.example"
WATCHED = """
import sys

def watch(event, args):
    if event in ("socket.connect", "socket.sendto", "socket.sendmsg"):
        host = args[1][0] if isinstance(args[1], tuple) else None
    elif event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"):
        host = args[0]
    else:
        return
    if host not in (None, "", "127.0.0.1", "localhost", "::1"):
        print("OUTSIDE", event, host, flush=True)
        raise OSError("not from a test")

sys.addaudithook(watch)
"""
COMMAND = "from econmodel.interfaces.commands.dashboard import run_dashboard; run_dashboard({port})"
SERVER = "from streamlit.web import cli; cli.main(['run', {script!r}, '--server.port', '{port}'])"
PLAIN = "from streamlit.web import cli; cli.main(['run', {script!r}, '--server.port', '{port}', '--server.headless', 'true'])"


class Watched:
    """A server under the hook: its address, and what it asked of other computers."""

    def __init__(self, process: subprocess.Popen[str], address: str) -> None:
        self.process, self.address, self.outside = process, address, list[str]()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self.process.stdout
        self.outside.extend(line for line in self.process.stdout if line.startswith("OUTSIDE"))


@contextmanager
def watched(code: str, folder: Path, script: str = "", python: str | Path = sys.executable) -> Iterator[Watched]:
    """Start a server under the hook and stop it; nothing it says afterwards is lost."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [python, "-c", WATCHED + code.format(port=port, script=script)]
    with subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        try:
            assert process.stdout
            assert any(" URL: http" in line for line in process.stdout), "it does not start"
            yield Watched(process, f"127.0.0.1:{port}")
        finally:
            process.terminate()
            process.wait(timeout=20)


def opened(address: str, origin: str | None, *pages: str) -> str:
    """Open pages one after the other over the web socket as the browser does; what the server sent, as text."""
    said = ""
    with connect(f"ws://{address}/_stcore/stream", origin=origin, max_size=None, open_timeout=60) as line:  # type: ignore[arg-type]
        for page in pages:
            asked = BackMsg()
            asked.rerun_script.page_name = page
            line.send(asked.SerializeToString())
            while True:
                message = ForwardMsg()
                message.ParseFromString(bytes(line.recv(timeout=120)))  # type: ignore[arg-type]
                if message.WhichOneof("type") == "script_finished":
                    break
                said += str(message)
    return said


def foreign(address: str) -> None:
    """Knock as a page of another site, and under another host's name; each time the door stays shut."""
    for origin in (FOREIGN, "null"):
        with pytest.raises(WebSocketException):
            opened(address, origin, "")
    asked = urllib.request.Request(f"http://{address}/", headers={"Host": "elsewhere.example"})
    with pytest.raises(urllib.error.HTTPError, match="403"):
        urllib.request.urlopen(asked)


def check(server: Watched, *pages: str) -> None:
    """Go through a session, strangers first, since only then the library would look its address up."""
    foreign(server.address)
    said = opened(server.address, f"http://{server.address}", *pages)
    assert said.count("Evidence and harms of every option") == len(pages)
    foreign(server.address)
    assert server.outside == []


def test_a_whole_session_of_the_command_asks_no_other_computer(tmp_path: Path) -> None:
    """Every page, by ``econmodel dashboard`` from an empty folder."""
    titles = re.findall(r'^    "(\w+)": \("', (ROOT / "econmodel/interfaces/dashboard/shell.py").read_text(), re.MULTILINE)
    with watched(COMMAND, tmp_path) as server:
        check(server, "", *titles[1:])


def test_the_same_page_run_by_the_web_server_asks_no_other_computer() -> None:
    """By ``streamlit run app.py`` in a checkout."""
    with watched(SERVER, ROOT, "app.py") as server:
        check(server, "")


def test_a_page_without_the_gate_is_seen_to_ask(tmp_path: Path) -> None:
    """Negative control: the library alone, asked by a foreign page, looks for its own address outside."""
    page = tmp_path / "page.py"
    page.write_text("import streamlit\nstreamlit.write('x')\n", encoding="utf-8")
    with watched(PLAIN, tmp_path, str(page)) as server:
        with pytest.raises(WebSocketException):
            opened(server.address, FOREIGN, "")
        assert any("amazonaws" in line or "8.8.8.8" in line for line in server.outside)
