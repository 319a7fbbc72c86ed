"""Claims that stand: frozen with what they rested on, and scored against components made later.

A claim that is restated every week can never be wrong. Freezing writes it down with the digest of its data; components from
lots that were not known then are scored by a test that may be looked at any time without raising the chance of a
false refutation. Loads of one lot are not exchangeable with loads of others, so a lot gives one factor, however many loads
it fills, and how many of its components count is fixed when the claim is frozen.

References
----------
Ville (1939): a nonnegative process whose expectation never rises above 1 exceeds 20 with probability at most 1/20.
Waudby-Smith & Ramdas (2024), JRSS B 86, 1-27 (betting on bounded means).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from planner.lab.specimen import Measured, Specimen
from planner.outlook.words import counted, ranges_words

REFUTED = 20.0
LOADS_PER_LOT, COMPONENTS_PER_LOAD = 1, 2
BETS = 8
LISTED = 6
KEYS = ("forming_temperature_degC", "strain", "braze_temperature_degC", "braze_time_min")


def claim_record(window: Mapping[str, Any], *, date: str, data_digest: str, definition_digest: str, versions: Mapping[str, str],
                 model_digest: str, lots: Iterable[str], specimens: Iterable[str], criteria: Mapping[str, Any]) -> dict[str, Any]:  # fmt: skip
    """Return what a claim file holds.

    Parameters
    ----------
    window : `Window.to_json()`
    date : ISO date of freezing.
    data_digest, definition_digest, model_digest : what the claim rests on.
    versions : of Python and packages.
    lots, specimens : labels known when it was frozen; only lots not among these can test it.
    criteria : what a component must meet.
    """
    record = {
        "date": date, "reliability": window["reliability"], "confidence": window["confidence"], "claims": window["claims"],
        "claimed_share": window["claimed_share"], "joint_claim": window["joint_claim"], "criteria": dict(criteria),
        "data_digest": data_digest, "definition_digest": definition_digest, "model_digest": model_digest, "versions": dict(versions),
        "lots": sorted(lots), "specimens": sorted(specimens),
        "test": {"loads_per_lot": LOADS_PER_LOT, "components_per_load": COMPONENTS_PER_LOAD, "refuted_at": REFUTED}}
    return record | {"digest": claim_digest(record)}


def claim_digest(record: Mapping[str, Any]) -> str:
    """Return the SHA-256 of a claim without its own digest."""
    body = {key: value for key, value in record.items() if key not in ("digest", "number")}
    return hashlib.sha256(json.dumps(body, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def joints_needed(criteria: Mapping[str, Any]) -> int | None:
    """Return the least number of sound joints that passes, by the criteria as they were frozen; None when not required."""
    share = criteria.get("sound_share_min")
    if share is None:
        return None
    exact = Fraction(repr(share)) * criteria["joints"]         # 0.9 of 10 joints is 9 and not 10
    return -(-exact.numerator // exact.denominator)


def _within(reading: Measured | None, limit: float) -> bool | None:
    """Tell whether a reading is at most a limit; None where it was not measured, or is censored so that it cannot tell."""
    if reading is None:
        return None
    if reading.censor > 0:                                     # more than its value
        return False if reading.value >= limit else None
    if reading.censor < 0:                                     # less than its value
        return True if reading.value <= limit else None
    return reading.value <= limit


def _enough_joints(one: Specimen, criteria: Mapping[str, Any], needed: int) -> bool | None:
    """Tell whether enough joints were sound; None where too few were inspected to tell."""
    if one.joints_sound is None or one.joints_inspected is None:
        return None
    if one.joints_inspected >= criteria["joints"]:
        return one.joints_sound >= Fraction(repr(criteria["sound_share_min"])) * one.joints_inspected
    return False if one.joints_inspected - one.joints_sound > criteria["joints"] - needed else None


def conforms(one: Specimen, criteria: Mapping[str, Any], *, joints_sound_min: int | None) -> bool | None:
    """Tell whether a component met the criteria; None where something required is not known and nothing known failed.

    The film depth is judged where the component was cut open; a component that was not cut open counts without it.
    """
    if criteria.get("cracked") is False and one.cracked:
        return False
    met: list[bool | None] = []
    if criteria.get("film_depth_max_um") is not None and one.film_depth_um is not None:
        met.append(_within(one.film_depth_um, criteria["film_depth_max_um"]))
    if criteria.get("gap_max_mm") is not None:
        met.append(_within(one.gap_mm, criteria["gap_max_mm"]))
    if joints_sound_min is not None:
        met.append(_enough_joints(one, criteria, joints_sound_min))
    if criteria.get("leaked") is False:
        met.append(None if one.leaked is None else not one.leaked)
    return False if False in met else None if None in met else True


@dataclass(frozen=True)
class LotScore:
    """What one lot says of a claim."""

    lot: str
    components: int
    nonconforming_share: float
    e_value: float
    """The e-process once this lot was scored."""


def e_value(shares: Sequence[float], *, reliability: float, bets: int = BETS) -> float:
    """Return the e-process after lots with these mean nonconforming shares.

    The mean over bets lambda in (0, 1/(1 - R)] of the products of 1 + lambda (share - (1 - R)).

    Parameters
    ----------
    shares : mean nonconforming share of each lot, in [0, 1].
    reliability : float
        R.
    bets : int, default 8
        Number of equally spaced lambda.

    Examples
    --------
    >>> round(e_value([1.0, 1.0], reliability=0.9, bets=1), 6)
    100.0
    """
    allowed = 1.0 - reliability
    bet = np.arange(1, bets + 1) / bets / allowed
    factors = 1.0 + bet[:, None] * (np.asarray(shares, float)[None, :] - allowed)
    return float(np.maximum(factors, 0.0).prod(axis=1).mean())


def score(record: Mapping[str, Any], specimens: Iterable[Specimen], *, files: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Score a frozen claim against components recorded since.

    Parameters
    ----------
    record : claim file.
    specimens : everything in force, in the order in which it was recorded.
    files : by specimen, the result file that it first came in. Default: each came by itself.

    Returns
    -------
    dict
        e_value (now), highest (which decides), state (`stands` or `refuted`), lots scored with the e-process after each, how many
        components wait, which of them lack a measurement (`lacking`), what is claimed and how a component is judged: by the criteria
        of the day of freezing, whatever they are now.
    """
    known, old, rule = set(record["lots"]), set(record["specimens"]), record["test"]
    needed = joints_needed(record["criteria"])
    of: dict[str, list[Specimen]] = {}
    aside = 0
    for one in specimens:
        if one.specimen_type != "component" or one.specimen in old or not _inside(one, record["claims"]):
            continue
        if one.lot in known:
            aside += 1
        else:
            of.setdefault(one.lot, []).append(one)
    lots, path, waiting, lacking = [], [], 0, []
    for lot, made in of.items():
        chosen = tested(made, rule, digest=record["digest"], files=files)
        verdicts = [[conforms(one, record["criteria"], joints_sound_min=needed) for one in load] for load in chosen]
        lacking += [one.specimen for load, told in zip(chosen, verdicts, strict=True) for one, verdict in zip(load, told, strict=True) if verdict is None]
        if not chosen or any(None in told for told in verdicts):
            waiting += len(made)
            continue
        share = float(np.mean([1.0 - np.mean(told) for told in verdicts]))
        path.append(e_value([*(s.nonconforming_share for s in lots), share], reliability=record["reliability"]))
        lots.append(LotScore(lot, sum(map(len, chosen)), share, path[-1]))
    value, highest = [1.0, *path][-1], max([1.0, *path])
    state = "refuted" if highest >= rule["refuted_at"] else "stands"
    return {"number": record.get("number"), "since": record["date"], "digest": record["digest"], "intact": claim_digest(record) == record["digest"],
            "e_value": value, "highest": highest, "refuted_at": rule["refuted_at"], "state": state,
            "lots": [s.__dict__ for s in lots], "waiting": waiting, "lacking": lacking, "of_known_lots": aside,
            "claims": [f"{one['temper']}, {ranges_words(one['ranges'])}" for one in record["claims"]],
            "reliability": record["reliability"], "confidence": record["confidence"], "test": dict(rule),
            "words": _sentence(record, state, value, highest, lots, waiting, lacking, aside)}


