"""The style of the house as a test: budgets, banned words and calls, what may import what, nothing of this machine.

Every rule collects all offenders and names the replacement. A waiver is a row with its reason; a waiver that is no
longer needed fails too.
"""

from __future__ import annotations

import ast
import re
import subprocess
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

from pip._internal.models.index import PyPI

from tests.tidy import measure
from tests.tidy.measure import ROOT

FUNCTION_LINES_MAX = 60
NESTING_MAX = 4
FILE_LINES_MAX = 400
PRODUCT = ("controller", "api")
ALL = ("controller", "api", "tests")

WAIVERS: dict[str, str] = {}
"""`path:function` or `path`, with the reason why it may be longer or deeper."""

BROAD_HANDLERS: dict[str, str] = {
    "controller/drivers/": "the driver boundary: unplugging raises four unrelated types, one of them no OSError",
}
"""Where everything may be caught and not raised again, with the reason."""

CORE_MAY_IMPORT = {
    "__future__", "collections", "collections.abc", "dataclasses", "enum", "functools", "hashlib", "itertools", "json",
    "math", "operator", "types", "typing", "simple_pid",
}
"""Beside itself. No clock, file, thread, logger or random source is among them."""


class Ban(NamedTuple):
    """A call nobody may write in some folders, and what to write instead."""

    pattern: str
    folders: tuple[str, ...]
    but: tuple[str, ...]
    instead: str


PRINTS = ("controller/cli.py", "controller/cli_", "controller/commands/", "controller/chamber/peer.py", "api/__main__.py")
"""Programs with a terminal: what they print is their output."""

STAMPS = ("controller/drivers/", "controller/records/")
"""Drivers are the clock port; records stamp what no tick has stamped: their own failures, and files set aside."""
BANS = (
    Ban(r"time\.time(_ns)?", ("controller",), STAMPS, "the clock port: time is passed in"),
    Ban(r"(datetime\.)?datetime\.(now|utcnow|today)|(datetime\.)?date\.today", PRODUCT, STAMPS,
        "integer UTC microseconds from the clock port"),
    Ban(r"print", PRODUCT, PRINTS, "an event, a log line, or the command line's own output"),
    Ban(r"time\.sleep", ("controller/core", "controller/link", "controller/records", "api"), (), "a deadline given"),
    Ban(r"(termios\.)?tcdrain", ALL, (), "a write with a time-out: draining has none"),
    Ban(r".*(port|serial|line)\.flush", ("controller",), (), "a write with a time-out: draining has none"),
    Ban(r"(builtins\.)?(eval|exec)|os\.system", PRODUCT, (), "a table, or subprocess with a list"),
    Ban(r"(asyncio\.)?get_event_loop", PRODUCT, (), "asyncio.get_running_loop"),
    Ban(r"random\.(random|randint|choice|gauss|uniform)", PRODUCT, (), "random.Random(seed) passed in"),
)
BANNED_WORDS = {
    r"\bplease\b": "say what to do",
    r"\boops\b": "say what happened",
    r"\bsorry\b": "say what to do next",
    r"(?<!not an )(?<!no )\bemergency[- ]stop\b": "'Stop heating': a button of software is never an emergency stop",
    r"\bfool-?proof\b|\bfail-?safe\b": "say which layer does what",
}
BANNED_FILES = re.compile(r"(^|/)(utils?|helpers?|misc|common)\.(py|js)$")
LEFTOVERS = re.compile(r"#\s*(TODO|FIXME|XXX|HACK)\b|\bbreakpoint\(|\bpdb\b")


def listed(offenders: Iterable[str]) -> str:
    return "\n".join(["", *offenders])


def over(measured: Iterator[tuple[str, int]], most: int, unit: str) -> list[str]:
    return [f"{name}: {size} {unit}, at most {most}" for name, size in measured if size > most and name not in WAIVERS]


def test_functions_fit_on_a_page():
    found = over(((f.name, f.lines) for path in measure.python_files(*ALL) for f in measure.functions(path)),
                 FUNCTION_LINES_MAX, "code lines")
    assert not found, listed(found)


def test_nothing_nests_deeper_than_four():
    found = over(((f.name, f.depth) for path in measure.python_files(*ALL) for f in measure.functions(path)),
                 NESTING_MAX, "levels")
    assert not found, listed(found)


def test_files_do_one_thing_in_four_hundred_lines():
    ours = [path for path in measure.tracked()
            if path.endswith((".py", ".js", ".css", ".c", ".h")) and "/vendor/" not in path]
    found = over(((path, measure.source(path).count("\n")) for path in ours), FILE_LINES_MAX, "lines")
    assert not found, listed(found)


def test_every_waiver_is_still_needed_and_has_a_reason():
    sizes = {f.name: (f.lines, f.depth) for path in measure.python_files(*ALL) for f in measure.functions(path)}
    for name, reason in WAIVERS.items():
        assert len(reason) > 20, f"{name}: a waiver needs its reason"
        if name in sizes:
            lines, depth = sizes[name]
            assert lines > FUNCTION_LINES_MAX or depth > NESTING_MAX, f"{name}: fits now, drop its waiver"
        else:
            assert measure.source(name).count("\n") > FILE_LINES_MAX, f"{name}: fits now, drop its waiver"


