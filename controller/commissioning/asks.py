"""What people ask of commissioning over the socket: begin, type, confirm, cancel, changed, bundle.

Judged here, kept by the commissioner. Runs in the socket's thread, never in the loop's.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, NamedTuple

from controller.commissioning import corrections, judge, proving, store, watching
from controller.commissioning.changes import CHANGE_BY_ID, STOP_FIRST, Change, minutes_of
from controller.commissioning.commissioner import Commissioner
from controller.commissioning.proofs import Voided
from controller.commissioning.shown import degrees
from controller.commissioning.step import UNPLUGGED, Bound, Step, Way
from controller.commissioning.steps import BY_ID
from controller.commissioning.survey import NINE
from controller.commissioning.validity import Standing, held, sensor_called
from controller.core.commands import PersonRole
from controller.core.events import Event, Kind
from controller.core.readings import Good
from controller.core.run_states import ACTIVE, S
from controller.core.schedule import Mistake
from controller.core.state import State

TEXT_MAX = 200
Json = dict[str, Any]
ACTS = ("begin", "type", "confirm", "cancel")
BUSY = "Another step is being watched. Cancel it first."
WRITTEN_S = 0.5
"""So long an answer waits for the disk. Nothing but the socket's own thread waits with it."""
OVER_TOLD = "A step that heats is ended by Stop heating."


class Refusal(Exception):
    """It is not done. `code` is one of the socket's refusal codes."""

    def __init__(self, code: str, reason: str, mistakes: list[Mistake] | None = None) -> None:
        self.code, self.reason, self.mistakes = code, reason, mistakes or []
        super().__init__(reason)


class Now(NamedTuple):
    """Who asks, and when."""

    chamber: Commissioner
    state: State
    utc_us: int
    by: str


class Act(NamedTuple):
    """One ask about a step, read."""

    now: Now
    step: Step
    sensor: str
    spot: str
    values: Any
    sure: bool


def prove(ask: Mapping[str, Any], commissioner: Commissioner, state: State, utc_us: int, user: str = "") -> Json:
    """Carry out one `prove`. Raises Refusal."""
    now = Now(commissioner, state, utc_us, _maintainer(ask, user))
    act = _word(ask, "act", ACTS)
    if act == "cancel":
        return _cancel(now)
    step = BY_ID.get(_text(ask, "step"))
    if step is None:
        raise Refusal("unknown_name", f"There is no step {_text(ask, 'step')[:40]!r}; there are {', '.join(BY_ID)}.")
    read = Act(now, step, _text(ask, "sensor"), _text(ask, "spot"), ask.get("values", {}), ask.get("sure") is True)
    _check(read)
    return DO[act](read)


def changed(ask: Mapping[str, Any], commissioner: Commissioner, state: State, utc_us: int, user: str = "") -> Json:
    """Something changed: what hangs on it holds no more, whatever goes on meanwhile, for the fact is true. Raises Refusal."""
    by = _maintainer(ask, user)
    change = CHANGE_BY_ID.get(_text(ask, "change"))
    if change is None:
        raise Refusal("unknown_name", f"change is {_text(ask, 'change')[:40]!r}; there are {', '.join(CHANGE_BY_ID)}.")
    sensor, note = _text(ask, "sensor"), _text(ask, "note")
    ids = [row.id for row in state.chamber.sensors]
    if change.of_sensor and sensor not in ids:
        raise Refusal("unknown_name", f"Say which sensor: {', '.join(ids)}.")
    found = commissioner.judged_now(state, utc_us)
    steps = tuple(step for step in change.steps if found[step].standing is not Standing.NOT_HERE)
    marks = _marks(steps, change, utc_us, by, sensor, note)
    for mark in marks:
        commissioner.keep(partial(store.with_mark, mark=mark))
    commissioner.voided(Voided(change.id, utc_us, by, steps, sensor if change.of_sensor else "", note))
    commissioner.written(WRITTEN_S)
    lost = held(steps, found)
    return {"voided": list(lost), "minutes": minutes_of(lost), "words": _meanwhile(state, change)}


