"""A budget with every section filled and every number different, labels hostile. All invented."""

NASTY = "<script>alert(1)</script>"
SEED = iter(range(1, 10_000))


def some(scale=1.0):
    """A number that stands nowhere else in the record."""
    return scale * (next(SEED) * 0.6180339887 % 1.0)


def week(number):
    """One row of `by_money`, week 0 being today."""
    shares = {name: some() for name in ("misclassification", "undecided_share", "claimed_share", "probability_of_goal", "probability_of_target")}
    bands = {name: sorted([some(), some()]) for name in ("misclassification_band_80", "undecided_band_80", "claimed_band_80")}
    return shares | bands | {"cost": 5210.0 * number, "cost_with_spent": 30000.0 + 5210.0 * number, "weeks": number, "lots": 3 * number, "furnace_loads": 4 * number,
                             "sections": 15 * number, "hours": 71.37 * number, "specimens": {"component": 11 * number, "braze_coupon": 7 * number} if number else {}}  # fmt: skip


def budget_record():
    """What `budget --json` prints."""
    deep = [{"week": n, "cost": 5111.0 * n, "cost_foreseen": 5210.0 * n, "campaigns": 4 + n, "misclassification_foreseen": some(), "band_80": sorted([some(), some()]),
             "misclassification": some(), "error": some(0.1), "misclassification_agrees": True, "agrees": n == 1}
            | {f"{name}{end}": some() for name in ("claimed_share", "undecided_share") for end in ("", "_foreseen", "_error")}
            | {f"{name}_band_80": sorted([some(), some()]) for name in ("claimed", "undecided")}
            | {"claimed_share_agrees": n == 1, "undecided_share_agrees": True, "differs": [] if n == 1 else ["claimed share"]} for n in (1, 2)]  # fmt: skip
    return {
        "by_money": [week(number) for number in range(5)],
        "marginal": {"component": {"what": "component of O at 150 degC", "gain": some(0.01), "gain_band_80": [-some(0.01), some(0.02)], "cost": 395.0, "gain_per_1000": some()}, "why": "the component wins",
                     "coupons": {"specimens": {"braze_coupon": 6, "bend_coupon": 13}, "gain": some(0.01), "gain_band_80": [-some(0.01), some(0.02)], "cost": 382.0, "gain_per_1000": some()}},
        "stop": {"week": 2, "goal_week": 3, "why": f"stop before week 2 {NASTY}", "horizon_ended": "week 5: no money", "weeks": [
            {"week": n, "cost": 5210.0, "gain": some(0.02), "worth": 811.0 * n} for n in (1, 2)]},
        "cuts": [{"cut": c, "cost": 20000 * (1 - c), "saved": 20000 * c, "misclassification": some(), "misclassification_band_80": [some(), some()], "loss": some(0.1), "weeks": 4} for c in (0.1, 0.25, 0.5)],
        "order": [{"temper": NASTY, "blanks_needed": 56, "blanks_on_hand": 17, "blanks_to_order": 39, "further_lot": True, "why": "few blanks"}],
        "pending": [{"specimen": f"P-{n} {NASTY}", "specimen_type": "bend_coupon", "plan": 2, "due": "2026-12-01", "awaited": "section" if n == 2 else "results"} for n in (1, 2)],
        "goal": {"undecided_share_max": 0.137, "weeks_max": 9, "total_budget": 45100.0, "spent_estimate": 30010.0, "money_left": 15090.0, "weeks_done": 6, "dates": ["2026-01-05", "2026-03-06"],
                 "furnace_loads_done": 18, "bound_estimate": 4321.0, "weeks_bound": 1, "misclassification_awaited": 0.0987, "tool_setups_done": 23, "target": f"O {NASTY}, forming 150 to 200 degC"},
        "claimed_reading": {"today": some(), "stated": some(), "factor": some()}, "outcomes": 52, "chance_error_most": 0.0693,
        "deep": {"weeks": deep, "agrees": False, "words": "they differ in week 2", "campaigns": 6, "folder": "reports/x"},
        "verdict": "CONVERGED", "currency": "<b>", "notices": [f"a notice {NASTY}"], "method": "laid out beforehand", "page": "reports/budget.html"}  # fmt: skip
