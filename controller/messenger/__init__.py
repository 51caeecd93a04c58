"""Tells people: notices, the outward heartbeat, and the listener on a second computer. It commands nothing.

Pure parts: `notices` (a snapshot and what is remembered -> what may be worth a message), `memory` (which of it is told,
once each), `words` (the text), `outbox` (retries and giving up), `beats`, `listening`. The shell around them follows the
controllers, keeps one sealed file, sends, and answers on a socket of its own.
"""