def _meanwhile(state: State, change: Change) -> str:
    """What is to be done about heat that is on its way; empty where there is none."""
    if not _on_its_way(state):
        return ""
    first = "Stop heating now. " if change.id in STOP_FIRST else ""
    going = "run on its way" if state.pending is None else "start that waits"
    return f"{first}The {going} keeps what it began with and should be stopped: what changed counts from the next start on."


def _on_its_way(state: State) -> bool:
    """A run is on, ends, or waits for its start."""
    return state.pending is not None or (state.run is not None and (state.run.state in ACTIVE or state.run.state is S.ABORTING))


def bundle(ask: Mapping[str, Any], commissioner: Commissioner, state: State, utc_us: int, user: str = "") -> Json:
    """The chamber as one document. It names nobody; whoever asks vouches for a maintainer, or says another role."""
    if "role" in ask:
        _maintainer(ask, user)
    return {"bundle": commissioner.bundle(state, utc_us)}


def _marks(steps: tuple[str, ...], change: Change, utc_us: int, by: str, sensor: str, note: str) -> list[Voided]:
    """One for what hangs on the one sensor that changed, and one for all the rest."""
    own = tuple(step for step in steps if change.of_sensor and BY_ID[step].bound is Bound.SENSOR)
    rest = tuple(step for step in steps if step not in own)
    marks = [Voided(change.id, utc_us, by, own, sensor, note), Voided(change.id, utc_us, by, rest, "", note)]
    return [mark for mark in marks if mark.steps]


def _check(act: Act) -> None:
    """The step is one of this chamber, its sensor and place are there, and what comes before it holds."""
    now, step = act.now, act.step
    ids = [row.id for row in now.state.chamber.sensors]
    if act.sensor and (step.bound is not Bound.SENSOR or act.sensor not in ids):
        there = ", ".join(ids) if step.bound is Bound.SENSOR else "none, for this step hangs on no sensor"
        raise Refusal("unknown_name", f"sensor is {act.sensor[:40]!r}; there are {there}.")
    if act.spot and act.spot not in {spot.id for spot in NINE}:
        raise Refusal("unknown_name", f"spot is {act.spot[:40]!r}; there are {', '.join(spot.id for spot in NINE)}.")
    stands = now.chamber.judged_now(now.state, now.utc_us)[step.id]
    if stands.standing is Standing.NOT_HERE:
        raise Refusal("not_provable", f"{step.title}: this chamber has none.")
    if stands.blocked_by:
        titles = "; ".join(BY_ID[name].title for name in stands.blocked_by)
        raise Refusal("not_provable", f"Before it these must hold: {titles}.")


def _begin(act: Act) -> Json:
    """Begin to watch. Heat is off, and nothing else is watched."""
    now, step = act.now, act.step
    if step.id not in watching.BEGINS:
        how = "its values are typed" if step.way is Way.TYPED else "it is a run: start it with this trial"
        raise Refusal("not_possible_state", f"{step.title} is not watched: {how}.")
    if now.chamber.watch is not None or now.chamber.trial is not None:
        raise Refusal("busy", BUSY)
    if _on_its_way(now.state):
        raise Refusal("not_possible_state", "A run is on or waits. This is done with the heat off: stop it first.")
    sensor = act.sensor if step.bound is Bound.SENSOR else ""
    if step.id == "sensor_identity" and not sensor:
        sensor = _first_lacking(now, step)
    ice = {name: point for name in (row.id for row in now.state.chamber.sensors)
           if (point := corrections.points(now.chamber.wish, name)[0]) is not None} if step.id == corrections.BOIL else {}
    asked = watching.Begin(step.id, sensor, now.by, now.state.chamber, now.state.mono_us, _typed_before(act), ice)
    if not now.chamber.begin_watch(watching.begin(asked), now.utc_us):
        raise Refusal("busy", BUSY)
    return _answer("watching", "Watching. Heat is off.")


