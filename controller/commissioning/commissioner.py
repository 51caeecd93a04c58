"""Commissioning as the running controller has it: watches, judges, keeps, and tells the tick what holds.

`see` and `notices` are the loop's; the asks come from the socket's thread. What both touch is replaced whole under one lock
that is held for a moment only: nothing in it waits for the disk or draws up a guide.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from controller.commissioning import bundle, corrections, evaluation, guide, proving, store, trials_judged, watching
from controller.commissioning.keeper import ProofKeeper
from controller.commissioning.proofs import Voided
from controller.commissioning.shown import ENDS, PASSED, Ended, Looked, Over
from controller.commissioning.store import Kept
from controller.commissioning.trials_judged import Trial
from controller.commissioning.validity import Facts, Judged, agreed, judged
from controller.commissioning.watching import Watch
from controller.config import CHAMBER_FILE, MODEL_FILE, PROOFS_FILE, ChamberFolder
from controller.core.events import Event, Kind
from controller.core.messages import Report
from controller.core.run_states import ACTIVE, S
from controller.core.state import Commissioned, Handled, Notice, Show, State
from controller.levels import MayDo, level_of, trials

AGAIN_US = 3_600_000_000
"""So often what holds is judged anew: a proof ends at an hour, not at an event."""
SHOWN_US = 300_000_000
"""So long the outcome of a watch stays in the snapshot."""
NOTED_MAX = 400
"""Characters of one text in an event."""
WRITE_OUT_S = 5.0
OUT_OF_PLACE = frozenset({"sensor_identity", "ice_point", "boiling_point", "limiter"})
"""While these are watched sensors are in somebody's hand, and what they say is not the air's."""
INTERRUPTED = "It was interrupted: the controller ended meanwhile. Nothing was stored and heat is off: begin this step again."
CHANGED = "Something changed while it was shown, so it proves nothing. Nothing was stored; begin it again."
Json = dict[str, Any]


class Holds(NamedTuple):
    """What the proofs come to: those on the disk, less what is known against them."""

    kept: Kept
    wish: Kept
    at_utc_us: int
    heard: tuple[int, str]
    judged: Judged
    level: MayDo
    trials: tuple[str, ...]
    found: tuple[tuple[int, int, int], ...]


class Commissioner:
    """One chamber's proofs."""

    def __init__(self, folder: ChamberFolder, utc_us: int) -> None:
        self._folder = folder
        self._keeper = ProofKeeper(folder.path / PROOFS_FILE, folder.kept)
        self._lock = threading.Lock()
        self._watch: Watch | None = None
        self._trial: Trial | None = None
        self._asked = ("", "")
        """(run id, spot) of the trial that was asked for last."""
        self._judged_run = ""
        self._note: Callable[[Event], None] = lambda _event: None
        self._over: Over | None = None
        self._tries: dict[str, Json] = {}
        """By step: how it ended last without a proof."""
        begun = next((half for half in folder.kept.halves if half.what == "begun"), None)
        if begun is not None:
            self._over = Over(begun.step, begun.sensor, begun.spot, Ended(ENDS, INTERRUPTED), 0)
            self._tries[begun.step] = {"utc_us": begun.utc_us, "outcome": ENDS, "words": INTERRUPTED}
        self._holds = self._reckoned(utc_us, (-1, ""))
        self._agreed: tuple[Any, Holds | None] = (None, None)
        """Chamber and proofs that were compared last: most ticks change neither."""

    # -- the loop's ---------------------------------------------------------------------------------------------------

    def notices(self, state: State, utc_us: int, starts: bool) -> Iterator[Notice]:
        """What the tick must know: what holds, where that is another than it has; and lamps that are tried. `starts`: a start
        comes with this tick, so that a proof that has ended meanwhile refuses it."""
        lamps = watching.lamps(self._watch) if self._watch is not None else None
        if lamps is not None:
            yield Show(lamps)
        if self._watch is not None and self._watch.step in OUT_OF_PLACE:
            yield Handled()
        if _busy(state):
            return
        heard = _heard(state)
        holds = self._holds
        away_us = utc_us - holds.at_utc_us
        other = holds.kept is not self._keeper.written or holds.wish is not self._keeper.wish
        if starts or other or (heard != holds.heard and _matters(heard, holds.heard)) \
                or not 0 <= away_us < AGAIN_US:
            holds = self._holds = self._reckoned(utc_us, heard)
        chamber = state.chamber
        if chamber is self._agreed[0] and holds is self._agreed[1]:
            return
        self._agreed = chamber, holds
        known = tuple((row.correction_mc, row.slope_ppm, row.uncertainty_mc) for row in chamber.sensors)
        if (holds.level.level, holds.trials, holds.found) != (chamber.may_do, chamber.trials, known):
            yield Commissioned(holds.level.level, holds.trials, holds.found)

    def see(self, state: State, utc_us: int, events: tuple[Event, ...], reports: tuple[Report, ...]) -> None:
        """What a tick has brought. Costs next to nothing while nothing is watched."""
        if state.pending is not None and state.pending.command.trial:
            self._asked = (state.pending.command.run_id, state.pending.command.name)
        run = state.run
        if self._trial is None and run is not None and run.trial and run.id != self._judged_run and run.state in ACTIVE:
            self._begin_trial(trials_judged.begun(run, self._asked[1] if self._asked[0] == run.id else ""), utc_us)
        elif events and self._trial is None:
            self._ordinary(state, utc_us, events)
        if events and state.chamber.module is not None and state.chamber.module.timer_relay_us:
            self._timer_relay(state, utc_us, events)
        if self._watch is None and self._trial is None:
            return
        looked = Looked(state, utc_us, events, reports)
        with self._lock:
            watch = self._watch
            if watch is not None and watch.ended is None:
                watch = self._watch = watching.see(watch, looked)
        if watch is not None and watch.ended is not None:
            self._end_watch(watch, state, utc_us)
        trial = self._trial = trials_judged.see(self._trial, looked) if self._trial is not None else None
        if trial is not None and trial.ended is not None:
            self._end_trial(trial, trial.ended, state, utc_us)

    def tell(self, note: Callable[[Event], None]) -> None:
        """From now on the record hears through `note` who did what; first of what the end of the last controller broke off."""
        self._note = note
        begun = next((half for half in self.wish.halves if half.what == "begun"), None)
        if begun is not None and self._over is not None:
            self._note(_watch_event(begun.step, begun.sensor, begun.spot, begun.by, self._over.ended))
            self.keep(lambda kept: store.without_half(kept, begun.step, "begun"))

    def close(self) -> None:
        """Write what is to be written."""
        self._keeper.close(WRITE_OUT_S)

    def _begin_trial(self, trial: Trial, utc_us: int) -> None:
        self._trial, self._judged_run, self._over = trial, trial.run_id, None
        self.keep(lambda kept: store.with_half(kept, store.Half(trial.step, "begun", utc_us, trial.by, "", {}, "", trial.spot)))

    def _ordinary(self, state: State, utc_us: int, events: tuple[Event, ...]) -> None:
        """Every run's own start proof counts as one."""
        for event in events:
            if event.kind is Kind.START_PROOF and event.fields["grade"] != "void":
                ended = trials_judged.proof_ended(str(event.fields["finding"]))
                by = state.run.by if state.run is not None else ""
                self._store("start_proof", "", by, ended, state, utc_us)

    def _timer_relay(self, state: State, utc_us: int, events: tuple[Event, ...]) -> None:
        """What it shows at every start stands for a module's silence."""
        for event in events:
            if event.kind is Kind.SILENCE_PROOF:
                by = state.run.by if state.run is not None else state.pending.command.by if state.pending is not None else ""
                self._store("silence", "", by, trials_judged.timer_relay_ended(event.fields), state, utc_us)

    def _end_watch(self, watch: Watch, state: State, utc_us: int) -> None:
        assert watch.ended is not None
        with self._lock:
            self._watch = None
        self._finish(watch.step, watch.sensor, "", watch.by, watch.ended, state, utc_us)

    def _end_trial(self, trial: Trial, ended: Ended, state: State, utc_us: int) -> None:
        self._trial = None
        self._finish(trial.step, "", trial.spot, trial.by, ended, state, utc_us)

    def _finish(self, step: str, sensor: str, spot: str, by: str, ended: Ended, state: State, utc_us: int) -> None:
        """Keep what was found: as a proof, or as the half of one whose values are still to be typed."""
        if ended.outcome == "passed" and store.changed_since(self.wish, step):
            ended = Ended("ended", CHANGED)
        self.keep(lambda kept: store.without_half(kept, step, "begun"))
        if ended.outcome == "passed" and proving.needs_both(step):
            seen = ended.shown[0]
            half = store.Half(step, "seen", utc_us, by, seen.found, seen.values)
            self.keep(lambda kept: proving.joined(store.with_half(kept, half), step, self.facts(state, utc_us), utc_us))
        else:
            self._store(step, spot, by, ended, state, utc_us)
        self._over = Over(step, sensor, spot, ended, state.mono_us)
        self._note(_watch_event(step, sensor, spot, by, ended))
        self._tries.pop(step, None)
        if ended.outcome != PASSED:
            self._tries[step] = {"utc_us": utc_us, "outcome": ended.outcome, "words": ended.words}

    def _store(self, step: str, spot: str, by: str, ended: Ended, state: State, utc_us: int) -> None:
        facts = self.facts(state, utc_us)
        rows = tuple(proving.proof(step, one, facts, by, spot) for one in ended.shown)
        self.keep(lambda kept: evaluation.evaluated(store.with_proof(kept, *rows), step, facts, by))

    # -- from any thread ----------------------------------------------------------------------------------------------

    def keep(self, change: Any) -> Kept:
        """Change what is kept, have it written, and note every proof that came with it."""
        with self._lock:
            before = self.wish
            kept: Kept = change(before)
            if kept is not before:
                if self._keeper.wish.board not in ("", kept.board):
                    self._keeper.set_aside()
                self._keeper.keep(kept)
        known = {id(row) for row in before.proofs}
        for row in kept.proofs:
            if id(row) not in known:
                self._note(Event(Kind.PROOF, {"step": row.step, "sensor": row.sensor, "spot": row.spot, "passed": row.passed,
                                              "found": row.found[:NOTED_MAX], "by": row.by}))
        return kept

    def voided(self, mark: Voided) -> None:
        """Note that somebody said that something changed."""
        self._note(Event(Kind.PROOFS_VOIDED, {"change": mark.change, "steps": " ".join(mark.steps), "sensor": mark.sensor,
                                              "note": mark.note, "by": mark.by}))

    @property
    def wish(self) -> Kept:
        """What is kept, written or not yet; empty for this board where the file is another's."""
        kept, chamber = self._keeper.wish, self._folder.chamber
        return kept if kept.board == chamber.board else Kept(chamber.board, chamber.simulated)

    def facts(self, state: State, utc_us: int) -> Facts:
        """What proofs are judged against now."""
        return Facts(self._folder.chamber, self._folder.switches, utc_us, *_heard(state))

    @property
    def level(self) -> MayDo:
        """What it may do, with the reason; a file that cannot be read or written is part of it."""
        return MayDo(self._holds.level.level, self.why, self._holds.level.next_thing)

    @property
    def why(self) -> str:
        """Why no more than that."""
        broken = self._folder.kept.unreadable if self._keeper.wish is self._folder.kept else ""
        failing = self._keeper.failing
        parts = [self._holds.level.why, broken and f"proofs.json proves nothing: {broken}.",
                 failing and f"What was shown since cannot be written ({failing}): what passed does not count, what failed or "
                 "changed does."]
        return " ".join(filter(None, parts))

    def written(self, timeout_s: float) -> bool:
        """Wait until what is kept is on the disk. False when it is not by then."""
        return self._keeper.wait(timeout_s)

    @property
    def failing(self) -> str:
        """Why proofs cannot be written; empty while they can."""
        return self._keeper.failing

    @property
    def watch(self) -> Watch | None:
        """What is being watched now."""
        return self._watch

    def begin_watch(self, watch: Watch, utc_us: int) -> bool:
        """Begin to watch; False when something is being watched already."""
        with self._lock:
            if self._watch is not None:
                return False
            self._watch, self._over = watch, None
        half = store.Half(watch.step, "begun", utc_us, watch.by, "", {}, watch.sensor)
        self.keep(lambda kept: store.with_half(kept, half))
        self._note(_watch_event(watch.step, watch.sensor, "", watch.by, Ended("began", "")))
        return True

    def on_watch(self, change: Callable[[Watch], Watch]) -> Watch | None:
        """Change what is being watched; a watch that this ends is put away by the next tick. None where there is none."""
        with self._lock:
            if self._watch is not None and self._watch.ended is None:
                self._watch = change(self._watch)
            return self._watch

    @property
    def trial(self) -> Trial | None:
        """The heated step that goes on now."""
        return self._trial

    def judged_now(self, state: State, utc_us: int) -> Judged:
        """How every step stands; of what is not on the disk yet only what speaks against it counts."""
        return _judged(self._keeper.written, self._keeper.wish, self.facts(state, utc_us))

    def doing(self, state: State) -> Json | None:
        """What is watched now, or how it ended a moment ago; null when there is neither."""
        return proving.doing(self._watch, self._trial, self._recent(state), state)

    def _recent(self, state: State) -> Over | None:
        over = self._over
        return over if over is not None and (not over.at_us or 0 <= state.mono_us - over.at_us < SHOWN_US) else None

    def guide(self, state: State, utc_us: int) -> Json:
        """The GUIDE object."""
        written = self._keeper.written
        facts = self.facts(state, utc_us)
        found = self.judged_now(state, utc_us)
        level = level_of(facts.switches, found, facts.chamber.simulated)
        return guide.guide(guide.Told(written, found, facts, level.level, self.why, level.next_thing, self.doing(state),
                                      dict(self._tries)))

    def bundle(self, state: State, utc_us: int) -> Json:
        """The chamber as one document, without anybody's name."""
        texts = self._folder.texts
        model = json.loads(texts[MODEL_FILE])["body"] if MODEL_FILE in texts else None
        return bundle.made(texts[CHAMBER_FILE], self._keeper.written, model, self.guide(state, utc_us)["survey"])

    def _reckoned(self, utc_us: int, heard: tuple[int, str]) -> Holds:
        kept, wish, folder = self._keeper.written, self._keeper.wish, self._folder
        facts = Facts(folder.chamber, folder.switches, utc_us, *heard)
        found = _judged(kept, wish, facts)
        level = level_of(folder.switches, found, folder.chamber.simulated)
        marked = kept._replace(voided=wish.voided) if kept.board == wish.board else kept
        made = corrections.found(marked, folder.chamber, folder.typed, utc_us)
        rows = tuple((one.offset_mc, one.slope_ppm, one.uncertainty_mc) for one in made)  # plain: the record keeps it as it is
        return Holds(kept, wish, utc_us, heard, found, level, trials(folder.switches, found), rows)


