"""The host's half of the conversation: who is on the line, is it ours, what must be said next. Pure; bytes are `link`'s.

Enable is the controller's handshake with the board; arming is a person's act and no business of this file.
"""

from __future__ import annotations

from controller.core.events import Event, Kind
from controller.core.messages import (
    Drive,
    Enable,
    Hello,
    LimitsRead,
    OffReason,
    Refusal,
    RefusalCode,
    Report,
    ResetCause,
    SetLimits,
    Stall,
    Tell,
    ToBoard,
    Welcome,
)
from controller.core.module import NO_BOOT, NOT_FITTED, PROOF_MORE_US, ModuleFound, Proving, SilenceProof, silence_words
from controller.core.quick import new
from controller.core.setup import Chamber
from controller.core.state import Board, Garbage, Lamps, LineLost, LineNotice, LineOpened
from controller.core.watch import CURRENT_IS_ZERO_MA

HELLO_AGAIN_US = 2_000_000
STRANGE_AFTER_US = 10_000_000
LIMITS_AGAIN_US = 2_000_000
ENABLE_AGAIN_US = 1_000_000
TELL_AGAIN_US = 5_000_000
GARBAGE_EVERY_US = 60_000_000
SENT_KEPT = 24
SESSION_MAX = 65_535
SEQUENCES = 10_000_000
"""Sequence numbers of reports go round after this many."""
SEQUENCE_WORN = 9_000_000
US_PER_S = 1_000_000

Heard = tuple[Board, list[Event]]


def notice(board: Board, chamber: Chamber, note: LineNotice, now_us: int) -> Heard:
    """One thing from the link beside reports."""
    if isinstance(note, LineOpened):
        return Board(open=True, session=note.session, opened_us=now_us, heard_us=board.heard_us), []
    if isinstance(note, LineLost):
        return Board(session=board.session, heard_us=board.heard_us), [Event(Kind.BOARD_LOST, {"reason": note.reason})]
    if isinstance(note, Garbage):
        return board._replace(garbage=board.garbage + note.lines, garbage_why=note.why), []
    if isinstance(note, Refusal):
        return board, [_refused(note)]
    if note.session != board.session:
        return board, []
    if isinstance(note, ModuleFound):
        return _module_found(board, chamber, note)
    if chamber.module is not None and not isinstance(note, SilenceProof | Proving):
        return board, []  # a module says nothing of the kind, so it is not this chamber's
    if isinstance(note, SilenceProof):
        return board._replace(proof=note, proving_us=-1), [Event(Kind.SILENCE_PROOF, note._asdict())]
    if isinstance(note, Proving):
        return board._replace(proving_us=note.began_us), []
    if isinstance(note, LimitsRead):
        return board._replace(limits=note), []
    return _welcomed(board, chamber, note)


def _module_found(board: Board, chamber: Chamber, note: ModuleFound) -> Heard:
    """A module answered. It is taken if it is this chamber's and something of its own ends the heat on silence."""
    again = board.module == note
    reason = module_wrong(chamber, note)
    board = board._replace(module=note, accepted=not reason, strange=False)
    if again or chamber.module is None:
        return board, []
    if reason:
        return board, [Event(Kind.MODULE_REFUSED, {"board": note.board, "reason": reason})]
    silence = silence_words(note, chamber.module)
    return board, [Event(Kind.MODULE_FOUND, {
        "board": note.board, "session": note.session, "silence": silence, "not_fitted": ", ".join(NOT_FITTED)})]


def module_wrong(chamber: Chamber, note: ModuleFound) -> str:
    """Why this module gets no heat, in words; empty: it may."""
    module = chamber.module
    if module is None or note.board != chamber.board or chamber.simulated:
        return f"module {note.board} is not this chamber's {chamber.board}"
    if note.wrong:
        return note.wrong
    if note.time_out_us != module.time_out_us:
        return (f"its communication time-out reads back as {note.time_out_us / 1e6:g} s, "
                f"and the chamber file says {module.time_out_us / 1e6:g} s")
    return "" if module.ends_on_silence else "nothing ends the heat when this computer is silent"


def _refused(note: Refusal) -> Event:
    words = RefusalCode(note.code).name.lower().replace("_", " ") if note.code in set(RefusalCode) else "unknown code"
    return Event(Kind.BOARD_REFUSES, {"code": note.code, "words": words, "sequence": note.sequence})


