"""What is vendored is what it says: every file's sum stands in its README, with version and licence beside it."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = [ROOT / "web/vendor/uplot", ROOT / "web/vendor/barlow", ROOT / "tests/browser/vendor/axe-core"]


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_every_vendored_file_has_its_sum_and_licence(folder):
    told = dict(
        re.findall(r"^- (\S+): sha512-(\S+)$", (folder / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    )
    files = [path for path in folder.iterdir() if path.name not in ("README.md", "LICENSE", "VERSION")]
    assert files
    for path in files:
        assert told[path.name] == base64.b64encode(hashlib.sha512(path.read_bytes()).digest()).decode(), path.name
    assert (folder / "LICENSE").stat().st_size > 500


def test_the_page_fetches_nothing_from_elsewhere():
    own = [
        path
        for path in (ROOT / "web").rglob("*")
        if path.suffix in (".html", ".css", ".js") and "vendor" not in path.parts
    ]
    assert len(own) > 20
    found = [
        f"{path.name}: {line.strip()[:80]}"
        for path in own
        for line in path.read_text(encoding="utf-8").splitlines()
        if re.search(r"""(src|href|url|import|fetch)[^\n]*["'(]https?://""", line)
    ]
    assert not found
