"""Fills the page templates: self-contained HTML, everything from outside escaped."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from rtscan import __version__

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

    return Environment(loader=PackageLoader("rtscan.practise"), autoescape=select_autoescape(["html"]), undefined=StrictUndefined,
                       trim_blocks=True, lstrip_blocks=True)


def page(template: str, **values: Any) -> str:
    """The page `template` (a file in templates/) filled with `values`."""
    return _environment().get_template(template).render(tool=f"rtscan {__version__}", **values)


def text_page(template: str, **values: Any) -> str:
    """A plain text file from `template`."""
    return _environment().get_template(template).render(**values)
