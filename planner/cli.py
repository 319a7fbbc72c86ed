"""The command line: words in, words out.  Each command does what it needs of the steps before it.

Exit status: 0 done, 2 the user must act (one message on standard error), 1 a fault of the program.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from planner.lab.cells import harmless, is_number
from planner.lab.errors import TrialwrightError, UserError
from planner.report.terminal import Progress, never_refuse_a_character, show

DONE, BUG, ACT = 0, 1, 2


class Command:
    """One command: its help, its options and what it does."""

    def __init__(self, name: str, summary: str, example: str, options: Callable, run: Callable):
        self.name, self.summary, self.example, self.options, self.run = name, summary, example, options, run


def main(argv: list[str] | None = None) -> int:
    """Run the program; returns the exit status."""
    never_refuse_a_character()
    parser = build_parser()
    arguments = parser.parse_args(argv)
    if not getattr(arguments, "command", None):
        parser.print_help()
        return DONE
    try:
        _hold_to_a_folder(arguments)
        COMMANDS[arguments.command].run(arguments)
        sys.stdout.flush()                       # a full disk behind standard output is found here, not at exit
        return DONE
    except TrialwrightError as error:
        print(str(error), file=sys.stderr)
        return ACT
    except KeyboardInterrupt:
        print("stopped; nothing half-written was kept", file=sys.stderr)
        return ACT
    except BrokenPipeError:
        sys.stderr.close()
        return DONE
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        print(f"{place}the disk or the output refused: {error.strerror or error}\n  next: free space or permissions, then run it again", file=sys.stderr)
        sys.stdout = None                        # what it still holds cannot be written either
        return ACT


def build_parser() -> argparse.ArgumentParser:
    """Return the parser with every command."""
    parser = argparse.ArgumentParser(
        prog="trialwright", description="Plan trials of warm-formed, furnace-brazed aluminium sheet; state the safe process window.",
        epilog="Begin with `trialwright start DIR`; each Friday, put the week's result files in DIR/results and run `trialwright plan DIR`.")
    parser.add_argument("--version", action="version", version=f"trialwright {_version()}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=argparse.ArgumentParser)
    for command in COMMANDS.values():
        sub = commands.add_parser(command.name, help=command.summary, description=command.summary, epilog=f"Example:\n  {command.example}",
                                  formatter_class=argparse.RawDescriptionHelpFormatter)
        sub.add_argument("directory", metavar="DIR", help="campaign folder")
        sub.add_argument("--json", action="store_true", help="one JSON object on standard output, for programs")
        command.options(sub)
    return parser


def _hold_to_a_folder(arguments) -> None:
    """Refuse a file where the campaign's folder belongs, with the command that was meant."""
    path = Path(arguments.directory)
    if not path.is_file():
        return
    if path.name != "campaign.toml":
        raise UserError("this is a file, not a campaign folder", found=str(path), allowed="the folder that holds campaign.toml",
                        fix=f"trialwright {arguments.command} FOLDER")
    command = "check" if arguments.command == "start" else arguments.command
    raise UserError("this is the campaign's definition, not its folder", found=str(path), fix=f"give the folder: trialwright {command} {path.parent}")


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("trialwright")
    except PackageNotFoundError:
        return "(not installed)"
    except OSError:
        return "(its record cannot be read)"


def _open(arguments, say=None):
    from planner.cycle import open_campaign

    return open_campaign(arguments.directory, **({"say": say} if say else {}))


def _no_options(parser) -> None:
    """Add nothing."""


def _start(arguments) -> None:
    from rich.text import Text

    from planner.lab.template import write_campaign

    written = [str(path) for path in write_campaign(arguments.directory)]
    step = f"edit {written[0]}, then run: trialwright check {arguments.directory}"
    show(arguments, {"written": written, "next": step}, lambda console: Text("wrote " + ", ".join(written) + "\nnext: " + step))


def _check_options(parser) -> None:
    parser.add_argument("--deep", action="store_true", help="criticise the fit too: predictive checks, prior sensitivity, leave-one-out (fits first where no current fit is kept, which takes minutes and keeps its draws)")


