"""Lines to type, pasted into a real shell that can run nothing: what is left is what the lines themselves make it do."""

from __future__ import annotations

import subprocess
from collections.abc import Iterable
from pathlib import Path

#: The command that text of a host's own tries to have run.
MADE_UP = "made-up"
#: Words that a shell takes apart or runs unless they are quoted.
HOSTILE_WORDS = (f"x;{MADE_UP}", f"$({MADE_UP})", f"`{MADE_UP}`", f"x|{MADE_UP}", f"x&{MADE_UP}&", f"';{MADE_UP};'",
                 f"x>{MADE_UP}", f"\";{MADE_UP};\"", f"#;{MADE_UP}")
#: Each line is a shell of its own, for a line may end it; "try: dig ..." is pasted from behind its colon as well.
_SHELL = f"""
{MADE_UP}() {{ echo ran >&3; }}
while IFS= read -r line; do
  for pasted in "$line" "${{line#*: }}"; do (eval "$pasted") 3>&1 >/dev/null 2>&1 </dev/null; done
done
exit 0
"""


def escapes(lines: Iterable[str], folder: Path) -> str:
    """What the lines made the shell run or write in ``folder``, which is empty before; empty where they did nothing."""
    text = "".join(f"{line}\n" for line in dict.fromkeys(line for fix in lines for line in fix.split("\n")))
    shell = subprocess.run(["/bin/bash", "--norc", "-c", _SHELL], input=text, capture_output=True, text=True, check=True,
                           cwd=folder, env={"PATH": "/nonexistent"})
    return shell.stdout + " ".join(sorted(path.name for path in folder.iterdir()))
