"""The README's pictures, drawn from real runs.

    python -m tests.pictures          # draws tests/pictures/*.svg anew

The same run gives the same bytes; a test compares the drawings of pieces with the code of today.
"""

from __future__ import annotations

import html
from pathlib import Path

from agent.pieces import PIECES
from agent.pieces.drawing import svg
from agent.store.profiles import load_profile
from tests.readme import stage

FOLDER = Path(__file__).resolve().parent / "pictures"

#: Commands whose screens are shown, by the name of the picture.
SCREENS = {
    "preview": "plumbelt demo --seed 7 | sed -n '/^5. Preview/,/^7. Store/p' | head -n -2",
    "found": "plumbelt demo --seed 7 | sed -n '/^4. Solve/,/^5. Preview/p' | head -n -2",
}

_LETTER = (8.4, 18.0)  # width and height of a letter, in units of the picture


def screen(text: str) -> str:
    """A terminal's text as a picture: dark letters on white, nothing else."""
    lines = text.rstrip("\n").split("\n")
    width = (max(map(len, lines)) + 2) * _LETTER[0]
    height = (len(lines) + 1) * _LETTER[1]
    # Blanks are kept for each element: current browsers do not inherit that from the group.
    kept = 'xml:space="preserve" style="white-space:pre"'
    rows = [
        f'<text x="{_LETTER[0]:g}" y="{(n + 1) * _LETTER[1]:g}" {kept} '
        f'textLength="{len(line) * _LETTER[0]:g}">{html.escape(line)}</text>'
        for n, line in enumerate(lines)
        if line.strip()
    ]
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
            f'viewBox="0 0 {width:g} {height:g}">',
            '<rect width="100%" height="100%" fill="#ffffff" stroke="#b0b0b0"/>',
            '<g font-family="monospace" font-size="14" fill="#202020">',
            *rows,
            "</g></svg>\n",
        ]
    )


def pictures() -> dict[str, str]:
    """All pictures by file name."""
    profile = load_profile("heron")
    found = {f"{name}.svg": svg(build(profile)) for name, build in PIECES.items()}
    with stage() as here:
        return found | {f"{name}.svg": screen(here.run(line)) for name, line in SCREENS.items()}


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for name, text in pictures().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
        print(FOLDER / name)


if __name__ == "__main__":
    main()
