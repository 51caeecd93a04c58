"""Print a firmware's flash, RAM and worst stack, from its ELF file alone.

`sizes.py CHIP firmware.elf ...` - the stack is the deepest path over the call graph of the disassembly, plus the
deepest interrupt on top of it (interrupts do not nest). Recursion and calls through a pointer are errors, since nothing
could be said then.
"""

from __future__ import annotations

import re
import subprocess
import sys
from typing import NamedTuple

SEAL_BYTES = 4
RAM_BYTES = {"atmega328p": 2048, "atmega2560": 8192}
RETURN_BYTES = {"atmega328p": 2, "atmega2560": 3}
SAVED_BY_PROLOGUE = 18
"""Registers that libgcc's shared prologue pushes when it is entered at its beginning."""

LABEL = re.compile(r"^[0-9a-f]+ <(.+)>:$")
LINE = re.compile(r"^\s+[0-9a-f]+:\t(?:[0-9a-f]{2} )+\s*\t?(\S*)\s*([^;]*)(?:;.*?<([^>+]+)(?:\+0x([0-9a-f]+))?>|;.*)?$")
JUMPS = ("call", "rcall", "jmp", "rjmp", "brne", "breq", "brcc", "brcs", "brge", "brlt", "brpl", "brmi")
POINTER_JUMPS_OF_LIBGCC = ("__tablejump2__", "__prologue_saves__")


class Code(NamedTuple):
    """One function: the bytes it puts on the stack itself, and whom it calls with how many bytes of return address."""

    own: int
    calls: frozenset[tuple[str, int]]


class Size(NamedTuple):
    """Bytes."""

    chip: str
    flash: int
    ram: int
    stack: int
    path: tuple[str, ...]

    @property
    def headroom(self) -> int:
        return RAM_BYTES[self.chip] - self.ram - self.stack


class Instruction(NamedTuple):
    name: str
    operands: str
    target: str
    offset: int


def functions(elf: str) -> dict[str, list[Instruction]]:
    """The disassembly, by function."""
    text = subprocess.run(["avr-objdump", "-d", elf], capture_output=True, text=True, check=True).stdout
    found: dict[str, list[Instruction]] = {}
    name = ""
    for line in text.splitlines():
        if label := LABEL.match(line):
            name = label[1]
            found.setdefault(name, [])
        elif name and (parts := LINE.match(line)):
            found[name].append(Instruction(parts[1], parts[2].strip(), parts[3] or "", int(parts[4] or "0", 16)))
    return found


def frame(code: list[Instruction]) -> int:
    """Bytes by which the function moves the stack pointer for its variables."""
    moves = [at for at, one in enumerate(code) if one.name == "out" and one.operands.startswith("0x3d")]
    if not moves:
        return 0
    low = high = 0
    for one in code[max(0, moves[0] - 6):moves[0]]:
        amount = re.match(r"r2[89], (0x[0-9A-Fa-f]+|\d+)", one.operands)
        if amount and one.name in ("sbiw", "subi"):
            low = int(amount[1], 0)
        elif amount and one.name == "sbci":
            high = int(amount[1], 0)
    return low + 256 * high


def shared_prologue(code: list[Instruction]) -> int:
    """Registers and variables where the function begins by libgcc's prologue."""
    for at, one in enumerate(code):
        if one.target == "__prologue_saves__":
            sizes = {part.operands[:3]: int(part.operands.split(", ")[1], 0) for part in code[max(0, at - 4):at]
                     if part.name == "ldi"}
            return SAVED_BY_PROLOGUE - one.offset // 2 + sizes.get("r26", 0) + 256 * sizes.get("r27", 0)
    return 0


def read(name: str, code: list[Instruction], every: dict[str, list[Instruction]], back: int) -> Code:
    own = sum(one.name == "push" for one in code) + shared_prologue(code)
    own += frame(code) if name not in POINTER_JUMPS_OF_LIBGCC else 0
    calls: set[tuple[str, int]] = set()
    for one in code:
        if one.name in ("icall", "eicall") or (one.name in ("ijmp", "eijmp") and name not in POINTER_JUMPS_OF_LIBGCC):
            raise ValueError(f"{name} calls through a pointer: its stack cannot be told")
        if one.name in ("call", "rcall") and one.operands == ".+0":
            own += back
        elif one.name in JUMPS and one.target in every and one.target != name and one.target != "__prologue_saves__":
            calls.add((one.target, back if "call" in one.name else 0))
    return Code(own, frozenset(calls))


def deepest(name: str, codes: dict[str, Code], above: tuple[str, ...] = ()) -> tuple[int, tuple[str, ...]]:
    """Bytes and path of the deepest chain from here."""
    if name in above:
        raise ValueError(f"recursion: {' > '.join((*above, name))}")
    ahead = [(callee, back) for callee, back in codes[name].calls if back or callee not in above]  # a jump back is a loop
    below = [(cost + back, path) for callee, back in ahead
             for cost, path in [deepest(callee, codes, (*above, name))]]
    cost, path = max(below, default=(0, ()))
    return codes[name].own + cost, (name, *path)


def measure(chip: str, elf: str) -> Size:
    """Sizes of one ELF file. Errors: ValueError for recursion or a call through a pointer."""
    every = functions(elf)
    back = RETURN_BYTES[chip]
    codes = {name: read(name, code, every, back) for name, code in every.items()}
    main, path = deepest("main", codes)
    interrupts = [deepest(name, codes) for name in codes if re.fullmatch(r"__vector_\d+", name)]
    interrupt, inner = max(interrupts, default=(0, ()))
    sections = subprocess.run(["avr-size", elf], capture_output=True, text=True, check=True).stdout.splitlines()[1]
    text, data, bss = (int(word) for word in sections.split()[:3])
    return Size(chip, text + data + SEAL_BYTES, data + bss, main + interrupt + 2 * back, (*path, *inner))


def table(sizes: list[Size]) -> str:
    """The table of README.md."""
    rows = ["| chip | flash | static RAM | worst stack | headroom |", "|---|---|---|---|---|"]
    rows += [f"| {one.chip} | {one.flash} | {one.ram} | {one.stack} | {one.headroom} |" for one in sizes]
    return "\n".join(rows)


def main(arguments: list[str]) -> int:
    if not arguments or len(arguments) % 2:
        sys.stderr.write("usage: sizes.py CHIP FIRMWARE.elf [CHIP FIRMWARE.elf ...]\n")
        return 2
    sizes = [measure(chip, elf) for chip, elf in zip(arguments[::2], arguments[1::2], strict=True)]
    sys.stdout.write(table(sizes) + "\n")
    for one in sizes:
        sys.stdout.write(f"deepest on the {one.chip}: {' > '.join(one.path)}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
