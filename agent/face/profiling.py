"""A machine's own profile: `profile new` asks for it; `profile check`, `edit` and `set`."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from agent.errors import AgentError, BadInput, Problem, Refused, Unknown
from agent.face.cabling import port_options
from agent.face.cautions import acknowledge
from agent.face.desk import Desk
from agent.face.linking import one_shot
from agent.face.options import COMMAND_LINE, Verb, wrong_line
from agent.model.exact import several
from agent.model.profile import DRIVES, TRAVEL
from agent.model.roles import ROLES, Role

if TYPE_CHECKING:
    from agent.change.completeness import Checked
    from agent.model.drive import Drive
    from agent.model.interview import Interview, Question
    from agent.model.profile import Profile

_PORT = click.option("--port", help="port of a machine that is not attached yet")

#: Words that may be typed instead of an answer.
WORDS: Final = "Enter takes what stands in brackets; '?' explains, 'back', 'stop' (goes on later)"


# --- new -----------------------------------------------------------------------------------------


@click.command("new", cls=Verb)
@click.argument("name")
@_PORT
@port_options
@click.option(
    "--answers",
    type=click.Path(path_type=Path, dir_okay=False),
    help="file of answers, one a line, instead of typing them",
)
def profile_new(desk: Desk, /, name: str, port: str | None, answers: Path | None) -> None:
    """Ask about a new machine and write its profile NAME, only what is known.

    With a port (or in the shell with a machine attached) the controller is read first, and what it
    says is proposed. 'stop' keeps the answers; the same command goes on with them.

    \b
    Example: plumbelt profile new mine --port /dev/ttyUSB0
    """
    from agent.model.interview import Interview
    from agent.store.drafts import drop_draft, load_draft, save_draft
    from agent.store.profiles import profile_names, profile_path, save_profile

    place = profile_path(name)
    if name in profile_names():
        raise Refused(
            f"a profile {name!r} is there already",
            remedy=f"'profile edit {name}' changes it. Nothing was asked",
        )
    typed = None if answers is None else _answers_of(answers)
    with _machine(desk, port) as told_by:
        interview = Interview(_told(desk, name, told_by), load_draft(name))
        if interview.given:
            kept = several(len(interview.given), "answer")
            desk.screen.say(f"Going on: {kept} kept from before.")
        desk.screen.say(WORDS)
        interview = _held(desk, interview, typed, lambda kept: save_draft(name, kept.given))
    if (question := interview.next()) is not None:
        raise Refused(
            f"stopped at '{question.text}', {interview.left} questions are left",
            remedy=f"The answers are kept: 'profile new {name}' goes on",
        )
    made = interview.profile()
    written = save_profile(made, place)
    drop_draft(name)
    if desk.in_shell:
        desk.session.contact.use(made)
    from agent.change.completeness import check

    checked = check(made, desk.session.bench.readback if told_by else None)
    document = {
        "file": str(written.path),
        "answers": len(interview.given),
        **checked.to_plain(),
    }

    def show() -> None:
        desk.screen.say(f"Written: {written.path} ({len(interview.given)} answers).")
        _say_checked(desk, checked)
        desk.screen.say(f"'profile edit {name}' opens it; every key may be changed by hand.")

    desk.screen.answer(document, show)


@contextlib.contextmanager
def _machine(desk: Desk, port: str | None) -> Iterator[bool]:
    """True inside where a machine is attached; one that a port was named for only meanwhile."""
    if port is not None:
        with one_shot(desk, port):
            yield True
    else:
        yield desk.session.contact.link is not None


def _told(desk: Desk, name: str, attached: bool) -> Any:
    from agent.model.interview import Told
    from agent.store.journal import utc_now

    if not attached:
        return Told(name)
    session = desk.session
    return Told(
        name, session.contact.read_back(), session.contact.joined()[0].transport.name, utc_now()
    )


def _answers_of(path: Path) -> list[tuple[int, str]]:
    """Answers with the numbers of their lines; a line that begins with `#` is a remark."""
    from agent.store.nodes import read_file

    lines = read_file(path).decode("utf-8", "replace").splitlines()
    return [(n, line) for n, line in enumerate(lines, 1) if not line.lstrip().startswith("#")]


def _held(
    desk: Desk, interview: Interview, typed: list[tuple[int, str]] | None, keep: Any
) -> Interview:
    """The interview with all questions asked, or up to where it was stopped.

    Raises BadInput, naming the line, for an answer of a file that is none.
    """
    lines = None if typed is None else iter(typed)
    before, moved = "", ""
    while (question := interview.next()) is not None:
        still = question.moves is None or moved == question.key  # once, whatever is typed then
        if not still and not _moved(desk, interview, question):
            interview = replace(interview, given={**interview.given, question.key: "unknown"})
            continue
        moved = question.key
        number = None
        if lines is None:
            text = _asked(desk, question, again=question.key == before)
            before = question.key
        elif (found := next(lines, None)) is not None:
            number, text = found
        else:
            break
        word = text.strip().lower()
        if word == "?":
            desk.screen.say(f"  {question.help}")
        elif word == "again" and question.moves is not None:
            moved = ""
        elif word == "back":
            interview = interview.back()
            keep(interview)
        elif word == "stop":
            break
        else:
            try:
                interview = interview.answer(text)
            except ValueError as refusal:
                if number is not None:
                    problem = Problem("answers", number, question.key, str(refusal))
                    raise BadInput("an answer does not fit", problems=[problem]) from None
                desk.screen.say(f"  {refusal}. Type it again.")
                continue
            keep(interview)
    return interview


def _asked(desk: Desk, question: Question, *, again: bool) -> str:
    """The answer as typed; reason and offers are shown the first time only."""
    screen = desk.screen
    if not again:
        screen.say()
        screen.say(question.why)
        for number, offer in enumerate(question.offers, 1):
            screen.say(f"  {number}  {offer}")
    default = "" if question.default is None else f" [{question.default}]"
    return screen.ask(f"{question.text}{default}:")


def _moved(desk: Desk, interview: Interview, question: Question) -> bool:
    """Make the short move that a question is about; False where it is not to be made.

    What the move could do at worst is said first; an axis whose stored value cannot belong to its
    drive is not moved.
    """
    from agent.change.guards import blocked_roles, plausible, worst_travel
    from agent.model.interview import SHOWN_MM
    from agent.work.moves import relative

    role = question.moves
    assert role is not None
    made = interview.profile()
    live = desk.session.bench.clean_readback
    blocked = blocked_roles(plausible(live, made.mechanics, made.axes), made.axes)
    if role in blocked:
        desk.screen.say(f"! The {role} axis is not moved: {blocked[role]}")
        return False
    drive = made.mechanics.drives.get(role)
    steps = live.settings.get(f"steps_per_mm.{made.axes.letter(role)}")
    if drive is None or steps is None:
        desk.screen.say(f"! The {role} axis is not moved: its drive is not known.")
        return False
    acknowledge(desk)
    worst = worst_travel(SHOWN_MM, steps.value, drive)
    desk.screen.say(
        f"The {role} axis ({made.axes.letter(role).upper()}) moves {SHOWN_MM:g} mm now, at worst"
        f" {worst:.1f} mm."
    )
    asked = interview.values()["axes"]
    # by the letter's own sign: what is seen then turns it or leaves it
    desk.session.contact.send_lines(("G21", "G91", relative(asked, role, SHOWN_MM), "M400", "G90"))
    return True


# --- check ---------------------------------------------------------------------------------------


@click.command("check", cls=Verb)
@click.argument("name")
@_PORT
@port_options
def profile_check(desk: Desk, /, name: str, port: str | None) -> None:
    """What profile NAME does not know yet, what that forbids, and what cannot be right.

    With a port, or a machine attached, also against what is live there.

    \b
    Example: plumbelt profile check heron
    """
    from agent.change.completeness import check
    from agent.store.profiles import load_profile

    found = load_profile(name)
    live = None
    if port is not None:
        with one_shot(desk, port):
            live = desk.session.contact.read_back()
    elif desk.session.contact.link is not None and desk.session.profile.name == found.name:
        live = desk.session.contact.read_back()
    checked = check(found, live)
    desk.screen.answer(checked.to_plain(), lambda: _say_checked(desk, checked))
    if not checked.complete or checked.findings:
        raise click.exceptions.Exit(1)


def _say_checked(desk: Desk, checked: Checked) -> None:
    if not checked.gaps and not checked.findings:
        desk.screen.say("Complete: nothing is missing, and nothing in it is doubtful.")
    if checked.gaps:
        desk.screen.table(
            ["not known", "what that forbids"],
            [(gap.key, gap.forbids) for gap in checked.gaps],
        )
    for finding in checked.findings:
        desk.screen.say(f"! {finding}")


# --- edit and set --------------------------------------------------------------------------------


@click.command("edit", cls=Verb)
@click.argument("name")
def profile_edit(desk: Desk, /, name: str) -> None:
    """Open profile NAME in your editor ($VISUAL or $EDITOR) and check it on leaving.

    A text with mistakes is kept beside the file and opened again; the profile changes only to what
    can be read.

    \b
    Example: plumbelt profile edit mine
    """
    from agent.store.atomic import ABSENT, stamp_of, write_file
    from agent.store.nodes import read_file
    from agent.store.profiles import find_profile, profile_path, read_profile

    source = find_profile(name)
    words = _editor()
    place = profile_path(name) if _is_ready(source) else source
    before = read_file(source)
    stamp = ABSENT if place != source else stamp_of(before)
    draft = place.with_name(place.name + ".edited")
    place.parent.mkdir(parents=True, exist_ok=True)
    if draft.exists():
        desk.screen.say(f"Going on with {draft}, which still has errors in it.")
    else:
        draft.write_bytes(before)
    while True:
        _open_with(words, draft)
        text = read_file(draft)
        if text == before:
            draft.unlink()
            desk.screen.answer({"file": str(place), "changed": False}, "Nothing was changed.")
            return
        try:
            read_profile(text, str(draft))
            break
        except BadInput as mistakes:
            for problem in mistakes.problems:
                desk.screen.say(f"! {problem}")
            if not desk.screen.agrees("Open it again?"):
                raise BadInput(
                    f"{mistakes.what}; {place} is as it was",
                    problems=mistakes.problems,
                    remedy=f"Your text is kept in {draft}; 'profile edit {name}' goes on with it",
                ) from None
    try:
        write_file(place, text.decode("utf-8"), expect=stamp)
    except Refused as refusal:
        raise Refused(refusal.what, remedy=f"Your text is kept in {draft}") from None
    draft.unlink()
    desk.screen.answer({"file": str(place), "changed": True}, f"Written: {place}")


def _is_ready(path: Path) -> bool:
    from agent.store.home import ready_profiles

    return path.parent == ready_profiles()


def _editor() -> list[str]:
    """The words that start the user's editor.  Raises Refused where none is named."""
    import os
    import shlex

    named = os.environ.get("VISUAL") or os.environ.get("EDITOR") or ""
    try:
        words = shlex.split(named)
    except ValueError as refusal:
        raise Refused(
            f"the editor {named!r} cannot be started ({str(refusal).lower()})",
            remedy="Close the quote in EDITOR or VISUAL",
        ) from None
    if not words:
        raise Refused(
            "no editor is named", remedy="Set EDITOR to one; 'profile set KEY VALUE' needs none"
        )
    return words


