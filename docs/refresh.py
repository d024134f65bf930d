"""Print the README's session anew and draw its picture: run after any change that may change a plan.

    python docs/refresh.py          # rewrite README.md and docs/courtyard.svg
    python docs/refresh.py --cases  # and the table of cases, from tests/benchmarks/results/by_hand.txt

The session is what the README's own first command prints, at full effort.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"


def printed(*args: str, cwd: str) -> str:
    """What the program prints on stdout, run in a folder that sees the cases."""
    done = subprocess.run(
        [sys.executable, "-m", "cli", *args],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    return done.stdout


def with_block(text: str, command: str, output: str) -> str:
    """The README with the block below a command's line replaced."""
    pattern = re.compile(rf"(`{re.escape(command)}`[^\n]*prints:\n\n```\n).*?(```\n)", flags=re.S)
    new, count = pattern.subn(lambda found: found[1] + output + found[2], text)
    if count != 1:
        raise SystemExit(f"README.md holds {count} blocks for `{command}`")
    return new


def with_cases(text: str) -> str:
    """The README with the rows of the table of cases replaced."""
    measured = (ROOT / "tests/benchmarks/results/by_hand.txt").read_text(encoding="utf-8")
    rows = re.findall(
        r"^(\w+): (\d+) lamps;.*?^  lampspur +([\d.]+) =.*?bound ([\d.]+);.*?^  ([\d.]+) s \("
        r".*?shortest ways: [-\d.]+ \(([-\d.]+ %)\).*?cheapest ways: [-\d.]+ \(([-\d.]+ %)\)",
        measured,
        flags=re.S | re.M,
    )
    lines = [
        f"| {case} | {lamps} | {float(cost):,.2f} | {float(bound):,.2f} | {seconds} | {short} | {cheap} |\n"
        for case, lamps, cost, bound, seconds, short, cheap in rows
    ]
    pattern = re.compile(r"(^\| case \| lamps .*?\n\| --- .*?\n)(?:\| .*\n)+", flags=re.M)
    return pattern.sub(lambda found: found[1] + "".join(lines), text)


def main() -> None:
    text = README.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "cases").symlink_to(ROOT / "cases")
        plan = "plan cases/courtyard --out courtyard-plan"
        text = with_block(text, f"lampspur {plan}", printed(*plan.split(), cwd=folder))
        text = with_block(text, "lampspur check courtyard-plan", printed("check", "courtyard-plan", cwd=folder))
        picture = (Path(folder) / "courtyard-plan/plan.svg").read_bytes()
    if "--cases" in sys.argv[1:]:
        text = with_cases(text)
    README.write_text(text, encoding="utf-8")
    (ROOT / "docs/courtyard.svg").write_bytes(picture)


if __name__ == "__main__":
    main()
