"""Pictures of the report, black on white: shapes and words carry the meaning.

matplotlib draws them, because ticks, error bars and dates are its trade and a report is the only
place that pays for its import; it is imported here, and this module only when a report is made.
The same data gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, cached_property, partial, wraps
from typing import TYPE_CHECKING, Any, Concatenate, Final, ParamSpec, cast
from xml.etree import ElementTree

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from agent.face import plots
from agent.face.words import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from agent.bench.surveyed import Surveyed
    from agent.estimate.belt_run import BeltRun as Evaluated
    from agent.face.report.tune import Series
    from agent.model.survey import BeltRun

P = ParamSpec("P")

#: Width of the text on the page, inches: A4 less its margins.
_WIDTH: Final = 7.0

#: Dots per inch of a picture in print.
_DPI: Final = 220

#: Light enough for text over it, dark enough for a copier.
_GREY: Final = "0.80"

_STYLE: Final[Any] = {
    "text.parse_math": False,  # names are text, whatever they hold
    "svg.fonttype": "none",  # text stays text: it can be searched and read aloud
    "svg.hashsalt": "plumbelt",  # the same data, the same bytes
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 8,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": "black",
    "lines.linewidth": 0.9,
    "xtick.direction": "out",
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8,
    "hatch.linewidth": 0.4,
}


@dataclass(frozen=True, slots=True)
class Span:
    """One value with its 95 % half width, and in one of the two states of a machine."""

    name: str
    value: float
    half: float
    words: str = ""  #: the value with its unit, for where it lies beyond the picture
    later: bool = False  #: after the change


@dataclass(frozen=True, slots=True)
class Panel:
    """Values of one unit, one below the other; names may come twice, before and after."""

    unit: str
    spans: tuple[Span, ...]
    tolerance: Mapping[str, float]  #: by name, where there is one


#: (after the change, words, marker, its filling)
_STATES: Final = ((False, "as found", "o", "white"), (True, "as left", "s", "black"))


@contextmanager
def _style() -> Iterator[None]:
    """Our style, whatever the user's own settings of the library say."""
    with matplotlib.rc_context():
        dict.update(cast("dict[str, Any]", matplotlib.rcParams), _checked_style())
        yield


@cache
def _checked_style() -> dict[str, Any]:
    """Every parameter of the library in our style; checking them anew takes as long as a picture.

    But for the way to a screen, which is not chosen here.
    """
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_STYLE)
        names = [name for name in matplotlib.rcParams if not name.startswith("backend")]
        return {name: matplotlib.rcParams[name] for name in names}


@dataclass(frozen=True)
class Drawing:
    """A figure with a name of its own, which keeps its parts apart from those of others.

    It is drawn when it is first rendered: what is only read, or told as JSON, needs none.
    """

    name: str
    draw: Callable[[], Figure]

    @cached_property
    def figure(self) -> Figure:
        return self.draw()

    def svg(self) -> str:
        """The SVG element, ready to stand inside a page beside others."""
        out = io.StringIO()
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        with _style():
            self.figure.savefig(out, format="svg", metadata=nothing)
        return ElementTree.tostring(self._embedded(out.getvalue()), encoding="unicode").strip()

    def _embedded(self, text: str) -> ElementTree.Element:
        """The element without what is for files alone, its names set apart from other figures'."""
        root = ElementTree.fromstring(text)
        for name in ("width", "height"):
            del root.attrib[name]  # as wide as the page lets it be
        for parent in root.iter():
            for child in list(parent):
                # a rule for all elements is not ours
                if child.tag.rpartition("}")[2] in ("metadata", "style"):
                    parent.remove(child)
        for element in root.iter():
            # inside HTML the names of the vocabularies are known
            element.tag = element.tag.rpartition("}")[2]
            element.text, element.tail = element.text and element.text.strip(), None
            for key in list(element.attrib):
                value = element.attrib.pop(key)
                if key == "id":
                    value = f"{self.name}-{value}"
                if key == "style":  # letters are those of the page
                    parts = value.split("; ")
                    value = "; ".join(p for p in parts if not p.startswith("font-family"))
                value = value.replace("url(#", f"url(#{self.name}-")
                if key.endswith("href"):
                    value = value.replace("#", f"#{self.name}-", 1)
                element.set(key.rpartition("}")[2], value)
        return root

    def png(self) -> tuple[bytes, float]:
        """A PNG file fit for print, and its height as a share of its width."""
        out = io.BytesIO()
        with _style():
            self.figure.savefig(out, format="png", dpi=_DPI, metadata={"Software": None})
        width, height = self.figure.get_size_inches()
        return out.getvalue(), float(height / width)


