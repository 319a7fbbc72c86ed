"""Where a rehearsal's truth comes from: the prior, the posterior, or a file that names a foreign mechanism.

A truth file is TOML (numbers here are invented)::

    mechanism = "thermocouple_offset"   # one of planner.rehearse.mechanisms.MECHANISMS
    base = "prior"                      # where all other parameters are drawn: "prior" (default) or "posterior"
    [parameters]                        # optional; what is left out has its default
    sd_degC = 5.0

The word `foreign` in place of a file takes all mechanisms by turns, each with its defaults.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from planner.lab.errors import UserError
from planner.rehearse.mechanisms import MECHANISMS

PRIOR, POSTERIOR, FOREIGN = "prior", "posterior", "foreign"
PLACE = "temper"                  # a parameter that counts the tempers of the campaign
MAX_BYTES = 100_000


@dataclass(frozen=True)
class TruthSource:
    """What to draw truths from."""

    base: str                     # "prior" or "posterior"
    mechanisms: tuple[str, ...] = ()   # by turns; none: the model itself
    arguments: dict = field(default_factory=dict)   # of a single mechanism

    def mechanism(self, repeat: int) -> str | None:
        """Return the mechanism of a repeat."""
        return self.mechanisms[repeat % len(self.mechanisms)] if self.mechanisms else None

    def arguments_of(self, mechanism: str | None) -> dict[str, float]:
        """Return a mechanism's arguments, defaults filled in."""
        return {} if mechanism is None else MECHANISMS[mechanism].defaults() | self.arguments


def read_truth(text: str, *, n_tempers: int | None = None) -> TruthSource:
    """Read `--truth`.

    Parameters
    ----------
    text : `prior`, `posterior`, `foreign`, or the path of a truth file.
    n_tempers : tempers of the campaign, which a file may name by their place; default: any place is taken.

    Raises
    ------
    UserError
        When there is no such file or it breaks the format.
    """
    if text in (PRIOR, POSTERIOR):
        return TruthSource(text)
    if text == FOREIGN:
        return TruthSource(PRIOR, tuple(MECHANISMS))
    path = Path(text)
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
        if len(data) > MAX_BYTES:
            raise UserError("the truth file is too large", where=path.name, allowed=f"at most {MAX_BYTES} bytes")
        tree = tomllib.loads(data.decode("utf-8"))
    except OSError as error:
        raise UserError(f"the truth cannot be read: {error.strerror or error}", found=text, where="--truth",
                        allowed="prior, posterior, foreign, or a truth file", fix="trialwright rehearse --help shows one") from None
    except (ValueError, RecursionError) as error:
        raise UserError(f"the truth file is not valid TOML: {error}", where=path.name) from None
    return _source(tree, path.name, n_tempers)


def _source(tree: dict, where: str, n_tempers: int | None) -> TruthSource:
    unknown = sorted(set(tree) - {"mechanism", "base", "parameters"})
    if unknown:
        raise UserError("the truth file has a key that is not known", found=unknown[0], where=where, allowed="mechanism, base, parameters")
    name, base, given = tree.get("mechanism"), tree.get("base", PRIOR), tree.get("parameters", {})
    if not isinstance(name, str) or name not in MECHANISMS:
        raise UserError("mechanism is not one that is known", found=name, where=f"{where}, mechanism", allowed=", ".join(MECHANISMS))
    if base not in (PRIOR, POSTERIOR):
        raise UserError("base is neither prior nor posterior", found=base, where=f"{where}, base", allowed=f"{PRIOR}, {POSTERIOR}")
    if not isinstance(given, dict):
        raise UserError("parameters is no table", found=given, where=where, allowed="[parameters] with one number a line")
    arguments = {a.name: a for a in MECHANISMS[name].arguments}
    for key, value in given.items():
        if key not in arguments:
            raise UserError(f"{name} has no such parameter", found=key, where=f"{where}, [parameters]", allowed=", ".join(arguments))
        a = arguments[key]
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not a.low <= value <= a.high:
            raise UserError(f"{key} is out of range", found=value, where=f"{where}, [parameters]", allowed=f"{a.low:g} to {a.high:g}: {a.words}")
        if key == PLACE and (value != int(value) or (n_tempers is not None and value > n_tempers)):
            raise UserError(f"{key} is the place of no temper", found=value, where=f"{where}, [parameters]",
                            allowed=f"a whole number{'' if n_tempers is None else f' from 0 to {n_tempers}'}: {a.words}")
    return TruthSource(base, (name,), {k: float(v) for k, v in given.items()})
