"""A survey is evaluated as soon as its five places are there, and again with every place more."""

from __future__ import annotations

from controller.commissioning import corrections, store
from controller.commissioning.proofs import Proof
from controller.commissioning.shown import Shown, degrees
from controller.commissioning.steps import BY_ID
from controller.commissioning.store import Kept, is_given
from controller.commissioning.survey import FIVE, NINE, Pair, Survey, comparison, survey
from controller.commissioning.trials_judged import traveller
from controller.commissioning.validity import EVALUATION, HOLDS, SURVEY, Facts, one, sensor_called


def evaluated(kept: Kept, step: str, facts: Facts, by: str) -> Kept:
    """With the evaluation of the whole, where this step was a survey's place and enough of them hold."""
    if step != SURVEY:
        return kept
    rows = {spot.id: row.proof for spot in NINE
            if (row := one(kept, BY_ID[SURVEY], facts, "", spot.id)).standing in HOLDS and row.proof is not None}
    own = {spot: row for spot, row in rows.items() if not is_given(row)}
    if not {spot.id for spot in FIVE} <= set(own):
        return kept
    from controller.commissioning import proving  # it builds rows; this module is one of those that it is built with

    newest = kept.proofs[-1]
    return store.with_proof(kept, proving.proof(SURVEY, _shown(own, facts, kept), facts, by, EVALUATION)) \
        if newest.step == SURVEY and newest.passed else kept


def _shown(rows: dict[str, Proof], facts: Facts, kept: Kept) -> Shown:
    there = sensor_called(corrections.corrected(kept, facts.chamber, facts.utc_us), traveller(facts.chamber))
    uncertainty_mc = 0 if there is None else there.uncertainty_mc
    sets = {row.values["set_mc"] for row in rows.values()}
    try:
        runs = {spot: [Pair(*pair) for pair in row.values["pairs"]] for spot, row in rows.items()}
        made = survey(runs, max(sets), uncertainty_mc)
    except (ValueError, TypeError, KeyError) as error:
        return Shown(False, "cannot be evaluated", {}, f"Take its places again: {error}.")
    if len(sets) > 1:
        return Shown(False, "places at different temperatures", {}, "Take all places at one set temperature.")
    found = f"within {degrees(made.uniformity_mc)} of the middle, steady within {degrees(made.stability_mc)}"
    return Shown(True, found, {"survey": figures(made), "compared": comparison(made), "spots": sorted(rows)})


def figures(made: Survey) -> dict[str, object]:
    """The survey as the guide shows it."""
    return {
        "uniformity_mc": made.uniformity_mc, "stability_mc": made.stability_mc, "expanded_mc": made.expanded_mc,
        "set_mc": made.set_mc,
        "spots": [{"spot": at.spot, "mean_mc": at.mean_mc, "least_mc": at.least_mc, "most_mc": at.most_mc}
                  for at in made.spots],
    }
