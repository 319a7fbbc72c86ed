"""Every table of the review page against the record, to the printed digits.  All numbers are invented and all are different."""

import io
import itertools
import re
from html.parser import HTMLParser

import pytest
from rich.console import Console

from planner.outlook.review import target_words
from planner.report.budget_view import review as on_screen
from planner.report.pages.build import review_page

RANGES = {"forming_temperature_degC": [150, 200], "strain": [0.02, 0.05], "braze_temperature_degC": [598, 602], "braze_time_min": [2, 4]}
FRESH = itertools.count(1)


def some(scale=1.0):
    """A number that stands nowhere else in the record."""
    return scale * (next(FRESH) * 0.6180339887 % 1.0)


class Tables(HTMLParser):
    """Rows of text cells of every table."""

    def __init__(self, text):
        super().__init__()
        self.tables, self._cell, self._skip = [], None, 0
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")
            self._cell = True

    def handle_endtag(self, tag):
        if tag in ("td", "th"):
            self._cell = None

    def handle_data(self, text):
        if self._cell:
            self.tables[-1][-1][-1] += text


def left_out(names):
    return [{"what": n, "rows": 3 + i, "k_hat": some(), "trusted": True, "by": "reweighting", "misclassification": some(), "joint_probability": some(), "contribution": some(0.01), "own": "x_shift late" if i == 1 else ""}
            for i, n in enumerate(names)]  # fmt: skip


def untold(name, k_hat, effective):
    """A group that reweighting cannot leave out."""
    return {"what": name, "rows": 2, "k_hat": k_hat, "effective_draws": effective, "trusted": False, "by": None, "misclassification": None, "joint_probability": None, "contribution": None, "own": ""}


FROZEN = [{"number": 7, "words": "Stands since 2026-01-01: invented.", "intact": False, "digest": "0123456789abcdef0", "of_known_lots": 3, "reliability": 0.91, "confidence": 0.94,
           "claims": ["H24, forming 151 to 201 degC"], "refuted_at": 20.0, "test": {"components_per_load": 2, "loads_per_lot": 1, "refuted_at": 20.0}, "lots": [
               {"lot": f"K{i}", "components": 2 + i, "nonconforming_share": some(), "e_value": 1 + some()} for i in (1, 2)]}]  # fmt: skip


@pytest.fixture(scope="module")
def review():
    shares = lambda: {name: some() for name in ("claimed_share", "undecided_share", "excluded_share", "pointwise_share")}
    window = shares() | {"verdict": "CONVERGED", "reliability": 0.9, "confidence": 0.95, "misclassification": some(), "monte_carlo_error": {"claimed_share": some(0.1), "misclassification": some(0.1)},
                         "without_extrapolated": shares(), "lots_seen": shares(), "target": {"temper": "H24", "joint_probability": some(), "verdict": "NOT_CERTIFIED", "ranges": RANGES},
                         "joint_claim": {"words": "every point conforms", "joint_probability": some(), "points_checked": 41, "ess": 2987.4}}  # fmt: skip
    priors = [{"what": f"prior {i}", "misclassification_at_0.8": some(), "misclassification_at_1.25": some(), "joint_probability_at_0.8": some() if i else None,
               "joint_probability_at_1.25": some() if i else None, "change": some(), "k_hat": 0.41 if i == 2 else some(), "effective_draws": 311.6 if i == 2 else 3000.0, "trusted": i != 2,
               "means": "invented", "rests_on_prior": i == 0} for i in range(4)]  # fmt: skip
    return {"claims": [{"words": "a claim", "temper": "O", "ranges": RANGES}], "window": window, "target": target_words(window), "first": [], "frozen": FROZEN, "evidence": [],
            "bagged": {"words": "7 of 8 converged", "regions": [{"what": "range of O", "joint_probability": some(), "bagged_probability": some(), "error": some(0.1),
                                                                "lowest": some()}]},
            "checks": [{"response": "gap, component", "n": 90, "mean_rank": some(), "inside_80": some(), "p": some(), "histogram": [9] * 10, "words": "fits"}],
            "transfer": [{"what": "shift", "prior_90": [-some(), some()], "posterior_90": [some(), some()], "learnt_share": some(), "unit": "ln strain", "components": 37}],
            "forecasts": [{"plan": "plans/001/plan.csv", "n_trials": 21, "misclassification_before": some(), "gain_expected": some(), "gain_came": some(),
                           "gain_band_80": [some(), some()], "inside_band": True, "state": "told"},
                          {"plan": "plans/002/plan.csv", "n_trials": 19, "misclassification_before": some(), "gain_expected": some(), "gain_came": None,
                           "gain_band_80": [some(), some()], "inside_band": None, "state": "waiting"}],
            "verification": [{"words": "29 components", "classical": [{"failures_allowed": 0, "components": 29, "chance_of_passing": some(), "given_posterior_components": 17, "given_posterior_chance": some()}]}],
            "sensitivity": {"priors": priors, "lots_left_out": left_out(["lot K1", "lot K2"]), "loads_left_out": [*left_out(["load L1"]), untold("load L2", 0.55, 217.4), untold("load L3", 0.93, 120.0)],
                            "specimens": left_out(["C-1", "C-2", "C-3"])},
            "convergence": {"verdict": "CONVERGED", "words": "all well", "draws": 6000, "sampler": "invented"},
            "deviations": {"problems": [], "corrections_and_exclusions": []},
            "campaign": {"title": "Invented", "specimens": 3, "fit": "f", "model_digest": "m", "versions": {"numpy": "2"}}}  # fmt: skip


