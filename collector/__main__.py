"""Entry of the command `tallywire` and of `python -m collector`."""

from __future__ import annotations

import os
import sys
from importlib.util import find_spec
from pathlib import Path

PACKAGES = ("config", "checks", "collector", "deploy")


def foreign_packages() -> list[str]:
    """Packages of ours that Python would take from another folder than this file's, each as "name (where)".

    The names are general ones, so a package of somebody else can stand before ours on the path. Nothing is imported here:
    importing the wrong one would already run it.
    """
    home = Path(__file__).resolve().parent.parent
    found = []
    for name in PACKAGES:
        spec = find_spec(name)
        where = None if spec is None or spec.origin is None else Path(spec.origin).resolve().parent.parent
        if where != home:
            found.append(f"{name} ({'missing' if where is None else where / name})")
    return found


def one_thread_for_algebra() -> None:
    """Keep the linear algebra of numpy to one thread; to be called before numpy is first imported.

    The matrices here are small: more threads win nothing, and those that wait for work spin and starve their neighbours.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("OMP_NUM_THREADS", "1")


def entry() -> None:
    """Check that the four packages are ours, run the command, leave with its exit code."""
    foreign = foreign_packages()
    if foreign:
        sys.stderr.write(
            f"tallywire: {', '.join(foreign)}: not the package that belongs to {Path(__file__).resolve().parent}\n"
            "  fix: install tallywire into its own virtual environment or with pipx, and start it by `tallywire` "
            "or `python -I -m collector`\n"
        )
        raise SystemExit(2)
    one_thread_for_algebra()
    from collector.cli.main import main  # only now is it certain whose package this is

    raise SystemExit(main())


if __name__ == "__main__":
    entry()
