"""What axe-core finds wrong with a page."""

from __future__ import annotations

from collections.abc import Sequence

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# Those whose outcome hangs on colours and on the width of the window.
SEEN = ("color-contrast", "link-in-text-block", "scrollable-region-focusable", "target-size")


# Only the violations come back to the test; nothing is fetched, for no rule asked for needs it.
_RUN = """async (rules) => {
  const found = await axe.run(document, {runOnly: rules, resultTypes: ["violations"], preload: false});
  return found.violations.flatMap(
    (v) => v.nodes.map((n) => `${v.id}: ${n.html.slice(0, 120)} ${n.failureSummary}`));
}"""


def faults_of(page: Page, rules: Sequence[str] | None = None) -> list[str]:
    """Rule, element and reason of each violation, a line each. ``rules``: only these; None: all."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(Axe().axe_script)
    only = {"type": "tag", "values": RULES} if rules is None else {"type": "rule", "values": list(rules)}
    found: list[str] = page.evaluate(_RUN, only)
    return found
