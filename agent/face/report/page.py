"""From the content of a report to one HTML file.

jinja2 fills the page, because its escaping is on for every value by default: what a controller
says about itself is text on the page and nothing else.  Only our own pictures pass as they are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.face.screen import clean

if TYPE_CHECKING:
    from jinja2 import Environment

    from agent.face.parts import Page

TEMPLATE: Final = "page.html"


def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("agent.face.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        # Control characters of a controller are made visible wherever they stand.
        finalize=lambda value: clean(value) if type(value) is str else value,
    )
    environment.tests["part"] = lambda value, kind: type(value).__name__ == kind
    return environment


def html(content: Page) -> str:
    """The content of a report as one HTML file; the same content gives the same text."""
    return _environment().get_template(TEMPLATE).render(page=content)
