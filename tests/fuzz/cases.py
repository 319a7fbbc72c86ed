"""Invented bad input: mutations of the example campaign and result file, from a seed, and what must hold for each.

Kinds: `csv`, `xlsx` (its XML changed inside the archive, or the archive itself) and `toml`.
"""

from __future__ import annotations

import io
import random
import re
import traceback
import zipfile
from dataclasses import dataclass, field
from pathlib import Path

import xlsxwriter

from planner.lab.campaign import defaults_in_force, read_definition
from planner.lab.errors import UserError
from planner.lab.ledger import open_ledger
from planner.lab.recording import record_results
from planner.lab.specimen import COLUMNS
from planner.lab.tamper import verify
from planner.outlook.beliefs import predictive_rows, prior_rows

DATA = Path(__file__).resolve().parents[1] / "lab" / "data"
CSV = (DATA / "results_example.csv").read_text(encoding="utf-8")
TOML = (DATA / "campaign.toml").read_text(encoding="utf-8")
KINDS = ("csv", "xlsx", "toml")
CELLS = (
    "", " ", "0", "-0", "-1", "12", "1e308", "1e999", "-1e-999", "nan", "NaN", "inf", "-inf", "<0", "><1", "<<1", ">", "<", ">-1", ">0.42", "<5",
    "0,19", "1.234,5", "1 000", "0x10", "1_0", "½", "٣", "１２", "=cmd|' /C calc'!A0", "@SUM(A1)", "+1", "-", "%", "12 %", "true", "TRUE", "partly",
    "yes ", "maybe", "2026-02-30", "2026-03-02T10:00", "9999-12-31", "1900-01-01", "02.03.2026", "45000", "C-001", "c-001", "T-001 ", "component",
    "bend_coupon", "tensile coupon", "H24", "O", "h24", "L01", "K1", "K2", "K\u00e9", "Ke\u0301", "\u202eabc", "a\u200bb", "\ud7ff", "\U0001f525", "\x07",
    "a" * 501, "9" * 400, "\"", "\"\"", "'", "a;b", "a,b", "a\nb", "\t", "\\", "None", "null", "#N/A", "{}", "[mm]", "1" * 41, "0." + "0" * 39 + "1",
)  # fmt: skip
HEADERS = (*(c.header for c in COLUMNS), "strain [%]", "strain", "forming_temperature [K]", "forming_temperature [degF]", "braze_time [s]", "gap [m]",
           "gap [um]", "film_depth [furlong]", "film_depth [um", "x_own", "x_", "x_[mm]", "elongation [%]", "uniform_elongation [%]", "sequence", "reason",
           "SPECIMEN", "specimen ", "", "limit_strain [degC]", "gap [kg/mm]", "strain [1/0]", "gap [mm**9999]", "gap [__import__('os')]", "a" * 130,
           "forming_temperature_measured [degC]", "braze_time_measured [h]", "=1+1")  # fmt: skip
VALUES = ("", "0", "-1", "1e999", "nan", "inf", "-inf", "true", '""', '"a"', "[]", "{}", "[1, 2]", "[2, 1]", "[1, 1]", "[nan, inf]", "[[1], [2]]", '["O", "O"]',
          '["O"]', "1979-05-27", "07:32:00", "1979-05-27T07:32:00Z", "9" * 30, "1.5", '"=cmd"', '"\\u0000"', '"\\u202e"', "{a = 1}", "0x7f", "'x'", "1e-300",
          "[0.0, 1e300]", "[-60, 450]", "64", "[20, 20.000001]", "[560, 640]", '"' + "z" * 600 + '"', "[" * 60 + "]" * 60)  # fmt: skip
SPLICES = (b"", b",", b";", b'"', b"\n", b"\r", b"\0", b"\xff", b"\xc3", b"\xef\xbb\xbf", b"<", b">", b"&", b"&#0;", b"nan", b"1e999", b"[", b"]", b"=", b"#",
           b"\xed\xa0\x80", b"9" * 50, b"'", b"<v>", b"</row>", b"PK\x03\x04")  # fmt: skip


def workbook() -> dict[str, bytes]:
    """Return the members of the example as a workbook."""
    data = io.BytesIO()
    with xlsxwriter.Workbook(data, {"strings_to_numbers": True}) as book:
        sheet = book.add_worksheet()
        for i, line in enumerate(CSV.splitlines()):
            sheet.write_row(i, 0, line.split(","))
    with zipfile.ZipFile(data) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