def tested(made: Sequence[Specimen], rule: Mapping[str, int], *, digest: str, files: Mapping[str, str] | None = None) -> list[list[Specimen]]:
    """Return the components of a new lot that count, load by load; none while it is too early to say.

    Which of them count must not hang on how they fared: results of the parts that failed often come first.  So a lot waits for the
    result file with which its first loads are full, and of all that is in by then the rule's number is drawn by a digest of claim and
    label.  A part that cracked in forming never saw a furnace, and stands in the lot's first load.

    Parameters
    ----------
    made : components of the lot inside the claimed ranges, in the order in which they were recorded.
    rule : loads_per_lot and components_per_load.
    digest : of the claim.
    files : by specimen, the file that it first came in. Default: each came by itself.
    """
    batches: dict[str, list[Specimen]] = {}
    for one in made:
        batches.setdefault(one.specimen if files is None else files.get(one.specimen, one.specimen), []).append(one)
    loads: dict[str, list[Specimen]] = {}
    unbrazed: list[Specimen] = []
    for batch in batches.values():
        for one in batch:
            loads.setdefault(one.furnace_load, []).append(one) if one.furnace_load else unbrazed.append(one)
        filled = [[*of_load, *(unbrazed if i == 0 else ())] for i, of_load in enumerate(loads.values())]
        full = [x for x in filled if len(x) >= rule["components_per_load"]][: rule["loads_per_lot"]]
        if len(full) == rule["loads_per_lot"]:
            lottery = lambda one: hashlib.sha256(f"{digest} {one.specimen}".encode()).hexdigest()
            return [sorted(x, key=lottery)[: rule["components_per_load"]] for x in full]
    return []


