"""One chamber of a `serve`: its controller, in a demo its simulated board too, and what it tells."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.commands.children import BoardChild, Child, PracticeChild, end_all
from controller.commands.news import News
from controller.config import ChamberFolder
from controller.core.readings import Role
from controller.core.setup import LEVEL_WORDS
from controller.exit_codes import Exit
from controller.start_up import SOCKET_FILE

CONTROLLER_END_S, BOARD_END_S = 20.0, 3.0
NOT_STARTED = (Exit.USAGE, Exit.CHAMBER, Exit.TAKEN, Exit.RECORD, Exit.FILES, Exit.PEER)
"""With these codes a controller ends before it opens its port: it never had the heat in hand."""
HANDS_SOCKET = "hands.sock"
BOARD_OFF = "the board switches off by itself within 5 s"
Tell = Callable[[str, dict[str, Any]], None]


@dataclass(frozen=True, slots=True)
class Running:
    """How all chambers of one `serve` are run."""

    demo: bool
    speed: float
    seed: int
    port: str
    """Of the only chamber; empty: the chamber file's."""
    faults_socket: Path | None
    """Of the only chamber; several have one each, with the data folder's name behind it."""
    several: bool = False
    from_scratch: bool = False
    """Of a demo: without proofs, and with hands at it for trying commissioning out."""

    def faults_of(self, data: Path) -> Path | None:
        """The socket that takes faults, and hands, for the chamber whose data is there."""
        named = self.faults_socket
        if named is None and self.from_scratch:
            return data / HANDS_SOCKET
        return named.with_name(f"{named.name}-{data.name}") if named is not None and self.several else named

    @property
    def lock_step(self) -> bool:
        return self.demo and self.speed != 1


def how_it_ended(code: int, tail: str) -> str:
    """What a controller's exit code means for the heat, in words; `tail` is what it has said itself."""
    if code < 0:
        return f"The controller was killed by signal {-code}; {BOARD_OFF}."
    if code == Exit.GOOD:
        return "The controller was asked to end; it switched the heat off first."
    if code in NOT_STARTED:
        return f"The controller did not start: {tail}"
    return f"The controller ended with code {code}; {BOARD_OFF}. {tail}".strip()


class Station:
    """Starts one chamber's processes, says how they end, ends them."""

    def __init__(self, folder: ChamberFolder, data: Path, running: Running) -> None:
        self.folder, self.data, self._running = folder, data, running
        self._board: BoardChild | None = None
        self._controller: Child | None = None
        self._practice: Child | None = None

    def start(self, tell: Tell) -> None:
        """Raises RuntimeError when the demo's board does not come up."""
        port = self._start_board(tell) if self._running.demo else self._running.port
        words = ["controller.service", "--chamber", str(self.folder.path), "--data", str(self.data)]
        words += ["--port", port] if port else []
        words += ["--lock-step", "--speed", str(self._running.speed)] if self._running.lock_step else []
        self._controller = Child("controller", words, self._log("controller"))
        self._controller.start()
        News(self.data / SOCKET_FILE, tell, self._running.demo and not self._running.from_scratch).start()
        self._start_practice(tell)

    def ended(self) -> tuple[int, str] | None:
        """Exit code and words once it is over with this chamber; None while it goes on."""
        code = None if self._controller is None else self._controller.exit_code()
        if self._controller is not None and code is not None:
            return code if code in set(Exit) and code else Exit.BROKEN, how_it_ended(code, self._controller.tail())
        if self._board is not None and self._board.exit_code() is not None:
            return Exit.PEER, f"The simulated board ended. {self._board.tail()}".strip()
        return None

    def end(self) -> None:
        """The controller first, which switches the heat off and writes why; then the board."""
        children: list[tuple[Child | None, float]] = [(self._practice, BOARD_END_S), (self._controller, CONTROLLER_END_S),
                                                     (self._board, BOARD_END_S)]
        end_all([(child, patience_s) for child, patience_s in children if child is not None])

    def words(self) -> str:
        """The chamber in a sentence or two."""
        chamber, running = self.folder.chamber, self._running
        kind = "SIMULATED chamber" if chamber.simulated else "chamber"
        speed = f" at {running.speed:g} times real speed" if running.speed != 1 else ""
        return f"{chamber.name}, {kind}{speed}. It may run: {LEVEL_WORDS[chamber.may_do]}."

    def _start_board(self, tell: Tell) -> str:
        """The demo's board; the port that the controller is to open."""
        running, chamber = self._running, self.folder.chamber
        words = ["controller.chamber.peer", "--shape", self.folder.shape, "--board", chamber.board,
                 "--seed", str(running.seed)]
        words += [] if running.from_scratch else ["--auto-arm"]
        words += ["--travelling"] if any(sensor.role is Role.TRAVELLING for sensor in chamber.sensors) else []
        words += ["--lock-step"] if running.lock_step else []
        faults = running.faults_of(self.data)
        words += ["--faults-socket", str(faults)] if faults else []
        self._board = BoardChild("board", words, self._log("board"))
        self._board.start()
        port = self._board.port()
        tell(f"SIMULATED board {chamber.board} on {port}. Everything in it is invented.", {"port": port})
        return port

    def _start_practice(self, tell: Tell) -> None:
        """Hands at a chamber from scratch."""
        there = self._running.faults_of(self.data)
        if not self._running.from_scratch or there is None:
            return
        words = ["controller.practice", "--chamber", str(self.folder.path), "--data", str(self.data), "--hands", str(there)]
        self._practice = PracticeChild(words, self._log("practice"), lambda line: tell(line, {"kind": "practice"}))
        self._practice.start()

    def _log(self, name: str) -> Path:
        """Each child has a log of its own: the reason for its end must not hold another's lines."""
        return self.data / f"{name}.log"