MEMBERS = workbook()


def spliced(data: bytes, rng: random.Random) -> bytes:
    """Cut and insert bytes at a few places."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        at = rng.randint(0, len(out))
        out[at : at + rng.choice((0, 0, 1, 2, 8, 200))] = rng.choice(SPLICES) if rng.random() < 0.8 else rng.randbytes(3)
    return bytes(out)


def csv_case(rng: random.Random) -> bytes:
    """Change cells, headers, rows, separators or the encoding of the example."""
    if rng.random() < 0.25:
        return spliced(CSV.encode(), rng)
    rows = [line.split(",") for line in CSV.splitlines()]
    rows = [rows[0], *rng.sample(rows[1:], rng.randint(1, len(rows) - 1))]
    if rng.random() < 0.5:                               # other labels, so that nothing contradicts what is known
        rows[1:] = [[f"N{rng.randrange(10**6)}", *row[1:]] for row in rows[1:]]
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        what, row = rng.random(), rng.choice(rows[1:])
        if not row:
            continue
        if what < 0.6:
            row[rng.randrange(len(row))] = rng.choice(CELLS)
        elif what < 0.75:
            rows[0][rng.randrange(len(rows[0]))] = rng.choice(HEADERS)
        elif what < 0.85:
            rows.insert(rng.randint(1, len(rows)), list(rng.choice(rows)))
        elif what < 0.92:
            row[rng.randrange(len(row)) :] = rng.choices(CELLS, k=rng.choice((0, 1, 30)))
        else:
            order = rng.sample(range(len(rows[0])), rng.randint(1, len(rows[0])))
            rows = [[r[i] for i in order if i < len(r)] for r in rows]
            if any(not r for r in rows):
                break
    separator = rng.choice(",,,,,,,,,,,,,,;;;;\t|")
    quote = rng.random() < 0.3
    text = rng.choice(("\n", "\n", "\r\n", "\r")).join(separator.join('"' + c.replace('"', '""') + '"' if quote else c for c in r) for r in rows)
    if separator == ";" and rng.random() < 0.5:
        text = re.sub(r"(\d)\.(\d)", r"\1,\2", text)
    return text.encode(rng.choice((*["utf-8"] * 16, "utf-8-sig", "utf-8-sig", "utf-16", "latin-1")), "replace")


def xlsx_case(rng: random.Random) -> bytes:
    """Change the XML inside the workbook, its members, or the archive as bytes."""
    members = dict(MEMBERS)
    sheet, strings = "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml"
    for _ in range(rng.choice((1, 1, 2, 3))):
        what = rng.random()
        if what < 0.45:
            numbers = list(re.finditer(rb"<v>[^<]*</v>", members[sheet])) or [re.match(rb"", b"")]
            at = rng.choice(numbers)
            new = rng.choice((rng.choice(CELLS), "99999", "-1", "1e400", "TRUE")).encode("utf-8", "replace").replace(b"<", b"&lt;").replace(b"&#", b"&amp;#")
            members[sheet] = members[sheet][: at.start()] + b"<v>" + new + b"</v>" + members[sheet][at.end() :]
        elif what < 0.6:
            cell = rng.choice((rb't="s"', rb't="b"', rb't="e"', rb't="str"', rb't="d"', rb't="inlineStr"', rb't="zz"'))
            members[sheet] = members[sheet].replace(b't="s"', cell, rng.randint(1, 5))
        elif what < 0.75:
            reference = rng.choice((b'r="A1"', b'r="XFD1048576"', b'r="ZZZ9"', b'r="A0"', b'r="1A"', b'r=""', b'r="A99999999"', b'r="C3"'))
            members[sheet] = re.sub(rb'r="[A-Z]+\d+"', lambda m: reference if rng.random() < 0.05 else m[0], members[sheet])
        elif what < 0.9:
            name = rng.choice(sorted(members))
            members[name] = spliced(members[name], rng)
        else:
            members.pop(rng.choice(sorted(members)))
        if sheet not in members or strings not in members:
            break
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return spliced(data.getvalue(), rng) if rng.random() < 0.25 else data.getvalue()


def toml_case(rng: random.Random) -> bytes:
    """Change values, keys, tables or bytes of the example campaign."""
    if rng.random() < 0.25:
        return spliced(TOML.encode(), rng)
    lines = TOML.splitlines()
    for _ in range(rng.randint(1, 3)):
        i = rng.randrange(len(lines))
        what = rng.random()
        if what < 0.65 and "=" in lines[i]:
            lines[i] = lines[i].split("=")[0] + "= " + rng.choice(VALUES)
        elif what < 0.75:
            lines.insert(i, lines[rng.randrange(len(lines))])
        elif what < 0.85:
            del lines[i]
        elif what < 0.93 and "=" in lines[i]:
            numbers = re.sub(r"\d+(\.\d+)?", lambda m: f"{float(m[0]) * rng.choice((0, 1, -1, 1e-6, 1e6, 2, 0.5)):g}", lines[i].split("=", 1)[1])
            lines[i] = lines[i].split("=")[0] + "=" + numbers
        else:
            lines[i] = lines[i].replace(lines[i][:3], rng.choice(("zz", "_", "", "[", "[[a]]\n")), 1)
    return "\n".join(lines).encode()


MAKERS = {"csv": csv_case, "xlsx": xlsx_case, "toml": toml_case}


@dataclass
class Found:
    """What a run of cases brought to light."""

    cases: int = 0
    accepted: int = 0
    tracebacks: list[str] = field(default_factory=list)
    partial: list[str] = field(default_factory=list)


def state(ledger) -> tuple:
    """Return what must not change when a file is refused."""
    return len(ledger.history()), len(ledger.files()), ledger.data_digest()


def judge_results(path: Path, definition, ledger, found: Found, what: str) -> None:
    """Record one file; it must be whole in the ledger, or leave no trace and one message."""
    before = state(ledger)
    found.cases += 1
    try:
        outcome = record_results(path.parents[1], definition, ledger, files=[path])
    except UserError as error:
        if not str(error).strip() or "Traceback" in str(error):
            found.tracebacks.append(f"{what}: message {error}")
        if state(ledger) != before:
            found.partial.append(f"{what}: refused, but the ledger changed")
        return
    except Exception:
        found.tracebacks.append(f"{what}: {traceback.format_exc()[-900:]}")
        return
    found.accepted += 1
    new = len(ledger.history()) - before[0]
    if new != outcome.recorded + outcome.completed + outcome.corrected or len(ledger.files()) - before[1] > 1:
        found.partial.append(f"{what}: said {outcome}, wrote {new}")


def judge_definition(path: Path, found: Found, what: str, *, deep: bool) -> None:
    """Read one definition as `check` does; it is good or one message."""
    found.cases += 1
    try:
        definition = read_definition(path)
        defaults_in_force(definition)
        found.accepted += 1
        prior_rows(definition)
        if deep:
            predictive_rows(definition, seed=1)
    except UserError as error:
        if not str(error).strip():
            found.tracebacks.append(f"{what}: no message")
    except Exception:
        found.tracebacks.append(f"{what}: {traceback.format_exc()[-900:]}")


def campaign(folder: Path) -> None:
    """Make the campaign that result files are recorded in: half of the example is known already."""
    (folder / "results").mkdir(parents=True)
    (folder / "campaign.toml").write_text(TOML, encoding="utf-8")
    (folder / "results" / "known.csv").write_text("\n".join(CSV.splitlines()[:7]) + "\n", encoding="utf-8")


def batch(kind: str, seed: int, n: int, folder: Path) -> Found:
    """Run n cases of a kind in a fresh campaign; the same seed gives the same cases."""
    found, rng = Found(), random.Random(f"{kind} {seed}")
    campaign(folder)
    definition = read_definition(folder)
    with open_ledger(folder) as ledger:
        record_results(folder, definition, ledger)
        for i in range(n):
            what = f"{kind} seed {seed} case {i}"
            data = MAKERS[kind](rng)
            if kind == "toml":
                path = folder / "fuzzed" / "campaign.toml"
                path.parent.mkdir(exist_ok=True)
                path.write_bytes(data)
                judge_definition(path, found, what, deep=i % 50 == 0)
            else:
                path = folder / "results" / f"case.{kind}"
                path.write_bytes(data)
                judge_results(path, definition, ledger, found, what)
        found.partial += [f"{kind} seed {seed}: {p}" for p in verify(ledger)]
    return found