def _later(draw: Callable[P, Figure]) -> Callable[Concatenate[str, P], Drawing]:
    """`draw` as a function of a name besides, whose drawing waits until it is rendered."""

    @wraps(draw)
    def named(name: str, /, *values: P.args, **options: P.kwargs) -> Drawing:
        return Drawing(name, partial(draw, *values, **options))

    return named


@contextmanager
def _drawing(height: float) -> Iterator[Figure]:
    """A figure in our style."""
    with _style():
        figure = Figure(figsize=(_WIDTH, height), layout="constrained")
        FigureCanvasAgg(figure)
        yield figure


def share(measured: Surveyed, name: str, *, of: str = "", later: bool = False) -> Span | None:
    """A main error in units of its tolerance, named as `of` a machine; None without a tolerance."""
    words, found = shown(name), measured.solution.parameters[name]
    limit = measured.survey.tolerance.of(name)
    if not limit:
        return None
    value, half = found.value / limit, found.expanded95 / limit
    return Span(of + words.words, value, half, words.value(found.value), later)


#: Tolerances to either side that a certificate shows.
_REACH: Final = 3.0


@_later
def band(shares: Sequence[Span]) -> Figure:
    """Errors as found (and as left) against the band of their tolerances.

    What lies beyond the picture is an arrow at its edge, with the value beside it.
    """
    rows = list(dict.fromkeys(share.name for share in shares))
    both = any(share.later for share in shares)
    with _drawing(0.3 * len(rows) + 0.55) as figure:
        axes = figure.subplots()
        axes.axvspan(-1, 1, facecolor="0.88", edgecolor="none")
        axes.axvline(0, color="black", linewidth=0.6)
        for later, _, sign, fill in _STATES:
            chosen = [share for share in shares if share.later is later]
            for share in chosen:
                row = rows.index(share.name) + (0.0 if not both else 0.17 if later else -0.17)
                _share(axes, share, row, sign, fill)
        axes.set_xlim(-_REACH - 0.2, _REACH + 0.2)
        _named_rows(axes, rows, "error, in tolerances")
        if both:
            _legend(axes)
        return figure


def _share(axes: Axes, share: Span, row: float, sign: str, fill: str) -> None:
    if abs(share.value) <= _REACH:
        axes.errorbar(
            [share.value], [row], xerr=[share.half], fmt=sign, color="black",
            markerfacecolor=fill, markersize=4.5, capsize=2.5,
        )  # fmt: skip
        return
    side = 1 if share.value > 0 else -1
    axes.plot([side * _REACH], [row], ">" if side > 0 else "<", color="black",
              markerfacecolor=fill, markersize=5)  # fmt: skip
    axes.annotate(share.words, (side * _REACH, row), (-side * 6, 0), va="center", fontsize=7,
                  ha="right" if side > 0 else "left", textcoords="offset points")  # fmt: skip


@_later
def intervals(panel: Panel, *, legend: bool = False) -> Figure:
    """Values of one unit with their 95 % intervals; hatched: the tolerance.

    `legend` names the marks of the states before and after.
    """
    rows = list(dict.fromkeys(span.name for span in panel.spans))
    both = any(span.later for span in panel.spans)
    with _drawing(0.24 * len(rows) + 0.5 + 0.2 * legend) as figure:
        axes = figure.subplots()
        for row, of in enumerate(rows):
            half = panel.tolerance.get(of)
            if half is not None:
                axes.barh(
                    row, 2 * half, left=-half, height=0.8, facecolor="none", edgecolor="0.55",
                    hatch="/////", linewidth=0,
                )  # fmt: skip
        for later, _, sign, fill in _STATES:
            spans = [span for span in panel.spans if span.later == later]
            if not spans:
                continue
            aside = 0.0 if not both else 0.17 if later else -0.17
            axes.errorbar(
                [span.value for span in spans],
                [rows.index(span.name) + aside for span in spans],
                xerr=[span.half for span in spans],
                fmt=sign, color="black", markerfacecolor=fill, markersize=4, capsize=2.5,
            )  # fmt: skip
        axes.axvline(0, color="black", linewidth=0.6)
        _named_rows(axes, rows, panel.unit)
        axes.margins(x=0.06)
        if legend:
            _legend(axes)
        return figure


