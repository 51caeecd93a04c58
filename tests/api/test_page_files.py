"""The page's files: compressed, checked every time, nothing outside the folder; and the headers of every answer."""

from __future__ import annotations

import gzip
import os
from collections.abc import Iterator

import pytest

from api.headers import ALWAYS, POLICY
from tests.api.rig import Rig


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    folder = tmp_path_factory.mktemp("page")
    web = folder / "web"
    (web / "vendor").mkdir(parents=True)
    (web / "index.html").write_text("<!doctype html><title>Page</title>" + "x" * 2_000)
    (web / "vendor" / "a.js").write_text("export const a = 1;")
    (web / "font.woff2").write_bytes(b"wOF2")
    (web / ".hidden.js").write_text("no")
    (web / "notes.py").write_text("no")
    (folder / "outside.js").write_text("no")
    os.symlink(folder / "outside.js", web / "link.js")
    with Rig(folder / "data", web=web) as rig:
        yield rig


@pytest.mark.parametrize("path, kind", [("/", "text/html"), ("/index.html", "text/html"), ("/vendor/a.js", "text/javascript"),
                                        ("/font.woff2", "font/woff2")])
def test_a_file_has_its_type_and_is_asked_for_every_time(page: Rig, path: str, kind: str) -> None:
    answer = page.get(f"/!{path}")
    assert answer.status_code == 200 and answer.headers["content-type"].startswith(kind)
    assert answer.headers["cache-control"] == "no-cache"
    again = page.get(f"/!{path}", headers={"If-None-Match": answer.headers["etag"]})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", answer.headers["etag"])


def test_a_changed_file_is_served_at_once_under_a_new_etag(page: Rig) -> None:
    path = page.settings.web / "vendor" / "a.js"
    before = page.get("/!/vendor/a.js").headers["etag"]
    path.write_text("export const a = 22;")
    answer = page.get("/!/vendor/a.js", headers={"If-None-Match": before})
    assert (answer.status_code, answer.text) == (200, "export const a = 22;")


def test_text_is_compressed_once_and_for_those_who_take_it(page: Rig) -> None:
    packed = page.get("/!/", headers={"Accept-Encoding": "gzip"})
    plain = page.get("/!/", headers={"Accept-Encoding": "identity"})
    assert packed.headers["content-encoding"] == "gzip" and packed.text == plain.text
    assert int(packed.headers["content-length"]) < 200 < int(plain.headers["content-length"])
    assert "content-encoding" not in page.get("/!/font.woff2").headers
    assert gzip.decompress(gzip.compress(plain.content)) == plain.content


@pytest.mark.parametrize("path", [
    "/none.js", "/.hidden.js", "/notes.py", "/link.js", "/vendor", "/vendor/", "/..%2foutside.js", "/vendor/../../outside.js",
    "/%2e%2e/outside.js", "/vendor//a.js", "/a%00.js", "//etc/passwd", "/index.html/", "/vendor/%2e/a.js"])
def test_nothing_else_is_there(page: Rig, path: str) -> None:
    answer = page.get(f"/!{path}")
    assert (answer.status_code, answer.headers["content-type"]) == (404, "application/problem+json")


@pytest.mark.parametrize("path", ["/!/", "/!/none.js", "/now", "/nonsense", "/problems/busy"])
def test_every_answer_carries_the_headers(page: Rig, path: str) -> None:
    answer = page.get(path)
    assert {name: answer.headers[name] for name in ALWAYS} == ALWAYS


def test_a_refusal_carries_the_headers_too(page: Rig) -> None:
    answer = page.get("/now", headers={"Host": "example.org"})
    assert (answer.status_code, answer.headers["content-security-policy"]) == (403, POLICY)


def test_the_policy_allows_only_this_very_host() -> None:
    sources = {word for part in POLICY.split("; ") for word in part.split()[1:]}
    assert sources == {"'none'", "'self'"}


def test_json_is_compressed_and_never_kept(page: Rig) -> None:
    answer = page.get("/now", headers={"Accept-Encoding": "gzip"})
    assert (answer.headers["content-encoding"], answer.headers["cache-control"]) == ("gzip", "no-store")
