"""Tables that are printed and kept. In: lines. Out: the screen, and a file beside the benchmarks."""

from __future__ import annotations

import os
import platform
import sys
from importlib.metadata import version
from pathlib import Path

HERE = Path(__file__).resolve().parent / "results"
_USED = ("numpy", "scipy", "shapely", "networkx", "ortools", "highspy")


class Table:
    """Prints lines as they come; ``keep`` writes them to ``results/<name>.txt`` with command and versions above."""

    def __init__(self, name: str, *, quiet: bool = False) -> None:
        self.name, self.quiet = name, quiet
        self.lines: list[str] = []

    def line(self, text: str = "") -> None:
        self.lines.append(text)
        if not self.quiet:
            print(text, flush=True)

    def keep(self) -> Path:
        HERE.mkdir(exist_ok=True)
        path = HERE / f"{self.name}.txt"
        path.write_text("\n".join([f"$ {command()}", versions(), "", *self.lines, ""]), encoding="utf-8")
        return path


def command() -> str:
    """The command as typed, without this machine's paths."""
    main = sys.modules.get("__main__")
    spec = getattr(main, "__spec__", None)
    module = spec.name.removesuffix(".__main__") if spec is not None else Path(sys.argv[0]).name
    return " ".join(["python -m", module, *sys.argv[1:]])


def versions() -> str:
    found = []
    for name in _USED:
        try:
            found.append(f"{name} {version(name)}")
        except Exception:
            continue
    return f"Python {platform.python_version()}, {', '.join(found)}; {os.cpu_count()} processors"
