"""The node's own log, asked for beside the running service with the service's own secrets."""

from __future__ import annotations

from collections.abc import Mapping

from scheduler.link.messages import LogMessage
from scheduler.link.node_log import ask_log
from scheduler.service.places import DEFAULT_USER, TLS_CA_VARIABLE, USER_VARIABLE
from scheduler.service.secrets import Secrets
from scheduler.site.model import Site


def node_log_words(site: Site, environment: Mapping[str, str]) -> tuple[str, ...]:
    """Ask the node; a line for each entry, oldest first. LinkError when it does not answer."""
    secrets = Secrets(environment)
    password = secrets.get("broker_password")
    told = ask_log(
        site.node.id,
        secrets.node_key(site.node.id),
        host=site.broker.host,
        port=site.broker.port,
        username=environment.get(USER_VARIABLE) or (DEFAULT_USER if password else None),
        password=password,
        tls_ca_file=environment.get(TLS_CA_VARIABLE),
    )
    return _words(site.node.id, told)


def _words(node: str, told: LogMessage) -> tuple[str, ...]:
    up_h = told.uptime_ms / 3_600_000
    head = (
        f"Node {node!r} has been up for {up_h:.1f} h and refused {told.refused_total} messages in that time."
    )
    if not told.entries:
        return (head, "Its log is empty.")
    lines = [f"  {_when(ago, at_s, told.uptime_ms)}  {words}" for ago, at_s, words in told.entries]
    return (head, *lines)


def _when(restarts_ago: int, at_s: int, uptime_ms: int) -> str:
    if restarts_ago:
        times = "one restart ago" if restarts_ago == 1 else f"{restarts_ago} restarts ago"
        return f"{times}, {at_s} s after its start"
    return f"{max(0, uptime_ms // 1000 - at_s)} s ago"
