"""Options of the whole suite, and what must be said loudly at its end."""

import pytest

STALE = pytest.StashKey[list]()
MISSING = pytest.StashKey[list]()


def pytest_addoption(parser):
    parser.addoption("--require-fresh-evidence", action="store_true",
                     help="fail where a file of tests/evidence was made on other code, or is missing")


def pytest_configure(config):
    config.stash[STALE] = []
    config.stash[MISSING] = []


@pytest.fixture
def say_loudly(request):
    """Take sentences that are printed at the end of the run, whatever its outcome."""
    return request.config.stash[STALE].extend


@pytest.fixture(scope="session")
def say_missing(request):
    """Take sentences about tools that a part of the suite needs and this machine lacks; printed at the end of the run."""
    return request.config.stash[MISSING].append


def pytest_terminal_summary(terminalreporter, config):
    for sentence in config.stash[STALE]:
        terminalreporter.write_line(f"STALE EVIDENCE: {sentence}", red=True, bold=True)
    for sentence in config.stash[MISSING]:
        terminalreporter.write_line(sentence, red=True, bold=True)
