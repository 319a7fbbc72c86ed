"""The plain model of the speed comparison has the same posterior as the program's own."""

import numpy as np
import pytest
from pytensor.compile.mode import Mode

from models import joint_model
from models.priors import unpack
from tests.models import invented
from tests.speed import plain_pymc


@pytest.mark.parametrize("n_tempers", [1, 2])
def test_same_log_probability_up_to_a_constant(n_tempers):
    obs, layout, _ = invented.observations(np.random.default_rng(1), n=48, n_tempers=n_tempers)
    priors = invented.priors(n_tempers)
    logp = plain_pymc.build(obs, invented.SHEET, layout, priors).compile_logp(sum=False, mode=Mode("py", None))
    z = np.random.default_rng(2).standard_normal((4, layout.size))
    ours = joint_model.row_log_likelihood(unpack(z, layout, priors), obs, invented.SHEET).sum(axis=1) - 0.5 * (z * z).sum(axis=1)
    theirs = np.array([sum(np.sum(term) for term in logp(plain_pymc.point(v, layout, priors))) for v in z])
    assert theirs - theirs[0] == pytest.approx(ours - ours[0], rel=1e-9, abs=1e-6)
