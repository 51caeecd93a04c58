"""The page's files from web/: each read once, kept with its gzip and ETag until it changes on disk.

`no-cache` means "ask every time": the answer is a 304 of a few bytes while nothing changed, and a new version of the
page is never mixed with old modules.
"""

from __future__ import annotations

import gzip
import hashlib
import re
from pathlib import Path
from typing import NamedTuple

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.errors import Problem
from api.parts import Service

TYPES = {
    ".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
    ".mjs": "text/javascript; charset=utf-8", ".json": "application/json", ".svg": "image/svg+xml", ".png": "image/png",
    ".ico": "image/x-icon", ".woff2": "font/woff2", ".txt": "text/plain; charset=utf-8",
    ".md": "text/plain; charset=utf-8", ".webmanifest": "application/manifest+json",
}
"""What may be served at all. Anything else in web/ is not there."""
PACKED = frozenset({".png", ".ico", ".woff2"})
"""Compressed already."""
FILE_MAX_BYTES = 4 * 1024 * 1024

router = APIRouter(include_in_schema=False)


class Kept(NamedTuple):
    """One file in memory."""

    stamp: tuple[int, int]
    body: bytes
    packed: bytes
    etag: str


class Files:
    """The files of one folder. Nothing outside it, no folder listing, no hidden file."""

    def __init__(self, root: Path) -> None:
        self._root = root.resolve()
        self._kept: dict[Path, Kept] = {}

    def get(self, name: str) -> tuple[Path, Kept]:
        """Raises Problem not_found."""
        path = self._inside(name)
        stat = path.stat()
        stamp = (stat.st_mtime_ns, stat.st_size)
        kept = self._kept.get(path)
        if kept is None or kept.stamp != stamp:
            kept = self._kept[path] = _read(path, stamp)
        return path, kept

    def _inside(self, name: str) -> Path:
        parts = (name or "index.html").split("/")
        whole = "\0" not in name and not any(part.startswith(".") or not part for part in parts)
        path = self._root.joinpath(*parts).resolve() if whole else self._root
        fits = path.suffix in TYPES and path.is_relative_to(self._root) and path.is_file()
        if not fits or path.stat().st_size > FILE_MAX_BYTES:
            raise Problem("not_found", f"There is no file {name[:80]!r} in the page.")
        return path


def _read(path: Path, stamp: tuple[int, int]) -> Kept:
    body = path.read_bytes()
    packed = b"" if path.suffix in PACKED else gzip.compress(body, 6, mtime=0)
    return Kept(stamp, body, packed, f'"{hashlib.sha256(body).hexdigest()[:20]}"')


def _no_such_address(request: Request) -> Problem:
    """An address of the interface that is not there, or not with this method. Such a request gets this far because the
    page takes every address that nobody else took."""
    path = request.url.path
    takes = sorted(method.upper() for template, methods in request.app.openapi()["paths"].items()
                   if re.fullmatch(re.sub(r"\{[^}]*\}", "[^/]+", template), path) for method in methods)
    if takes:
        return Problem("method", f"{request.method} {path}: this address takes {', '.join(takes)}.",
                       headers={"Allow": ", ".join(takes)})
    return Problem("not_found", f"The interface has no address {path[:80]!r}.")


@router.api_route("/{name:path}", methods=["GET", "HEAD"])
async def page(name: str, request: Request, service: Service) -> Response:
    """A file of the page; `/` is index.html."""
    if name.split("/", 1)[0] == "api":
        raise _no_such_address(request)
    files: Files = request.app.state.files
    path, kept = files.get(name)
    headers = {"Cache-Control": "no-cache", "ETag": kept.etag, "Vary": "Accept-Encoding"}
    if kept.etag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    body = kept.body
    if kept.packed and "gzip" in request.headers.get("accept-encoding", ""):
        body, headers["Content-Encoding"] = kept.packed, "gzip"
    return Response(body, media_type=TYPES[path.suffix], headers=headers)
