"""The content of a report as text: every word, table and list, and what its pictures show."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import numpy as np

from agent.face.parts import Blanks, Facts, Items, Page, Part, Picture, Table, Wire, Words
from tests.listing import inline, number

#: Times of the day, and how long something took.
TIMES = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?(\+00:00|Z)?")

#: Of lines, which hold every last digit.
DIGEST = re.compile(r"\b[0-9a-f]{8}\b")


def text_of(page: Page, *, pictures: bool = True) -> str:
    """All of a page; what its pictures show takes as long as drawing them."""
    lines = [page.kind, page.title, page.state, f"simulated {page.simulated}"]
    lines += [f"{name}: {value}" for name, value in page.facts if name != "Made by"]
    for part in page.certificate:
        lines += part_of(part, pictures=pictures)
    for section in page.annex:
        lines.append(f"\n== {section.name}: {section.title}")
        for part in section.parts:
            lines += part_of(part, pictures=pictures)
    return DIGEST.sub("DIGEST", TIMES.sub("TIME", "\n".join(lines)))


def part_of(part: Part, *, pictures: bool = True) -> Iterator[str]:
    match part:
        case Words():
            yield f"{'! ' if part.strong else ''}{part.text}"
        case Items():
            yield from (f"- {text}" for text in part.texts)
        case Facts():
            yield from (f"{name}: {value}" for name, value in part.rows)
        case Table():
            table = part.on_page
            yield f"[{table.name}] {table.caption}"
            yield " | ".join(f"{name} ({stands})" for name, stands in table.columns)
            yield from (" | ".join(row) for row in table.rows)
        case Wire():
            yield f"wire in {part.columns}"
            yield part.text
        case Picture():
            yield f"picture: {part.words}"
            drawn: Any = part.drawn
            if pictures:
                yield from picture_of(drawn.figure)
        case Blanks():
            yield f"blanks: {', '.join(part.labels)}"


def picture_of(figure: Any) -> Iterator[str]:
    """What a figure shows: its axes, lines, bars and words, in the units of the data."""
    yield f"  {inline(figure.get_size_inches(), 2)} inches"
    for axes in figure.axes:
        ticks = [label.get_text() for label in axes.get_yticklabels()]
        yield f"  axes {axes.get_xlabel()!r}, {axes.get_ylabel()!r}, {inline(axes.get_ylim(), 2)}"
        yield f"   x {inline(axes.get_xlim(), 2)}, left spine {axes.spines['left'].get_visible()}"
        yield f"   ticks {axes.yaxis.get_tick_params().get('length', 'as usual')}"
        if any(re.search("[a-z]", tick) for tick in ticks):
            yield f"   rows {ticks}"
        for line in axes.get_lines():
            xy = np.asarray(line.get_xydata(), dtype=float)
            some = xy[:: max(1, len(xy) // 10)]
            yield (
                f"   line {line.get_marker()} {line.get_linestyle()} {line.get_color()}"
                f" {line.get_markerfacecolor()} {number(line.get_markersize(), 1)}"
                f" {number(line.get_linewidth(), 1)}"
                f" {len(xy)}: {inline(some, 3)}"
            )
        for collection in axes.collections:
            for segment in collection.get_segments():
                yield f"   bar {inline(segment, 3)}"
        for patch in axes.patches:
            x, y = patch.get_xy()[:2] if hasattr(patch, "get_width") else (0.0, 0.0)
            size = (patch.get_width(), patch.get_height()) if hasattr(patch, "get_width") else ()
            colours = inline((patch.get_facecolor(), patch.get_edgecolor()), 2)
            yield f"   box {inline((x, y), 3)} {inline(size, 3)} {patch.get_hatch()} {colours}"
        for text in axes.texts:
            aside = inline((*text.xyann, text.get_fontsize()), 1)
            yield f"   words {text.get_text()!r} at {inline(text.xy, 3)} {text.get_ha()} {aside}"
        legend = axes.get_legend()
        if legend is not None:
            names = [text.get_text() for text in legend.get_texts()]
            place = inline(legend.get_bbox_to_anchor().transformed(axes.transAxes.inverted()), 2)
            yield f"   legend {names} in {legend._ncols} at {place}"