def _welcomed(board: Board, chamber: Chamber, note: Welcome) -> Heard:
    again = board.welcome == note
    ours = note.board == chamber.board and note.simulated == chamber.simulated
    board = board._replace(welcome=note, accepted=ours, strange=False)
    if again:
        return board, []
    if not ours:
        return board, [
            Event(Kind.BOARD_REFUSED, {"board": note.board, "expected": chamber.board, "simulated": note.simulated})
        ]
    reset = ResetCause(note.reset).name.lower() if note.reset in set(ResetCause) else "unknown"
    return board, [
        Event(
            Kind.BOARD_FOUND,
            {
                "board": note.board,
                "boot": note.boot,
                "firmware": note.firmware,
                "firmware_hash": note.firmware_hash,
                "reset": reset,
                "simulated": note.simulated,
                "session": note.session,
            },
        )
    ]


def silence_ends_heat(board: Board, chamber: Chamber) -> bool:
    """A board's own silence timer is part of its protocol. A module's is read back before it is accepted; where a timer relay
    stands in for it, its fall was seen in this very session."""
    if chamber.module is None or not chamber.module.timer_relay_us:
        return True
    return board.proof is not None and board.proof.passed


def proof_until_us(board: Board, chamber: Chamber) -> int:
    """By the reports' clock: until then the line says that it holds the contactor closed for a proof; -1: it says nothing.
    Longer than the relay's time and a margin it is never believed."""
    if board.proving_us < 0 or chamber.module is None or not chamber.module.timer_relay_us:
        return -1
    return board.proving_us + chamber.module.timer_relay_us + PROOF_MORE_US


def fresh(last: Report | None, report: Report) -> bool:
    """Is this report newer than the last one? Repeated and late ones are not looked at."""
    if last is None or report[1:3] != last[1:3]:  # boot and session
        return True
    return 0 < (report.sequence - last.sequence) % SEQUENCES < SEQUENCES // 2


def heard(board: Board, report: Report) -> Board:
    """The newest report taken in, and with it how old what the board says is."""
    heard_us = board.heard_us
    if report.session == board.session:
        for number, sent_us in reversed(board.sent):
            if number == report.heard:
                heard_us = sent_us
                break
    return board.hears(report, heard_us)


def age_us(board: Board, now_us: int) -> int | None:
    """How old the newest report is at most: now minus the time the frame was sent that it had heard. None: nothing heard."""
    return None if board.heard_us < 0 else now_us - board.heard_us


def expected_limits(chamber: Chamber, run_ceiling_mc: int, run_max_us: int) -> LimitsRead:
    """What the board must read back. Without a run its run limits are the ceilings themselves and are not compared."""
    return LimitsRead(
        0, chamber.limits.board_ceiling_mc, run_ceiling_mc, run_max_us // US_PER_S, chamber.limits.silence_us
    )


LIMIT_WORDS = (
    ("board ceiling", 1_000, "°C"),
    ("run's ceiling", 1_000, "°C"),
    ("longest run", 1, "s"),
    ("silence limit", US_PER_S, "s"),
)
"""Of `LimitsRead`, its session left out: name, how many make one of its unit, the unit."""


def limits_words(read: LimitsRead, expected: LimitsRead) -> str:
    """Every limit that the board holds otherwise than it must, with both values."""
    return "; ".join(
        f"{name}: {held / scale:g} {unit} in the board, {wanted / scale:g} {unit} wanted"
        for (name, scale, unit), held, wanted in zip(LIMIT_WORDS, read[1:], expected[1:], strict=True)
        if held != wanted
    )


def heat_seen_off(report: Report) -> bool:
    """Both switches read back open, and no current where it is sensed."""
    return not report.modulator and not report.contactor and (report.current_ma or 0) < CURRENT_IS_ZERO_MA


def next_session(session: int) -> int:
    """Session numbers go round and leave out 0, which a board uses for none."""
    return session % SESSION_MAX + 1


def out_of_touch(board: Board) -> bool:
    """A welcomed board that needs another hello: it no longer knows our session (it was reset, or another hello took it
    over), or the session's numbers run out (after weeks at rest)."""
    report = board.report
    if not board.open or not board.known:
        return False
    changed = report is not None and (report.boot, report.session) != (boot_of(board), board.session)
    return changed or board.sequence > SEQUENCE_WORN


