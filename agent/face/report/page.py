"""From the content of a report to one HTML file, or one PDF.

jinja2 fills the page, because its escaping is on for every value by default: what a controller
says about itself is text on the page and nothing else.  Only our own pictures pass as they are.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Final

from agent.face.report.tune import Tune
from agent.face.screen import clean

if TYPE_CHECKING:
    from jinja2 import Environment

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


def printed(tune: Tune, made: date) -> bytes:
    """The report of `tune` as a PDF, dated `made`; the same tune and date give the same bytes."""
    from agent.face.report.content import page_of
    from agent.face.report.pdf import pdf

    return pdf(page_of(tune, made))


def page(tune: Tune, made: date) -> str:
    """The report of `tune` as HTML, dated `made`; the same tune and date give the same text."""
    from agent.face.report.content import page_of

    template = _environment().get_template(TEMPLATE)
    return template.render(page=page_of(tune, made))
