"""Makes the virtual environment, and on a bare Debian first installs the package that this needs.

Usage: python3 make_venv.py FOLDER
"""

import os
import shutil
import subprocess
import sys

_FLOOR = (3, 11)


def main() -> int:
    """Make the environment; the exit status."""
    if sys.version_info < _FLOOR:
        print(f"seatrial needs Python 3.11 or later; this is {sys.version.split()[0]}. Try: make PYTHON=python3.11 demo",
              file=sys.stderr)
        return 1
    folder = sys.argv[1]
    try:
        import ensurepip  # noqa: F401 -- Debian keeps it in a package of its own
    except ImportError:
        package = f"python3.{sys.version_info.minor}-venv"
        install = ["apt-get", "install", "--yes", "--no-install-recommends", package]
        if os.geteuid() != 0 or shutil.which("apt-get") is None:
            print(f"Python's venv needs one more package: sudo {' '.join(install)}", file=sys.stderr)
            return 1
        subprocess.run(["apt-get", "update", "--quiet"], check=True)
        subprocess.run(install, check=True)
    shutil.rmtree(folder, ignore_errors=True)
    return subprocess.run([sys.executable, "-m", "venv", folder], check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
