"""The messenger's socket: every example of `socket.md`, asked of a messenger at work."""

from __future__ import annotations

import asyncio
import json
import re
from typing import Any

from controller.client import LINE_MAX_BYTES
from controller.messenger.door import Door
from tests.messenger.moments import ended, latch
from tests.messenger.stand_in import ATTIC, PHONE, House
from tests.tidy.measure import ROOT

TEXT = (ROOT / "controller/messenger/socket.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```ask\n(.*?)\n```\n```answer\n(.*?)\n```", TEXT, re.DOTALL)


def same_shape(shown: Any, found: Any) -> bool:
    """Every field shown is there, of the same type."""
    if isinstance(shown, dict):
        return isinstance(found, dict) and all(
            name in found and same_shape(value, found[name]) for name, value in shown.items())
    if isinstance(shown, list):
        return isinstance(found, list) and (not shown or bool(found)) and all(same_shape(shown[0], one) for one in found)
    return shown is None or type(shown) is type(found)


def test_every_example_of_the_manual_is_answered_as_it_says(tmp_path):
    house = House(tmp_path, PHONE, ATTIC)

    async def whole() -> list[Any]:
        desk = house.desk()
        door = Door(tmp_path / "messenger.sock", desk, "0.1.0")
        await door.open()
        desk.take("bench", ended("aborted", "", latches=[latch("smoke")]))
        reader, writer = await asyncio.open_unix_connection(tmp_path / "messenger.sock", limit=LINE_MAX_BYTES)
        found = []
        for ask, _ in EXAMPLES:
            writer.write(ask.encode() + b"\n")
            found.append(json.loads(await reader.readline()))
        writer.close()
        await door.close()
        return found

    found = asyncio.run(whole())
    assert len(EXAMPLES) == 7
    for (_, answer), got in zip(EXAMPLES, found, strict=True):
        assert same_shape(json.loads(answer), got), (answer, got)
    assert "unknown_name" in json.dumps(found)


def test_every_ask_stands_in_the_manual(tmp_path):
    door = Door(tmp_path / "messenger.sock", House(tmp_path, PHONE).desk(), "0.1.0")
    assert set(door._do) == {json.loads(ask)["do"] for ask, _ in EXAMPLES}
