"""From the content of a report to one HTML file.

jinja2 fills the page, because its escaping is on for every value by default: what a controller
says about itself is text on the page and nothing else.  Only our own pictures pass as they are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from agent.face.screen import clean

if TYPE_CHECKING:
    from jinja2 import Environment

    from agent.face.parts import Page


def environment(package: str, **more: Any) -> Environment:
    """Templates of a package, filled with values that are text and nothing else."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader(package, "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        # Control characters of a controller are made visible wherever they stand.
        finalize=lambda value: clean(value) if type(value) is str else value,
        **more,
    )
    made.tests["part"] = lambda value, kind: type(value).__name__ == kind
    return made


def html(content: Page) -> str:
    """The content of a report as one HTML file; the same content gives the same text."""
    templates = environment("agent.face.report", keep_trailing_newline=True)
    return templates.get_template("page.html").render(page=content)