def _legend(axes: Axes) -> None:
    """Names the marks of the two states."""
    states = [
        Line2D([], [], color="black", marker=sign, markerfacecolor=fill, label=label, ms=4)
        for _, label, sign, fill in _STATES
    ]
    axes.legend(handles=states, loc="lower right", bbox_to_anchor=(1, 1), ncols=2)


def _named_rows(axes: Axes, names: list[str], along: str) -> None:
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(along)


@_later
def misfits(
    labels: Sequence[str],
    values: Sequence[float],
    halves: Sequence[float],
    marked: Sequence[bool],
    what: str,
) -> Figure:
    """What is left of each reading, mm, against the bar of its limit.

    Marked readings are drawn as a filled diamond with their number beside it.
    """
    with _drawing(2.5) as figure:
        axes = figure.subplots()
        places = list(range(1, len(values) + 1))
        axes.bar(
            places, [2 * h for h in halves], bottom=[-h for h in halves], width=0.7,
            color=_GREY, label="allowed",
        )  # fmt: skip
        axes.use_sticky_edges = False
        axes.margins(y=0.08)
        axes.axhline(0, color="black", linewidth=0.6)
        for chosen, sign, size, label in (
            (False, "o", 4.0, what),
            (True, "D", 6.0, f"{what}, does not agree"),
        ):
            points = [(p, v) for p, v, m in zip(places, values, marked, strict=True) if m is chosen]
            if points:
                axes.plot(*zip(*points, strict=True), sign, color="black", ms=size, label=label)
        for place, value, mark in zip(places, values, marked, strict=True):
            if mark:
                axes.annotate(str(place), (place, value), (5, 3), textcoords="offset points")
        axes.set_xticks(places, labels, rotation=60, ha="right", rotation_mode="anchor")
        axes.set_xlim(0.3, len(values) + 0.7)
        axes.set_ylabel("mm")
        axes.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=3)
        return figure


@_later
def belt(run: BeltRun, found: Evaluated) -> Figure:
    """Error along a run with the fitted line and sines; below it, what is left."""
    marks = list(plots.marks_of(run))
    with _drawing(3.4) as figure:
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
        low, high = min(run.commanded), max(run.commanded)
        fine = [low + (high - low) * i / 400 for i in range(401)]
        above.plot(fine, [found.error_at(x) for x in fine], "-", color="black", label="fitted")
        slope = [found.offset + found.scale * x for x in (low, high)]
        above.plot((low, high), slope, "--", color="0.4", label="its slope")
        for ahead, sign, label in ((True, "o", "read going forward"), (False, "x", "going back")):
            points = [(x, y) for x, y, way in marks if way is ahead]
            if points:
                for axes, left in ((above, 0.0), (below, 1.0)):
                    axes.plot(
                        [x for x, _ in points],
                        [y - left * found.error_at(x) for x, y in points],
                        sign, color="black", ms=4.5, label=label,
                    )  # fmt: skip
        for axes in (above, below):
            axes.axhline(0, color="black", linewidth=0.5)
        above.set_ylabel("error, mm")
        below.set_ylabel("left, mm")
        below.set_xlabel("commanded position, mm")
        above.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=4)
        return figure


@_later
def drift(series: Series) -> Figure:
    """Results over the days since the first one, with the fitted line."""
    from agent.estimate.drift import drift as slope

    results = series.results
    origin = results[0].day
    with _drawing(1.7) as figure:
        axes = figure.subplots()
        axes.errorbar(
            [r.day - origin for r in results],
            [r.value for r in results],
            yerr=[2 * r.u for r in results],
            fmt="o", color="black", markerfacecolor="white", ms=4, capsize=2.5,
        )  # fmt: skip
        found = slope(results)
        if found is not None:
            ends = (results[0].day, results[-1].day)
            axes.plot([d - origin for d in ends], [found.at(d) for d in ends], "--", color="0.3")
        axes.set_ylabel(series.unit)
        axes.set_xlabel("days since the first result in the record")
        axes.margins(x=0.04, y=0.15)
        return figure
