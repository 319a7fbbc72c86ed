"""Counts and boxes of ranges in words, alike wherever a claim is spoken of; light, so that a claim can be scored without the models."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

RANGE_KEYS = (("forming_temperature_degC", "forming {} degC"), ("strain", "strain {}"), ("braze_temperature_degC", "brazed at {} degC"),
              ("braze_time_min", "for {} min"))


def counted(count: int, thing: str) -> str:
    """Write how many there are of something.

    Examples
    --------
    >>> counted(1, "week"), counted(3, "new lot")
    ('1 week', '3 new lots')
    """
    return f"{count} {thing}{'' if count == 1 else 's'}"


def ranges_words(ranges: Mapping[str, Sequence[float]]) -> str:
    """Write a box of ranges.

    Examples
    --------
    >>> ranges_words({"forming_temperature_degC": [150, 200], "strain": [0.02, 0.05], "braze_temperature_degC": [598, 602], "braze_time_min": [2, 4]})
    'forming 150 to 200 degC, strain 0.02 to 0.05, brazed at 598 to 602 degC, for 2 to 4 min'
    """
    return ", ".join(words.format(f"{ranges[key][0]:.4g} to {ranges[key][1]:.4g}") for key, words in RANGE_KEYS)
