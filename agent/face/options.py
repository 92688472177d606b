"""Values as people type them: numbers with a point or a comma, never endless or undefined.

`Verb` is the command class of the whole tree: it hands the desk to what it carries out, and names
every mistake of a command line at once instead of the first, so that a wrong line is mended in one
go.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from agent.errors import BadInput, Problem
from agent.face.desk import Desk
from agent.model.exact import LEAST_OF_USE, MOST_OF_USE, several

if TYPE_CHECKING:  # older releases of click are not generic at run time
    _FloatType = click.ParamType[float]
    _IntType = click.ParamType[int]
else:
    _FloatType = _IntType = click.ParamType

COMMAND_LINE: Final = "command line"

#: One number: sign, digits with at most one point or comma, power of ten.
_NUMBER: Final = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")


def number_from(text: str) -> float:
    """The number that `text` says, of a size of use; a decimal comma is understood.

    Raises ValueError, with words for the user, for anything else: `nan`, `1e999`, `1,000.5`.
    """
    cleaned = text.strip()
    if not _NUMBER.fullmatch(cleaned):
        raise ValueError(f"expected a number such as 12.5, found {text!r}")
    value = float(cleaned.replace(",", "."))
    if not abs(value) <= MOST_OF_USE:
        raise ValueError(f"{text!r} is larger than any number of use here")
    if 0 < abs(value) < LEAST_OF_USE:
        raise ValueError(f"{text!r} is smaller than any number of use here")
    return value


class Number(_FloatType):
    """A finite number, within bounds where they are given; `unit` only serves the messages."""

    name = "number"

    def __init__(
        self, unit: str = "", *, above: float | None = None, least: float | None = None
    ) -> None:
        self.above = above
        self.least = least
        self.name = unit or "number"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, str):
            try:
                number = number_from(value)
            except ValueError as refusal:
                self.fail(str(refusal), param, ctx)
            if "," in value:
                click.echo(f"{value} is read as {number:.15g}", err=True)
        else:
            number = float(value)
        if self.above is not None and number <= self.above:
            self.fail(f"must be more than {self.above:g}, found {number:g}", param, ctx)
        if self.least is not None and number < self.least:
            self.fail(f"must be at least {self.least:g}, found {number:g}", param, ctx)
        return number


class Count(_IntType):
    """A whole number, at least `least`."""

    name = "count"

    def __init__(self, least: int = 0) -> None:
        self.least = least

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if isinstance(value, bool):
            self.fail(f"expected a whole number, found {value!r}", param, ctx)
        text = str(value).strip()
        if not re.fullmatch(r"[+-]?\d{1,18}", text):
            self.fail(f"expected a whole number, found {text!r}", param, ctx)
        if int(text) < self.least:
            self.fail(f"must be at least {self.least}, found {text}", param, ctx)
        return int(text)


LENGTH: Final = Number("mm", above=0)  #: a length that must be there
HEIGHT: Final = Number("mm")  #: a length of either sign
RATIO: Final = Number("ratio", above=0)
FILE: Final = click.Path(path_type=Path)


def _label(param: click.Parameter) -> str:
    return param.opts[0] if isinstance(param, click.Option) else (param.human_readable_name)


def _wanted(param: click.Parameter) -> str:
    """What a parameter takes, in words."""
    if isinstance(param.type, click.Choice):
        return "one of " + ", ".join(map(str, param.type.choices))
    if isinstance(param.type, click.Path):
        return "the name of a file"
    return getattr(param, "help", None) or param.type.name


def _mistake(param: click.Parameter, error: click.UsageError) -> Problem:
    if isinstance(error, click.MissingParameter):
        if isinstance(param, click.Argument) and isinstance(param.type, click.Choice):
            return Problem(COMMAND_LINE, None, "", f"choose {_wanted(param)}")
        return Problem(COMMAND_LINE, None, _label(param), f"is missing; expected: {_wanted(param)}")
    return Problem(
        COMMAND_LINE, None, _label(param), error.message + _nearest(param, error.message)
    )


def _no_text(param: click.Parameter, given: Mapping[str, Any]) -> Iterator[Problem]:
    """Words with bytes in them that no record can keep; the name of a file may have such."""
    if isinstance(param.type, click.Path):
        return
    value = given.get(param.name or "")
    for word in value if isinstance(value, tuple | list) else (value,):
        if isinstance(word, str) and not word.isascii() and re.search("[\ud800-\udfff]", word):
            yield Problem(COMMAND_LINE, None, _label(param), f"{word[:40]!a} is no text")


def _nearest(param: click.Parameter, message: str) -> str:
    """For a wrong word of a few: the one that was likely meant."""
    found = re.match(r"'([^']*)' is not one of", message)
    if found is None or not isinstance(param.type, click.Choice):
        return ""
    import difflib

    near = difflib.get_close_matches(found[1], [str(c) for c in param.type.choices], 1)
    return f" Did you mean '{near[0]}'?" if near else ""


def _json_option() -> click.Option:
    return click.Option(
        ["--json"],
        is_flag=True,
        expose_value=False,
        is_eager=True,
        callback=_keep_json,
        help="one JSON document on standard output; messages on standard error",
    )


def _keep_json(ctx: click.Context, _param: click.Parameter, wanted: Any) -> None:
    desk = ctx.find_object(Desk)
    if wanted and desk is not None:
        desk.screen.json = True


class Verb(click.Command):
    """A command whose function gets the desk first; all mistakes of its line are one BadInput.

    json: it answers and ends, and takes `--json`.  That is kept by the screen, not passed on: from
    then on standard output is the program's.
    """

    def __init__(self, *args: Any, json: bool = True, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if json:
            self.params.append(_json_option())

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        try:
            rest = super().parse_args(ctx, list(args))
        except click.BadParameter:
            if problems := self._all_mistakes(ctx, args):
                raise wrong_line(problems, _typed(ctx)) from None
            raise
        if problems := [p for param in self.params for p in _no_text(param, ctx.params)]:
            raise wrong_line(problems, _typed(ctx))
        return rest

    def invoke(self, ctx: click.Context) -> Any:
        desk = ctx.ensure_object(Desk)
        assert self.callback is not None
        result = ctx.invoke(self.callback, desk, **ctx.params)
        desk.carried_out = (_typed(ctx), ctx.params)
        return result

    def _all_mistakes(self, ctx: click.Context, args: list[str]) -> list[Problem]:
        """The mistakes of every parameter; click itself stops at the first."""
        opts, rest, order = self.make_parser(ctx).parse_args(args=list(args))
        problems: list[Problem] = []
        for param in click.core.iter_params_for_processing(order, self.get_params(ctx)):
            try:
                _, rest = param.handle_parse_result(ctx, opts, rest)
            except click.BadParameter as error:
                problems.append(_mistake(param, error))
        if rest:
            found = " ".join(map(str, rest))
            problems.append(Problem(COMMAND_LINE, None, found, "nothing more was expected"))
        return problems


def _typed(ctx: click.Context) -> str:
    """A verb as it is typed, with the group that it belongs to."""
    return ctx.command_path.partition(" ")[2]


def wrong_line(problems: list[Problem], verb: str) -> BadInput:
    """All mistakes of one command line."""
    return BadInput(
        f"{several(len(problems), 'error')} in the line for '{verb}'",
        problems=problems,
        remedy=f"'{verb} --help' shows what it takes. Nothing was done",
    )
