"""The browser of these tests, and the invented plan of tests/report."""

import importlib.util
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import devtools  # noqa: E402  (the path must stand first)


def _neighbour(name):
    spec = importlib.util.spec_from_file_location(f"pages_{name}", Path(__file__).parents[1] / "report" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


report, invented_budget = _neighbour("conftest"), _neighbour("invented_budget")
hostile_text, hostile, proposal, record, maps, window, pages = (
    report.hostile_text, report.hostile, report.proposal, report.record, report.maps, report.window, report.pages)  # fmt: skip


@pytest.fixture(scope="session")
def browser(tmp_path_factory, say_missing):
    """One headless Chromium; where there is none the tests skip, and the run ends with a loud sentence."""
    if devtools.CHROMIUM is None:
        say_missing(devtools.MISSING)
        pytest.skip(devtools.MISSING)
    found = devtools.Browser(tmp_path_factory.mktemp("profile"))
    yield found
    found.close()


N_SPECIMENS, N_DRAWS = 300, 4000


@pytest.fixture(scope="session")
def review_data():
    """What the maps and fields of a review need, of a size that a campaign has: two tempers of 12 x 20 cells, twenty reliabilities (invented)."""
    import numpy as np

    from planner.outlook.explore import GRID, cells, curves
    from planner.window.box import FactorBox
    from planner.window.decision import halves
    from planner.window.points import show_grid

    box = FactorBox(("O", "H24"), np.array([20, 0.01, 590, 1.0]), np.array([280, 0.25, 610, 8.0]))
    rng, split = np.random.default_rng(3), halves(np.repeat(np.arange(4), N_DRAWS // 4))
    maps, asked = [], []
    for k in range(2):
        grid = show_grid(box, k, braze_temperature=600.0, braze_time=3.0, n_temperatures=12, n_strains=20)
        values = np.clip(1.0 - (0.4 + 0.2 * k) * grid.conditions.strain + 0.02 * rng.standard_normal((N_DRAWS, 1)), 0, 1)
        far = np.zeros(grid.reachable.shape, bool)
        far[:3] = True
        asked.append((grid.conditions, values))
        maps.append({"temper": box.tempers[k], "braze_temperature_degC": 600.0, "braze_time_min": 3.0, "strain": grid.strain.tolist(),
                     "forming_temperature_degC": grid.forming_temperature.tolist(), "reachable": grid.reachable.tolist(),
                     "extrapolated": far.tolist()} | cells(grid.conditions, values, reliabilities=GRID, split=split))  # fmt: skip
    return {"reliabilities": list(GRID), "reliability": 0.9, "confidence": 0.95, "maps": maps,
            "curves": curves(asked, reliabilities=GRID, split=split, longest=60)}  # fmt: skip


@pytest.fixture(scope="session")
def review_record():
    """A review of 300 specimens (invented), every section of the page filled."""
    from planner.outlook.sensitivity import _means

    shares = dict.fromkeys(("claimed_share", "undecided_share", "excluded_share", "pointwise_share"), 0.25)
    window = shares | {"verdict": "CONVERGED", "reliability": 0.9, "confidence": 0.95, "misclassification": 0.1, "monte_carlo_error": {},
                       "without_extrapolated": shares, "lots_seen": None, "joint_claim": None, "target": None}  # fmt: skip
    one = {"rows": 3, "k_hat": 0.31, "trusted": True, "by": "reweighting", "misclassification": 0.11, "joint_probability": 0.951, "contribution": 0.0012, "own": "x_operator <b>invented</b>"}
    named = sorted(_means().items(), key=lambda pair: -len(pair[0]))[:40]                            # the widest names of all
    priors = [{"what": name.replace("_", " "), "misclassification_at_0.8": 0.1, "misclassification_at_1.25": 0.12, "joint_probability_at_0.8": 0.951, "joint_probability_at_1.25": 0.948, "change": 0.02, "k_hat": 0.2,
               "effective_draws": 3000.0, "trusted": True, "means": means, "rests_on_prior": i < 3} for i, (name, means) in enumerate(named)]  # fmt: skip
    revisions = [{"specimen": f"C-{i:03d}", "kind": "corrected", "time": "2026-01-02T00:00", "reason": "read in inches", "file": "a.csv"} for i in range(60)]
    return {"claims": [{"words": "an invented claim", "temper": "O", "ranges": {"forming_temperature_degC": [150.0, 200.0], "strain": [0.05, 0.056], "braze_temperature_degC": [598.0, 602.0], "braze_time_min": [2.0, 4.0]}}], "window": window, "first": [], "frozen": [], "target": None, "bagged": {"words": "8 of 8 refits converged",
            "regions": [{"what": "the operating range of O", "joint_probability": 0.963, "bagged_probability": 0.931, "error": 0.012, "lowest": 0.88}]}, "transfer": [], "evidence": [], "forecasts": [],
            "checks": [{"response": f"{name}, braze coupon", "n": 90, "mean_rank": 0.5, "inside_80": 0.8, "p": 0.4, "histogram": [9] * 10, "words": "readings scatter less than the model expects"}
                       for name in ("cracked", "recrystallised", "film depth", "clad left")], "verification": [],
            "sensitivity": {"priors": priors, "lots_left_out": [one | {"what": f"lot K{i}"} for i in range(12)],
                            "loads_left_out": [one | {"what": f"load L{i}"} | ({"trusted": False, "effective_draws": 217.0} if i % 5 == 0 else {}) for i in range(60)],
                            "specimens": [one | {"what": f"C-{i:03d}"} for i in range(N_SPECIMENS)]},
            "convergence": {"verdict": "CONVERGED", "words": "all well", "draws": 8000, "sampler": "invented"},
            "deviations": {"problems": [], "corrections_and_exclusions": revisions},
            "campaign": {"title": "Invented", "specimens": N_SPECIMENS, "fit": "f", "model_digest": "m", "versions": {"numpy": "2"}}}  # fmt: skip


@pytest.fixture(scope="session")
def folder(tmp_path_factory, pages, review_record, review_data):
    """Every page as a file."""
    from planner.report.pages.build import budget_page, review_page

    to = tmp_path_factory.mktemp("pages")
    for name in ("plan.html", "bench_sheet.html"):
        (to / name).write_text(pages[name], encoding="utf-8")
    (to / "review.html").write_text(review_page(review_record, review_data), encoding="utf-8")
    (to / "budget.html").write_text(budget_page(invented_budget.budget_record(), title="Invented"), encoding="utf-8")
    return to
