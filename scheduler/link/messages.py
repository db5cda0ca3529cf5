"""Every message on the wire, in one place.

Topics (MQTT 3.1.1; QoS 1; nothing is ever retained):

    fallinghead/<node>/order    daemon -> node   open one valve, bounded
    fallinghead/<node>/close    daemon -> node   close one valve or all; always obeyed
    fallinghead/<node>/ask      daemon -> node   say your state, with this challenge in it
    fallinghead/<node>/receipt  daemon -> node   these outcomes are booked; forget them
    fallinghead/<node>/state    node -> daemon   everything the node has to say
    fallinghead/<node>/log      node -> who asked  its last refusals and faults, when an ask wants them
    fallinghead/<site>/nudge    page, commands -> daemon   there is a request in the store
    fallinghead/<site>/alert    daemon -> whoever listens  unsigned JSON

Frames are signed (``signing``): HMAC, a space, one JSON object. Orders and the other messages to a node have
at most 512 bytes, a state or a log 1024. ``version`` is 1; a side that reads another number refuses the
message and says so (the node as a refusal ``version``); an authentic close of another version closes all
valves.

Fresh or stale. The node draws a ``session`` on each connection and counts its states from 1 (``number``).
The daemon asks with a random ``challenge`` whenever it connects or hears a session it does not know; it
believes a session only after one of its states has echoed that challenge, which is then spent, and from then
on only rising numbers with an uptime that does not go back (``freshness``). A recorded state proves nothing.

The node opens only for an order of its present session, with a higher sequence, an order id it has not seen,
and an uptime not past ``start_by_uptime_ms``. A close carries the sequence it was sent after, so that an
order which it overtook on the way no longer opens anything. Outcomes are repeated in every state until a
receipt names them; refusals and pings are told once, and counted.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from scheduler.control.effects import Alert
from scheduler.control.events import NodeHeard
from scheduler.control.orders import (
    EndReason,
    Order,
    Refusal,
    RefusalReason,
    RunOutcome,
    ValvePosition,
    ValveStatus,
)
from scheduler.link.signing import STATE_BYTES_MAX, UntrustedMessageError, open_frame, seal
from scheduler.sensing.belief import LevelReading
from scheduler.site.errors import LinkError

VERSION = 1
ROOT = "fallinghead"
Kind = Literal["order", "close", "ask", "receipt", "state", "log"]
TO_NODE: tuple[Kind, ...] = ("order", "close", "ask", "receipt")

# The same limits stand in firmware_stub/codec.py; tests/link/vectors.json holds both to them.
OPEN_MS_MAX = 86_400_000
UPTIME_MS_MAX = 1 << 52
SEQUENCE_MAX = 1 << 31
RAW_MAX = 1 << 24
RECEIPT_IDS_MAX = 8

Name = Annotated[str, StringConstraints(min_length=1, max_length=40, pattern=r"^[A-Za-z0-9._-]+$")]
Token = Annotated[str, StringConstraints(min_length=1, max_length=32, pattern=r"^[A-Za-z0-9._-]+$")]
Channel = Annotated[int, Field(ge=0, le=255)]
# A site file counts the node's motor drivers from 1, as they are labelled; the wire and the node from 0.
FIRST_CHANNEL = 1
Sequence31 = Annotated[int, Field(ge=0, le=SEQUENCE_MAX)]
Uptime = Annotated[int, Field(ge=0, le=UPTIME_MS_MAX)]
Duration = Annotated[int, Field(ge=0, le=1 << 40)]
Count = Annotated[int, Field(ge=0, le=UPTIME_MS_MAX)]


class _Wire(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class _Message(_Wire):
    version: Literal[1] = 1
    node: Token


class OrderMessage(_Message):
    """Open one valve for at most so long, starting at the latest at that uptime of the node."""

    session: Token
    sequence: Annotated[int, Field(ge=1, le=SEQUENCE_MAX)]
    order_id: Name
    channel: Channel
    open_ms: Annotated[int, Field(ge=1, le=OPEN_MS_MAX)]
    start_by_uptime_ms: Uptime
    low_raw: Annotated[int, Field(ge=0, le=RAW_MAX)] | None = None
    low_side: Literal["above", "below"] | None = None


class CloseMessage(_Message):
    """Close. ``channel`` null: all. Orders up to ``after_sequence`` of that session are void."""

    channel: Channel | None
    session: Token | None
    after_sequence: Sequence31
    nonce: Token


class AskMessage(_Message):
    """Say your state, with this challenge in it; or, where ``log`` is true, your own log (else left out)."""

    challenge: Token
    log: bool | None = None


class ReceiptMessage(_Message):
    order_ids: Annotated[list[Name], Field(max_length=RECEIPT_IDS_MAX)]


class ValveMessage(_Wire):
    channel: Channel
    position: ValvePosition
    order_id: Name | None
    open_ms: Duration


class OutcomeMessage(_Wire):
    order_id: Name
    channel: Channel
    open_ms: Duration
    open_ms_max: Duration
    why: EndReason


class RefusalMessage(_Wire):
    why: RefusalReason
    order_id: Name | None


class ReadingMessage(_Wire):
    """Raw pings in the sensor's own unit, and how long ago they were taken."""

    pings: Annotated[list[Annotated[int, Field(ge=0, le=RAW_MAX)]], Field(max_length=16)]
    age_ms: Uptime
    air_c: Annotated[float, Field(ge=-60, le=90, strict=False)] | None


