"""What a simulated board says of lines that it cannot read, and which of its reasons to be off end the enable."""

from __future__ import annotations

import re

from controller.core.messages import OffReason, Refusal, RefusalCode
from controller.link.protocol import FROM_BOARD, Wrong
from controller.link.session import BadLine

ANSWERS = {
    Wrong.VERSION: RefusalCode.VERSION,
    Wrong.RANGE: RefusalCode.RANGE,
    Wrong.VALUE: RefusalCode.RANGE,
    Wrong.FIELDS: RefusalCode.UNKNOWN_FRAME,
    Wrong.UNKNOWN_FRAME: RefusalCode.UNKNOWN_FRAME,
}
"""What a whole frame that cannot be read is answered with; a line with a bad checksum is not answered at all."""

VOIDING = frozenset({OffReason.SELF_TEST, OffReason.SETTINGS, OffReason.LOCAL_STOP, OffReason.SMOKE, OffReason.CEILING,
                     OffReason.RUN_CEILING, OffReason.RUN_TIME, OffReason.OUTPUT, OffReason.HOST_SILENT})
"""These end the enable: heat needs a fresh one. The others only hold the outputs off while they stand."""
NONE, NOT_ENABLED = OffReason.NONE, OffReason.NOT_ENABLED
"""Short names: an enumeration looks its members up slowly, and these are asked for at every frame."""


def refusal_of(bad: BadLine) -> Refusal | None:
    """The answer to a line that is no good frame, or None. Noise is ignored, and so is an echo of the board's own frames:
    answering it could go on for ever."""
    code = ANSWERS.get(bad.code)
    if code is None or bad.line[:1] in FROM_BOARD:
        return None
    found = re.search(rb" s=([0-9]{1,5}) q=([0-9]{1,7})[ *]", bad.line)
    session, sequence = (int(found[1]), int(found[2])) if found else (0, 0)
    return Refusal(session if session < 65_536 else 0, sequence, code)
