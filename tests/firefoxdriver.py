"""A page in a real Firefox, driven over the socket that it opens for tests (Marionette); what the tests use of it only.

The protocol is Firefox's own: messages of JSON, each led by its length and a colon
(firefox-source-docs.mozilla.org, "Marionette: Protocol").
"""

import json
import shutil
import socket
import subprocess
import time

import pytest

FIREFOX = shutil.which("firefox-esr") or shutil.which("firefox")

needs_firefox = pytest.mark.skipif(FIREFOX is None, reason="no Firefox on this machine")

_PREFERENCES = {
    "marionette.port": 0,  # any free one; the file below says which
    "media.autoplay.default": 0,
    "media.autoplay.blocking_policy": 0,
    "app.update.enabled": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "browser.shell.checkDefaultBrowser": False,
    "network.captive-portal-service.enabled": False,
    "network.connectivity-service.enabled": False,
}
_START_S, _SCRIPT_MS = 60.0, 60_000
_ASKED = """const done = arguments[arguments.length - 1];
const asked = (%s);
Promise.resolve(typeof asked === "function" ? asked(arguments[0]) : asked)
    .then((value) => done({ value }), (error) => done({ error: String(error) }));"""


class FirefoxPage:
    """One page in one Firefox, with as much of Playwright's page as the helpers of the page's tests ask for."""

    def __init__(self, profile) -> None:
        lines = [f"user_pref({json.dumps(name)}, {json.dumps(value)});" for name, value in _PREFERENCES.items()]
        (profile / "user.js").write_text("\n".join(lines), encoding="utf-8")
        command = [FIREFOX, "--headless", "--marionette", "--no-remote", "--profile", str(profile)]
        self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self._asked = 0
        try:
            self._socket = socket.create_connection(("127.0.0.1", self._port(profile / "MarionetteActivePort")), 10)
            self._socket.settimeout(_SCRIPT_MS / 1000 + 10)
            self._reader = self._socket.makefile("rb")
            self._read()
            self._do("WebDriver:NewSession", capabilities={})
            self._do("WebDriver:SetTimeouts", script=_SCRIPT_MS)
            self._do("WebDriver:SetWindowRect", width=1440, height=980)
        except BaseException:
            self.close()
            raise

    def _port(self, said) -> int:
        deadline = time.monotonic() + _START_S
        while not (said.exists() and said.read_text().strip()):
            assert self._process.poll() is None and time.monotonic() < deadline, "Firefox does not start"
            time.sleep(0.1)
        return int(said.read_text())

    def _read(self):
        length = b""
        while (byte := self._reader.read(1)) != b":":
            assert byte, "Firefox has ended"
            length += byte
        return json.loads(self._reader.read(int(length)))

    def _do(self, name, **parameters):
        self._asked += 1
        message = json.dumps([0, self._asked, name, parameters]).encode()
        self._socket.sendall(b"%d:%s" % (len(message), message))
        _, _, error, answer = self._read()
        assert not error, error
        return answer["value"] if isinstance(answer, dict) and "value" in answer else answer

    def open(self, path) -> None:
        self._do("WebDriver:Navigate", url=path.as_uri())

    def evaluate(self, text, argument=None):
        answer = self._do("WebDriver:ExecuteAsyncScript", script=_ASKED % text, args=[argument], sandbox=None)
        assert "error" not in answer, answer["error"]
        return answer.get("value")

    def click(self, selector) -> None:
        found = self._do("WebDriver:FindElement", using="css selector", value=selector)
        self._do("WebDriver:ElementClick", id=next(iter(found.values())))

    def wait_for_timeout(self, ms) -> None:
        time.sleep(ms / 1000)

    def close(self) -> None:
        for open_end in ("_reader", "_socket"):
            if hasattr(self, open_end):
                getattr(self, open_end).close()
        self._process.terminate()
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