def _typed_before(act: Act) -> Mapping[str, Any]:
    """The values that a watch needs: with this ask, or typed before."""
    if not act.step.fields or act.step.way is not Way.WATCHED:
        return {}
    if act.values:
        return _judged(act).values
    half = store.half_of(act.now.chamber.wish, act.step.id, "typed")
    if half is None or not 0 <= act.now.utc_us - half.utc_us < proving.HALF_US:
        missing = [Mistake(field.key, "missing", judge.allowed(field), f"Type it: {field.ask}.") for field in act.step.fields]
        raise Refusal("bad_command", "Type its values first.", missing)
    return half.values


def _first_lacking(now: Now, step: Step) -> str:
    each = now.chamber.judged_now(now.state, now.utc_us)[step.id].each
    return next((name for name, row in each if row.standing not in ("done", "ending")), each[0][0])


def _type(act: Act) -> Json:
    """Values of a step: all of it, or the half that a run or a watch does not see."""
    now, step = act.now, act.step
    if not step.fields and step.id != judge.MESSAGES:
        raise Refusal("not_possible_state", f"{step.title} asks for no values.")
    _may_type(act)
    typed = _judged(act)
    wrong = [dict(one._asdict()) for one in typed.wrong]
    if wrong and not act.sure:
        words = "Not as it must be. Look once more and type it again; sent again as it is, it is stored as failed."
        return _answer("again", words, wrong)
    sensor = _sensor_of(act)
    facts = now.chamber.facts(now.state, now.utc_us)
    if wrong or step.way is Way.TYPED:
        row = proving.typed_row(step.id, typed, facts, now.by, sensor)
        now.chamber.keep(lambda kept: store.with_proof(store.without_half(kept, step.id), row))
        words = row.advice or f"{step.title}: {row.found}."
        return _answer("failed" if wrong else "passed", words + _unwritten(now, bool(wrong)), wrong)
    half = store.Half(step.id, "typed", now.utc_us, now.by, judge.words(step, typed.values), typed.values)
    kept = now.chamber.keep(lambda kept: proving.joined(store.with_half(kept, half), step.id, facts, now.utc_us))
    if store.half_of(kept, step.id, "typed") is None:
        return _answer("passed", f"{step.title}: proven.{_unwritten(now)}")
    return _answer("watching", f"Kept. The rest is still to be seen.{_unwritten(now)}")


def _may_type(act: Act) -> None:
    """What is measured unplugged is not typed of a chamber that is plugged in or hot; nor values that a watch would not see."""
    state, step = act.now.state, act.step
    watch = act.now.chamber.watch
    if step.way is Way.WATCHED and watch is not None and watch.step == step.id:
        began = judge.words(step, watch.values) or "what it began with"
        raise Refusal("not_possible_state", f"It is being watched with {began}; cancel and begin again.")
    if step.way is not Way.TYPED or step.caution != UNPLUGGED:
        return
    report = state.board.report
    closed = report is not None and (report.modulator or report.contactor)
    if _on_its_way(state) or state.permit or closed:
        raise Refusal("not_possible_state", f"Heat is on or on its way, and this is measured unplugged. Stop it. {UNPLUGGED}")
    mains = report is not None and report.mains and state.chamber.fitted.mains_sense
    if mains and not state.chamber.simulated:  # nobody can pull the plug of an invented one
        raise Refusal("not_possible_state", f"The board still reads mains, and this is measured unplugged. {UNPLUGGED}")
    hottest_mc = max((one.judged_mc for one in state.readings if isinstance(one, Good)), default=-1)
    if step.id == "terminals" and hottest_mc >= state.chamber.limits.hot_mc:
        raise Refusal("not_possible_state", f"A sensor still shows {degrees(hottest_mc)}: let it cool below "
                                            f"{degrees(state.chamber.limits.hot_mc)} before anybody reaches in. {UNPLUGGED}")


def _unwritten(now: Now, bad: bool = False) -> str:
    """What passed counts once it is on the disk; that is waited for a moment, so that the next ask finds it. Bad news counts at
    once."""
    if now.chamber.written(WRITTEN_S):
        return ""
    counts = "it counts all the same" if bad else "so it does not count yet"
    return f" It is not on the disk yet, {counts}."


