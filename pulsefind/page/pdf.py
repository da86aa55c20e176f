"""HTML to PDF with a headless browser of the Chromium family, where one is installed."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

from pulsefind.core.child import Limits, running
from pulsefind.core.errors import OutputError
from pulsefind.core.leftovers import temporary_folder

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
"""Program names under which such browsers are installed."""

LIMITS = Limits(time_s=120, file_bytes=256 * 2**20)
"""What printing may take (judged); memory has no limit, since a browser reserves far more than it uses."""


def find_browser() -> str | None:
    """The path of the first browser that is there, or None."""
    return next((path for name in BROWSERS if (path := shutil.which(name))), None)


def pdf_of(html: str) -> bytes:
    """Print an HTML text as PDF. The paper follows from its @page rule.

    Raises
    ------
    OutputError
        if no browser is there, or it fails.
    """
    browser = find_browser()
    if browser is None:
        raise OutputError(
            "a PDF needs Chromium (or a browser of its family) on this machine, and none is there; "
            "write the sheet as .html and print it from any browser"
        )
    with temporary_folder(Path(tempfile.gettempdir())) as folder:
        source, target = folder / "sheet.html", folder / "sheet.pdf"
        source.write_text(html, encoding="utf-8")
        command = [browser, "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
        command += ["--disable-component-update", "--disable-sync", "--disable-extensions", "--no-pdf-header-footer"]
        # The sheet needs nothing from the network, so no host name resolves.
        command += ["--host-resolver-rules=MAP * ~NOTFOUND"]
        # Chromium refuses to sandbox a process that runs as root; the file that it opens is our own.
        command += ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        command += [f"--user-data-dir={folder}/profile", f"--print-to-pdf={target}", source.as_uri()]
        reason = _told(command, folder)
        if reason or not target.is_file():
            raise OutputError(f"{browser} could not print the PDF ({reason or 'no file came'}); write .html instead")
        return target.read_bytes()


def _told(command: list[str], folder: Path) -> str | None:
    """Run the browser, all of whose temporary files go to a folder: None if all went well, else the reason.

    It makes a socket there, whose path may have some 100 bytes (sockaddr_un, published): so the folder is told as the
    one that it works in, however deep that lies.
    """
    try:
        with running(command, LIMITS, told={"TMPDIR": "."}, inside=folder) as child:
            while child.stdout.read(2**16):
                pass
            return child.finish()
    except OSError as error:
        return f"it can't be started: {error.strerror}"
