"""Reads a page as its reader does, and holds every number that says where it comes from to the record."""

from html.parser import HTMLParser

import pytest

SCALE = {"share": 100.0, "points": 100.0, "points2": 100.0, "points3": 100.0}


class Seen(HTMLParser):
    """Gathers the numbers that say where they come from, and all other text that a reader sees."""

    def __init__(self, text):
        super().__init__()
        self.numbers, self.rest, self.tags, self._at, self._hidden = [], [], [], None, 0
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        given = dict(attrs)
        if "data-of" in given:
            self._at = (given["data-of"], given["data-as"])
        self._hidden += tag in ("style", "script")

    def handle_endtag(self, tag):
        self._hidden -= tag in ("style", "script")
        self._at = None if tag in ("span", "tspan") else self._at

    def handle_data(self, text):
        if self._at:
            self.numbers.append((*self._at, text))
        elif not self._hidden:
            self.rest.append(text)


def place(record, path):
    """A second reading of a path: integers index lists."""
    for part in path.split("."):
        record = record[int(part) if isinstance(record, list) else part]
    return record


def hold(told, record):
    """Hold printed numbers, (place, form, text), to the record: to the last printed digit."""
    for path, form, text in told:
        value = place(record, path)
        digits = text.removesuffix(" %").replace(" ", "")
        if value is None:
            assert text == "-", path
        elif form == "plain":
            assert float(digits) == pytest.approx(value, rel=5.1e-5), path
        else:
            decimals = len(digits.partition(".")[2])
            assert abs(float(digits) - SCALE.get(form, 1.0) * value) <= 0.5000001 * 10**-decimals, path