def _sensor_of(act: Act) -> str:
    """A typed step that hangs on sensors is typed for one of them."""
    if act.step.bound is not Bound.SENSOR or act.step.way is not Way.TYPED:
        return ""
    if sensor_called(act.now.state.chamber, act.sensor) is None:
        raise Refusal("unknown_name", f"Say for which sensor: {', '.join(row.id for row in act.now.state.chamber.sensors)}.")
    return act.sensor


def _judged(act: Act) -> judge.Typed:
    try:
        return judge.typed(act.step, act.values, act.now.state.chamber)
    except judge.BadValues as error:
        raise Refusal("bad_command", str(error), error.mistakes) from None


def _confirm(act: Act) -> Json:
    watch, values = act.now.chamber.watch, act.values if isinstance(act.values, Mapping) else {}
    if watch is None or watch.step != act.step.id:
        raise Refusal("not_possible_state", f"{act.step.title} is not being watched.")
    if not isinstance(values.get("seen"), str) or not isinstance(values.get("yes"), bool):
        raise Refusal("bad_command", "Say which row, and yes or no.",
                      [Mistake("values", "incomplete", "seen: id of a row, yes: true or false", "Correct the request.")])
    row_id, yes, now_us = values["seen"], values["yes"], act.now.state.mono_us
    try:
        watch = act.now.chamber.on_watch(lambda watch: watching.confirm(watch, row_id, yes, now_us))
    except KeyError:
        raise Refusal("unknown_name", f"No row {row_id[:40]!r} asks for anything now.") from None
    if watch is None or watch.ended is None:
        return _answer("watching", "Go on.")
    return _answer(watch.ended.outcome, watch.ended.words)


def _cancel(now: Now) -> Json:
    watch = now.chamber.on_watch(lambda watch: watching.cancelled(watch, f"Ended by {now.by}."))
    if watch is None or watch.ended is None:
        raise Refusal("not_possible_state", f"Nothing is being watched. {OVER_TOLD}")
    return _answer(watch.ended.outcome, watch.ended.words)


def _answer(outcome: str, words: str, wrong: list[Json] | None = None) -> Json:
    return {"outcome": outcome, "words": words, "wrong": wrong or []}


def _maintainer(ask: Mapping[str, Any], user: str) -> str:
    """Who asks. Raises Refusal for anybody but a maintainer."""
    role = _word(ask, "role", [one.name.lower() for one in PersonRole])
    by = _text(ask, "by")
    if role != PersonRole.MAINTAINER.name.lower():
        raise Refusal("not_allowed_role", f"Commissioning needs the role maintainer; {by} is {role}.")
    return f"{by} (computer user {user})" if user else by


def _word(ask: Mapping[str, Any], key: str, words: Any) -> str:
    value = ask.get(key)
    if isinstance(value, str) and value in words:
        return value
    mistake = Mistake(key, "missing" if value is None else str(value)[:60], ", ".join(words), "Correct the request.")
    raise Refusal("bad_command", str(mistake), [mistake])


def _text(ask: Mapping[str, Any], key: str) -> str:
    value = ask.get(key, "")
    if isinstance(value, str) and len(value) <= TEXT_MAX and value.isprintable():
        return value
    mistake = Mistake(key, str(value)[:60], f"at most {TEXT_MAX} printable characters", "Correct the request.")
    raise Refusal("bad_command", str(mistake), [mistake])


def refused_event(ask: Mapping[str, Any], refusal: Refusal, user: str) -> Event:
    """What was asked of commissioning and refused, for the record; the reason begins with the step or change that was meant."""
    said = {key: str(ask.get(key, ""))[:120] for key in ("by", "role", "act", "step", "change")}
    by = said["by"] + (f" (computer user {user})" if user else "")
    about = " ".join(filter(None, (said["act"], said["step"], said["change"])))
    return Event(Kind.COMMAND_REFUSED, {"ask": str(ask.get("do"))[:40], "by": by, "role": said["role"], "ref": "",
                                        "code": refusal.code, "reason": f"{about}: {refusal.reason}"[:400]})


DO: Mapping[str, Callable[[Act], Json]] = {"begin": _begin, "type": _type, "confirm": _confirm}
