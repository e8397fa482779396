"""Type check of device/ against the stubs of the rp2 port: a call that the board does not have is an error.

    python tests/device/check_types.py [FILE ...]      # default: the whole of device/

The stubs are installed beside ordinary packages, where mypy does not look for single modules, and their
standard library replaces typeshed's. Both are copied into a folder of their own for the run.
Exit status is mypy's.
"""

from __future__ import annotations

import importlib.metadata
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

STUBS = ("micropython-rp2-stubs", "micropython-stdlib-stubs")
ROOT = Path(__file__).resolve().parents[2]

CONFIG = """\
[mypy]
python_version = 3.11
explicit_package_bases = True
namespace_packages = True
disallow_untyped_defs = True
check_untyped_defs = True
warn_unused_ignores = True
no_implicit_optional = True
mypy_path = {paths}

[mypy-shared_proto.*]
follow_imports = silent

# What the stubs themselves get wrong is not ours to mend.
[mypy-machine,vfs,math,rp2.*,_mpy_shed.*]
ignore_errors = True
"""


def copy_stubs(folder: Path) -> None:
    """Every .pyi file (and VERSIONS) of the stub packages, under the paths it has where it is installed."""
    for name in STUBS:
        for file in importlib.metadata.files(name) or ():
            if file.suffix == ".pyi" or file.name == "VERSIONS":
                target = folder / file
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(str(file.locate()), target)
    # mypy wants this one in every typeshed; the stub package leaves the folder empty.
    extensions = folder / "stubs" / "mypy-extensions"
    extensions.mkdir(parents=True, exist_ok=True)
    (extensions / "mypy_extensions.pyi").write_text("")


def check(files: list[Path]) -> subprocess.CompletedProcess[str]:
    """Runs mypy over the files; stdout has its messages."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        copy_stubs(folder)
        config = folder / "mypy.ini"
        paths = ", ".join(str(path) for path in (folder, ROOT / "device", ROOT))
        config.write_text(CONFIG.format(paths=paths))
        command = [sys.executable, "-m", "mypy", "--config-file", str(config)]
        command += ["--custom-typeshed-dir", str(folder), "--cache-dir", str(folder / "cache")]
        command += [str(file) for file in files]
        return subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)


if __name__ == "__main__":
    given = [Path(argument) for argument in sys.argv[1:]]
    result = check(given or sorted((ROOT / "device").rglob("*.py")))
    sys.stdout.write(result.stdout)
    sys.stderr.write(result.stderr)
    sys.exit(result.returncode)
