"""What a temper designation says about the metal: how hard it was worked and whether it was annealed back.

The models pool tempers but never invent an order among them; the order of strength lives here, so that
priors and messages agree on which of two tempers carries more prior work.
"""

import re
from dataclasses import dataclass

_FAMILIES = {
    "1": "strain-hardened",
    "2": "strain-hardened and partially annealed",
    "3": "strain-hardened and stabilised",
}
_DEGREES = {
    1: "1/8 hard",
    2: "1/4 hard",
    3: "3/8 hard",
    4: "1/2 hard",
    5: "5/8 hard",
    6: "3/4 hard",
    7: "7/8 hard",
    8: "4/4 hard",
    9: "extra hard",
}
_WORKED = re.compile(r"H([123])([1-9])")


@dataclass(frozen=True, slots=True)
class TemperMeaning:
    """Meaning of one temper designation.

    Attributes
    ----------
    designation : str
        The code as EN 515 writes it.
    meaning : str
        The code in words.
    hardness : float
        Degree of hardness in eighths: 0 annealed, 2 quarter hard ... 8 full hard, 9 extra hard. Orders
        minimum tensile strength; tempers of one hardness share that minimum across families H1x, H2x, H3x.
    annealed_back : bool
        True for H2x: worked past the wanted strength, then partially annealed, so that at one hardness the
        elongation is higher than that of H1x.
    """

    designation: str
    meaning: str
    hardness: float
    annealed_back: bool


def temper_meaning(designation):
    """Read a temper designation.

    Parameters
    ----------
    designation : str
        O, H111, or H1x, H2x, H3x with x from 1 to 9.

    Returns
    -------
    TemperMeaning
        The designation in words and as an order of hardness.

    Raises
    ------
    ValueError
        If the designation is none of these.

    References
    ----------
    EN 515:2017, basic temper designations and subdivisions of H (published).

    Examples
    --------
    >>> temper_meaning("H24").meaning
    'strain-hardened and partially annealed, 1/2 hard'
    """
    code = str(designation).strip().upper()
    if code == "O":
        return TemperMeaning("O", "annealed", 0.0, False)
    if code == "H111":
        # Annealed, then worked a little in straightening: by definition less than H11.
        return TemperMeaning("H111", "annealed, then slightly strain-hardened (less than H11)", 0.5, False)
    match = _WORKED.fullmatch(code)
    if match is None:
        raise ValueError(
            f"temper {designation!r} is not known; allowed are O, H111 and H11 to H19, H21 to H29, H31 to H39"
        )
    family, digit = match[1], int(match[2])
    return TemperMeaning(code, f"{_FAMILIES[family]}, {_DEGREES[digit]}", float(digit), family == "2")