def _open_with(editor: list[str], path: Path) -> None:
    """Raises Refused where the editor fails; the text stays."""
    import subprocess

    try:
        code = subprocess.call([*editor, str(path)])
    except OSError as error:
        raise Refused(
            f"the editor '{' '.join(editor)}' cannot be started ({error})",
            remedy=f"Your text is kept in {path}",
        ) from None
    if code:
        raise Refused(f"the editor left with code {code}", remedy=f"Your text is kept in {path}")


@click.command("set", cls=Verb)
@click.argument("key")
@click.argument("value", nargs=-1, required=True)
@click.option("--profile", "name", help="of this profile instead of the machine at hand")
def profile_set(desk: Desk, /, key: str, value: tuple[str, ...], name: str | None) -> None:
    """Tell one KEY of a profile, such as mechanics.gantry_angle_deg 35, and keep it.

    Everything else in the file stays as it was written.

    \b
    Example: plumbelt profile set mechanics.belt_loop_mm 1460 --profile mine
    """
    kept, path = keep_key(desk, key, " ".join(value), name)
    document = {"key": key, "file": None if path is None else str(path), "profile": kept.name}
    where = "for this session; 'profile save NAME' keeps it" if path is None else f"in {path}"
    desk.screen.answer(document, f"{key} is kept {where}.")


