"""What was raised and is not over, who knows of it, and what of it explains what else."""

from __future__ import annotations

from collections.abc import Iterable

from scheduler.control.alarms import RULES
from scheduler.control.effects import Alert, AlertKind

# Of these nobody ever says that they are over: they are found where messages are sent.
WITHOUT_END: frozenset[AlertKind] = frozenset({"care_due", "channel_dead"})


class Standing:
    """Kept by kind and subject. For one thread at a time: whoever shares it guards it.

    ``known``: person, kind and subject of what was told of those alerts by an earlier life.
    """

    def __init__(self, alerts: Iterable[Alert] = (), known: Iterable[tuple[str, str, str]] = ()) -> None:
        self._alerts: dict[tuple[str, str], Alert] = {(a.kind, a.subject): a for a in alerts}
        self._known = {k for k in known if k[1:] in self._alerts}

    @property
    def alerts(self) -> tuple[Alert, ...]:
        """The last raising of each, oldest kind first."""
        return tuple(self._alerts.values())

    def raised(self, alert: Alert) -> None:
        if alert.kind not in WITHOUT_END:
            self._alerts[alert.kind, alert.subject] = alert

    def over(self, kind: AlertKind, subject: str) -> None:
        self._alerts.pop((kind, subject), None)
        self._known = {k for k in self._known if k[1:] != (kind, subject)}

    def told(self, person: str, alert: Alert) -> None:
        if (alert.kind, alert.subject) in self._alerts:
            self._known.add((person, alert.kind, alert.subject))

    def knows(self, person: str, alert: Alert) -> bool:
        return (person, alert.kind, alert.subject) in self._known

    def explains(self, kind: AlertKind) -> bool:
        """Whether something that stands is the cause of such a thing, so that one message tells both."""
        return any(self._causes(kind))

    def cause_known(self, person: str, kind: AlertKind) -> bool:
        """Whether this person was told of a cause of it that stands."""
        return any(self.knows(person, cause) for cause in self._causes(kind))

    def _causes(self, kind: AlertKind) -> list[Alert]:
        hidden_by = RULES[kind].hidden_by
        return [a for a in self._alerts.values() if a.kind in hidden_by] if hidden_by else []
