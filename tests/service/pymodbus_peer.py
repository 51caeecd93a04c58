"""A test peer: pymodbus's own server on a serial port, with the invented plant behind its registers. Not part of the product.

It says nothing of being simulated, as no module does. Everything is in holding registers and coils, because these can be set
from inside the server. One line of JSON ten times a second says how it stands; lines on standard input press and release.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import time

from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from controller.chamber.plant import at_rest, step
from controller.chamber.shapes import SHAPES
from tests.service.module_layout import ARM, CONTACTOR, COUNTER, DOOR, HOLDING, MODULATOR, TIME_OUT, UNIT

SHAPE = SHAPES["small"]
STEP_S = 0.05


async def main() -> None:
    bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    registers = [SimData(0, values=[2_100] * HOLDING, datatype=DataType.REGISTERS)]
    device = SimDevice(id=UNIT, simdata=(bits, list(bits), registers, list(registers)))
    asked_s = [time.monotonic()]

    def packet(sending: bool, data: bytes) -> bytes:
        if not sending:
            asked_s[0] = time.monotonic()
        return data

    server = ModbusSerialServer(device, port=sys.argv[1], baudrate=115_200, ignore_missing_devices=True, trace_packet=packet)
    serving = asyncio.ensure_future(server.serve_forever())
    await asyncio.sleep(0)
    await server.async_setValues(UNIT, 15, DOOR, [True])
    await server.async_setValues(UNIT, 16, TIME_OUT, [0])
    await asyncio.gather(serving, physics(server, asked_s), hands(server))


async def physics(server: ModbusSerialServer, asked_s: list[float]) -> None:
    plant, conversions, before_s = at_rest(SHAPE.build, SHAPE.room_c, SHAPE.delay_s), 0, time.monotonic()
    while True:
        await asyncio.sleep(STEP_S)
        now_s = time.monotonic()
        coils = await server.async_getValues(UNIT, 1, 0, 8)
        (time_out,) = await server.async_getValues(UNIT, 3, TIME_OUT, 1)
        if time_out and now_s - asked_s[0] >= time_out / 10:
            await server.async_setValues(UNIT, 15, 0, [False] * 3)
        heats = bool(coils[MODULATOR] and coils[CONTACTOR])
        plant = step(plant, SHAPE.build, float(SHAPE.element_w) * heats, now_s - before_s, SHAPE.room_c, 1.0, False)
        before_s, conversions = now_s, (conversions + 1) % 65_536
        values = [round(100 * one) for one in (*plant.sensors, plant.part_sensor)]
        await server.async_setValues(UNIT, 16, 0, values)
        await server.async_setValues(UNIT, 16, COUNTER, [conversions])
        print(json.dumps({"coils": [int(one) for one in coils[:3]], "heats": heats, "values": values, "time_out": time_out}),
              flush=True)


async def hands(server: ModbusSerialServer) -> None:
    """`arm 1`, `door 0`, ..."""
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while line := await reader.readline():
        name, _, value = line.decode().strip().partition(" ")
        await server.async_setValues(UNIT, 15, {"arm": ARM, "door": DOOR}[name], [value == "1"])
    await server.shutdown()


with contextlib.suppress(KeyboardInterrupt, asyncio.CancelledError):
    asyncio.run(main())
