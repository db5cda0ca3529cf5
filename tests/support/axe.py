"""What axe-core finds wrong with a page."""

from __future__ import annotations

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def faults_of(page: Page) -> list[str]:
    """Rule, element and reason of each violation, a line each."""
    found = Axe().run(
        page, options={"runOnly": {"type": "tag", "values": RULES}, "resultTypes": ["violations"]}
    )
    return [
        f"{violation['id']}: {node['html'][:120]} {node['failureSummary']}"
        for violation in found.response["violations"]
        for node in violation["nodes"]
    ]
