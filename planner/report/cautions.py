"""What can hurt someone, and what a verdict asks of the reader: fixed words, kept in one place.

Screen and pages must say the same thing, and a change of wording here is a change
of what people are told about safety, so the sentences stand apart from layout.
"""

from __future__ import annotations

CAUTIONS = (
    "Warm forming: tools and blanks are hot enough to burn; guard them, and let parts cool before handling.",
    "Thin sheet has sharp edges and cracked parts more so: wear cut-resistant gloves.",
    "Furnace: follow its maker's rules for loading hot, for atmosphere and for gas supply; "
    "inert gas displaces air and suffocates without warning.",
    "Flux fumes and dust irritate and may release fluorides when hot: extract them, and read the safety data sheet.",
    "A leak test stores energy under pressure: shield it, prefer liquid or low pressure, never stand in line.",
    "A window stated here is a statistical statement about trials, not a permit: local codes, "
    "your safety officer and licensed practice come first.",
)
"""Shown with every plan and every page."""

VERDICTS = {
    "CONVERGED": "the fit converged: its chains agree and enough draws stand behind every number",
    "NOT_MIXED": "the chains do not agree: no claim; look at the parameters named below, exclude or correct rows that contradict "
    "each other, then run `trialwright update DIR` again",
    "DIVERGED": "the sampler diverged: no claim; look at the parameters named below, exclude or correct rows that contradict "
    "each other, then run `trialwright update DIR` again",
    "FEW_DRAWS": "too few effective draws, after a run of twice the length too: no claim; exclude or correct rows that contradict each other, "
    "state narrower [beliefs], or take another `seed`",
    "PRIOR_ONLY": "no data yet: what is shown comes from the prior alone, and nothing is claimed",
    "CLAIMED": "a region is claimed as a whole",
    "NO_WINDOW": "nothing can be claimed yet",
    "MORE_DRAWS": "a claim is within reach, but the draws taken do not settle it: `trialwright window DIR` samples on as far as it goes, and more trials settle it",
    "CERTIFIED": "certified as a whole",
    "NOT_CERTIFIED": "not certified as a whole",
}
"""What each verdict means and what to do."""
