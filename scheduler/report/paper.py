"""Pages that ask nothing of any network and print on paper."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined, Template


def template(name: str) -> Template:
    """A page's template: whatever is put into it is escaped, and a value that is missing is an error."""
    environment = Environment(
        loader=PackageLoader("scheduler.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)
