"""The documents tell the truth: commands, files and Python calls that they name exist, and the demos can be read."""

import argparse
import inspect
import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from planner import cli
from planner.cycle.campaign import Campaign
from planner.lab.campaign import read_definition
from planner.lab.template import result_files
from planner.report.cautions import CAUTIONS
from tests.demo.write_readme_output import DEMOS, MARK, shortened, with_block

ROOT = Path(__file__).resolve().parents[2]
README, DEVELOPERS = ((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md"))
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
# Options of every command, beside --json, as the files and outputs that other programs rely on state them.
CONTRACT = {
    "start": set(),
    "check": {"--deep"},
    "record": {"--correct", "--why", "--exclude", "--include"},
    "update": {"--quick"},
    "window": {"--conditions", "--out", "--no-update", "--grid"},
    "plan": {"--budget", "--seed", "--again", "--with", "--without-claims"},
    "budget": {"--weeks", "--deep"},
    "review": {"--freeze", "--deep"},
    "rehearse": {"--weeks", "--truth", "--against", "--repeats", "--scheduler", "--seed"},
}


def blocks(text, language=""):
    """Fenced blocks of a document that are marked with a language (none: plain)."""
    return [body for mark, body in re.findall(r"^```(\w*)\n(.*?)^```", text, re.M | re.S) if mark == language]


def command_lines(text):
    """Lines of plain blocks that call the program, comments cut off; output blocks and their prompts are left out."""
    return [line.partition("  #")[0].strip() for block in blocks(text) if not block.startswith("$ ")
            for line in block.splitlines() if line.startswith("trialwright ")]


def parsers():
    """The argparse parser of every command."""
    top = cli.build_parser()
    return next(action for action in top._actions if isinstance(action, argparse._SubParsersAction)).choices


def set_up():
    """The README's two commands, in order: the first two plain blocks, one line each."""
    first, second = [block.strip() for block in blocks(README)[:2]]
    return first, second


def test_readme_opens_with_the_job_then_two_commands():
    title, paragraph, *_ = README.split("\n\n")
    assert title.startswith("# ") and 60 < len(paragraph.split()) < 160
    first, second = set_up()
    assert "\n" not in first + second
    steps = [shlex.split(step) for step in first.split("&&")]
    assert steps[0] == ["python3", "-m", "venv", ".venv"]
    assert steps[1] == [".venv/bin/pip", "install", "-e", ".[test]"]
    assert steps[2][:2] == [".venv/bin/trialwright", "plan"] and (ROOT / steps[2][2] / "campaign.toml").is_file()
    assert shlex.split(second) == [".venv/bin/python", "-m", "pytest"]


def test_set_up_agrees_with_pyproject_and_ci():
    first, second = set_up()
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "test" in PYPROJECT["project"]["optional-dependencies"]
    assert PYPROJECT["project"]["scripts"] == {"trialwright": "planner.cli:main"}
    assert second in script and re.search(r"\.venv/bin/pip install .*-e '\.\[test\]'", script)
    assert "tests/end_to_end" in script and (ROOT / "tests" / "end_to_end").is_dir()
    lowest = PYPROJECT["project"]["requires-python"].removeprefix(">=")
    assert f"Python {lowest} or newer" in README


def test_ci_script_can_run():
    path = ROOT / ".ci" / "run"
    assert os.access(path, os.X_OK) and path.read_text(encoding="utf-8").startswith("#!/usr/bin/env bash\n")
    subprocess.run(["bash", "-n", str(path)], check=True)


@pytest.mark.parametrize("line", command_lines(README))
def test_readme_commands_exist(line):
    words = shlex.split(line)[1:]
    parsed = cli.build_parser().parse_args(words)     # unknown commands and options end the program
    assert parsed.command == words[0] and parsed.directory


def test_readme_names_every_command_of_the_week():
    assert set(CONTRACT) == {shlex.split(line)[1] for line in command_lines(README)}


@pytest.mark.parametrize("name", CONTRACT)
def test_every_command_has_help_and_an_example(name):
    parser = parsers()[name]
    options = {o for action in parser._actions for o in action.option_strings if o.startswith("--")}
    assert options >= CONTRACT[name] | {"--json", "--help"}
    assert all(action.help for action in parser._actions)
    text = parser.format_help()
    examples = re.findall(rf"^\s+trialwright ({name} .*)$", text, re.M)
    assert examples
    for line in examples:
        cli.build_parser().parse_args(shlex.split(line))


def test_help_of_the_program_names_every_command():
    done = subprocess.run([sys.executable, "-m", "planner.cli", "--help"], cwd=ROOT, capture_output=True, text=True, check=True)
    assert all(re.search(rf"^\s+{name}\b", done.stdout, re.M) for name in CONTRACT)


def test_python_story_of_the_readme_calls_what_exists():
    (story,) = blocks(README, "python")
    compile(story, "README.md", "exec")
    assert "planner.open_campaign(" in story
    calls = re.findall(r"campaign\.(\w+)\(([^)]*)\)", story)
    assert [name for name, _ in calls] == ["record", "update", "window", "plan", "budget", "review"]
    for name, arguments in calls:
        known = inspect.signature(getattr(Campaign, name)).parameters
        assert {a.partition("=")[0].strip() for a in arguments.split(",") if a} <= set(known)


@pytest.mark.parametrize("demo", DEMOS)
def test_readme_shows_real_output(demo):
    begin, end = MARK.format("begin", demo), MARK.format("end", demo)
    shown = README.partition(begin)[2].partition(end)[0]
    assert f"$ trialwright plan campaigns_demo/{demo}" in shown
    assert "plans/001/plan.csv" in shown and "CONVERGED" in shown and "undecided" in shown


def test_output_is_shortened_where_marked_only():
    head, tail = "window", "gain: fall of H\nExpected: less"
    rows = "\n".join(f" {i:2}  P001-{i:02}  component\n     lot" for i in range(1, 9))
    short = shortened(f"{head}\n{rows}\n\n{tail}\n\nCautions\n- hot")
    assert short.startswith("window\n  1  P001-01") and short.endswith(tail) and "P001-04" not in short and "hot" not in short
    text = f"a {MARK.format('begin', 'x')} old {MARK.format('end', 'x')} b"
    assert "old" not in with_block(text, "x", "new") and with_block(text, "x", "new").endswith("b")
    with pytest.raises(ValueError, match="lacks the marks"):
        with_block("a", "x", "new")


def test_readme_carries_every_caution():
    flat = " ".join(README.split())
    assert [line for line in CAUTIONS if line not in flat] == []


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_documents_name_files_that_exist(text):
    """Paths with one of our folders at the front; NNN and * stand for any name."""
    known = re.findall(r"(?<![\w/])((?:models|planner|tests|campaigns_demo|\.ci)/[\w./*-]*\w)", text)
    planned = {"models/responses/burst.py"}                            # the worked example
    missing = [path for path in known if path not in planned and not any((ROOT / folder).exists() for folder in (path, path + ".py"))
               and not list(ROOT.glob(path))]
    assert missing == []


def test_developers_explain_every_dependency():
    table = DEVELOPERS.partition("## Why each dependency")[2].partition("## Decisions")[0]
    extras = PYPROJECT["project"]["optional-dependencies"]
    for requirement in PYPROJECT["project"]["dependencies"] + extras["test"] + extras["cluster"]:
        name = re.match(r"[\w-]+", requirement)[0]
        assert re.search(rf"\b{re.escape(name)}\b", table), name


@pytest.mark.parametrize("demo", sorted(p.name for p in (ROOT / "campaigns_demo").iterdir() if p.is_dir()))
def test_demo_folders_are_readable(demo):
    folder = ROOT / "campaigns_demo" / demo
    definition = read_definition(folder)
    assert definition.stock and definition.week.budget and result_files(folder)
    assert f"campaigns_demo/{demo}" in README