def _check(arguments) -> None:
    from planner.report.check_view import check

    if not arguments.deep:
        record = _open(arguments).check()
        show(arguments, record, lambda console: check(record))
        return
    from rich.console import Group

    from planner.report.criticism_view import criticism

    with Progress() as say:
        record = _open(arguments, say).check(deep=True)
    show(arguments, record, lambda console: Group(check(record), criticism(record)))


def _record_options(parser) -> None:
    parser.add_argument("files", nargs="*", metavar="FILE", help="result files (default: everything new in DIR/results)")
    parser.add_argument("--correct", action="store_true", help="let filled cells change or go blank, as corrections")
    parser.add_argument("--exclude", metavar="ID", help="leave a specimen out of the models")
    parser.add_argument("--include", metavar="ID", help="take an excluded specimen back in")
    parser.add_argument("--why", metavar="TEXT", help="the reason, kept in the ledger")


def _record(arguments) -> None:
    from rich.text import Text

    told: list[str] = []
    campaign = _open(arguments, told.append)
    marked = [(option, name) for option, name in (("exclude", arguments.exclude), ("include", arguments.include)) if name is not None]
    if len(marked) > 1:
        raise UserError("--exclude and --include cannot go together", fix="run them one after the other")
    if marked:
        ((option, name),) = marked
        if arguments.files or arguments.correct:
            raise UserError("--exclude and --include stand alone", fix="record files in a command of their own")
        if not name.strip():
            raise UserError("no specimen is named", found=name, where=f"--{option}", allowed="the label of one specimen",
                            fix=f'trialwright record {arguments.directory} --{option} ID --why "..."')
        getattr(campaign, option)(name, why=arguments.why)
        record = {"recorded": 0, "completed": 0, "corrected": 0, "unchanged": 0, "warnings": []}
        done = f"{option}d {name}"
    else:
        if arguments.why is not None and not arguments.correct:
            raise UserError("a reason is given, and nothing that it explains", found=arguments.why, where="--why",
                            allowed="with --correct, --exclude ID or --include ID", fix="leave --why out, or say what it explains")
        try:
            outcome = campaign.record(arguments.files or None, correct=arguments.correct, why=arguments.why)
        except UserError:
            for line in told:                          # what was recorded before the file that is refused
                print(line, file=sys.stderr)
            raise
        record = {name: getattr(outcome, name) for name in ("recorded", "completed", "corrected", "unchanged")} | {"warnings": list(outcome.warnings)}
        done = ", ".join(f"{record[name]} {name}" for name in ("recorded", "completed", "corrected", "unchanged"))
    show(arguments, record, lambda console: Text("\n".join([done, *(f"! {w}" for w in record["warnings"])])))


def _update_options(parser) -> None:
    parser.add_argument("--quick", action="store_true", help="reweight the last draws for a trial or two; a full fit follows where that is not enough")


def _update(arguments) -> None:
    from planner.report.screen import verdict_line

    with Progress() as say:
        fit = _open(arguments, say).update(quick=arguments.quick)
    verdict = fit.verdict
    record = {"verdict": verdict.name, "method": fit.method, "ess": verdict.ess, "rhat": verdict.rhat, "bfmi": verdict.bfmi,
              "divergences": verdict.divergences, "words": verdict.words, "worst": list(verdict.worst), "seconds": fit.seconds}
    show(arguments, record, lambda console: verdict_line(verdict.name).append(f"\n{verdict.words} Method: {fit.method}."))
    if verdict.name not in ("CONVERGED", "PRIOR_ONLY"):
        raise UserError(f"{verdict.name}: {verdict.words}", found=", ".join(verdict.worst), fix=f"trialwright check {arguments.directory}")


def _window_options(parser) -> None:
    parser.add_argument("--conditions", metavar="IN", help="CSV or XLSX of conditions to judge one by one")
    parser.add_argument("--out", metavar="OUT", help="where the judged conditions go (CSV)")
    parser.add_argument("--no-update", action="store_true", help="use the last fit as it is")
    parser.add_argument("--grid", action="store_true", help="put the maps of every temper into the JSON too")


