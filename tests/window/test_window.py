"""The whole window on a toy campaign, and its JSON against the contract's keys."""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from models.rows import Conditions
from planner.window.build import Asked, build_window, groups_seen, judge_conditions
from planner.window.pictures import best_braze

CHAINS = np.repeat(np.arange(4), 1000)
RANGES = {
    "forming_temperature_degC": (160.0, 240.0),
    "strain": (0.04, 0.1),
    "braze_temperature_degC": (598.0, 603.0),
    "braze_time_min": (2.0, 4.0),
}


@pytest.fixture(scope="module")
def conformance():
    """Conforms where warm enough for the strain and brazed near 600 degC; invented numbers, posterior sd in theta."""
    theta = np.random.default_rng(12).standard_normal((4000, 3))

    def of(x: Conditions):
        warm = np.array([0.10, 0.02])[x.temper] + 0.2 * (x.forming_temperature - 20) / 260
        forming = warm - x.strain + 0.01 * theta[:, :1]
        braze = 8 + theta[:, 1:2] - np.abs(x.braze_temperature - 600.5) - np.abs(x.braze_time - 4 + 0.1 * theta[:, 2:])
        return 1 / (1 + np.exp(-np.minimum(forming / 0.01, braze)))

    return of


@pytest.fixture
def components(make_component):
    grid = [(t, e, b, m) for t in (100.0, 250.0) for e in (0.05, 0.12) for b in (597.0, 605.0) for m in (2.0, 6.0)]
    return [make_component("O", s, lot="K1", load=f"L{i % 3}") for i, s in enumerate(grid)]


@pytest.fixture
def build(plate_box, make_definition, conformance, components):
    def make(*, verdict="CONVERGED", target=None, **more):
        definition = make_definition(plate_box, target=target)
        return build_window(
            definition, conformance, chains=CHAINS, specimens=components, verdict=verdict, seed=3, n_points=512, **more
        )

    return make


def test_everything_at_once(build):
    target = SimpleNamespace(temper="H24", **RANGES)
    window = build(target=target, asked=Asked(conformance=True))
    assert window.shares.claimed > 0.02
    assert window.conformance.shape == (4000, 512)
    assert window.shares_supported.claimed < window.shares.claimed
    assert [one.temper for one in window.claims] == ["O"]  # H24 has no components: its box would extrapolate
    assert window.target.temper == "H24" and window.target.extrapolated
    assert [m.temper for m in window.maps] == ["O", "H24"]
    assert window.lot_spread_rests_on_prior
    assert any(note.startswith("lot spread rests on the prior: 1 lot and 3 furnace loads") for note in window.notices)
    plain = window.to_json()
    first = ["verdict", "misclassification", "claimed_share", "excluded_share", "undecided_share", "pointwise_share"]
    assert list(plain)[:7] == [*first, "claims"]
    assert sum(plain[f"{name}_share"] for name in ("claimed", "excluded", "undecided")) == pytest.approx(1)
    assert set(plain["claims"][0]) >= {"temper", "ranges", "joint_probability"}
    assert plain["claims"][0]["joint_probability"] >= 0.95
    assert plain["without_extrapolated"]["claimed_share"] == window.shares_supported.claimed
    json.dumps(plain, allow_nan=False)
    json.dumps([m.to_json() for m in window.maps], allow_nan=False)


def test_ranges_extrapolate_only_when_asked_and_then_say_so(build):
    asked = build(asked=Asked(extrapolated_ranges=True, maps=False)).to_json()["claims"]
    assert {one["temper"]: one["extrapolated"] for one in asked}["H24"] is True
    assert all(one["extrapolated"] is False for one in build().to_json()["claims"])


def test_same_seed_same_window(build):
    assert build().to_json() == build().to_json()


@pytest.mark.parametrize("verdict", ["NOT_MIXED", "DIVERGED", "FEW_DRAWS"])
def test_a_failed_fit_gives_no_share_and_no_claim(build, verdict):
    plain = build(verdict=verdict).to_json()
    assert plain["claims"] == [] and plain["misclassification"] > 0
    assert all(plain[f"{name}_share"] is None for name in ("claimed", "excluded", "undecided", "pointwise"))
    assert any(verdict in note for note in plain["notices"])


def test_prior_only_shows_a_map_and_claims_nothing(build):
    window = build(verdict="PRIOR_ONLY")
    plain = window.to_json()
    assert plain["claimed_share"] == 0 and plain["claims"] == [] and plain["joint_claim"] is None
    assert plain["undecided_share"] + plain["excluded_share"] == pytest.approx(1)
    assert not any((m.kind == 1).any() for m in window.maps)
    assert "nothing is claimed" in window.notices[0]


def test_a_quick_update_gives_map_and_h_only(build):
    window = build(asked=Asked(claims=False))
    assert window.shares is None and window.claims == () and window.misclassification > 0


def test_lots_seen_are_shown_where_the_spread_rests_on_the_prior(build, conformance):
    window = build(conformance_of_lots_seen=conformance, asked=Asked(ranges=False, maps=False))
    assert window.shares_of_lots_seen == window.shares
    assert window.to_json()["lots_seen"]["claimed_share"] == window.shares.claimed


def test_given_conditions(build, conformance):
    window = build(asked=Asked(ranges=False, maps=False))
    rows = Conditions.from_factors(
        [0, 0, 1, 0],
        [[250, 0.05, 600, 4], [20, 0.25, 592, 1], [250, 0.05, 600, 4], [250, 0.05, 600, 9]],
    )
    found = judge_conditions(window, conformance, rows)
    assert found.joint_claim.tolist() == [True, False, True, False]  # the last lies outside the factor box
    assert found.pointwise_claim[:3].tolist() == [True, False, True]
    assert found.extrapolated.tolist() == [False, True, True, True]
    assert found.conformance_mean[0] > 0.99 and found.probability_conforming[1] == 0
    failed = build(verdict="DIVERGED")
    assert not judge_conditions(failed, conformance, rows).pointwise_claim.any()


def test_the_map_is_cut_at_the_best_braze_condition(build, plate_box):
    window = build(asked=Asked(ranges=False))
    hot, long = best_braze(window.reference, 0, plate_box)
    assert hot == pytest.approx(600.5, abs=2.5) and long == pytest.approx(4, abs=1.5)
    assert window.maps[0].braze_temperature_degC == hot
    assert window.maps[0].kind.shape == (12, 20) and (window.maps[0].kind == 1).any()


def test_where_ranges_are_certified_the_map_is_cut_in_their_middle(build):
    window = build()
    claim = window.claims[0].ranges()
    cut = window.maps[window.box.tempers.index(window.claims[0].temper)]
    assert cut.braze_temperature_degC == pytest.approx(sum(claim["braze_temperature_degC"]) / 2, abs=0.01)
    assert cut.braze_time_min == pytest.approx(sum(claim["braze_time_min"]) / 2, abs=0.01)


def test_lots_and_loads_are_counted_from_what_was_brazed(make_component):
    rows = [make_component(lot="A", load="1"), make_component(lot="B", load="2", cracked=True), make_component(load=None)]
    assert groups_seen(rows) == (3, 1)
