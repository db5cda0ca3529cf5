"""Requests drawn from the page's own OpenAPI description, good and bad, sent to the page of a garden.

By hand: ``PYTHONPATH=. python -m tests.web.openapi_cases 5000`` (some minutes).
"""

from __future__ import annotations

import re
import sys
import tempfile
from collections import Counter
from datetime import timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode

from scheduler.web.guard import Guard
from tests.support.page_garden import HOST, PageGarden, form_of

# What an answer of ours never holds: the marks of a program that fell over.
FALLEN = re.compile(r"Traceback|Internal Server Error|Error at /|sqlalchemy|jinja2\.", re.IGNORECASE)
SEED = 20260726


class Page:
    """A started garden whose visitor is let in again whenever he lost his session."""

    def __init__(self, folder: Path) -> None:
        self.garden = PageGarden(folder)
        self.garden.start()
        self.client = self.garden.let_in()
        self.answers: Counter[int] = Counter()

    def operations(self) -> list[Any]:
        assert isinstance(self.garden.app, Guard)
        described = self.garden.app._app.openapi()  # type: ignore[attr-defined]
        schema = schemathesis.openapi.from_dict(described)
        return [result.ok() for result in schema.get_all_operations()]

    def send(self, case: Any, *, as_form: bool) -> None:
        """``as_form``: with the hidden fields of a form of this session, so that it is acted on."""
        kwargs = case.as_transport_kwargs(base_url=f"https://{HOST}")
        self.garden.hands.monotonic_s += 60.0  # the rates are tested elsewhere
        if as_form and case.method.upper() == "POST":
            kwargs["data"] = _fields(kwargs.pop("data", None), kwargs.pop("json", None)) | self._form()
            kwargs["headers"].pop("Content-Type", None)
        kwargs = {k: kwargs[k] for k in ("method", "url", "headers", "params", "data", "json") if k in kwargs}
        if isinstance(kwargs.get("data"), bytes):
            kwargs["content"] = kwargs.pop("data")
        kwargs["headers"] = {
            k: v for k, v in dict(kwargs["headers"]).items() if k.lower() not in ("cookie", "host")
        }
        answer = self.client.request(**kwargs, follow_redirects=False)
        self.answers[answer.status_code] += 1
        text = answer.text
        assert answer.status_code < 500, (case.as_curl_command(), answer.status_code, text[:300])
        assert not FALLEN.search(text), (case.as_curl_command(), text[:300])
        if answer.status_code != 429:
            assert "default-src 'none'" in answer.headers["content-security-policy"]

    def _form(self) -> dict[str, str]:
        if "/enter" in str(self.client.get("/tell").url):
            self.client = self.garden.let_in(self.garden.visitor())
        return form_of(self.client)


def _fields(data: Any, json: Any) -> dict[str, str]:
    """A drawn body as the fields of a form."""
    found = data if isinstance(data, dict) else json if isinstance(json, dict) else {}
    return {str(k): str(v) for k, v in found.items()}


def cases(page: Page, count: int, *, turn: int = 0) -> None:
    """So many of each operation; the first that is answered wrongly is raised, made small. Another ``turn``
    draws others."""
    for number, operation in enumerate(page.operations()):
        drawn = st.one_of(
            operation.as_strategy(generation_mode=GenerationMode.POSITIVE),
            operation.as_strategy(generation_mode=GenerationMode.NEGATIVE),
        )

        @seed(SEED + 1000 * turn + number)
        @settings(
            max_examples=count,
            deadline=None,
            database=None,
            phases=(Phase.generate, Phase.shrink),
            suppress_health_check=list(HealthCheck),
        )
        @given(case=drawn, as_form=st.booleans())
        def each(case: Any, as_form: bool) -> None:
            page.send(case, as_form=as_form)

        each()


def main(words: list[str]) -> None:
    wanted = int(words[0])
    with tempfile.TemporaryDirectory() as folder, patch("scheduler.link.nudge.nudge", lambda *_, **__: True):
        page = Page(Path(folder))
        operations = page.operations()
        turn = 0
        while page.answers.total() < wanted:  # what has no parameters can hardly be asked differently
            cases(page, -(-wanted // len(operations)), turn=turn)
            turn += 1
        kept = page.garden.store.requests_since(page.garden.now() - timedelta(days=2))
        print(f"seed {SEED}: {page.answers.total()} requests to {len(operations)} operations")
        print(f"answers by status: {dict(sorted(page.answers.items()))}; kept requests: {len(kept)}")
        page.garden.close()


if __name__ == "__main__":
    main(sys.argv[1:])
