"""A message that waits for a person, and one attempt to send it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from threading import Event, Thread

from scheduler.alerts.addresses import Address
from scheduler.alerts.message import Message
from scheduler.alerts.sending import AddressRefusedError, Sender
from scheduler.control.effects import Alert
from scheduler.site.model import Person


@dataclass(frozen=True, slots=True)
class Told:
    """Somebody was told of this on that local day; what an earlier life hands to the next."""

    person: str
    kind: str
    subject: str
    day: date


@dataclass(slots=True)
class Sending:
    """One attempt in a thread of its own, which may outlive the deadline."""

    done: Event = field(default_factory=Event)
    accepted: bool = False
    why_not: str = ""


@dataclass(slots=True, eq=False)
class Item:
    """One alert that waits for one person, and how far it got."""

    alert: Alert
    person: Person
    address: Address
    told: Told
    number: int
    since: datetime  # it waits, by the wall clock
    due_s: float
    first_s: float = 0.0  # of the first attempt
    attempts: int = 0
    sending: Sending | None = None
    party: tuple[Item, ...] = ()  # what goes in the same message
    with_another: bool = False

    @property
    def fresh(self) -> bool:
        """Not on its way yet, alone or with another."""
        return self.attempts == 0 and not self.with_another


def begin(sending: Sending, send: Sender, address: Address, message: Message) -> None:
    """Sends in a thread of its own. Why it did not go is told without the address."""

    def work() -> None:
        try:
            sending.accepted = send(address, message)
            sending.why_not = "the other side did not take it"
        except AddressRefusedError:
            sending.why_not = "the address is of no kind that can be sent to"
        except Exception as error:  # its text may hold the address: only its kind is told
            sending.why_not = f"sending failed ({type(error).__name__})"
        finally:
            sending.done.set()

    Thread(target=work, name="alert", daemon=True).start()