def test_every_module_says_what_it_is_for():
    found = [path for path in measure.python_files(*ALL)
             if measure.source(path).strip() and not (ast.get_docstring(measure.tree(path)) or "").strip()]
    assert not found, listed(found)


def banned_calls(ban: Ban) -> Iterator[str]:
    pattern = re.compile(ban.pattern)
    for path in measure.python_files(*ban.folders):
        if not path.startswith(ban.but or ("-",)):
            for line, name in measure.calls(path):
                if pattern.fullmatch(name):
                    yield f"{path}:{line}: {name}(): instead, {ban.instead}"


def test_nobody_calls_what_is_banned():
    found = [offender for ban in BANS for offender in banned_calls(ban)]
    assert not found, listed(found)


def test_strings_use_the_words_of_the_house():
    found = [f"{path}:{line}: {word}: instead, {instead}"
             for path in measure.python_files(*PRODUCT) for line, text in measure.strings(path)
             for word, instead in BANNED_WORDS.items() if re.search(word, text, re.IGNORECASE)]
    pages = [path for path in measure.tracked() if path.startswith("web/") and path.endswith((".js", ".html"))
             and "/vendor/" not in path]
    found += [f"{path}: {word}: instead, {instead}" for path in pages for word, instead in BANNED_WORDS.items()
              if re.search(word, measure.source(path), re.IGNORECASE)]
    assert not found, listed(found)


def test_no_file_is_a_drawer_for_everything():
    found = [path for path in measure.tracked() if BANNED_FILES.search(path)]
    assert not found, listed(found)


def test_nothing_is_left_over():
    found = [f"{path}:{number}: {text.strip()}" for path in measure.python_files(*PRODUCT)
             for number, text in enumerate(measure.source(path).splitlines(), 1) if LEFTOVERS.search(text)]
    assert not found, listed(found)


def test_nobody_catches_everything_and_goes_on():
    found = [f"{path}:{line}: catches everything and goes on" for path in measure.python_files(*PRODUCT)
             for line in measure.broad_handlers(path) if not path.startswith(tuple(BROAD_HANDLERS))]
    assert not found, listed(found)


def test_core_imports_only_what_is_on_its_list():
    found = [f"{path}:{line}: {module}" for path in measure.python_files("controller/core")
             for line, module in measure.imports(path)
             if module not in CORE_MAY_IMPORT and not module.startswith("controller.core") and module != "controller"]
    assert not found, listed(found)


def test_a_test_that_sleeps_is_marked_slow():
    found = [f"{path}:{line}: time.sleep" for path in measure.python_files("tests")
             if Path(path).name.startswith("test_") and "mark.slow" not in measure.source(path)
             for line, name in measure.calls(path) if name == "time.sleep"]
    assert not found, listed(found)


def index_addresses() -> re.Pattern[str]:
    """Package indexes' addresses, asked of the installer and joined here so that none is written down."""
    javascript = ".".join(["registry", "npm" + "js", "org"])
    return re.compile("|".join(map(re.escape, [PyPI.netloc, PyPI.file_storage_domain, javascript])), re.IGNORECASE)


def places_of_this_machine() -> re.Pattern[str]:
    """This checkout's folder and people's home folders."""
    homes = [re.escape(str(ROOT)) + r"\b", "/" + r"root/", "/" + r"home/\w+/", "/" + r"Users/\w+/"]
    return re.compile("|".join(homes))


def lines_with(pattern: re.Pattern[str]) -> Iterator[str]:
    for path in measure.tracked():
        content = (ROOT / path).read_bytes()
        if b"\0" in content:
            continue
        for number, line in enumerate(content.decode("utf-8", "replace").splitlines(), 1):
            if pattern.search(line):
                yield f"{path}:{number}: {line.strip()[:100]}"


def test_no_file_names_a_package_index():
    found = list(lines_with(index_addresses()))
    assert not found, listed(found)


def test_no_file_names_a_place_of_one_machine():
    found = list(lines_with(places_of_this_machine()))
    assert not found, listed(found)


def test_both_locks_carry_a_hash_for_every_library():
    for name in ("requirements.txt", "requirements-test.txt"):
        blocks = re.split(r"\n(?=[a-z])", (ROOT / name).read_text(encoding="utf-8"))
        bare = [block.split()[0] for block in blocks if "==" in block and "--hash=sha256:" not in block]
        assert not bare, listed(bare)


def test_the_build_server_runs_the_verb_everybody_runs():
    script = (ROOT / ".ci/run").read_text(encoding="utf-8")
    assert re.search(r"^exec make test\b", script, re.MULTILINE)
    assert (ROOT / ".ci/run").stat().st_mode & 0o100, ".ci/run must be executable"


def test_make_alone_lists_every_verb():
    printed = subprocess.run(["make"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    for verb in ("run", "test", "check", "campaign", "bench", "rehearse", "clean"):
        assert f"make {verb} " in printed