def keep_key(
    desk: Desk, key: str, typed: str, name: str | None = None
) -> tuple[Profile, Path | None]:
    """As `keep_value`, for a value as typed."""
    return keep_value(desk, key, _value(typed), name)


def keep_value(
    desk: Desk, key: str, value: Any, name: str | None = None
) -> tuple[Profile, Path | None]:
    """Set one key of a profile and of the session; the file it went to, None where there is none.

    Raises BadInput for a key or value that a profile cannot have, and nothing is changed then.
    """
    from agent.store.atomic import ABSENT, stamp_of, write_file
    from agent.store.editing import with_key
    from agent.store.nodes import read_file
    from agent.store.profiles import (
        find_profile,
        profile_names,
        profile_path,
        profile_text,
        read_profile,
    )

    session = desk.session
    wanted = name or session.profile.name
    has_file = name is not None or wanted in profile_names()
    source = find_profile(wanted) if has_file else None
    before = profile_text(session.profile).encode() if source is None else read_file(source)
    try:
        text = with_key(before.decode("utf-8"), key, value)
        kept = read_profile(text.encode(), "profile set")
    except ValueError as refusal:
        raise wrong_line([Problem(COMMAND_LINE, None, key, str(refusal))], "profile set") from None
    except BadInput as mistakes:
        problems = [Problem(COMMAND_LINE, None, p.key or key, p.what) for p in mistakes.problems]
        raise wrong_line(problems, "profile set") from None
    path = None
    if source is not None:
        ready = _is_ready(source)
        path = profile_path(wanted) if ready else source
        write_file(path, text, expect=ABSENT if ready else stamp_of(before))
    if session.profile.name == kept.name:
        told = read_profile(
            with_key(profile_text(session.profile), key, value).encode(), "profile set"
        )
        session.contact.use(told)
    return kept, path


