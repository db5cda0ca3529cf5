"""What the framework refuses in few words: a site named by an option or by a word, whichever the command does
not read, and a command without the word that it needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import typer
from typer.core import TyperArgument

SITE_OPTION = "--site"
SITE_ENDING = ".toml"


def site_in_its_place(command: Any, words: Sequence[str]) -> list[str]:
    """The words, with the site where this command reads it: ``--site`` and a word alone name it alike."""
    options = {opt: param for param in command.params for opt in param.opts if opt.startswith("-")}
    arguments = [param for param in command.params if isinstance(param, TyperArgument)]
    if SITE_OPTION in options:
        return _as_option(words, options, takes_words=bool(arguments))
    return _as_first(words) if arguments and arguments[0].name == "site" else list(words)


def _as_option(words: Sequence[str], options: Mapping[str, Any], *, takes_words: bool) -> list[str]:
    if any(word.split("=")[0] == SITE_OPTION for word in words):
        return list(words)
    before = ("", *words)
    for n, (word, last) in enumerate(zip(words, before, strict=False)):
        of_option = last in options and not options[last].is_flag
        if word.startswith("-") or of_option:
            continue
        if word.endswith(SITE_ENDING) or (not takes_words and _names_site(word)):
            return [SITE_OPTION, word, *words[:n], *words[n + 1 :]]
    return list(words)


def _as_first(words: Sequence[str]) -> list[str]:
    for n, word in enumerate(words):
        option, given, value = word.partition("=")
        if option == SITE_OPTION and given:
            return [value, *words[:n], *words[n + 1 :]]
        if option == SITE_OPTION and n + 1 < len(words):
            return [words[n + 1], *words[:n], *words[n + 2 :]]
    return list(words)


def _names_site(word: str) -> bool:
    from scheduler.site.examples import EXAMPLES

    return Path(word).is_file() or word in EXAMPLES


def explain_missing(error: typer.BadParameter) -> None:
    """To an argument that is missing, what it names and an example of the whole."""
    if error.message or not isinstance(error.param, TyperArgument) or error.ctx is None:
        return
    told = (error.param.help, error.ctx.command.epilog)
    error.message = " ".join(f"{words.rstrip('.')}." for words in told if words)
