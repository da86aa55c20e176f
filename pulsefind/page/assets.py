"""Templates, styles and scripts that ship with the package, and how they become one file.

The scripts are ES modules, so that each can be tested by itself. In the page they become one inline script, in the
order of their imports: modules that import each other would need URLs, and a page opened from disk has none.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping
from importlib.resources import files

from jinja2 import Environment, FunctionLoader, StrictUndefined

_IMPORT = re.compile(r"^import\s*\{[^}]*\}\s*from\s*\"\./([\w-]+\.mjs)\";\n", re.M)
_COMMENT = re.compile(r"^ *//.*\n", re.M)
_EXPORT = re.compile(r"^export (?=const|function|class|async function)", re.M)


def web_text(name: str) -> str:
    """The text of one packaged file."""
    return files("pulsefind").joinpath("web", name).read_text("utf-8")


def render(template: str, values: Mapping[str, object]) -> str:
    """Fill in a packaged template; every string is escaped for HTML unless it is marked as safe."""
    environment = Environment(
        loader=FunctionLoader(web_text),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(template).render(values)


def joined_script(entry: str) -> str:
    """One script made of a module and everything it imports, each module once, imported ones first.

    Lines of comment stay behind: they are for who reads the modules.
    """
    order: list[str] = []
    _visit(entry, order)
    bodies = [_COMMENT.sub("", _EXPORT.sub("", _IMPORT.sub("", web_text(name)))).strip() for name in order]
    return '(() => {\n"use strict";\n' + "\n\n".join(bodies) + "\n})();\n"


def _visit(name: str, order: list[str]) -> None:
    if name in order:
        return
    for imported in _IMPORT.findall(web_text(name)):
        _visit(imported, order)
    order.append(name)


def source_hash(text: str) -> str:
    """The hash by which a Content-Security-Policy admits one inline script or style (CSP Level 3, W3C)."""
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii") + "'"
