"""Sentences that point to commands, as a page says them: here there are forms."""

from __future__ import annotations

import re

from scheduler.site.showing import give_or_take

# What a person tells or asks by a form of the page; every other command is for whoever sits at the Pi.
_TOLD = "measured|took|topped-up|gave|rained|water|hold|ration|rank|winter|away|care|quiet|resume|stop"
_COMMAND = rf"fallinghead (?:{_TOLD})(?: [A-Z][A-Z ]*)?"
# In brackets, or as the last clause of a sentence: there it says nothing that the page has not.
_BESIDE = re.compile(
    r" \((?:fallinghead |--)[^)]*\)"
    r"|(?<=\.) Ask survey --advice what helps\."
    r"|(?:;|\.) (?:then tell(?: it)?|To choose another way|More): fallinghead [^.]*",
    re.IGNORECASE,
)
# As what is to be done.
_TO_DO = re.compile(rf": {_COMMAND}(?:, {_COMMAND})*(?![\w-])")

# How a site file is checked at the Pi, within brackets that say more.
_CHECK = re.compile(r": fallinghead check [^)]*(?=\))")

# As a terminal shows a figure and its doubt.
_DOUBT = re.compile(r"(\d[\d.]* \w+) \+- (\d[\d.]* \w+)")


def for_page(text: str) -> str:
    """Without commands that have a form here, and without the marks that the terminal shows a key by; a doubt
    stands by its figure as elsewhere on the page."""
    text = _TO_DO.sub(" (Tell and ask)", _BESIDE.sub("", text)).replace("`", "")
    return _DOUBT.sub(lambda found: give_or_take(found[2], found[1]), text)


def for_round(text: str) -> str:
    """The same of a garden that is not the page's own: no form here is for it."""
    return _TO_DO.sub("", _BESIDE.sub("", _CHECK.sub("", text))).replace("`", "")