def _inside(one: Specimen, claims: Sequence[Mapping[str, Any]]) -> bool:
    """Tell whether a component was made inside a claimed range; one that cracked in forming need not have been brazed."""
    for claim in claims:
        if claim["temper"] != one.temper:
            continue
        for key in KEYS:
            value, (low, high) = getattr(one, key), claim["ranges"][key]
            if value is None and one.cracked and key.startswith("braze"):
                continue
            if value is None or not low - 1e-9 <= value <= high + 1e-9:
                break
        else:
            return True
    return False


def _sentence(record, state: str, value: float, highest: float, lots, waiting: int, lacking: Sequence[str], aside: int) -> str:
    limit = record["test"]["refuted_at"]
    rest = f"; {counted(waiting, 'more component')} of new lots {'waits' if waiting == 1 else 'wait'} for measurements or for the rest of their load" if waiting else ""
    rest += f" (not measured far enough to tell: {', '.join(lacking[:LISTED])}{' and others' if len(lacking) > LISTED else ''})" if lacking else ""
    rest += f"; {counted(aside, 'later component')} came from lots known when it was frozen and {'does' if aside == 1 else 'do'} not count" if aside else ""
    if not lots:
        return (f"Stands since {record['date']}: no component of a new lot has tested it yet, so the evidence against it is {value:g}, "
                f"and it is refuted at {limit:g}{rest}.")
    bad = sum(s.nonconforming_share * s.components for s in lots)
    how = "Stands since" if state == "stands" else "Refuted; frozen on"
    return (f"{how} {record['date']}: {counted(len(lots), 'new lot')}, {bad:.0f} of {sum(s.components for s in lots)} components failed; the evidence against it is "
            f"{value:.2f} now and has reached {highest:.2f} at most, refuted at {limit:g}{rest}.")
