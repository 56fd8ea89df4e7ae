"""The answer as the contract's JSON object."""

import math
from typing import Any

from fleetbelt.bench.question import STATES, Answer, BeltState
from fleetbelt.bench.target import Target
from fleetbelt.bench.words import doubts
from fleetbelt.contract import CONTRACT_VERSION


def as_json(answer: Answer, judged_as: BeltState) -> dict[str, Any]:
    """Return the answer as the contract's object.

    Parameters
    ----------
    answer : Answer
        What the gauge must show.
    judged_as : {'new', 'used'}
        State of the belt whose range the readings are held to at the top level.

    Returns
    -------
    dict
        Numbers unrounded, in the gauge's unit; null where there is none.
    """
    scale, surer = answer.scale, answer.surer
    facts: dict[str, Any] = {
        "contract_version": CONTRACT_VERSION,
        "vehicle_id": answer.subject.vehicle.get("vehicle_id"),
        "drive_id": answer.subject.drive_id,
        "gauge_id": answer.gauge.gauge_id,
        "span_mm": answer.span.length_mm,
        "span_name": answer.span.name or None,
        "unit": scale.unit,
        "correction": scale.correction,
        "correction_source": scale.correction_source,
        "correction_u": scale.u_corr,
        "reading_u": scale.u_reading,
        **{state: _target(answer, state) for state in STATES},
        "surer": surer
        and {
            "gauge_id": surer.gauge.gauge_id,
            "span_mm": surer.span.length_mm,
            "span_name": surer.span.name or None,
            "p_in": surer.p_in,
        },
        "doubts": doubts(answer),
    }
    return facts | _readings(answer, judged_as)


def _target(answer: Answer, state: BeltState) -> dict[str, Any] | None:
    target: Target | None = answer.targets[state]
    known = answer.published[state]
    if target is None or known is None:
        return None
    return {
        "low": target.low,
        "target": target.target,
        "high": target.high,
        "p_in": target.p_in,
        "p_in_of_three": target.p_in_of_three,
        "published": known.words,
        "min_n": target.min_n,
        "max_n": target.max_n,
    }


def _readings(answer: Answer, judged_as: BeltState) -> dict[str, Any]:
    found = answer.found
    if found is None:
        return {}
    verdicts = {
        state: {
            name: _number(getattr(judged, name))
            for name in ("p_under", "p_in", "p_over", "turn", "turn_share")
        }
        | {"verdict": judged.verdict}
        for state, judged in answer.judgements.items()
    }
    return {
        "readings": list(found.readings),
        "mean": found.mean,
        "spread": _number(found.spread),
        "spread_expected": found.expected,
        "p_spread": _number(found.p_spread),
        "tension_n": found.tension_n,
        "tension_u_n": found.tension_n * found.u_log,
        "judged_as": judged_as,
        **verdicts[judged_as],
        "verdicts": verdicts,
    }


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value
