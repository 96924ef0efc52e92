"""Real Jupyter servers for the tests: JupyterLab, Notebook and Voilà, each on a folder of its own.

Rule: nothing of this machine's own Jupyter is read or written, and what was started is ended.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlparse

import nbformat
from playwright.sync_api import Browser, Page

import blowerbench
import blowerdata

PATIENCE = 90.0  # s for a server or a kernel to answer; it is asked, never waited for blindly
TOKEN = "for-this-test-only"
LOST = "This bench is not connected. Run its cell again."

BENCH = """from blowerbench import LocalBench
from blowerbench.panels import BenchPanel
panel = BenchPanel(LocalBench("furnace_120_constant_airflow", "healthy_unit", "nothing_blows"))
panel"""


@dataclass(frozen=True, slots=True)
class Server:
    """A running Jupyter server: where, and what its pages asked for."""

    home: str
    folder: Path
    asked: list[str] = field(default_factory=list)

    def ask(self, path: str, method: str = "GET") -> object:
        """What the server answers to `path`."""
        request = urllib.request.Request(f"{self.home}{path}", method=method, headers={"Authorization": f"token {TOKEN}"})
        with urllib.request.urlopen(request, timeout=30) as answer:
            text = answer.read()
        return json.loads(text or b"null") if path.startswith("api") else text

    @contextmanager
    def page(
        self, browser: Browser, path: str, width: int = 1280, height: int = 800, script: str = "", **more: object
    ) -> Iterator[Page]:
        """`path` of the server in a page of its own, `script` run first; `more` goes to the page's context."""
        context = browser.new_context(viewport={"width": width, "height": height}, **more)  # type: ignore[arg-type] # by name
        try:
            page = context.new_page()
            page.add_init_script(script)
            page.on("dialog", lambda dialog: dialog.accept())
            page.on("request", lambda request: self.asked.append(request.url))
            page.goto(f"{self.home}{path}{'&' if '?' in path else '?'}token={TOKEN}")
            yield page
        finally:
            context.close()

    @property
    def strangers(self) -> list[str]:
        """The addresses off this machine that the pages asked for."""
        parts = [(url, urlparse(url)) for url in self.asked]
        return [url for url, p in parts if p.scheme in ("http", "https", "ws", "wss") and p.hostname != "127.0.0.1"]

    @property
    def away(self) -> set[str]:
        """The hosts of those addresses."""
        return {str(urlparse(url).hostname) for url in self.strangers}

    def connected(self, page: Page) -> None:
        """Wait until the notebook has a kernel: the page drops a cell that is run before."""
        end = time.monotonic() + PATIENCE
        while time.monotonic() < end:
            kernels = self.ask("api/kernels")
            if isinstance(kernels, list) and any(k["connections"] and k["execution_state"] == "idle" for k in kernels):
                return
            page.wait_for_timeout(100)
        raise AssertionError("the notebook's kernel did not start")


def write_book(path: Path, *cells: str) -> Path:
    """A notebook of code cells at `path`."""
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in cells])
    book.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(book, path)
    return path


def environment(base: Path) -> dict[str, str]:
    """Nothing of this machine's own Jupyter: settings, data and workspaces lie below `base`."""
    settings = base / "config" / "lab" / "user-settings" / "@jupyterlab" / "apputils-extension"
    settings.mkdir(parents=True, exist_ok=True)
    (settings / "notification.jupyterlab-settings").write_text('{"fetchNews": "false"}', encoding="utf-8")
    packages = [str(Path(str(p)).parent) for package in (blowerbench, blowerdata) for p in package.__path__]
    return os.environ | {
        "JUPYTER_CONFIG_DIR": str(base / "config"), "JUPYTER_DATA_DIR": str(base / "data"), "IPYTHONDIR": str(base / "ipython"),
        "JUPYTER_RUNTIME_DIR": str(base / "runtime"), "JUPYTERLAB_SETTINGS_DIR": str(base / "config" / "lab" / "user-settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(base / "workspaces"), "PYTHONPATH": os.pathsep.join(packages),
    }  # fmt: skip


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _command(kind: str, port: int, notes: Path) -> Sequence[str]:
    common = ["--no-browser", f"--port={port}"]
    if kind == "voila":
        return [sys.executable, "-m", "voila", str(notes), *common, "--token=", "--show_tracebacks=True",
                "--Voila.ip=127.0.0.1"]  # fmt: skip
    return [
        sys.executable, "-m", "jupyterlab" if kind == "lab" else "notebook", *common, "--ip=127.0.0.1", "--allow-root",
        f"--IdentityProvider.token={TOKEN}", f"--ServerApp.root_dir={notes}", "--LabApp.news_url=",
        "--ServerApp.port_retries=0",
    ]  # fmt: skip


@contextmanager
def running(kind: str, base: Path) -> Iterator[Server]:
    """A server of `kind` ("lab", "notebook" or "voila") on the folder `base`/notes."""
    notes = base / "notes"
    notes.mkdir(exist_ok=True)
    port, path = _free_port(), base / "server.log"
    server = Server(f"http://127.0.0.1:{port}/", notes)
    with path.open("wb") as log, subprocess.Popen(
        _command(kind, port, notes), env=environment(base), stdout=log, stderr=log, start_new_session=True, cwd=base
    ) as process:  # fmt: skip
        try:
            _await(server, "" if kind == "voila" else "api/status", process, path)
            yield server
        finally:
            _stop(server, kind, process)


def _await(server: Server, path: str, process: subprocess.Popen[bytes], log: Path) -> None:
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end and process.poll() is None:
        try:
            server.ask(path)
            return
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            time.sleep(0.2)
    raise AssertionError(f"the server did not start: {log.read_text(encoding='utf-8')[-2000:]}")


def _stop(server: Server, kind: str, process: subprocess.Popen[bytes]) -> None:
    """End the server and the kernels it started: first by asking, then the whole process group that was made for it."""
    try:
        if kind == "voila":
            process.terminate()
        else:
            for kernel in list(server.ask("api/kernels") or []):  # type: ignore[call-overload] # a list of objects, or nothing
                server.ask(f"api/kernels/{kernel['id']}", "DELETE")
            server.ask("api/shutdown", "POST")
        process.wait(5)
    except (OSError, subprocess.TimeoutExpired):
        pass
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)


def settled(page: Page, bench: str = ".blowerbench") -> None:
    """Wait until the panel has an answer to everything it sent."""
    page.wait_for_function(
        """(bench) => {
            const root = document.querySelector(bench);
            return root && (root.dataset.sent ?? "0") === root.dataset.ack;
        }""",
        arg=bench,
        timeout=30_000,
    )
