"""Options of the whole suite, and what must be said loudly at its end."""

import pytest

STALE = pytest.StashKey[list]()


def pytest_addoption(parser):
    parser.addoption("--require-fresh-evidence", action="store_true",
                     help="fail where a file of tests/evidence was made on other code, or is missing")


def pytest_configure(config):
    config.stash[STALE] = []


@pytest.fixture
def say_loudly(request):
    """Take sentences that are printed at the end of the run, whatever its outcome."""
    return request.config.stash[STALE].extend


def pytest_terminal_summary(terminalreporter, config):
    for sentence in config.stash[STALE]:
        terminalreporter.write_line(f"STALE EVIDENCE: {sentence}", red=True, bold=True)
