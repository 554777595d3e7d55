"""Runs a script cell by cell and writes the page: texts, code, what it prints.

usage: page.py SCRIPT PAGE [--check]

Cells start with ``# %%``; ``# %% [markdown]`` cells hold text behind ``# ``. With ``--check`` the page is not written
but compared with what is there.
"""

import contextlib
import io
import sys
from pathlib import Path


def cells(text: str) -> list[tuple[bool, str]]:
    """Whether a cell is text, and its lines."""
    out: list[tuple[bool, list[str]]] = []
    for line in text.splitlines():
        if line.startswith("# %%"):
            out.append((line.strip() == "# %% [markdown]", []))
        elif out:
            out[-1][1].append(line)
    return [(is_text, "\n".join(lines).strip("\n")) for is_text, lines in out]


def page(script: Path) -> str:
    names: dict[str, object] = {"__name__": "__main__"}
    out = [f"<!-- written by running {script.name}; do not edit -->\n"]
    for is_text, body in cells(script.read_text(encoding="utf-8")):
        if is_text:
            out.append("\n".join(line.removeprefix("#").removeprefix(" ") for line in body.splitlines()) + "\n")
            continue
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(body, script.name, "exec"), names)
        out.append(f"```python\n{body}\n```\n")
        if printed.getvalue():
            lines = "\n".join(line.rstrip() for line in printed.getvalue().splitlines())
            out.append(f"```text\n{lines}\n```\n")
    return "\n".join(out)


def main() -> int:
    script, target = Path(sys.argv[1]), Path(sys.argv[2])
    found = page(script)
    if "--check" not in sys.argv:
        target.write_text(found, encoding="utf-8")
        return 0
    expected = target.read_text(encoding="utf-8")
    if found == expected:
        return 0
    for number, (a, b) in enumerate(zip(expected.splitlines(), found.splitlines()), start=1):
        if a != b:
            print(f"{target}:{number}: expected\n  {a}\nfound\n  {b}", file=sys.stderr)
            break
    else:
        print(f"{target}: of another length than what the script gives now", file=sys.stderr)
    print(f"run `python {sys.argv[0]} {script} {target}` to write it again, then read it", file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main())
