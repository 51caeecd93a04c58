"""Puts a version on a computer, takes it back, takes it away: a plan of steps, and something that carries a plan out.

It needs nothing but Python itself: it runs before any library is there. Every path is written as it will be on the computer;
`world.World` says where that really is, so that a whole installation can be staged below one folder.
"""