class PulsesMessage(_Wire):
    """Counted since the node's start, of those counters that are fitted."""

    rain: Count | None = None
    flow: Count | None = None


class StateMessage(_Message):
    """All a node says. Times in ms of its own uptime."""

    session: Token
    number: Annotated[int, Field(ge=1, le=UPTIME_MS_MAX)]
    uptime_ms: Uptime
    last_sequence: Sequence31
    challenge: Token | None
    supply_mv: Annotated[int, Field(ge=0, le=100_000)] | None
    reset_cause: Token | None
    refused_total: Count
    closes: Count
    closes_repeated: Count
    outcomes_dropped: Count
    valves: Annotated[list[ValveMessage], Field(max_length=4)]
    outcomes: Annotated[list[OutcomeMessage], Field(max_length=8)]
    refusals: Annotated[list[RefusalMessage], Field(max_length=8)]
    reading: ReadingMessage | None
    pulses: PulsesMessage | None = None


Restarts = Annotated[int, Field(ge=0, le=999)]
LogEntry = tuple[Restarts, Count, Annotated[str, StringConstraints(max_length=40)]]


class LogMessage(_Message):
    """The node's last refusals and faults, oldest first: ``[restarts ago, seconds of uptime, words]``."""

    challenge: Token | None
    uptime_ms: Uptime
    refused_total: Count
    entries: Annotated[list[LogEntry], Field(max_length=16)]


class AlertMessage(_Wire):
    """What the daemon tells whoever listens; not signed, and nothing acts on it."""

    site: str
    kind: str
    subject: str
    text: str
    advice: str
    urgent: bool
    at: datetime
    cleared: bool = False


Said = TypeVar("Said", StateMessage, LogMessage)


def topic(kind: str, who: str) -> str:
    """``who``: the node, or for nudge and alert the site."""
    return f"{ROOT}/{who}/{kind}"


def _seal(kind: Kind, message: _Message, key: bytes) -> bytes:
    return seal(kind, message.model_dump_json().encode(), key)


def _made(text: str, error: ValidationError) -> LinkError:
    first = error.errors()[0]
    where = ".".join(str(p) for p in first["loc"])
    return LinkError(f"{text}: {where}: read {first.get('input')!r}; {first['msg']}")


def encode_order(order: Order, key: bytes) -> bytes:
    """The signed bytes; LinkError when a value is out of its range (nothing is clamped here)."""
    try:
        message = OrderMessage(
            node=order.node,
            session=order.session,
            sequence=order.sequence,
            order_id=order.order_id,
            channel=order.channel - FIRST_CHANNEL,
            open_ms=order.open_ms,
            start_by_uptime_ms=order.start_by_uptime_ms,
            low_raw=order.low_raw,
            low_side=order.low_side,
        )
    except ValidationError as error:
        raise _made("an order that cannot be sent", error) from error
    if (message.low_raw is None) != (message.low_side is None):
        raise LinkError("an order that cannot be sent: low_raw and low_side go together")
    return _seal("order", message, key)


def encode_close(
    node: str,
    channel: int | None,
    key: bytes,
    *,
    nonce: str,
    session: str | None = None,
    after_sequence: int = 0,
) -> bytes:
    """``nonce``: drawn fresh, so that the node can tell a repeated close from a new one."""
    try:
        message = CloseMessage(
            node=node,
            channel=channel - FIRST_CHANNEL if channel is not None else None,
            session=session,
            after_sequence=after_sequence,
            nonce=nonce,
        )
    except ValidationError as error:
        raise _made("a close that cannot be sent", error) from error
    return _seal("close", message, key)


