"""Measures of Python source: code lines of a function, nesting, calls, broad handlers. From `ast` and `tokenize`."""

from __future__ import annotations

import ast
import io
import subprocess
import tokenize
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
NOT_CODE = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER,
            tokenize.ENCODING}
NESTS = (ast.If, ast.For, ast.While, ast.With, ast.Try, ast.Match, ast.AsyncFor, ast.AsyncWith)
FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)


class Function(NamedTuple):
    """One function or method: where it is, its code lines (no docstring, comment, blank) and its deepest nesting."""

    name: str
    lines: int
    depth: int


@cache
def tracked() -> tuple[str, ...]:
    """Paths of every file git knows and that is still there, relative to the root."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout.decode()
    return tuple(path for path in listed.split("\0") if path and (ROOT / path).is_file())


def python_files(*folders: str) -> list[str]:
    """Tracked Python files below any of `folders`."""
    return [path for path in tracked() if path.endswith(".py") and path.startswith(tuple(f"{f}/" for f in folders))]


@cache
def source(path: str) -> str:
    return (ROOT / path).read_text(encoding="utf-8")


@cache
def tree(path: str) -> ast.Module:
    return ast.parse(source(path), path)


def code_lines(text: str) -> set[int]:
    """Numbers of the lines that hold code."""
    tokens = tokenize.generate_tokens(io.StringIO(text).readline)
    return {line for token in tokens if token.type not in NOT_CODE for line in range(token.start[0], token.end[0] + 1)}


def functions(path: str) -> Iterator[Function]:
    """Every function of a file with its measures; a nested function counts in its own right and in its parent."""
    lines = code_lines(source(path))
    for node in ast.walk(tree(path)):
        if isinstance(node, FUNCTIONS):
            assert node.end_lineno is not None
            yield Function(f"{path}:{node.name}", len(lines & _span(node)), _depth(node.body))


def _span(node: ast.FunctionDef | ast.AsyncFunctionDef) -> set[int]:
    assert node.end_lineno is not None
    span = set(range(node.lineno, node.end_lineno + 1))
    first = node.body[0]
    if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant) and isinstance(first.value.value, str):
        assert first.end_lineno is not None
        span -= set(range(first.lineno, first.end_lineno + 1))
    return span


def _depth(body: list[ast.stmt]) -> int:
    return max((_depth_of(node) for node in body), default=0)


def _depth_of(node: ast.stmt) -> int:
    if isinstance(node, (*FUNCTIONS, ast.ClassDef)) or not isinstance(node, NESTS):
        return 0
    if isinstance(node, ast.Match):
        return 1 + max(_depth(case.body) for case in node.cases)
    below = _depth(node.body)
    if isinstance(node, ast.Try):
        below = max(below, _depth(node.finalbody), *(_depth(handler.body) for handler in node.handlers), 0)
    orelse = getattr(node, "orelse", [])
    # `elif` is one ladder, not one step deeper a rung
    ladder = isinstance(node, ast.If) and len(orelse) == 1 and isinstance(orelse[0], ast.If)
    return max(1 + below, _depth(orelse) + (0 if ladder else 1) if orelse else 0)


def dotted(node: ast.expr) -> str:
    """`time.time` of such an expression; empty where it is not a plain dotted name."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        before = dotted(node.value)
        return f"{before}.{node.attr}" if before else f".{node.attr}"
    return ""


def calls(path: str) -> Iterator[tuple[int, str]]:
    """(line, dotted name) of every call in a file; a method of an expression gives `.name`."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Call):
            yield node.lineno, dotted(node.func)


def imports(path: str) -> Iterator[tuple[int, str]]:
    """(line, module) of every import in a file."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.lineno, node.module


def broad_handlers(path: str) -> Iterator[int]:
    """Lines of handlers that catch everything and do not raise again."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.ExceptHandler) and _catches_all(node) and not _raises(node):
            yield node.lineno


def _catches_all(handler: ast.ExceptHandler) -> bool:
    return handler.type is None or dotted(handler.type) in {"Exception", "BaseException"}


def _raises(handler: ast.ExceptHandler) -> bool:
    return any(isinstance(node, ast.Raise) for node in ast.walk(handler))


def strings(path: str) -> Iterator[tuple[int, str]]:
    """(line, text) of every string constant in a file, docstrings too."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value
