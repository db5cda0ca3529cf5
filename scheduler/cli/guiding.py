"""The guided commissioning at a terminal: asks, checks, keeps each entry before it asks the next."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import UTC, datetime

from scheduler.cli.printing import say
from scheduler.cli.running import login_name
from scheduler.cli.valve import ValveInHand
from scheduler.report.commissioning import built_of, findings, trims_before
from scheduler.report.draft import Draft, StepDraft, draft_words, read_draft
from scheduler.report.form_dialogue import Talk, doubts, finished, settled, talk
from scheduler.report.forms import GARDEN_STEPS, Form, form_of
from scheduler.site.errors import QuantityError, UsageError
from scheduler.site.model import Site
from scheduler.store.store import Store
from scheduler.survey.sense import Question, questions
from scheduler.survey.tests_done import KINDS, TestKind, site_mark

_KEEP_SO = "  Keep it so (yes, or empty to type it again; from there back leads to earlier entries): "


class _Stopped(Exception):
    pass


class Guide:
    """One talk. Everything typed is in the store before the next question is asked."""

    def __init__(self, site: Site, store: Store, who: str | None, named: str) -> None:
        """``named``: how the site file was named, for the commands to type."""
        self._site = site
        self._named = named
        self._store = store
        self._valve = ValveInHand(site)
        found = read_draft(store.draft())
        now = datetime.now(UTC)
        self._draft = found or Draft(who=who or login_name(), begun=now)
        if found is not None:
            say(f"Half done before: {draft_words(found)}. It goes on from there.")
            if who is not None:
                self._draft = self._draft.model_copy(update={"who": who})

    def run(self, kind: TestKind | None, zone: str | None) -> None:
        """One step, or all that are due. A stop, an end of input and a break of the keyboard all keep it."""
        say("At any question type back, skip or stop. Everything typed is kept at once.")
        try:
            if kind is not None:
                self._step(kind, self._zone_for(kind, zone))
            else:
                self._all_due(zone)
        except (_Stopped, EOFError, KeyboardInterrupt):
            say("")
            say(f"Stopped; everything typed is kept. Go on with: fallinghead commission {self._named}")
            return
        finally:
            self._valve.shut(self._draft.who)
        if self._draft.at_work is None and not self._draft.left:
            self._store.clear_draft()

    def _zone_for(self, kind: TestKind, zone: str | None) -> str | None:
        if kind in GARDEN_STEPS:
            return None
        if zone is None and len(self._site.zones) > 1:
            raise UsageError(f"say which zone: --zone {' or --zone '.join(z.id for z in self._site.zones)}")
        return zone or self._site.zones[0].id

    def _all_due(self, zone: str | None) -> None:
        waiting = self._draft.at_work
        if waiting is not None and zone in (None, waiting.zone):
            self._step(waiting.kind, waiting.zone)
        # What was skipped in an earlier talk is asked again in this one.
        self._draft = self._draft.model_copy(update={"skipped": ()})
        while (due := self._next_due(zone)) is not None:
            self._step(*due)
        say(f"Nothing more is due. The sheet: fallinghead sheet {self._named} --html sheet.html")

    def _next_due(self, zone: str | None) -> tuple[TestKind, str | None] | None:
        built = built_of(self._site, self._store.test_records(), datetime.now(UTC))
        steps = [(d.kind, d.zone) for d in built.all_due if zone in (None, d.zone)]
        zones = [None, *(z.id for z in self._site.zones)]
        steps.sort(key=lambda s: (zones.index(s[1]), KINDS.index(s[0])))
        return next((s for s in steps if s not in self._draft.skipped), None)

    def _step(self, kind: TestKind, zone: str | None) -> None:
        form = form_of(self._site, kind, zone)
        step = self._draft.typed_before(kind, zone)
        self._keep(self._draft.working(step))
        say("")
        say(f"== {form.title}")
        say(form.words)
        say(f"Caution: {form.cautions}")
        if form.opens_valve:
            say(self._valve.words(kind))
        if step.typed:
            say(f"{len(step.typed)} entries were typed before; the last was {step.typed[-1]!r}.")
        begun = datetime.now(UTC)
        self._ask(form, zone)
        self._valve.shut(self._draft.who)
        self._account(kind, zone, begun)

    def _account(self, kind: TestKind, zone: str | None, begun: datetime) -> None:
        """Once the valve is shut: what this step let out through open line ends."""
        for kept in self._store.test_records():
            record = kept.record
            if kind == "flush" and record.kind == "flush" and record.zone == zone and record.at >= begun:
                self._valve.account(record, begun, self._draft.who)

    def _keep(self, draft: Draft) -> None:
        self._draft = draft
        self._store.save_draft(draft.model_dump_json(), datetime.now(UTC))

    def _typed(self, texts: Sequence[str]) -> None:
        assert self._draft.at_work is not None
        step = self._draft.at_work.model_copy(update={"typed": tuple(texts)})
        self._keep(self._draft.working(step))

    def _ask(self, form: Form, zone: str | None) -> None:
        """Entries until the form is full and stands, or is skipped."""
        while True:
            step = self._draft.at_work
            assert step is not None
            at = self._talk(form, step)
            if at.asked is None:
                if self._finish(form, zone, step):
                    return
                continue
            text = self._line(at.prompt())
            word = text.strip().lower()
            if word == "back":
                self._typed(step.typed[:-1])
            elif word == "skip":
                self._keep(self._draft.skipping(step))
                return
            elif word.split()[:1] == ["open"] and form.opens_valve:
                self._valve.open(form.kind, zone, text.strip()[4:].strip(), self._draft.who)
            elif word == "shut" and form.opens_valve:
                self._valve.shut(self._draft.who, asked=True)
            else:
                self._entry(form, zone, step, at, text)

    def _talk(self, form: Form, step: StepDraft) -> Talk:
        """Where it stands; texts that the garden's site file no longer allows are dropped, and said so."""
        typed = step.typed
        while True:
            try:
                at = talk(form, typed)
            except QuantityError as error:
                say(f"{typed[-1]!r} no longer fits the site file and is asked again: {error.remedy}.")
                typed = typed[:-1]
                self._typed(typed)
            else:
                return at

    def _entry(self, form: Form, zone: str | None, step: StepDraft, at: Talk, text: str) -> None:
        assert at.asked is not None
        text = settled(at.asked, text, datetime.now(UTC))
        try:
            asked = doubts(self._site, form, zone, (*step.typed, text))
        except QuantityError as error:
            say(f"  Read {error.read}: {error.remedy}.")
            return
        if self._stands(asked):
            self._typed((*step.typed, text))

    def _stands(self, asked: Sequence[Question]) -> bool:
        """Whether it may be taken: not refused, and each question answered with yes."""
        refused = [q for q in asked if q.refused]
        for question in refused:
            say(f"  {question.text} Type it again, or back.")
        if refused:
            return False
        for question in asked:
            say(f"  {question.text}")
            said = self._line(_KEEP_SO).strip().lower()
            if said not in ("yes", "y"):
                return False
        return True

    def _finish(self, form: Form, zone: str | None, step: StepDraft) -> bool:
        """True: the record is kept. False: the last entry is to be typed again."""
        now = datetime.now(UTC)
        kept = self._store.test_records()
        rounds = trims_before(kept, zone, now)
        record = finished(form, step.typed, zone=zone, at=now, who=self._draft.who, trims_before=rounds)
        asked_already = doubts(self._site, form, zone, step.typed)
        seen = {q.text for q in asked_already}
        whole = [q for q in questions(self._site, record) if q.about and q.text not in seen]
        if not self._stands(self._of_whole(form, zone, step, whole)):
            self._typed(step.typed[:-1])
            say("  The last entry is asked again; type back to change an earlier one.")
            return False
        number = self._store.add_test_record(record, site_mark(self._site, zone))
        self._keep(self._draft.done(step))
        say(f"Kept as record {number}.")
        for line in findings(self._site, self._store.test_records(), record, now)[0]:
            say(line)
        return True

    def _of_whole(
        self, form: Form, zone: str | None, step: StepDraft, whole: Sequence[Question]
    ) -> list[Question]:
        """Questions that no single entry had raised before."""
        seen: set[str] = set()
        for count in range(1, len(step.typed) + 1):
            seen |= {q.text for q in doubts(self._site, form, zone, step.typed[:count])}
        return [q for q in whole if q.text not in seen]

    def _line(self, prompt: str) -> str:
        """One line of input. ``stop`` ends the talk anywhere; so does the end of the input."""
        sys.stdout.write(prompt)
        sys.stdout.flush()
        read = sys.stdin.readline()
        if not read:
            raise EOFError
        if not sys.stdin.isatty():
            say("")
        if read.strip().lower() == "stop":
            raise _Stopped
        return read.rstrip("\n")