def _judged(written: Kept, wish: Kept, facts: Facts) -> Judged:
    """By both; the same at most times."""
    found = judged(written, facts)
    return found if wish is written else agreed(found, judged(wish, facts))


def _watch_event(step: str, sensor: str, spot: str, by: str, ended: Ended) -> Event:
    return Event(Kind.PROOF_WATCH, {"step": step, "sensor": sensor, "spot": spot, "by": by, "outcome": ended.outcome,
                                    "words": ended.words[:NOTED_MAX]})


def _busy(state: State) -> bool:
    """A run is on its way. A start that waits for its time is none: proofs that end meanwhile must refuse it."""
    run, pending = state.run, state.pending
    return (pending is not None and pending.due) or (run is not None and (run.state in ACTIVE or run.state is S.ABORTING))


def _heard(state: State) -> tuple[int, str]:
    """The board's count of switchings and the hash of its program, as far as they are known."""
    board = state.board
    if not board.accepted or board.report is None:
        return -1, ""
    return board.report.switches, board.welcome.firmware_hash if board.welcome is not None else ""


def _matters(now: tuple[int, str], before: tuple[int, str]) -> bool:
    """A count that goes on a little is no news; the first word of a board is, and another program."""
    return now[1] != before[1] or (now[0] >= 0) is not (before[0] >= 0)
