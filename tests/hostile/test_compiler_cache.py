"""Compiled code is run as it is found: nobody else may say where it is kept, a trip folder gone into least of all."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
CODE = """
import sys
from thermal.compiler import load
numba = load()
numba.core.config.reload_config()
print(numba.config.CACHE_DIR, numba.config.DISABLE_JIT, file=sys.stdout)
"""


def test_settings_of_the_working_folder_are_not_read(tmp_path):
    """Without a YAML reader the compiler would warn of the file, with one obey it."""
    (tmp_path / ".numba_config.yaml").write_text(f"cache_dir: {tmp_path}/theirs\ndisable_jit: 1\n")
    environment = {key: value for key, value in os.environ.items() if not key.startswith("NUMBA_")}
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", CODE],
        cwd=tmp_path,
        env=environment | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout.split()) == (0, ["0"]), done.stderr[-500:]


STRANGER = """
import sys
sys.path[:] = [path for path in sys.path if path]
from thermal.machine import folders
print(*folders(), sep="\\n")
"""


def test_nothing_is_kept_in_the_working_folder(tmp_path):
    """Nor where a relative cache folder would point from there."""
    environment = {key: value for key, value in os.environ.items() if not key.startswith("NUMBA_")}
    done = subprocess.run(
        [sys.executable, "-c", STRANGER],
        cwd=tmp_path,
        env=environment | {"PYTHONPATH": str(ROOT), "XDG_CACHE_HOME": "theirs"},
        capture_output=True,
        text=True,
        check=True,
    )
    folders = [Path(line) for line in done.stdout.splitlines()]
    assert folders[0] == ROOT / "thermal" / "__pycache__"
    assert all(path.is_absolute() and tmp_path not in path.parents for path in folders)
    assert list(tmp_path.iterdir()) == []
