"""The guided sequence as a table: one row a step, no logic. Order is the order of doing; core first, then the rest.

A step that passes leaves a proof (`proofs.Proof`) under its own id. Texts are whole sentences for somebody with a
screwdriver in hand. Nothing here is ever measured on live mains. Minutes are a person's, not the machine's; they are the
guide's own estimate and are shown as such. Limits of typed values are common practice, no source, unless a row names one.
"""

from __future__ import annotations

from collections.abc import Mapping

from controller.commissioning import core_steps, rest_steps
from controller.commissioning.step import Step

STEPS: tuple[Step, ...] = (*core_steps.STEPS, *rest_steps.STEPS)
BY_ID: Mapping[str, Step] = {step.id: step for step in STEPS}