def boot_of(board: Board) -> int:
    """The boot id that reports of this session must carry; a module has none."""
    return NO_BOOT if board.welcome is None else board.welcome.boot


def again(board: Board, now_us: int) -> Board:
    """A new session on the same line: a fresh hello; of the old one only how old its last report is."""
    return Board(
        open=board.open,
        session=next_session(board.session),
        opened_us=now_us,
        report=board.report,
        heard_us=board.heard_us,
        garbage=board.garbage,
        garbage_us=board.garbage_us,
        garbage_why=board.garbage_why,
    )


class Sender:
    """Numbers the frames of one tick. A local helper: it lives and dies inside one call of `advance`."""

    __slots__ = ("_sent", "_sequence", "board", "frames", "now_us")

    def __init__(self, board: Board, now_us: int) -> None:
        self.board = board
        self.now_us = now_us
        self.frames: list[ToBoard] = []
        self._sequence = board.sequence
        self._sent = board.sent

    def _next(self) -> tuple[int, int]:
        self._sequence += 1
        self._sent = (*self._sent[1 - SENT_KEPT :], (self._sequence, self.now_us))
        return self.board.session, self._sequence

    def hello(self) -> None:
        self.frames.append(Hello(*self._next()))
        self.board = self.board._replace(hello_us=self.now_us)

    def limits(self, board_ceiling_mc: int | None, run_ceiling_mc: int | None, run_max_s: int | None) -> None:
        self.frames.append(SetLimits(*self._next(), board_ceiling_mc, run_ceiling_mc, run_max_s))
        self.board = self.board._replace(limits_us=self.now_us)

    def enable(self) -> None:
        self.frames.append(Enable(*self._next()))
        self.board = self.board._replace(enable_us=self.now_us)

    def tell(self, lamps: Lamps) -> None:
        self.frames.append(Tell(*self._next(), lamps.armed, lamps.heating, lamps.hot, lamps.sounder))
        self.board = self.board._replace(tell=lamps, told_us=self.now_us)

    def drive(self, permit: bool, contactor: bool, duty_e4: int, window_ms: int) -> None:
        """Off leaves both switches open; but for a proof a permit keeps the contactor in, so that it does not switch with the
        window."""
        self.frames.append(new(Drive, (*self._next(), permit, contactor, duty_e4 if permit else 0, window_ms)))

    def stall(self) -> None:
        """Have the board stand still: only its watchdog ends that."""
        self.frames.append(Stall(*self._next()))

    def done(self) -> Board:
        return self.board.sent_up_to(self._sequence, self._sent)


def due(last_us: int, every_us: int, now_us: int) -> bool:
    """Never yet, or long enough ago."""
    return last_us < 0 or now_us - last_us >= every_us


def strange(board: Board, now_us: int, module: bool = False) -> Heard:
    """Says once that what is on the port does not answer, and how many bad lines there were, once a minute."""
    events = []
    if board.open and not board.known and not board.strange and now_us - board.opened_us >= STRANGE_AFTER_US:
        board = board._replace(strange=True)
        events.append(
            Event(
                Kind.NOT_A_BOARD,
                {
                    "reason": f"No welcome within {STRANGE_AFTER_US // US_PER_S} s; {_bad_lines(board.garbage, module)}"
                    f"{f', the last: {board.garbage_why}' if board.garbage_why else ''}."
                },
            )
        )
    if board.garbage and due(board.garbage_us, GARBAGE_EVERY_US, now_us):
        events.append(
            Event(
                Kind.GAP,
                {
                    "what": _bad_words(board.garbage_why, module),
                    "count": board.garbage,
                    "from_us": max(0, board.garbage_us),
                    "to_us": now_us,
                },
            )
        )
        board = board._replace(garbage=0, garbage_us=now_us)
    return board, events


def _bad_words(why: str, module: bool) -> str:
    what = "bad answers" if module else "bad lines"
    return f"{what}, the last: {why}" if why else what


def _bad_lines(count: int, module: bool) -> str:
    if not count:
        return "nothing at all was heard"
    return f"{count} requests had no good answer" if module else f"{count} lines were not frames"


def off_words(off: int) -> str:
    """The board's reason in a word or two; an unknown number says so."""
    return OffReason(off).name.lower().replace("_", " ") if off in set(OffReason) else f"unknown reason {off}"
