"""The guided commissioning at a terminal: asks, checks, keeps each entry before it asks the next."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from statistics import median

from scheduler.cli.printing import say
from scheduler.cli.running import login_name
from scheduler.cli.valve import ValveInHand
from scheduler.report.commissioning import built_of, findings, trims_before
from scheduler.report.draft import Draft, StepDraft, draft_words, read_draft
from scheduler.report.form_dialogue import EMPTY, Talk, doubts, finished, settled, talk
from scheduler.report.form_examples import with_examples
from scheduler.report.forms import GARDEN_STEPS, Form, form_of
from scheduler.site.errors import QuantityError, UsageError
from scheduler.site.model import Site
from scheduler.store.store import Store
from scheduler.survey.sense import Question, questions
from scheduler.survey.tests_done import KINDS, CatchCans, TestKind, site_mark

_KEEP_SO = "  Keep it so (yes, or empty to type it again; from there back leads to earlier entries): "
_NOTHING_CAUGHT = (
    "  Nothing was caught: keep it (dry: a can stood under every emitter and stayed dry), or leave it "
    "(leave: not measured, and the test stays due)? "
)
# What a dry can is kept as: measured, and nothing in it.
_DRY_CAN = "0 L"
# The service keeps readings up to half an hour late; older ones say nothing of the water as it stands now.
_FRESH = timedelta(minutes=45)


class _Stopped(Exception):
    pass


class _Skipped(Exception):
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
        self._agreed: set[str] = set()  # what the person said is so, in the step at work
        if found is not None and who is not None:
            self._draft = self._draft.model_copy(update={"who": who})

    def run(self, kind: TestKind | None, zone: str | None) -> None:
        """One step, or all that are due. A stop, an end of input and a break of the keyboard all keep it."""
        say(
            "At any question type back, skip or stop. Everything typed is kept at once; what you go back "
            "over is offered again, and Enter takes it."
        )
        if kind is None and (words := draft_words(self._draft)) is not None:
            say(f"Half done before: {words}. It goes on from there.")
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
        form = with_examples(self._site, form_of(self._site, kind, zone), zone)
        step = self._draft.typed_before(kind, zone)
        self._keep(self._draft.working(step))
        say("")
        say(f"== {form.title}")
        say(form.words)
        say(f"Caution: {form.cautions}")
        if form.opens_valve:
            say(self._valve.words(kind))
        if step.typed:
            count = len(step.typed)
            many = "1 entry was" if count == 1 else f"{count} entries were"
            say(f"{many} typed before; the last was {step.typed[-1]!r}.")
        if step.ahead:
            count = len(step.ahead)
            many = "1 more waits behind it and is" if count == 1 else f"{count} more wait behind it and are"
            say(f"{many} offered again.")
        self._agreed = set()
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

    def _typed(self, texts: Sequence[str], ahead: Sequence[str]) -> None:
        assert self._draft.at_work is not None
        step = self._draft.at_work.model_copy(update={"typed": tuple(texts), "ahead": tuple(ahead)})
        self._keep(self._draft.working(step))

    def _back(self, step: StepDraft) -> None:
        """One question back; its text is offered there, and those behind it at theirs."""
        if not step.typed:
            say("  This is the first question.")
            return
        self._typed(step.typed[:-1], (step.typed[-1], *step.ahead))

    def _ask(self, form: Form, zone: str | None) -> None:
        """Entries until the form is full and stands, or is skipped."""
        try:
            while True:
                at = self._talk(form)
                if at.asked is not None:
                    self._question(form, zone, self._at_work, at)
                elif self._finish(form, zone, self._at_work):
                    return
        except _Skipped:
            self._keep(self._draft.skipping(self._at_work))

    @property
    def _at_work(self) -> StepDraft:
        assert self._draft.at_work is not None
        return self._draft.at_work

    def _question(self, form: Form, zone: str | None, step: StepDraft, at: Talk) -> None:
        """One question and what is typed there: an entry, or a word that steers."""
        assert at.asked is not None
        offered = step.ahead[0] if step.ahead else None
        text: str | None = self._line(at.prompt(offered))
        assert text is not None
        word = text.strip().lower()
        if word == "back":
            self._back(step)
            return
        if word == "skip":
            raise _Skipped
        if word.split()[:1] == ["open"] and form.opens_valve:
            self._valve.open(form.kind, zone, text.strip()[4:].strip(), self._draft.who)
            return
        if word == "shut" and form.opens_valve:
            self._valve.shut(self._draft.who, asked=True)
            return
        if word == "read" and at.asked.name == "raw":
            text = self._newest_raw()
        elif offered is not None:
            text = offered if not word else "" if word == EMPTY else text
        if text is not None:
            self._entry(form, zone, step, at, text)

    def _newest_raw(self) -> str | None:
        """The raw value of the newest reading that the service keeps, said with its time."""
        found = self._store.last_reading()
        if found is None or not found.reading.pings:
            say("  The service has kept no reading here: is it running, and does the node answer?")
            return None
        at = found.reading.at.astimezone(self._site.place.timezone)
        when = f"{at:%Y-%m-%d %H:%M}"
        if datetime.now(UTC) - found.reading.at > _FRESH:
            say(f"  The newest reading kept is of {when}: too old. Wait until the service keeps a new one.")
            return None
        raw = f"{median(found.reading.pings):g}"
        say(f"  {raw}, read at {when}. The water must have stood at this level since; else wait, type back.")
        return raw

    def _talk(self, form: Form) -> Talk:
        """Where it stands; texts that the garden's site file no longer allows are asked again, and said
        so."""
        while True:
            step = self._at_work
            try:
                at = talk(form, step.typed)
            except QuantityError as error:
                say(f"{step.typed[-1]!r} no longer fits the site file and is asked again: {error.remedy}.")
                self._back(step)
            else:
                return at

    def _entry(self, form: Form, zone: str | None, step: StepDraft, at: Talk, text: str) -> bool:
        """Whether the text was taken at this question."""
        assert at.asked is not None
        text = settled(at.asked, text, datetime.now(UTC))
        try:
            asked = doubts(self._site, form, zone, (*step.typed, text))
        except QuantityError as error:
            say(f"  Read {error.read}: {error.remedy}.")
            return False
        if not self._stands(asked):
            return False
        ended = at.may_end and not text  # no more rows, so none that were typed behind it
        self._typed((*step.typed, text), () if ended else step.ahead[1:])
        return True

    def _stands(self, asked: Sequence[Question]) -> bool:
        """Whether it may be taken: not refused, and each question answered with yes."""
        refused = [q for q in asked if q.refused]
        for question in refused:
            say(f"  {question.text} Type it again, or back.")
        if refused:
            return False
        for question in asked:
            if question.text in self._agreed:
                continue
            say(f"  {question.text}")
            said = self._line(_KEEP_SO).strip().lower()
            if said not in ("yes", "y"):
                return False
            self._agreed.add(question.text)
        return True

    def _finish(self, form: Form, zone: str | None, step: StepDraft) -> bool:
        """True: the record is kept. False: some entry is to be typed again."""
        now = datetime.now(UTC)
        kept = self._store.test_records()
        rounds = trims_before(kept, zone, now)
        record = finished(form, step.typed, zone=zone, at=now, who=self._draft.who, trims_before=rounds)
        if isinstance(record, CatchCans) and not record.measured:
            self._none_measured(form, step)
            return False
        asked_already = doubts(self._site, form, zone, step.typed)
        seen = {q.text for q in asked_already}
        whole = [q for q in questions(self._site, record) if q.about and q.text not in seen]
        asked = self._of_whole(form, zone, step, whole)
        for question in asked:
            if question.mends and not self._mended(form, zone, step, question):
                return False
        if not self._stands([q for q in asked if not q.mends]):
            self._back(step)
            say("  The last entry is asked again; type back to change an earlier one.")
            return False
        number = self._store.add_test_record(record, site_mark(self._site, zone))
        self._keep(self._draft.done(step))
        say(f"Kept as record {number}.")
        for line in findings(self._site, self._store.test_records(), record, now)[0]:
            say(line)
        return True

    def _none_measured(self, form: Form, step: StepDraft) -> None:
        """All cans left empty: dry, which is 0 in each, or not measured, of which nothing is kept."""
        text = self._line(_NOTHING_CAUGHT).strip().lower()
        if text == "dry":
            head = step.typed[: len(form.head)]
            self._typed((*head, *(_DRY_CAN for _ in form.given)), ())
        elif text == "back":
            self._back(step)
        elif text == "leave":
            self._typed((), ())
            say("  Nothing is kept of these cans; the test stays due.")
            raise _Skipped
        elif text == "skip":
            raise _Skipped

    def _mended(self, form: Form, zone: str | None, step: StepDraft, question: Question) -> bool:
        """Whether it stands as it is. False: the entry in doubt was typed anew here and all others kept, or
        is still to be."""
        if question.text in self._agreed:
            return True
        say(f"  {question.text}")
        place = [f.name for f in form.head].index(question.mends)
        about = form.head[place].about.partition(" (")[0]
        yes = "" if question.refused else "yes to keep all as it is, or "
        text = self._line(f"  {about}: {yes}type it anew ({EMPTY}: not measured; back: earlier entries): ")
        word = text.strip().lower()
        if word == "skip":
            raise _Skipped
        if word == "back":
            self._back(step)
        elif word in ("yes", "y") and not question.refused:
            self._agreed.add(question.text)
            return True
        elif word:
            self._typed_anew(form, zone, step, place, "" if word == EMPTY else text)
        return False

    def _typed_anew(self, form: Form, zone: str | None, step: StepDraft, place: int, text: str) -> None:
        """Another text at an earlier question; those behind it are taken again as they are, but what is
        questioned now and was not before is asked."""
        before = step.model_copy(update={"typed": step.typed[:place], "ahead": step.typed[place:]})
        self._agreed |= self._doubted(form, zone, step)
        if not self._entry(form, zone, before, talk(form, before.typed), text):
            return
        while (at := self._talk(form)).asked is not None and self._at_work.ahead:
            if not self._entry(form, zone, self._at_work, at, self._at_work.ahead[0]):
                return

    def _of_whole(
        self, form: Form, zone: str | None, step: StepDraft, whole: Sequence[Question]
    ) -> list[Question]:
        """Questions that no single entry had raised before."""
        seen = self._doubted(form, zone, step)
        return [q for q in whole if q.text not in seen]

    def _doubted(self, form: Form, zone: str | None, step: StepDraft) -> set[str]:
        """What was asked of the single entries as they were typed."""
        counts = range(1, len(step.typed) + 1)
        return {q.text for n in counts for q in doubts(self._site, form, zone, step.typed[:n])}

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
