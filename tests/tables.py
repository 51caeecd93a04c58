"""The manual's tables, drawn from the tables of the code. `make tables` writes them; `test_docs.py` holds them current.

A table stands between two comment lines, `<!-- table NAME: make tables -->` and `<!-- end NAME -->`.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path

from controller.core.commands import LEAST_ROLE, Ask
from controller.core.events import EVENT_KINDS
from controller.core.guards import GUARDS, Action
from controller.core.messages import OffReason, RefusalCode
from controller.core.run_states import MOVES, C, S
from controller.exit_codes import MEANINGS, Exit

ROOT = Path(__file__).resolve().parents[1]
MANUAL = ("DEVELOPERS.md",)


def table(head: str, rows: Iterable[tuple[str, ...]]) -> str:
    """A Markdown table; `head` is its column names with a bar between."""
    columns = head.split("|")
    lines = [columns, ["---"] * len(columns), *rows]
    return "\n".join("| " + " | ".join(str(cell).replace("|", "\\|") for cell in line) + " |" for line in lines)


def guards() -> str:
    return table("guard|watches|until|for|does|looks|person|hazards", (
        (f"`{g.id}`", f"`{g.watch}`", f"`{g.limit}`", f"{g.persist_us / 1e6:g} s", Action(g.action).name.lower(),
         g.during.value, g.urgency.value, g.hazards) for g in GUARDS))


def events() -> str:
    return table("kind|fields|meaning", (
        (f"`{kind.value}`", " ".join(f"`{field}`" for field in fields.split()), meaning)
        for kind, (fields, meaning) in EVENT_KINDS.items()))


def commands() -> str:
    return table("command|at least", ((f"`{ask.value}`", LEAST_ROLE[ask].name.lower()) for ask in Ask))


def moves() -> str:
    """In the order of both enumerations: the dictionary's own order depends on a set and differs between processes."""
    return table("state|cause|next", (
        (state.value, cause.value, MOVES[state, cause].value) for state in S for cause in C if (state, cause) in MOVES))


def routes() -> str:
    return table("method|path|what it does", (
        (method.upper(), f"`{path}`", operation.get("summary", ""))
        for path, methods in sorted(openapi()["paths"].items()) for method, operation in methods.items()))


def openapi() -> dict[str, dict[str, dict[str, dict[str, str]]]]:
    """The api's own description of itself."""
    from api.app import create_app
    from api.parts import Settings

    with tempfile.TemporaryDirectory() as folder:
        app = create_app(Settings((Path(folder),), ROOT / "web", 0, real=False, demo=False))
        described: dict[str, dict[str, dict[str, dict[str, str]]]] = app.openapi()
        app.state.house.first.desk.close()
        app.state.house.first.reading.close()
    return described


def verbs() -> str:
    """Every verb of the command line with its help."""
    return table("verb|what it does", (
        (f"`soakwarden {name}`", help_text) for name, help_text in command_line().items()))


def command_line() -> dict[str, str]:
    """Verb -> help, from the argument parser itself."""
    from controller.cli import parser

    actions = [action for action in parser()._actions if isinstance(action, argparse._SubParsersAction)]
    return {choice.dest: choice.help or "" for action in actions for choice in action._choices_actions}


def exits() -> str:
    """Every exit code of the command line."""
    return table("exit code|meaning", ((str(code.value), MEANINGS[code]) for code in Exit))


def codes() -> str:
    return table("number|board's reason to be off|board's refusal", (
        (str(number), _name(OffReason, number), _name(RefusalCode, number))
        for number in sorted({*OffReason, *RefusalCode})))


def _name(kind: type[OffReason] | type[RefusalCode], number: int) -> str:
    return kind(number).name.lower() if number in set(kind) else ""


TABLES: dict[str, Callable[[], str]] = {
    "guards": guards, "events": events, "commands": commands, "moves": moves, "routes": routes, "verbs": verbs,
    "exits": exits, "codes": codes,
}


def between(name: str) -> re.Pattern[str]:
    """The whole of one table's place, markers included."""
    return re.compile(rf"(<!-- table {name}: make tables -->\n).*?(<!-- end {name} -->)", re.DOTALL)


def written(text: str) -> str:
    """`text` with every table in it drawn anew."""
    for name, draw in TABLES.items():
        place = between(name)
        if place.search(text):
            drawn = draw()
            text = place.sub(lambda found, drawn=drawn: f"{found[1]}{drawn}\n{found[2]}", text)
    return text


def main() -> int:
    for name in MANUAL:
        path = ROOT / name
        before = path.read_text(encoding="utf-8")
        after = written(before)
        path.write_text(after, encoding="utf-8")
        print(f"{name}: {'written' if after != before else 'current'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
