"""The page's list of security (OWASP ASVS 5.0, level 1 and some of level 2): each row names its evidence."""

from __future__ import annotations

import csv
import re
import ssl
from pathlib import Path

import pytest
import uvicorn

from tests.support.page_garden import PageGarden

HERE = Path(__file__).parent
ROWS = list(csv.DictReader((HERE / "page_security.csv").read_text(encoding="utf-8").splitlines()))


def test_all_rows_stand_there() -> None:
    assert len(ROWS) == 11


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r["asvs"])
def test_a_row_names_tests_that_exist_and_whether_it_is_whole(row: dict[str, str]) -> None:
    named = row["tests"].split()
    assert named
    for test in named:
        file, name = test.split("::")
        assert re.search(rf"^def {name}\(", (HERE / file).read_text(encoding="utf-8"), re.MULTILINE), test
    assert re.fullmatch(r"whole(: .{20,})?|partly: .{20,}", row["stands"])


def test_what_is_partly_so_is_what_a_house_cannot_have() -> None:
    """Whoever makes another row partly so says it here too."""
    assert [row["asvs"] for row in ROWS if row["stands"] != "whole" and "partly" in row["stands"]] == [
        "11.x, 12.1.1, 14.2.1"
    ]


@pytest.mark.parametrize(
    "path",
    [
        "/.git/config",
        "/static/",
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/static//etc/passwd",
        "/openapi.json",
        "/docs",
        "/page.json",
        "/templates/now.html",
    ],
)
def test_nothing_but_the_pages_own_files_is_served(started: PageGarden, path: str) -> None:
    answer = started.client.get(path)
    assert answer.status_code == 404
    assert "import " not in answer.text and "root:" not in answer.text


def test_no_page_bears_anything_inline_or_from_elsewhere(started: PageGarden) -> None:
    for path in ("/", "/tell", "/care", "/away", "/day", "/plant/sage", "/leave", "/enter"):
        page = started.client.get(path).text
        assert not re.search(r"<script(?![^>]*\bsrc=)|\son[a-z]+=|javascript:|<style|\sstyle=", page), path
        for address in re.findall(r"""(?:src|href|action)="([^"]+)""", page):
            assert address.startswith(("/", "#", "?")) and not address.startswith("//"), (path, address)


def test_the_page_speaks_no_tls_older_than_1_2() -> None:
    """The server sets no older one, and Python's own default is 1.2 (its documentation, since 3.10)."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    assert context.minimum_version >= ssl.TLSVersion.TLSv1_2
    assert uvicorn.Config("x:y").ssl_version == ssl.PROTOCOL_TLS_SERVER
