"""The wires, sans-IO: bytes in, events out; messages in, bytes out. Nothing waits, opens anything or asks the time."""