def _window(arguments) -> None:
    from planner.report import screen

    if bool(arguments.conditions) != bool(arguments.out):
        raise UserError("--conditions and --out go together", fix=f"trialwright window {arguments.directory} --conditions in.csv --out out.csv")
    with Progress() as say:
        campaign = _open(arguments, say)
        if arguments.conditions:
            window, record = _judge(arguments, campaign)
        else:
            window = campaign.window(update=not arguments.no_update)
            record = window.to_json()
    maps = [one.to_json() for one in window.maps]
    if arguments.grid:
        record["maps"] = maps
    show(arguments, record, lambda console: screen.window(record, maps, ascii_only=console.options.ascii_only))


def _judge(arguments, campaign):
    from planner.cycle.reports import write_whole

    target = Path(arguments.out)
    if not target.parent.is_dir():
        raise UserError("there is no such folder for the judged conditions", found=str(target.parent), where="--out", fix=f"mkdir -p {target.parent}")
    home, real = Path(arguments.directory).resolve(), target.resolve()
    if real in (home / "campaign.toml", home / "ledger.sqlite") or home / "results" in real.parents:
        raise UserError("judged conditions are no results of trials, and would take the place of the campaign's own files", found=str(target), where="--out",
                        allowed="a file outside results/", fix="name another file with --out")
    judged, window = campaign.judge(Path(arguments.conditions), update=not arguments.no_update)
    for name in ("pointwise_claim", "joint_claim", "extrapolated"):
        judged[name] = judged[name].map({True: "true", False: "false"})
    judged = judged.rename(columns=lambda name: harmless(str(name))).map(lambda cell: harmless(cell) if isinstance(cell, str) and not is_number(cell) else cell)
    try:
        if target.is_file() or not target.exists():
            write_whole(real, judged.to_csv(index=False))
        else:                                          # a pipe or a terminal
            judged.to_csv(target, index=False)
    except OSError as error:
        raise UserError(f"the judged conditions cannot be written: {error.strerror or error}", where=str(target), fix="name another file with --out") from None
    return window, window.to_json() | {"conditions": len(judged), "out": str(target)}


def _plan_options(parser) -> None:
    parser.add_argument("--budget", type=float, metavar="X", help="money for this week in place of [week] budget")
    parser.add_argument("--seed", type=int, metavar="N", help="seed of the choice (default: the campaign's)")
    parser.add_argument("--again", action="store_true", help="plan anew; the newest plan of which nothing has come back is withdrawn")
    parser.add_argument("--with", dest="own_list", metavar="FILE", help="score the researcher's own list beside ours")
    parser.add_argument("--without-claims", action="store_true", help="plan from draws that did not pass; nothing is claimed")


def _plan(arguments) -> None:
    from rich.console import Group
    from rich.text import Text

    from planner.report import plan_view, screen

    if arguments.budget is not None and not 0 < arguments.budget < 1e12:
        raise UserError("the budget is not a positive amount", found=arguments.budget, allowed="a number above 0", where="--budget")
    if arguments.seed is not None and arguments.seed < 0:
        raise UserError("the seed is negative", found=arguments.seed, allowed="a whole number from 0", where="--seed")
    with Progress() as say:
        campaign = _open(arguments, say)
        result = campaign.plan(budget=arguments.budget, seed=arguments.seed, again=arguments.again, own_list=arguments.own_list,
                               without_claims=arguments.without_claims)
    definition, record = campaign.definition, result.record
    week = {k: v for k, v in definition.week.model_dump().items() if k != "setup"}
    if arguments.budget is not None:
        week["budget"] = arguments.budget

    def picture(console):
        parts = []
        if result.window is not None:
            parts = [screen.window(result.window.to_json(), [m.to_json() for m in result.window.maps], ascii_only=console.options.ascii_only), Text()]
        if result.existing:
            parts.append(Text(f"Nothing changed since this plan was made: {record['plan_file']} stands."))
        return Group(*parts, plan_view.plan(record, currency=definition.campaign.currency, limits=week, heading=result.window is None), Text(), screen.cautions())

    show(arguments, record, picture)


def _budget_options(parser) -> None:
    parser.add_argument("--weeks", type=int, metavar="N", help="weeks to lay out (default: those left of weeks_max)")
    parser.add_argument("--deep", action="store_true", help="rehearse the weeks with real refits too, and say whether they agree (minutes to hours, told as it goes; goes on where it stopped)")


