"""What a provider answered, or why it could not be reached, in words for people: the reason, without the library's wrapping."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable

from controller.messenger.channels import without_secrets

ANSWER_MAX = 300
QUOTED_MAX = 160
SYSTEM = re.compile(r"\[Errno -?\d+\] ([^'\"()]+)")
TLS = re.compile(r"\[(?:SSL|X509)[^\]]*\] ([^'\"()]+)")
CAUSE = re.compile(r"((?:[A-Za-z][\w ]*)?\b(?:timed out|closed connection|aborted|unexpectedly closed)[\w ]*)")
POOL = re.compile(r"\w+\(host=[^)]*\): ?|Max retries exceeded with url: \S+ ?|<[\w. ]+ object at \w+>:? ?")
SAID = re.compile(r"b'(?:[^'\\]|\\.)*'|b\"(?:[^\"\\]|\\.)*\"", re.DOTALL)
CODE = re.compile(r"^\((\d{3}), (.*)\)$", re.DOTALL)
MARKUP = re.compile(r"<(script|style)\b.*?</\1>|<[^>]*>", re.DOTALL | re.IGNORECASE)
BOXES = re.compile(r"'[^']*': \((\d{3}), ((?:[^()]|\([^()]*\))*)\)")
"""A mail server's refusal of each box, as the library writes it: the address stands on the page already."""
WRAPPED = re.compile(r'Sending email to ".*" failed\.?')
NO_ANSWER = "did not answer: "
"""How the answer begins when there was none."""
HEADS = ("Socket Exception:", "SMTP Exception:", "Response Details:")
"""How lines begin that the library only tells a developer, and that hold the reason."""


def plain(line: str) -> str:
    """One line of the library: what the system or the far end said in it."""
    head = next((one for one in HEADS if line.startswith(one)), "")
    line = SAID.sub(lambda found: decoded(found[0]), line.removeprefix(head).strip())
    if head == HEADS[-1]:
        return quoted(line)
    if WRAPPED.fullmatch(line):
        return ""
    boxes = BOXES.findall(line)
    coded = CODE.match(line)
    if boxes:
        line = "; ".join(dict.fromkeys(f"{code} {tidy(said)}" for code, said in boxes))
    elif coded:
        line = f"{coded[1]} {coded[2]}"
    elif head or POOL.search(line):
        line = reason(line)
    return tidy(line.replace(".,", ","))


def unanswered(line: str) -> str:
    """Why nobody answered, out of a line of the library; empty for one that tells of anything else."""
    told = line.startswith(HEADS[:2]) and not SAID.search(line) and any(known.search(line) for known in (SYSTEM, CAUSE))
    return plain(line) if told else ""


def reason(said: object) -> str:
    """Why something could not be reached, out of an exception or its text."""
    line = str(said)
    for known, head in ((SYSTEM, ""), (TLS, "TLS: "), (CAUSE, "")):
        inner = known.search(line)
        if inner:
            return f"{head}{tidy(inner[1])}"
    return tidy(POOL.sub("", line))[:QUOTED_MAX]


def decoded(said: str) -> str:
    """The text in the written form of bytes."""
    try:
        return bytes(ast.literal_eval(said)).decode(errors="replace")
    except (ValueError, SyntaxError):
        return said[2:-1]


def quoted(said: str) -> str:
    """An answer as text: no markup, one line."""
    return " ".join(MARKUP.sub(" ", said).split())[:QUOTED_MAX]


def tidy(line: str) -> str:
    """On one line, and without the stops at its end: whoever quotes it sets one."""
    return " ".join(line.split()).rstrip(" .;:,")


def joined(lines: Iterable[str], url: str) -> str:
    """Everything that was said, each once, and no secret of the address in it."""
    return without_secrets("; ".join(dict.fromkeys(filter(None, lines))), url)[:ANSWER_MAX]