def _value(typed: str) -> Any:
    """A value as typed: YAML's own plain forms, numbers kept as they are."""
    import yaml

    from agent.store.yamltext import Bare

    text = typed.strip().replace(",", ".") if typed.count(",") == 1 and " " not in typed else typed
    try:
        found = yaml.safe_load(text)
    except yaml.YAMLError:
        return typed
    if isinstance(found, Mapping):
        return found
    return found if isinstance(found, list) else Bare(text)


def keep_drive(
    desk: Desk, role: Role, drive: Drive, name: str | None = None
) -> tuple[Profile, Path | None]:
    """Keep the drive of one axis beside those of the others; else as `keep_value`."""
    from agent.store.machine import drive_plain
    from agent.store.profiles import load_profile

    profile = desk.session.profile
    if name is not None and name != profile.name:
        profile = load_profile(name)
    drives = {r: drive_plain(d) for r, d in profile.mechanics.drives.items()}
    return keep_value(desk, DRIVES, {**drives, role: drive_plain(drive)}, name)


#: How the answer to a key of several values is typed.
_TYPED: Final = {
    TRAVEL: "three numbers in mm: across, gantry, belt",
    DRIVES: "its parts: 'teeth 20 pitch 2', 'lead 8', 'roller 28 belt 1.0', 'ratio 3', 'micro 32'",
}


def _keep_told(desk: Desk, key: str, typed: str, name: str | None) -> None:
    """Keep what was typed for a key that a verb lacks.  Raises BadInput."""
    from agent.model.interview import read_drive, read_travel

    try:
        if key == TRAVEL:
            keep_value(desk, key, read_travel(typed), name)
        elif key.startswith(f"{DRIVES}."):
            role = next(role for role in ROLES if key == f"{DRIVES}.{role}")
            keep_drive(desk, role, read_drive(typed), name)
        else:
            keep_key(desk, key, typed, name)
    except ValueError as refusal:
        raise BadInput(str(refusal), remedy="Nothing was kept") from None


def told_now(desk: Desk, missing: Unknown, name: str | None = None) -> bool:
    """Ask for what a verb needs and nobody has told; True if it is known now and kept.

    name  of the profile that the verb was given; None: that of the machine on the bench
    """
    desk.screen.say(f"{missing.what[0].upper()}{missing.what[1:]}.")
    form = next((f", {words}" for key, words in _TYPED.items() if missing.key.startswith(key)), "")
    while True:
        typed = desk.screen.ask(f"{missing.key}{form} (Enter: leave it unknown):")
        if not typed:
            return False
        try:
            _keep_told(desk, missing.key, typed, name)
        except AgentError as error:
            problems = error.problems if isinstance(error, BadInput) else ()
            desk.screen.say("  " + ("; ".join(p.what for p in problems) or error.what))
            continue
        return True
