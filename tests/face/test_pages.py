"""Help: every verb has one with an example, every page fits a small screen."""

from __future__ import annotations

import io
import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from agent.face.cautions import cautions_text
from agent.face.helping import complete_topic, flowed, help_page
from agent.face.main import plumbelt, run
from agent.face.screen import clean
from agent.face.topics import TOPICS
from agent.face.tree import GROUPS, MEANT, PLACES
from tests.readme import README


def verbs(group: click.Group = plumbelt, before: str = "") -> Iterator[tuple[str, click.Command]]:
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from verbs(command, f"{before}{name} ")
        else:
            yield f"{before}{name}", command


@pytest.mark.parametrize(("name", "command"), list(verbs()), ids=[name for name, _ in verbs()])
def test_every_verb_has_help_with_an_example(
    name: str, command: click.Command, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*name.split(), "--help"]) == 0
    page = capsys.readouterr().out
    assert f"{name.split()[-1]}" in page.partition("Example: plumbelt")[2].partition("\n")[0]
    assert max(map(len, page.splitlines())) <= 80


@pytest.mark.parametrize(
    "name", [name for name, _ in verbs() if name not in ("demo", "sim", "rehearse")]
)
def test_json_of_every_verb_is_one_document_even_where_it_fails(
    name: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    code = run([*name.split(), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert (code in (1, 2)) == ("error" in document)


def test_a_page_flows_in_a_narrow_window_and_drawings_and_lists_stay() -> None:
    page = (
        "Height, lean and length along the belt together tell the three apart; the\n"
        "lean alone never does.\n"
        "    /____|__ s      height error\n"
        "\n"
        "    rights    On Linux a port belongs to a group (dialout, uucp): 'ports' gives\n"
        "              the command that adds you.\n"
        "- gantry steps set from a height while the angle is off: the lean doubles at\n"
        "  45°;\n"
        "- belt steps"
    )
    assert flowed(page).split("\n") == [
        "Height, lean and length along the belt together tell the three apart; the"
        " lean alone never does.",
        "    /____|__ s      height error",
        "",
        "    rights    On Linux a port belongs to a group (dialout, uucp): 'ports' gives"
        " the command that adds you.",
        "- gantry steps set from a height while the angle is off: the lean doubles at 45°;",
        "- belt steps",
    ]


def test_what_a_user_types_has_one_name() -> None:
    """It is a command: the code's own word for it is on no page that a user reads."""
    pages = [
        command.get_help(
            click.Context(command, click.Context(plumbelt, **plumbelt.context_settings))
        )
        for _, command in verbs()
    ]
    pages += [README.read_text(encoding="utf-8"), *(page for _, page in TOPICS.values())]
    pages += [title for title, _ in TOPICS.values()] + [line for _, line in PLACES.values()]
    assert not [page for page in pages if re.search(r"\bverbs?\b", page, re.IGNORECASE)]


@pytest.mark.parametrize("name", list(TOPICS))
def test_every_page_fits_a_screen_of_80_by_24(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["help", name]) == 0
    rows = capsys.readouterr().out.splitlines()
    assert len(rows) <= 23
    assert max(map(len, rows)) <= 79


def test_the_cautions_fit_a_screen_and_defer_to_local_codes() -> None:
    rows = cautions_text().splitlines()
    assert len(rows) <= 20
    assert max(map(len, rows)) <= 79
    for words in ("power switch", "mains", "Local codes", "licensed", "rollers"):
        assert words in cautions_text()


def test_help_without_a_topic_names_all_verbs(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["help"]) == 0
    page = capsys.readouterr().out
    assert [name for name in plumbelt.commands if f"\n{name} " not in page] == []


def test_a_topic_that_is_not_there_is_guessed_at(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["help", "leen"]) == 2
    assert "Did you mean 'lean'?" in capsys.readouterr().err


def test_the_page_on_files_is_about_their_formats(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["help", "files"]) == 0
    page = capsys.readouterr().out
    assert "plumbelt-readings/1" in page
    assert "plumbelt-profile/1" in page


def test_text_from_a_controller_cannot_move_the_cursor() -> None:
    hostile = "ok\x1b[2J\x07\x9b31m\u202etxt\ud800"
    assert clean(hostile) == "ok\\x1b[2J\\x07\\x9b31m\\u202etxt\\ud800"


def test_every_verb_stands_in_one_group() -> None:
    listed = [name for names in GROUPS.values() for name in names]
    assert len(listed) == len(set(listed))
    assert set(plumbelt.commands) == set(listed)


def test_the_first_page_names_what_verbs_are_for_and_brings_none_of_them_in(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is there at once, because nothing that a verb needs is loaded for it."""
    monkeypatch.setattr("agent.face.tree.brought_in", lambda place: pytest.fail(place))
    assert run(["--help"]) == 0
    page = capsys.readouterr().out.partition("\nConnect:\n")[2].splitlines()
    told = [line.split(maxsplit=1) for line in page if line.startswith("  ")]
    names = [name for group in GROUPS.values() for name in group]
    assert told == [[name, PLACES[name][1]] for name in names]
    titles = [line for line in page if line and not line.startswith(" ")]
    assert titles == [f"{title}:" for title in list(GROUPS)[1:]]


def test_a_word_that_looks_like_an_option_is_no_verb_to_be_guessed_at(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(["--stop"]) == 2
    assert "halt" not in capsys.readouterr().err
    assert run(["qqqqq"]) == 2
    assert "Did you mean" not in capsys.readouterr().err
    assert run(["STOP"]) == 2
    assert "Did you mean 'halt'?" in capsys.readouterr().err
    assert run(["Redback"]) == 2
    assert "Did you mean 'readback'?" in capsys.readouterr().err


@pytest.mark.parametrize("word", list(MEANT))
def test_a_word_that_people_try_leads_to_a_line_that_exists(
    word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert word not in plumbelt.commands
    assert run([word]) == 2
    assert f"Did you mean '{MEANT[word]}'?" in " ".join(capsys.readouterr().err.split())
    head, *rest = MEANT[word].split()
    if head == "help":
        assert rest[0] in TOPICS
    elif head != "quit":  # the shell's own
        assert head in plumbelt.commands


def test_pages_that_are_pointed_to_exist() -> None:
    pointed = {
        found for _, page in TOPICS.values() for found in re.findall(r"help ([a-z][a-z-]+)", page)
    }
    assert pointed <= set(TOPICS) | set(plumbelt.commands)


def test_topics_and_verbs_are_completed_by_their_beginning() -> None:
    context = click.Context(plumbelt)
    parameter = help_page.params[0]
    found = {item.value: item.help for item in complete_topic(context, parameter, "")}
    assert found.keys() == {*TOPICS, *plumbelt.commands}
    assert found["lean"] == TOPICS["lean"][0]
    assert [i.value for i in complete_topic(context, parameter, "hal")] == ["halt"]


@pytest.mark.parametrize(
    ("topic", "said"),
    [
        ("leen", "There is no page on 'leen'. Did you mean 'lean'? 'help' lists"),
        ("xyzzy", "There is no page on 'xyzzy'. 'help' lists commands and topics."),
    ],
)
def test_a_page_that_is_not_there_is_answered_with_the_nearest(
    topic: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["help", topic]) == 2
    assert said in " ".join(capsys.readouterr().err.split())