@pytest.fixture(scope="module")
def page(review):
    return review_page(review, {"reliabilities": [0.8, 0.9], "reliability": 0.9, "confidence": 0.95, "maps": [], "curves": []})


@pytest.fixture(scope="module")
def tables(page):
    return Tables(page).tables



def table(tables, heading):
    """The table whose heading row holds these words."""
    (found,) = [t for t in tables if heading in t[0]]
    return found[1:]


def near(cell, value, *, percent=False):
    """Hold a printed number to a value within half of its last digit."""
    digits = re.sub(r"\s*%$", "", cell.strip())
    decimals = len(digits.partition(".")[2])
    assert abs(float(digits) - value * (100 if percent else 1)) <= 0.5000001 * 10**-decimals, (cell, value)
    assert cell.strip().endswith("%") == percent


def test_shares_of_the_box(tables, review):
    w, rows = review["window"], table(tables, "without extrapolation")
    for row, name in zip(rows, ("claimed_share", "undecided_share", "excluded_share", "pointwise_share")):
        near(row[1].split(" ±")[0], w[name], percent=True)
        near(row[2], w["without_extrapolated"][name], percent=True)
        near(row[3], w["lots_seen"][name], percent=True)
    near(rows[0][1].split("± ")[1], w["monte_carlo_error"]["claimed_share"], percent=True)
    h, error = rows[4][1].split(" ± ")
    near(h, w["misclassification"], percent=True)
    near(error, w["monte_carlo_error"]["misclassification"], percent=True)


def test_a_frozen_claim_with_the_lots_that_tested_it(tables, page, review):
    (one,) = review["frozen"]
    for row, lot in zip(table(tables, "evidence against the claim after it"), one["lots"], strict=True):
        assert row[:2] == [lot["lot"], str(lot["components"])]
        near(row[2], lot["nonconforming_share"], percent=True)
        near(row[3], lot["e_value"])
    for words in (one["words"], "refuted at 20", "Its file was altered after freezing", one["claims"][0], "A lot counts once 2 components", "0123456789abcdef."):
        assert words in page
    assert "0123456789abcdef0" not in page


def test_sentences_with_numbers(page, review):
    w = review["window"]
    near(re.search(r"estimated (\S+) on 41 points, 2987 effective", page).group(1), w["joint_claim"]["joint_probability"])
    said = re.search(r"Target: H24, forming 150 to 200 degC, .*: with probability (\S+), .* 90 % .*; not certified as a whole at confidence 0.95", page)
    near(said.group(1), w["target"]["joint_probability"])
    assert "6000 draws (invented)" in page


def test_checks_and_transfer(tables, review):
    (check,), (row,) = review["checks"], table(tables, "mean rank")
    assert row[0] == "gap, component" and row[1] == "90"
    near(row[2], check["mean_rank"])
    near(row[3], check["inside_80"], percent=True)
    near(row[4], check["p"])
    (t,), (row,) = review["transfer"], table(tables, "learnt")
    for cell, value in zip([*row[1].split(" to "), *row[2].split(" to ")], [*t["prior_90"], *t["posterior_90"]], strict=True):
        near(cell, value)
    near(row[3], t["learnt_share"], percent=True)


