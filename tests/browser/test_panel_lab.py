"""The panel in a real JupyterLab: it appears, takes the keyboard, keeps its keys inside, and says when its kernel is gone."""

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
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlparse

import nbformat
import pytest
from playwright.sync_api import Browser, Page

import blowerbench

CELL = """from blowerbench import LocalBench
from blowerbench.panels import BenchPanel
panel = BenchPanel(LocalBench("furnace_120_constant_airflow", "healthy_unit", "nothing_blows"))
panel"""
PATIENCE = 90.0  # s for the server to answer; it is asked, never waited for blindly


@dataclass(frozen=True, slots=True)
class Lab:
    """A running JupyterLab: where, and with which token."""

    home: str
    token: str

    def ask(self, path: str, method: str = "GET") -> object:
        """What the server answers to `path`."""
        request = urllib.request.Request(f"{self.home}{path}", method=method, headers={"Authorization": f"token {self.token}"})
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.loads(answer.read() or b"null")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _environment(base: Path) -> dict[str, str]:
    """Nothing of this machine's own Jupyter: settings, data and workspaces lie below `base`."""
    settings = base / "config" / "lab" / "user-settings" / "@jupyterlab" / "apputils-extension"
    settings.mkdir(parents=True)
    (settings / "notification.jupyterlab-settings").write_text('{"fetchNews": "false"}', encoding="utf-8")
    packages = [str(Path(str(p)).parent) for p in blowerbench.__path__]
    import blowerdata

    packages += [str(Path(str(p)).parent) for p in blowerdata.__path__]
    return os.environ | {
        "JUPYTER_CONFIG_DIR": str(base / "config"), "JUPYTER_DATA_DIR": str(base / "data"), "IPYTHONDIR": str(base / "ipython"),
        "JUPYTER_RUNTIME_DIR": str(base / "runtime"), "JUPYTERLAB_SETTINGS_DIR": str(base / "config" / "lab" / "user-settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(base / "workspaces"), "PYTHONPATH": os.pathsep.join(packages),
    }  # fmt: skip


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Lab]:
    """A JupyterLab of its own, with one notebook in it."""
    notes = tmp_path / "notes"
    notes.mkdir()
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(CELL), nbformat.v4.new_code_cell("1 + 1")])
    book.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(book, notes / "call.ipynb")
    port, token = _free_port(), "for-this-test-only"
    log = (tmp_path / "lab.log").open("wb")
    command = [
        sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", f"--port={port}",
        f"--IdentityProvider.token={token}",
        f"--ServerApp.root_dir={notes}", "--allow-root", "--LabApp.news_url=", "--ServerApp.port_retries=0",
    ]  # fmt: skip
    with log, subprocess.Popen(command, env=_environment(tmp_path), stdout=log, stderr=log, start_new_session=True) as server:
        running = Lab(f"http://127.0.0.1:{port}/", token)
        try:
            _await(running, server, tmp_path / "lab.log")
            yield running
        finally:
            _stop(running, server)


def _stop(lab: Lab, server: subprocess.Popen[bytes]) -> None:
    """End the server and the kernels it started: first by asking, then the whole process group that this test made."""
    try:
        for kernel in list(lab.ask("api/kernels") or []):  # type: ignore[call-overload] # a list of objects, or nothing
            lab.ask(f"api/kernels/{kernel['id']}", "DELETE")
        lab.ask("api/shutdown", "POST")
        server.wait(5)
    except (OSError, subprocess.TimeoutExpired):
        pass
    if server.poll() is None:
        os.killpg(server.pid, signal.SIGKILL)


def _await(lab: Lab, server: subprocess.Popen[bytes], log: Path) -> None:
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        if server.poll() is not None:
            break
        try:
            lab.ask("api/status")
            return
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            time.sleep(0.2)
    raise AssertionError(f"JupyterLab did not start: {log.read_text(encoding='utf-8')[-2000:]}")


def connected(lab: Lab, page: Page) -> None:
    """Wait until the notebook has a kernel: JupyterLab drops a cell that is run before."""
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        kernels = lab.ask("api/kernels")
        if isinstance(kernels, list) and any(k["connections"] and k["execution_state"] == "idle" for k in kernels):
            page.get_by_text("Python 3 (ipykernel) | Idle").wait_for(timeout=30_000)
            return
        page.wait_for_timeout(100)
    raise AssertionError("the notebook's kernel did not start")


def settled(page: Page) -> None:
    """Wait until the panel has an answer to everything it sent."""
    page.wait_for_function(
        """() => {
            const root = document.querySelector(".blowerbench");
            return root && (root.dataset.sent ?? "0") === root.dataset.ack;
        }""",
        timeout=30_000,
    )


@pytest.mark.slow
def test_the_panel_works_by_keyboard_in_jupyterlab_and_its_keys_do_not_touch_the_notebook(browser: Browser, lab: Lab) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    try:
        page = context.new_page()
        page.on("dialog", lambda dialog: dialog.accept())
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(f"{lab.home}lab/tree/call.ipynb?token={lab.token}")
        cells = page.locator(".jp-Notebook .jp-CodeCell")
        connected(lab, page)
        cells.first.locator(".cm-content").click(timeout=60_000)
        page.keyboard.press("Shift+Enter")
        page.wait_for_selector(".blowerbench[data-ack]", timeout=60_000)

        terminal = page.locator("[data-terminal][tabindex='0']")
        terminal.focus()
        for key in ("d", "d", "a", "x", "m", "ArrowRight"):
            page.keyboard.press(key)
        assert cells.count() == 2
        assert page.locator(".jp-Notebook .jp-MarkdownCell").count() == 0
        page.keyboard.press("Enter")
        settled(page)
        assert page.locator(".blowerbench").get_attribute("data-seq") == "1"
        assert page.locator("[data-terminal].bp-has-red").count() == 1

        page.locator("[data-form=wait] button", has_text="Wait 10 s").focus()
        for _ in range(20):
            page.keyboard.press("Enter")
        settled(page)
        assert page.locator(".blowerbench").get_attribute("data-seq") == "21"

        away = {urlparse(url).hostname for url in asked if urlparse(url).scheme in ("http", "https", "ws", "wss")}
        assert away == {"127.0.0.1"}

        page.locator(".jp-NotebookPanel-toolbar [data-jp-item-name='restart']").click()
        page.locator(".jp-Dialog .jp-mod-accept").click()
        page.locator("[data-form=wait] button", has_text="Wait 10 s").focus()
        page.keyboard.press("Enter")
        page.get_by_text("This bench is not connected. Run its cell again.").wait_for(timeout=20_000)
    finally:
        context.close()
