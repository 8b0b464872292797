"""Make the virtual environment and system libraries a command needs; standard library only.

``ensure`` returns only inside an environment whose installed requirements match the
files in the repository. Outside one it makes or refreshes ``.venv``, then replaces
the process by the same command in it.
"""

from __future__ import annotations

import ctypes.util
import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
import sysconfig
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
RUNTIME = ROOT / "requirements.txt"
TESTING = ROOT / "requirements-test.txt"
TEST_COMMANDS = {"test", "bench"}

#: Debian package → how to see that it is there already.
PDF_PACKAGES: dict[str, Callable[[], bool]] = {
    "libpango-1.0-0": lambda: bool(ctypes.util.find_library("pango-1.0")),
    "libpangoft2-1.0-0": lambda: bool(ctypes.util.find_library("pangoft2-1.0")),
    "libharfbuzz-subset0": lambda: bool(ctypes.util.find_library("harfbuzz-subset")),
    "fonts-dejavu-core": lambda: Path("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf").exists(),
}
BROWSER_PACKAGES: dict[str, Callable[[], bool]] = {
    "chromium": lambda: bool(shutil.which("chromium")),
    "fonts-liberation": lambda: (
        Path("/usr/share/fonts/truetype/liberation").exists()
        or Path("/usr/share/fonts/truetype/liberation2").exists()
    ),
}
SERVER_PACKAGES: dict[str, Callable[[], bool]] = {
    "redis-server": lambda: bool(shutil.which("redis-server")),
    "postgresql": lambda: bool(list(Path("/usr/lib/postgresql").glob("*/bin/postgres"))),
}
COMMAND_PACKAGES: dict[str, list[dict[str, Callable[[], bool]]]] = {
    "demo": [PDF_PACKAGES],
    "serve": [PDF_PACKAGES],
    "test": [PDF_PACKAGES, BROWSER_PACKAGES, SERVER_PACKAGES],
}


def ensure(argv: list[str]) -> None:
    """Return when this process may run the command; otherwise exec one that may, or exit 2."""
    command = argv[1] if len(argv) > 1 else ""
    if _inside() and os.environ.get("TRACKER_BOOTSTRAPPED") == _stamp(command):
        return
    with _lock():
        _system_packages(command)
        _environment(command)
    environment = os.environ | {"TRACKER_BOOTSTRAPPED": _stamp(command)}
    python = str(VENV / "bin" / "python")
    os.execve(python, [python, *argv], environment)


def _inside() -> bool:
    return Path(sys.prefix).resolve() == VENV.resolve()


def _files(command: str) -> list[Path]:
    return [RUNTIME, TESTING] if command in TEST_COMMANDS else [RUNTIME]


def _stamp(command: str) -> str:
    digest = hashlib.sha256(sys.version.encode())
    for path in _files(command):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


@contextmanager
def _lock() -> Iterator[None]:
    """Let one process at a time build the environment."""
    try:
        with open(ROOT / ".venv.lock", "w") as handle:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
    except PermissionError:
        _stop(f"this account may not write in {ROOT.name}/; run the command as the folder's owner")


def _environment(command: str) -> None:
    """Make or refresh ``.venv`` unless a marker says that it is up to date."""
    python = VENV / "bin" / "python"
    markers = VENV / "installed"
    marker = markers / _stamp(command)
    if python.exists() and marker.exists() and _works(python):
        return
    if not (python.exists() and _works(python) and _pip_works(python)):
        if VENV.exists():
            shutil.rmtree(VENV)
        _say("Making the environment (.venv) …")
        made = _create_venv()
        if not made:
            shutil.rmtree(VENV, ignore_errors=True)
            _install_debian(["python3-venv"])
            if not _create_venv():
                _stop("could not make .venv; on Debian run: sudo apt-get install python3-venv")
    for path in _files(command):
        _say(f"Installing {path.name} …")
        done = subprocess.run(
            [str(python), "-m", "pip", "install", "-q", "--disable-pip-version-check"]
            + ["--no-input", "-r", str(path)],
            capture_output=True,
            text=True,
        )
        if done.returncode:
            lines = [line for line in done.stderr.splitlines() if line.startswith("ERROR")]
            reason = (
                lines[-1]
                if lines
                else (done.stderr.strip().splitlines() or ["no reason given"])[-1]
            )
            _stop(
                f"could not install {path.name}: {reason} "
                "(network access to the Python package index is needed the first time; "
                "then run the same command again)"
            )
    markers.mkdir(exist_ok=True)
    marker.touch()
    if command in TEST_COMMANDS:
        # The test set contains the runtime set: spare the next command a check.
        (markers / _stamp("")).touch()


def _create_venv() -> bool:
    return (
        subprocess.run([_base_python(), "-m", "venv", str(VENV)], capture_output=True).returncode
        == 0
    )


def _base_python() -> str:
    """The interpreter behind a virtual environment, or this one."""
    base = getattr(sys, "_base_executable", None) or sys.executable
    return (
        base if Path(base).exists() else str(Path(sysconfig.get_config_var("BINDIR")) / "python3")
    )


def _works(python: Path) -> bool:
    return subprocess.run([str(python), "-c", ""], capture_output=True).returncode == 0


def _pip_works(python: Path) -> bool:
    return (
        subprocess.run([str(python), "-m", "pip", "--version"], capture_output=True).returncode == 0
    )


def _system_packages(command: str) -> None:
    missing = [
        name
        for group in COMMAND_PACKAGES.get(command, [])
        for name, present in group.items()
        if not present()
    ]
    if missing:
        _install_debian(missing)


def _install_debian(names: list[str]) -> None:
    """Install Debian packages, or print the one line to run and exit."""
    line = f"apt-get install --no-install-recommends {' '.join(names)}"
    if not shutil.which("apt-get"):
        _stop(f"system packages are missing: {' '.join(names)}; install them and run this again")
    prefix: list[str] = []
    if os.geteuid() != 0:
        if not shutil.which("sudo"):
            _stop(f"system packages are missing; as root run: {line}")
        prefix = ["sudo"] if sys.stdin.isatty() else ["sudo", "-n"]
    _say(f"Installing system packages: {' '.join(names)} …")
    environment = ["env", "DEBIAN_FRONTEND=noninteractive"]
    install = (
        prefix + environment + ["apt-get", "install", "-y", "-q", "--no-install-recommends", *names]
    )
    if _quiet(install):
        return
    _quiet(prefix + environment + ["apt-get", "update", "-q"])
    if not _quiet(install):
        _stop(f"could not install system packages; run: sudo {line}")


def _quiet(command: list[str]) -> bool:
    return (
        subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode
        == 0
    )


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


def _stop(message: str) -> None:
    sys.stderr.write(message + "\n")
    sys.exit(2)
