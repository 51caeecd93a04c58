"""`python -m controller.practice`: follows a simulated chamber's controller and does with its hands what commissioning asks.

It sends datagrams to the simulated board's faults socket and nothing to anybody else: hands of a person, no part of the
controller. Each thing that it does is one line on standard output. It ends with its parent, or with a signal.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import socket
from collections.abc import Iterator
from pathlib import Path

from controller.client import Client, ControllerError
from controller.commands.out import Out
from controller.config import load
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit
from controller.practice import hands, values
from controller.practice.hands import ARM, LIMITER, PRESSED, Hand, Json, Memory
from controller.start_up import SOCKET_FILE

AGAIN_S = 0.5
BEFORE = "SIMULATED hand:"
SAY = Out(as_json=False)


class Hands:
    """The hands of one chamber: what they hold, and the socket they act through."""

    def __init__(self, board: Path, sensors: dict[str, int]) -> None:
        self._board, self._sensors = board, sensors
        self._line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._memory = Memory()

    def let_go(self) -> None:
        """Whatever an earlier one of these may have held."""
        self._memory = Memory()
        for hand in (ARM, LIMITER, *PRESSED.values(), *(Hand("sensor_sees", one, "in_hand") for one in self._sensors.values())):
            self._send(hand, False)

    def see(self, now: Json) -> Iterator[str]:
        """Do what this snapshot asks for; gives a line for each thing done."""
        before = self._memory.held
        self._memory = hands.see(self._memory, now, self._sensors)
        for hand, on in hands.moves(before, self._memory.held):
            said = hands.words(hand, on, self._sensors)
            if said:
                self._send(hand, on)
                yield f"{BEFORE} {said}."

    def _send(self, hand: Hand, on: bool) -> None:
        """A board that is not there yet, or no more, has nothing to be touched."""
        with contextlib.suppress(OSError):
            self._line.sendto(json.dumps(hand.datagram(on)).encode(), str(self._board))


def main(words: list[str] | None = None) -> int:
    """Follow until a signal comes. 3 for a chamber that is real: nobody's hands are here."""
    parser = argparse.ArgumentParser(prog="python -m controller.practice", description=__doc__)
    parser.add_argument("--chamber", type=Path, required=True, help="folder of the simulated chamber")
    parser.add_argument("--data", type=Path, required=True, help="its controller's data folder")
    parser.add_argument("--hands", type=Path, required=True, help="the simulated board's faults socket")
    options = parser.parse_args(words)
    chamber = load(options.chamber, utc_us()).chamber
    if not chamber.simulated:
        SAY.say(f"{options.chamber} is a real chamber: hands are only practised at a simulated one.")
        return Exit.CHAMBER
    SAY.say("SIMULATED: hands are at this chamber and do what the sheet Proofs asks of hands. Yours are the typed values, what")
    SAY.say("is seen and heard, clearing trips and starting trials. These invented values fit this invented chamber:")
    for line in values.told(chamber):
        SAY.say(line)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_follow(Client(options.data / SOCKET_FILE),
                            Hands(options.hands, {sensor.id: sensor.channel for sensor in chamber.sensors})))
    return Exit.GOOD


async def _follow(client: Client, there: Hands) -> None:
    """Snapshot after snapshot. A controller that is away is waited for."""
    while True:
        there.let_go()
        try:
            async for pushed in client.follow():
                for line in there.see(pushed["now"]) if pushed.get("now") else ():
                    SAY.say(line)
        except ControllerError:
            await asyncio.sleep(AGAIN_S)


if __name__ == "__main__":
    raise SystemExit(main())