def encode_ask(node: str, challenge: str, key: bytes, *, log: bool = False) -> bytes:
    """``log``: the node tells its own log; one of an older program answers with its state instead."""
    try:
        message = AskMessage(node=node, challenge=challenge, log=log or None)
        return seal("ask", message.model_dump_json(exclude_none=True).encode(), key)
    except ValidationError as error:
        raise _made("an ask that cannot be sent", error) from error


def encode_receipts(node: str, order_ids: tuple[str, ...], key: bytes) -> tuple[bytes, ...]:
    """As many frames as it takes: one holds eight ids."""
    frames = []
    for at in range(0, len(order_ids), RECEIPT_IDS_MAX):
        try:
            message = ReceiptMessage(node=node, order_ids=list(order_ids[at : at + RECEIPT_IDS_MAX]))
        except ValidationError as error:
            raise _made("a receipt that cannot be sent", error) from error
        frames.append(_seal("receipt", message, key))
    return tuple(frames)


def encode_receipt(node: str, order_ids: tuple[str, ...], key: bytes) -> bytes:
    """One frame of at most eight ids."""
    if len(order_ids) > RECEIPT_IDS_MAX:
        raise LinkError(f"a receipt names at most {RECEIPT_IDS_MAX} orders; read {len(order_ids)}")
    return (
        encode_receipts(node, order_ids, key)
        or (_seal("receipt", ReceiptMessage(node=node, order_ids=[]), key),)
    )[0]


def read_state(raw: bytes, key: bytes, node: str) -> StateMessage:
    """An authentic state of this node; UntrustedMessageError otherwise. ``freshness`` says if it is new."""
    return _read("state", StateMessage, raw, key, node)


def read_log(raw: bytes, key: bytes, node: str) -> LogMessage:
    """An authentic log of this node; UntrustedMessageError otherwise. Its challenge says if it is new."""
    return _read("log", LogMessage, raw, key, node)


def _read(kind: Kind, model: type[Said], raw: bytes, key: bytes, node: str) -> Said:
    body = open_frame(kind, raw, key, STATE_BYTES_MAX)
    try:
        message = model.model_validate_json(body)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(p) for p in first["loc"])
        why = "version" if where == "version" else "malformed"
        text = f"a signed {kind} of {node} that cannot be read: {where}: {first['msg']}"
        raise UntrustedMessageError(why, text) from error
    if message.node != node:
        raise UntrustedMessageError("other_node", f"a {kind} of node {message.node} on the topic of {node}")
    return message


def heard(message: StateMessage, received_at: datetime) -> NodeHeard:
    """The event. ``received_at`` (UTC) less the age of the pings dates the reading."""
    reading = None
    if message.reading is not None and message.reading.pings:
        taken = received_at - timedelta(milliseconds=message.reading.age_ms)
        reading = LevelReading(at=taken, pings=tuple(message.reading.pings), air_c=message.reading.air_c)
    return NodeHeard(
        node=message.node,
        session=message.session,
        uptime_ms=message.uptime_ms,
        last_sequence=message.last_sequence,
        valves=tuple(
            ValveStatus(v.channel + FIRST_CHANNEL, v.position, v.order_id, v.open_ms) for v in message.valves
        ),
        outcomes=tuple(
            RunOutcome(o.order_id, o.channel + FIRST_CHANNEL, o.open_ms, o.open_ms_max, o.why)
            for o in message.outcomes
        ),
        refusals=tuple(Refusal(r.why, r.order_id) for r in message.refusals),
        refused_total=message.refused_total,
        supply_mv=message.supply_mv,
        reset_cause=message.reset_cause,
        reading=reading,
        closes_repeated=message.closes_repeated,
        outcomes_dropped=message.outcomes_dropped,
        flow_pulses=message.pulses.flow if message.pulses is not None else None,
        rain_pulses=message.pulses.rain if message.pulses is not None else None,
    )


def decode_state(raw: bytes, key: bytes, node: str, received_at: datetime) -> NodeHeard:
    """``read_state`` and ``heard`` in one, for shells whose link cannot replay (a rehearsal)."""
    return heard(read_state(raw, key, node), received_at)


def alert_json(site: str, alert: Alert, *, cleared: bool = False) -> bytes:
    message = AlertMessage(
        site=site,
        kind=alert.kind,
        subject=alert.subject,
        text=alert.text,
        advice=alert.advice,
        urgent=alert.urgent,
        at=alert.at,
        cleared=cleared,
    )
    return message.model_dump_json().encode()
