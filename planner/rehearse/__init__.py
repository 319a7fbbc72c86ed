"""A virtual lab around the weekly cycle: try a budget, a plan or a rival before a blank is cut.

Truths are drawn from the prior, the posterior or foreign mechanisms; plans are answered with simulated result files; the
cycle refits week by week; a referee holds every claim against the truth.
"""

from planner.rehearse.deep_budget import deep_budget
from planner.rehearse.rehearsal import Rehearsal, rehearse

__all__ = ["Rehearsal", "deep_budget", "rehearse"]
