"""Memory and time stay bounded whatever is put into results/: every bomb is defused in one process of moderate size."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MEMORY_MB, SECONDS = 900, 20.0
MAKE = r"""
import os, sys, zipfile
from pathlib import Path
from tests.fuzz.cases import MEMBERS, TOML, campaign

folder = Path(sys.argv[1])
campaign(folder)
results, sheet = folder / "results", "xl/worksheets/sheet1.xml"

def book(path, **members):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in (MEMBERS | {k.replace("__", "/").replace("_xml", ".xml"): v for k, v in members.items()}).items():
            archive.writestr(name, content)

cell = b'<c r="A%d" t="inlineStr"><is><t>' + b"a" * 3000 + b"</t></is></c>"
rows = b"".join(b'<row r="%d">' % i + cell % i + b"</row>" for i in range(1, 100_000))
book(results / "unpacks_to_300_mb.xlsx", **{"xl__worksheets__sheet1_xml": b"<worksheet><sheetData>" + rows + b"</sheetData></worksheet>"})
del rows
book(results / "far.xlsx", **{"xl__worksheets__sheet1_xml": MEMBERS[sheet].replace(b'r="A2"', b'r="ALL200000"')})
shared = b"<sst><si><t>" + b"a" * 30_000_000 + b"</t></si></sst>"
many = b"".join(b'<row r="%d"><c r="A%d" t="s"><v>0</v></c></row>' % (i, i) for i in range(1, 5000))
book(results / "one_long_text_many_times.xlsx", **{"xl__sharedStrings_xml": shared, "xl__worksheets__sheet1_xml": b"<worksheet><sheetData>" + many + b"</sheetData></worksheet>"})
(results / "cell_of_100_mb.csv").write_bytes(b"specimen,note\n1," + b"a" * 100_000_000)
(results / "cell_of_20_mb.csv").write_bytes(b"specimen,note\n1," + b"a" * 20_000_000)
(results / "million_columns.csv").write_bytes(b"a," * 1_000_000 + b"\n")
(results / "million_rows.csv").write_bytes(b"specimen\n" + b"a\n" * 5_000_000)
(results / "million_faults.csv").write_bytes(b"specimen,strain [1]\n" + b"a,zz\n" * 199_000)
book(results / "tags_without_end.xlsx", **{"xl__worksheets__sheet1_xml": b"<worksheet><sheetData>" + b"<c " * 20_000_000})
book(results / "formulas_without_cells.xlsx", **{"xl__worksheets__sheet1_xml": b"<worksheet><sheetData>" + b"<f>" * 20_000_000})
(results / "quotes.csv").write_bytes(b'"' * 20_000_001)
outside = folder / "outside.csv"
outside.write_bytes(b"specimen\n")
(results / "link_out.csv").symlink_to(outside)
(results / "device.csv").symlink_to("/dev/zero")
os.mkfifo(results / "pipe.csv")
(results / "folder.csv").mkdir()
(results / "control\x07name.csv").write_bytes(b"specimen\n")
tomls = folder / "tomls"
tomls.mkdir()
(tomls / "deep.toml").write_bytes(b"a = " + b"[" * 4000 + b"]" * 4000)
(tomls / "deep_tables.toml").write_bytes(b"[" + b".".join([b"a"] * 2400) + b"]\n")
(tomls / "large.toml").write_bytes(TOML.encode() + b"#" * 5_000_000)
(tomls / "many_keys.toml").write_bytes(TOML.encode() + b"\n[zz]\n" + b"".join(b"k%d = 1\n" % i for i in range(80_000)))
(tomls / "dots.toml").write_bytes(b"a = '''\n" + (b"a." * 2000 + b"\n") * 200 + b"'''\n")
(tomls / "big_number.toml").write_bytes(b"a = " + b"9" * 4900)
"""
JUDGE = r"""
import json, sys, time
from pathlib import Path
from planner.lab.campaign import read_definition
from planner.lab.errors import UserError
from planner.lab.ledger import open_ledger
from planner.lab.recording import record_results

folder = Path(sys.argv[1])
definition, said = read_definition(folder), {}
with open_ledger(folder) as ledger:
    for path in sorted([*folder.glob("results/*"), *folder.glob("tomls/*")]):
        if path.name == "known.csv":
            continue
        started = time.monotonic()
        try:
            read_definition(path) if path.suffix == ".toml" else record_results(folder, definition, ledger, files=[path])
            text = "accepted"
        except UserError as error:
            text = str(error)
        said[path.name] = [text[:300], time.monotonic() - started]
    entries = len(ledger.history())
# not ru_maxrss: that keeps the peak of the process that started this one
peak_kb = next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(json.dumps({"said": said, "entries": entries, "memory_mb": peak_kb / 1024}))
"""


@pytest.fixture(scope="module")
def outcome(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bombs") / "c"
    for program in (MAKE, JUDGE):
        done = subprocess.run([sys.executable, "-c", program, str(folder)], cwd=ROOT, capture_output=True, text=True, timeout=300,
                              env=os.environ | {"PYTHONPATH": str(ROOT)})
        assert done.returncode == 0, done.stderr[-3000:]
    return json.loads(done.stdout)


def test_every_bomb_is_refused_with_a_message(outcome):
    assert {name: text for name, (text, _) in outcome["said"].items() if text == "accepted"} == {}
    assert len(outcome["said"]) == 22
    assert outcome["entries"] == 0


def test_memory_and_time_are_bounded(outcome):
    assert outcome["memory_mb"] < MEMORY_MB
    assert {name: s for name, (_, s) in outcome["said"].items() if s > SECONDS} == {}
