"""One message to one address through apprise, which is loaded when the first one is sent."""

from __future__ import annotations

import logging
from collections.abc import Callable

from scheduler.alerts.addresses import Address
from scheduler.alerts.message import Message

# True: accepted by the other side. May block for long; runs in a thread of its own.
Sender = Callable[[Address, Message], bool]

# Seconds to connect, and of silence. They hold each read only, hence the deadline in ``delivery``.
CONNECT_S = 4
READ_S = 4


class AddressRefusedError(ValueError):
    """The address is of no kind that can be sent to."""


def send_by_apprise(address: Address, message: Message) -> bool:
    """Sends; False when the other side did not take it. Raises AddressRefusedError."""
    _keep_quiet()
    import apprise

    box = apprise.Apprise()
    if not box.add(_with_timeouts(address.url)):
        raise AddressRefusedError
    kind = apprise.NotifyType.WARNING if message.urgent else apprise.NotifyType.INFO
    # The result is an object that is true only when every target took the message.
    return bool(
        box.notify(
            title=message.title, body=message.body, notify_type=kind, body_format=apprise.NotifyFormat.TEXT
        )
    )


def _keep_quiet() -> None:
    """These loggers write addresses, and so passwords, into whatever log is open: they say nothing at all."""
    for name in ("apprise", "urllib3.connectionpool"):
        logging.getLogger(name).disabled = True


def _with_timeouts(url: str) -> str:
    """The address with time limits added, unless it brings its own."""
    missing = [
        f"{key}={value}" for key, value in (("cto", CONNECT_S), ("rto", READ_S)) if f"{key}=" not in url
    ]
    if not missing:
        return url
    return url + ("&" if "?" in url else "?") + "&".join(missing)
