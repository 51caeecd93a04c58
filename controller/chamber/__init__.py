"""Simulated chambers: physics, shapes, a board that speaks the wire protocol. Never loaded by the running controller."""