def _budget(arguments) -> None:
    from planner.report.budget_view import budget

    if arguments.weeks is not None and not 1 <= arguments.weeks <= 52:
        raise UserError("the number of weeks is out of range", found=arguments.weeks, allowed="1 to 52", where="--weeks")
    with Progress() as say:
        campaign = _open(arguments, say)
        record = _deep_budget(campaign, arguments) if arguments.deep else campaign.budget(weeks=arguments.weeks)
    show(arguments, record, lambda console: budget(record))


def _deep_budget(campaign, arguments):
    from planner.rehearse import deep_budget

    campaign.record()
    return deep_budget(campaign, weeks=arguments.weeks)


def _review_options(parser) -> None:
    parser.add_argument("--freeze", action="store_true", help="freeze today's claims, to be scored against components of lots made later")
    parser.add_argument("--deep", action="store_true", help="refit too, on resampled lots and loads and without each that reweighting cannot leave out (tens of minutes, told as it goes; goes on where it stopped)")


def _review(arguments) -> None:
    from planner.report.budget_view import review

    with Progress() as say:
        record = _open(arguments, say).review(freeze=arguments.freeze, deep=arguments.deep)
    show(arguments, record, lambda console: review(record))


def _rehearse_options(parser) -> None:
    parser.add_argument("--weeks", type=int, default=4, metavar="N", help="weeks of each virtual campaign (default 4)")
    parser.add_argument("--truth", default="prior", metavar="T", help="what is true: prior, posterior, foreign (mechanisms that the model lacks, by turns), or a "
                        "TOML file with mechanism = NAME and [parameters] (default prior)")
    parser.add_argument("--against", metavar="A,B", help="rivals: space-filling, factorial, one-temper-at-a-time, clairvoyant (ours, told the truth)")
    parser.add_argument("--repeats", type=int, default=4, metavar="N", help="truths; every strategy meets the same ones (default 4)")
    parser.add_argument("--scheduler", metavar="ADDRESS", help="an existing Dask cluster, such as tcp://host:8786 (default: two local processes)")
    parser.add_argument("--seed", type=int, metavar="N", help="seed of the truths (default: the campaign's)")


def _rehearse(arguments) -> None:
    from planner.rehearse import rehearse
    from planner.rehearse.table import table

    with Progress() as say:
        campaign = _open(arguments, say)
        record = rehearse(campaign, weeks=arguments.weeks, truth=arguments.truth, against=arguments.against, repeats=arguments.repeats,
                          seed=arguments.seed, scheduler=arguments.scheduler).to_json()
    show(arguments, record, lambda console: table(record, currency=campaign.definition.campaign.currency))


COMMANDS = {c.name: c for c in (
    Command("start", "write a commented campaign and an empty results template", "trialwright start my_campaign", _no_options, _start),
    Command("check", "show the definition in force, the priors with their reasons, what they imply, and what the data hold",
            "trialwright check my_campaign", _check_options, _check),
    Command("record", "record result files, corrections and exclusions in the ledger",
            'trialwright record my_campaign week7.csv\n  trialwright record my_campaign --exclude C-014 --why "wrong coil"', _record_options, _record),
    Command("update", "bring the fit up to date with the ledger", "trialwright update my_campaign", _update_options, _update),
    Command("window", "state the safe process window with its confidence",
            "trialwright window my_campaign\n  trialwright window my_campaign --conditions in.csv --out out.csv", _window_options, _window),
    Command("plan", "record, fit, state the window and write next week's plan",
            "trialwright plan my_campaign\n  trialwright plan my_campaign --budget 4000", _plan_options, _plan),
    Command("budget", "show what certainty the coming weeks and their money buy, what cuts cost, when to stop and what to order",
            "trialwright budget my_campaign\n  trialwright budget my_campaign --weeks 4", _budget_options, _budget),
    Command("review", "write the evidence behind the claims as one page; freeze claims", "trialwright review my_campaign\n  trialwright review my_campaign --freeze",
            _review_options, _review),
    Command("rehearse", "run virtual campaigns against a known truth: what a budget buys, and whether claims hold",
            "trialwright rehearse my_campaign --weeks 4 --repeats 8\n  trialwright rehearse my_campaign --truth foreign --against space-filling,factorial",
            _rehearse_options, _rehearse),
)}


if __name__ == "__main__":
    sys.exit(main())
