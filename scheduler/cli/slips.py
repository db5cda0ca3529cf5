"""Slips of the key that the framework refuses in few words: a site file where none is read, and a command
without the word that it needs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import typer
from typer.core import TyperArgument

from scheduler.site.errors import UsageError

SITE_OPTION = "--site"
SITE_ENDING = ".toml"


def check_site_word(name: str, command: Any, words: Sequence[str]) -> None:
    """UsageError: a site stands among the words of a command that reads it as an option alone."""
    options = {opt: param for param in command.params for opt in param.opts if opt.startswith("-")}
    if SITE_OPTION not in options or SITE_OPTION in words:
        return
    takes_words = any(isinstance(param, TyperArgument) for param in command.params)
    before = ("", *words)
    for word, last in zip(words, before, strict=False):
        of_option = last in options and not options[last].is_flag
        if word.startswith("-") or of_option:
            continue
        if word.endswith(SITE_ENDING) or (not takes_words and _names_site(word)):
            write = f"fallinghead {name} {SITE_OPTION} {word}"
            raise UsageError(f"read {word}; here the site is named by an option: write {write}")


def _names_site(word: str) -> bool:
    from scheduler.site.examples import EXAMPLES

    return Path(word).is_file() or word in EXAMPLES


def explain_missing(error: typer.BadParameter) -> None:
    """To an argument that is missing, what it names and an example of the whole."""
    if error.message or not isinstance(error.param, TyperArgument) or error.ctx is None:
        return
    told = (error.param.help, error.ctx.command.epilog)
    error.message = " ".join(f"{words.rstrip('.')}." for words in told if words)
