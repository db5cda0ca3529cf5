"""The commissioning that is half done: which step, and every text typed for it so far."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict, ValidationError

from scheduler.site.errors import StoreError
from scheduler.survey.tests_done import TestKind


class StepDraft(BaseModel):
    """What was typed for one step. ``ahead``: what was typed behind the place that was gone back to; it is
    offered again, question by question."""

    model_config = ConfigDict(frozen=True)

    kind: TestKind
    zone: str | None
    typed: tuple[str, ...] = ()
    ahead: tuple[str, ...] = ()

    @property
    def entries(self) -> tuple[str, ...]:
        """All that was typed and stands."""
        return (*self.typed, *self.ahead)


class Draft(BaseModel):
    """``at_work``: the step that is being asked. ``left``: steps that were begun and skipped; what was typed
    for them waits. ``skipped``: not asked again in this round."""

    model_config = ConfigDict(frozen=True)

    who: str
    begun: datetime
    at_work: StepDraft | None = None
    left: tuple[StepDraft, ...] = ()
    skipped: tuple[tuple[TestKind, str | None], ...] = ()

    def typed_before(self, kind: TestKind, zone: str | None) -> StepDraft:
        """What waits of a step, or a fresh one."""
        for step in (self.at_work, *self.left):
            if step is not None and (step.kind, step.zone) == (kind, zone):
                return step
        return StepDraft(kind=kind, zone=zone)

    def working(self, step: StepDraft) -> Draft:
        """At work on a step; what was at work before it waits."""
        here = (step.kind, step.zone)
        others = [
            s for s in (*self.left, self.at_work) if s is not None and s.entries and (s.kind, s.zone) != here
        ]
        return self.model_copy(update={"at_work": step, "left": tuple(others)})

    def done(self, step: StepDraft) -> Draft:
        here = (step.kind, step.zone)
        left = tuple(s for s in self.left if (s.kind, s.zone) != here)
        return self.model_copy(update={"at_work": None, "left": left})

    def skipping(self, step: StepDraft) -> Draft:
        waits = self.done(step)
        left = (*waits.left, step) if step.entries else waits.left
        skipped = (*self.skipped, (step.kind, step.zone))
        return waits.model_copy(update={"left": left, "skipped": skipped})


def read_draft(text: str | None) -> Draft | None:
    if text is None:
        return None
    try:
        return Draft.model_validate_json(text)
    except ValidationError as error:
        raise StoreError(
            f"The half-done commissioning cannot be read: {error.errors()[0]['msg']}."
        ) from error


def draft_words(draft: Draft) -> str | None:
    """What waits, for people; None where nothing was typed that does."""
    steps = [s for s in (draft.at_work, *draft.left) if s is not None and s.entries]
    told = [
        f"{s.kind.replace('_', '-')}{f' of {s.zone}' if s.zone else ''} ({_count(len(s.entries))} typed)"
        for s in steps
    ]
    return f"{', '.join(told)}; begun by {draft.who}" if told else None


def _count(entries: int) -> str:
    return "1 entry" if entries == 1 else f"{entries} entries"
