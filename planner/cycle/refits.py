"""Refits on other data than today's, for `review --deep`: kept one by one, so that a command that was broken off goes on where it stopped."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from models.verdict import CONVERGED
from planner.cycle.fitting import Fit, SamplerPool, conformance_of, judged_draws
from planner.cycle.pace import Pace
from planner.cycle.reports import write_whole
from planner.encode import encode
from planner.lab.specimen import Specimen
from planner.window.conformance import Conformance


@dataclass(frozen=True)
class Refits:
    """A folder of refits that speak of the same thing."""

    campaign: Any
    folder: Path
    """Below reports/, named by a digest of all that the refits depend on."""
    pool: SamplerPool
    """Compiled once for all of them."""
    pace: Pace
    """Of all refits of the same command."""

    @classmethod
    def of(cls, campaign, fit: Fit, *place: str, pace: Pace) -> Refits:
        """Open reports/place/...; lots and loads are padded to those of today's fit."""
        pool = SamplerPool(n_lots=len(fit.encoded.lots), n_loads=len(fit.encoded.loads))
        return cls(campaign, campaign.directory.joinpath("reports", *place), pool, pace)

    def _kept(self, name: str) -> dict[str, Any] | None:
        path = self.folder / f"{name}.json"
        if not path.exists():
            return None
        try:
            kept = json.loads(path.read_text(encoding="utf-8"))
            return kept if kept["verdict"] == CONVERGED or kept.get("repeated") else None
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return None                                    # damaged: worked out again

    def __call__(self, name: str, specimens: Sequence[Specimen], read: Callable[[Conformance], dict[str, Any]], *, seed: int, words: str) -> dict[str, Any]:
        """Return what `read` makes of a fit of these specimens, with its verdict; kept results are not worked out again.

        As the fit of a campaign, one that fails is repeated once with smaller steps.

        Parameters
        ----------
        name : of the kept file.
        specimens : the data.
        read : conformance of the refit -> plain values.
        seed : of the sampler.
        words : said while it runs.
        """
        kept = self._kept(name)
        if kept is not None:
            self.pace.skip()
            return kept
        self.campaign.say(f"{words} ({self.pace.words()})")
        definition = self.campaign.definition
        encoded = self.pool.widened(encode(definition, specimens))
        sampler = self.pool.sampler(encoded, say=self.campaign.say)
        draws, verdict, repeated = judged_draws(sampler, definition, encoded, seed=seed, say=self.campaign.say, obs=encoded.observations,
                                                cores=self.pool.cores)
        told = {"verdict": verdict.name, "repeated": repeated, "specimens": len(specimens), "lots": len(encoded.lots), "loads": len(encoded.loads)}
        told |= read(conformance_of(definition, encoded, draws.params()))
        self.folder.mkdir(parents=True, exist_ok=True)
        write_whole(self.folder / f"{name}.json", json.dumps(told))
        self.pace.step()
        return told
