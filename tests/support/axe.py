"""What axe-core finds wrong with a page."""

from __future__ import annotations

from collections.abc import Sequence

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# Those whose outcome hangs on colours and on the width of the window.
SEEN = ("color-contrast", "link-in-text-block", "scrollable-region-focusable", "target-size")


def faults_of(page: Page, rules: Sequence[str] | None = None) -> list[str]:
    """Rule, element and reason of each violation, a line each. ``rules``: only these; None: all."""
    only = {"type": "tag", "values": RULES} if rules is None else {"type": "rule", "values": list(rules)}
    found = Axe().run(page, options={"runOnly": only, "resultTypes": ["violations"]})
    return [
        f"{violation['id']}: {node['html'][:120]} {node['failureSummary']}"
        for violation in found.response["violations"]
        for node in violation["nodes"]
    ]