def test_what_was_left_out(tables, review):
    found = [t[1:] for t in tables if "left out" in t[0]]
    for rows, records in zip(found, (review["sensitivity"]["lots_left_out"], review["sensitivity"]["loads_left_out"]), strict=True):
        for row, r in zip(rows, records, strict=True):
            assert row[:2] == [r["what"], str(r["rows"])]
            near(row[2], r["k_hat"])
            if not r["trusted"]:
                assert row[3] == {"load L2": "only 217 effective draws; not shown", "load L3": "too influential for reweighting; not shown"}[r["what"]]
                continue
            near(row[3], r["misclassification"], percent=True)
            near(row[4], r["joint_probability"])
            assert row[5] == r["by"]
    best, every = [t[1:] for t in tables if "contribution [points of H]" in t[0]]
    wanted = sorted(review["sensitivity"]["specimens"], key=lambda r: -r["contribution"])
    for rows in (best, every):
        for row, r in zip(rows, wanted, strict=True):
            assert row[0] == r["what"]
            near(row[2], 100 * r["contribution"])
            assert row[4] == r["own"]
            near(row[3], r["k_hat"])


def test_priors_and_refits(tables, review):
    rows = table(tables, "H at 0.8")
    assert rows[0][0] == "prior 0 (rests on the prior)"
    for row, r in zip(rows, review["sensitivity"]["priors"], strict=True):
        if not r["trusted"]:
            assert row[1] == "only 312 effective draws"
            continue
        for cell, key in zip(row[1:4], ("misclassification_at_0.8", "misclassification_at_1.25", "change")):
            near(cell, r[key], percent=True)
        if r["joint_probability_at_0.8"] is None:
            assert row[4] == "-"
        else:
            for cell, key in zip(row[4].split(", "), ("joint_probability_at_0.8", "joint_probability_at_1.25"), strict=True):
                near(cell, r[key])
        near(row[5], r["k_hat"])
    (row,), (r,) = table(tables, "mean over refits"), review["bagged"]["regions"]
    near(row[1], r["joint_probability"])
    near(row[2].split(" ±")[0], r["bagged_probability"])
    near(row[2].split("± ")[1], r["error"])
    near(row[3], r["lowest"])


def test_forecasts_and_verification(tables, review):
    for row, r in zip(table(tables, "gain expected [points]"), review["forecasts"], strict=True):
        assert row[:2] == [r["plan"], str(r["n_trials"])]
        near(row[2], r["misclassification_before"], percent=True)
        near(row[3], 100 * r["gain_expected"])
        for cell, value in zip(row[4].split(" to "), r["gain_band_80"], strict=True):
            near(cell, 100 * value)
        if r["gain_came"] is None:
            assert row[5] == "-" and row[6] == "waiting"
        else:
            near(row[5], 100 * r["gain_came"])
    (row,), (v,) = table(tables, "chance of passing"), review["verification"][0]["classical"]
    assert row[:2] == ["0", "29"]
    near(row[2], v["chance_of_passing"])


def test_no_table_was_forgotten(tables):
    heads = {"without extrapolation", "mean rank", "learnt", "left out", "H at 0.8", "mean over refits", "contribution [points of H]", "gain expected [points]", "chance of passing",
             "evidence against the claim after it"}
    assert all(heads & set(t[0]) for t in tables)


@pytest.mark.parametrize("joint, said, unsaid", [(0.9587, "No operating range is certified", "Nothing is claimed"), (None, "Nothing is claimed", "No operating range is certified")])
def test_a_region_without_a_box_in_it_is_not_called_nothing(review, joint, said, unsaid):
    window = review["window"] | {"joint_claim": review["window"]["joint_claim"] | {"joint_probability": joint}}
    record = review | {"claims": [], "window": window, "page": "reports/review.html"}
    page = review_page(record, {"reliabilities": [0.8, 0.9], "reliability": 0.9, "confidence": 0.95, "maps": [], "curves": []})
    held = io.StringIO()
    Console(file=held, width=200, color_system=None).print(on_screen(record))
    for text in (page, held.getvalue()):
        assert said in text and unsaid not in text
    assert ("joint probability 0.959" in held.getvalue()) == (joint is not None)
