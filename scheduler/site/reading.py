"""Reads a site file. Either a whole garden comes out, or every mistake of the file in one report.

The way of a file: ``mending`` parses TOML, ``toml_lines`` finds the lines, ``records`` reads each key by the
table in ``sections``, the ``check_*`` modules hold entries against each other, ``building`` makes the Site.
"""

from __future__ import annotations

from pathlib import Path

from scheduler.site.building import build_site
from scheduler.site.check_plants import check_plants, check_rest
from scheduler.site.check_tank import check_tank
from scheduler.site.check_zones import check_zones
from scheduler.site.errors import SiteFileError, SiteProblem
from scheduler.site.mending import Parsed, parse_toml
from scheduler.site.model import Site
from scheduler.site.own_kinds import check_kinds
from scheduler.site.records import Findings, read_records
from scheduler.site.sections import SITE
from scheduler.site.toml_lines import toml_lines

# A garden of hundreds of plants stays far below this; anything larger is not a site file.
_MOST_BYTES = 2_000_000


def read_site(path: Path) -> Site:
    """The garden that a file describes. Raises SiteFileError with all problems of the file."""
    name = str(path)
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise _whole_file(name, f"{path.stat().st_size} bytes", "this is too large to be a site file")
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise _whole_file(name, f"byte {error.start}", "save the file as UTF-8 text") from error
    except IsADirectoryError as error:
        raise _whole_file(name, "a folder", "name the site file itself") from error
    except OSError as error:
        hint = "check the path; 'fallinghead example' prints one to start from"
        remedy = f"cannot be read ({error.strerror}): {hint}"
        raise _whole_file(name, "", remedy) from error
    return read_site_text(text, name)


def read_site_text(text: str, name: str) -> Site:
    """The garden that a text describes; ``name`` stands for the file in reports. Raises SiteFileError."""
    parsed = parse_toml(text)
    findings = Findings(name, {})
    for broken in parsed.broken:
        findings.problems.append(SiteProblem(name, broken.line, broken.key, broken.read, broken.remedy))
    if parsed.document is not None:
        site = _read_document(parsed, findings)
        if site is not None:
            return site
    raise SiteFileError(findings.sorted())


def _read_document(parsed: Parsed, findings: Findings) -> Site | None:
    """Reads and checks; None when there are problems."""
    assert parsed.document is not None
    findings.lines = toml_lines(parsed.text)
    findings.unreadable = parsed.unreadable
    record = read_records(parsed.document, SITE, findings)
    findings.units = record.get("units") or findings.units
    check_tank(record)
    check_zones(record)
    check_kinds(record)
    check_plants(record)
    check_rest(record)
    return None if findings.problems else build_site(record)


def _whole_file(name: str, read: str, remedy: str) -> SiteFileError:
    return SiteFileError([SiteProblem(name, None, "the file", read, remedy)])
