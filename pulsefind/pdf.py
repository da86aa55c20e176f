"""HTML to PDF through a headless browser of the Chromium family, where one is installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from pulsefind.errors import OutputError

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
"""Program names under which such browsers are installed."""

TIMEOUT_S = 120


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
    with tempfile.TemporaryDirectory(prefix="pulsefind-") as folder:
        source, target = Path(folder) / "sheet.html", Path(folder) / "sheet.pdf"
        source.write_text(html, encoding="utf-8")
        command = [browser, "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
        command += ["--disable-component-update", "--disable-sync", "--no-pdf-header-footer"]
        # Chromium refuses to sandbox a process that runs as root; the file that it opens is our own.
        command += ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        command += [f"--user-data-dir={folder}/profile", f"--print-to-pdf={target}", source.as_uri()]
        try:
            run = subprocess.run(command, capture_output=True, timeout=TIMEOUT_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise OutputError(f"{browser} could not print the PDF ({type(error).__name__}); write .html") from None
        if run.returncode != 0 or not target.is_file():
            raise OutputError(f"{browser} could not print the PDF (exit code {run.returncode}); write .html instead")
        return target.read_bytes()
