"""Carries a plan out, step by step; when one fails, everything before it is undone, last first, and what is left is told."""

from __future__ import annotations

import shutil
import sqlite3
from typing import NamedTuple

from controller.install.plan import Plan
from controller.install.steps import NOTHING, Step, Undo, nothing
from controller.install.world import StepFailed, World

FAILURES = (StepFailed, OSError, sqlite3.Error, shutil.Error)
ENDED = "it was asked to end"
"""By Ctrl-C or a signal."""


class Stopped(Exception):
    """A step failed or was ended. `left` names what could not be undone, and why; empty: everything is as it was before."""

    def __init__(self, step: Step, why: BaseException, left: list[str]) -> None:
        self.step, self.why, self.left = step, why, left
        self.said = str(why) or ENDED
        super().__init__(f"{step.words}: {self.said}")


class Done(NamedTuple):
    """A step that was done, and how to undo it."""

    step: Step
    undo: Undo


def words(plan: Plan) -> list[str]:
    """The plan for people, without doing anything."""
    return [f"{number:2}. {step.words[0].upper()}{step.words[1:]}." + ("" if step.undo_words == NOTHING else
            f"\n    If a later step fails: {step.undo_words}.") for number, step in enumerate(plan, 1)]


def carry_out(plan: Plan, world: World) -> None:
    """Do every step. Raises Stopped, also for a person's Ctrl-C; any other end undoes too and goes on up."""
    done: list[Done] = []
    for number, step in enumerate(plan, 1):
        try:
            world.say(f"{number}/{len(plan)} {step.words[0].upper()}{step.words[1:]}")
            done.append(Done(step, step.do(world)))
        except FAILURES as error:
            world.say(f"    This step failed: {error}")
            raise Stopped(step, error, go_back(done, world)) from error
        except KeyboardInterrupt as error:
            world.say(f"    This step did not end: {ENDED}")
            raise Stopped(step, error, go_back(done, world)) from error
        except BaseException:
            go_back(done, world)
            raise


def go_back(done: list[Done], world: World) -> list[str]:
    """Undo, last first. A step that cannot be undone does not keep the others from it; it is told."""
    left = []
    for one in reversed(done):
        if one.undo is nothing or one.step.undo_words == NOTHING:
            continue
        world.say(f"    Undoing \"{one.step.words}\": {one.step.undo_words}")
        try:
            one.undo()
        except FAILURES as error:
            left.append(f"{one.step.words}: could not be undone ({error})")
    return left
