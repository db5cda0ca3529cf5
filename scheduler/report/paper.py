"""Pages that ask nothing of any network and print on paper."""

from __future__ import annotations

import re
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

# The space between a figure and its unit, in what is read: a tag's own words stay as they are.
_BEFORE_UNIT = re.compile(
    r"(?<=\d) (?=(?:L/h|L|gal|gph|gpm|%|mm|cm|m2|m|ft2|ft|in|kPa|psi|°[CF]|s|min|h|d)(?![\w/])(?![^<>]*>))"
)


class Page(Template):
    """A template whose page ends no line between a figure and its unit."""

    def render(self, *args: Any, **values: Any) -> str:
        return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", super().render(*args, **values))


def template(name: str) -> Template:
    """A page's template: whatever is put into it is escaped, and a value that is missing is an error."""
    environment = Environment(
        loader=PackageLoader("scheduler.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.template_class = Page
    return environment.get_template(name)
