"""The house rules, read from the source itself: which module may import which, what must be documented, what
must not be in the project at all."""

import ast
import subprocess
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "planner", "models", "tests", "campaigns_demo"}
MAX_LINES = 400

# A module imports only from its own or a lower floor. The longest matching prefix counts.
FLOORS = {
    "models": 0,
    "planner.lab": 0,
    "planner.encode": 1,
    "planner.window": 2,
    "planner.acquisition": 3,
    "planner.outlook": 4,
    "planner.report": 5,
    "planner.cycle": 6,
    "planner": 6,  # the package itself only hands on the Python API of planner.cycle
    "planner.rehearse": 7,
    "planner.cli": 8,
}
SAMPLERS = {"pymc", "pytensor", "nutpie", "arviz"}


@cache
def modules():
    """Paths of our modules by dotted name."""
    found = {}
    for package in ("models", "planner"):
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


@cache
def tree(name):
    return ast.parse(modules()[name].read_text(encoding="utf-8"))


def imports(name):
    """Yield (imported module, line, whether it stands inside a function) of a module; our own names resolved fully."""
    package = name if modules()[name].name == "__init__.py" else name.rpartition(".")[0]
    inner = {id(node) for function in ast.walk(tree(name)) if isinstance(function, ast.FunctionDef)
             for node in ast.walk(function)}  # fmt: skip
    for node in ast.walk(tree(name)):
        if isinstance(node, ast.Import):
            targets = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package.split(".")
                base = ".".join(above[: len(above) - node.level + 1] + ([base] if base else []))
            # `from planner.lab import ledger` names a module, `from planner.lab.ledger import Ledger` does not.
            targets = [f"{base}.{a.name}" if f"{base}.{a.name}" in modules() else base for a in node.names]
        else:
            continue
        for target in targets:
            yield target, node.lineno, id(node) in inner


def floor(name):
    """Floor of a module, or None where the table gives it none."""
    if name == "planner":
        return FLOORS["planner"]
    parts = name.split(".")
    for length in range(len(parts), 0, -1):
        prefix = ".".join(parts[:length])
        if prefix in FLOORS and prefix != "planner":
            return FLOORS[prefix]
    return None


def ours(target):
    return target.split(".")[0] in {"models", "planner"}


def offences(rule):
    """Messages of every import for which rule(module, target, inside a function) is true."""
    return [
        f"{modules()[name].relative_to(ROOT)}:{line} imports {target}"
        for name in modules()
        for target, line, inside in imports(name)
        if rule(name, target, inside)
    ]


def project_files():
    """Files of the project: those git knows, else those on disk that are not by-products."""
    if (ROOT / ".git").exists():
        listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout
        if listed.strip():
            return [ROOT / line for line in listed.splitlines() if (ROOT / line).is_file()]
    by_products = {"__pycache__", "build", "dist"}
    return [
        path
        for path in ROOT.rglob("*")
        if path.is_file()
        and not any(part.startswith(".") or part in by_products or part.endswith(".egg-info")
                    for part in path.relative_to(ROOT).parts)
    ]  # fmt: skip


def test_every_module_has_a_floor():
    assert [name for name in modules() if floor(name) is None] == []


def test_imports_go_down():
    def rule(name, target, inside):
        return ours(target) and (floor(target) or 0) > (floor(name) or 0)

    assert offences(rule) == []


def test_models_know_nothing_of_the_planner():
    assert offences(lambda name, target, inside: name.startswith("models") and target.startswith("planner")) == []


def test_a_correlation_for_steel_informs_no_prior():
    """Keeler's and Goodwin's intercept is of low-carbon steel: held by its own test, read by nothing of ours."""
    assert [name for name in modules() if name != "models.necking" for found, *_ in imports(name) if found == "models.necking"] == []


def test_report_computes_nothing():
    def rule(name, target, inside):
        forbidden = target.split(".")[0] == "models" or target.startswith("planner.acquisition")
        return name.startswith("planner.report") and forbidden

    assert offences(rule) == []


def test_one_file_samples():
    def rule(name, target, inside):
        package = target.split(".")[0]
        if package not in SAMPLERS or name == "models.fit":
            return False
        return not (name == "models.joint_model" and inside and package in {"pymc", "pytensor"})

    assert offences(rule) == []


def test_no_circles():
    """Imports inside functions count too: they must not hide a circle."""
    edges = {name: {target for target, _, _ in imports(name) if target in modules() and target != name}
             for name in modules()}  # fmt: skip
    done, path = set(), []

    def visit(name):
        assert name not in path, "circle: " + " -> ".join([*path[path.index(name):], name])
        if name in done:
            return
        path.append(name)
        for target in sorted(edges[name]):
            visit(target)
        done.add(path.pop())

    for name in edges:
        visit(name)


def test_public_names_say_what_they_are():
    """Every module, and every public function, class and method of one, has a docstring."""
    silent = []
    for name, path in modules().items():
        where = path.relative_to(ROOT)
        body = tree(name).body
        if body and ast.get_docstring(tree(name)) is None:
            silent.append(f"{where}:1 the module")
        kinds = (ast.FunctionDef, ast.ClassDef)
        public = [node for node in body if isinstance(node, kinds) and not node.name.startswith("_")]
        for owner in [node for node in public if isinstance(node, ast.ClassDef)]:
            public += [n for n in owner.body if isinstance(n, ast.FunctionDef) and not n.name.startswith("_")]
        silent += [f"{where}:{node.lineno} {node.name}" for node in public if ast.get_docstring(node) is None]
    assert silent == []


def test_no_file_is_too_long():
    sources = [*modules().values(), *(ROOT / "tests").rglob("*.py")]
    lengths = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in sources}
    assert {str(path.relative_to(ROOT)): n for path, n in lengths.items() if n > MAX_LINES} == {}


def test_tests_are_no_packages():
    assert list((ROOT / "tests").rglob("__init__.py")) == []


def test_top_level_holds_what_the_layout_names():
    visible = {path.relative_to(ROOT).parts[0] for path in project_files()}
    assert {name for name in visible if not name.startswith(".")} == TOP_LEVEL


# Written in pieces, so that this file does not hold what it looks for.
@pytest.mark.parametrize("words", ["/wo" + "rk/", "/ro" + "ot/", "/t" + "mp/", "seed doc" + "ument"])
def test_no_trace_of_the_workshop(words):
    holding = []
    for path in project_files():
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        if words in text.lower():
            holding.append(str(path.relative_to(ROOT)))
    assert holding == []
