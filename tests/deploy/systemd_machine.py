"""A machine with a real systemd for the trial of the units: this one's own files under a layer of its own.

systemd runs as the first process of namespaces of its own (systemd-nspawn), with no network but itself. What
is written goes to memory and is thrown away, so that nothing of the machine that runs the tests is changed.
Nothing is fetched: Python and its packages are those of the tests, Baulk is the source beside them, put in by
deploy/systemd/install.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import sysconfig
import time
import uuid
from contextlib import suppress
from pathlib import Path
from typing import Final

NEEDED: Final = ("systemd-nspawn", "nsenter", "mount", "umount", "mosquitto", "mosquitto_pub")
INIT: Final = Path("/lib/systemd/systemd")
# Of the machine below only its broker is wanted; what waits for a network would wait for minutes.
STILL: Final = (
    "systemd-networkd.service",
    "systemd-networkd.socket",
    "systemd-networkd-wait-online.service",
    "systemd-resolved.service",
    "nginx.service",
    "postgresql.service",
    "victoria-metrics.service",
)
ENVIRONMENT: Final = "/opt/environment"
SOURCE: Final = "/source"
PACKAGES: Final = "/opt/site-packages"  # a name by which packages know that they are installed
PATHS: Final = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
BOOT_S: Final = 60.0
LOADS: Final = """
import importlib, pkgutil, baulk, streamlit.web.bootstrap, streamlit.web.server, altair, pandas
for each in pkgutil.walk_packages(baulk.__path__, "baulk."):
    if not {"views", "migrations", "app", "__main__"} & set(each.name.split(".")):
        try:
            importlib.import_module(each.name)
        except ImportError:  # what only some shops need
            pass
"""


def why_not() -> str | None:
    """Return in one sentence why this machine can't run the trial; None where it can."""
    path = f"{os.environ.get('PATH', '')}:/usr/sbin"
    if not sys.platform.startswith("linux"):
        return "the trial of the units needs Linux, for systemd runs on nothing else"
    if os.geteuid() != 0:
        return (
            "the trial of the units needs root, for it mounts a layer and starts a machine of its own in it"
        )
    if not INIT.exists():
        return (
            f"the trial of the units needs systemd, and there is no {INIT} (Debian: apt-get install systemd)"
        )
    lacking = [name for name in NEEDED if shutil.which(name, path=path) is None]
    if lacking:
        return (
            f"the trial of the units needs {', '.join(lacking)} (Debian: apt-get install systemd-container "
            "mosquitto mosquitto-clients)"
        )
    if "overlay" not in Path("/proc/filesystems").read_text():
        return "the trial of the units needs a kernel with overlay file systems, and this one knows none"
    return None


class CannotStart(Exception):
    """A machine could not be started here; why, in one sentence."""


class Machine:
    """A machine for one trial; started by `start`, gone after `end`.

    Parameters
    ----------
    root : Path
        The sources to be installed.
    folder : Path
        An empty folder for mounts and the console.
    """

    def __init__(self, root: Path, folder: Path) -> None:
        self._source, self._folder = root, folder
        self._layer, self.root = folder / "layer", folder / "layer" / "root"
        self._outer: subprocess.Popen[bytes] | None = None
        self._first = 0

    def start(self) -> None:
        """Mount the layer and start systemd in it; raises CannotStart."""
        self._layer.mkdir()
        try:
            _mount("-t", "tmpfs", "-o", "mode=755", "tmpfs", self._layer)
            for name in ("up", "work", "root", "packages"):
                (self._layer / name).mkdir()
            told = f"lowerdir=/,upperdir={self._layer / 'up'},workdir={self._layer / 'work'}"
            _mount("-t", "overlay", "-o", told, "overlay", self.root)
        except subprocess.CalledProcessError as err:
            said = f"the trial of the units could not mount its layer: {err.stderr.strip()}"
            raise CannotStart(said) from err
        units = self.root / "etc/systemd/system"
        for each in STILL:
            (units / each).unlink(missing_ok=True)
            (units / each).symlink_to("/dev/null")
        libraries = self.root / "etc/ld.so.conf"  # a Python in a home folder, which the services can't see
        libraries.write_text("/opt/python/lib\n" + libraries.read_text())
        (self.root / "etc/machine-id").unlink(missing_ok=True)
        (self.root / "etc/machine-id").write_text(f"{uuid.uuid4().hex}\n")
        for gone in ("opt/baulk", "var/lib/baulk", "etc/baulk", "var/cache/baulk"):
            path = self.root / gone
            path.unlink(missing_ok=True) if path.is_file() else shutil.rmtree(path, ignore_errors=True)
        self.boot()
        self._make_environment()

    def boot(self) -> None:
        """Start systemd on what the layer holds; also once more after `off`."""
        base, packages = Path(sys.base_prefix).resolve(), sysconfig.get_paths()["purelib"]
        binds = [f"--bind-ro={self._source}:{SOURCE}", f"--bind-ro={base}:/opt/python"]
        binds.append(f"--overlay={packages}:{self._layer / 'packages'}:{PACKAGES}")
        console = (self._folder / "console").open("ab")
        with console:
            self._outer = subprocess.Popen(
                ["systemd-nspawn", "--quiet", "-D", self.root, "-M", f"baulk-trial-{os.getpid()}", "--boot",
                 "--register=no", "--keep-unit", "--private-network", "--console=pipe", "--resolv-conf=off",
                 "--timezone=off", "--link-journal=no", *binds],
                env={**os.environ, "SYSTEMD_NSPAWN_UNIFIED_HIERARCHY": "1"},
                stdin=subprocess.DEVNULL, stdout=console, stderr=console, start_new_session=True,
            )  # fmt: skip
        until = time.monotonic() + BOOT_S
        while not self._is_up():
            if self._outer.poll() is not None or time.monotonic() > until:
                last = (self._folder / "console").read_text(errors="replace").strip().splitlines()[-1:]
                said = f"the trial of the units could not start systemd: {''.join(last) or 'it said nothing'}"
                raise CannotStart(said)
            time.sleep(0.2)

    def _is_up(self) -> bool:
        assert self._outer is not None
        children = Path(f"/proc/{self._outer.pid}/task/{self._outer.pid}/children")
        with suppress(OSError, LookupError):  # it has no child yet
            self._first = int(children.read_text().split()[0])
            said = self.run("systemctl", "is-system-running", check=False).strip()
            return said in {"running", "degraded"}  # what of the machine below fails is not ours
        return False

    def _make_environment(self) -> None:
        """Make an environment of the tests' packages around the program that `install` puts into /opt."""
        self.run("ldconfig")
        self.run("/opt/python/bin/python3", "-m", "venv", "--without-pip", ENVIRONMENT)
        at = self.root / ENVIRONMENT.lstrip("/")
        (own,) = at.glob("lib/python3*/site-packages")
        links = at / "links" / "baulk"
        links.mkdir(parents=True)
        for part in ("models", "ingest", "dashboard"):
            (links / part).symlink_to(f"/opt/baulk/{part}")
        (own / "trial.pth").write_text(f"{ENVIRONMENT}/links\n{PACKAGES}\n")
        program = at / "bin" / "baulk"
        program.write_text(
            f"#!{ENVIRONMENT}/bin/python\nfrom baulk.dashboard.commands import main\n\nmain()\n"
        )
        program.chmod(0o755)
        # pip compiles what it installs, and the services may not; packages that were never compiled take a
        # minute to load. So all that ours loads is loaded once as root.
        warm = self.root / "opt/warm/baulk"
        warm.mkdir(parents=True)
        for part in ("models", "ingest", "dashboard"):
            (warm / part).symlink_to(f"{SOURCE}/{part}")
        self.run(
            "PYTHONPATH=/opt/warm", f"{ENVIRONMENT}/bin/python", "-W", "ignore", "-c", LOADS, seconds=900
        )

    def run(self, *words: str, check: bool = True, seconds: float = 180, told: str | None = None) -> str:
        """Run a command in the machine as root; what it said on its output."""
        done = subprocess.run(
            ["nsenter", "-t", str(self._first), "-a", "--", "/usr/bin/env", "-i",
             f"PATH={PATHS}", "HOME=/root", "LANG=C.UTF-8", *words],
            capture_output=True, text=True, timeout=seconds, check=False, input=told, cwd="/",
        )  # fmt: skip
        if check and done.returncode:
            raise AssertionError(f"{' '.join(words)} ended with {done.returncode}: {done.stderr[-2000:]}")
        return done.stdout

    def shown(self, unit: str, name: str) -> str:
        """Return a property of a unit as systemd knows it."""
        return self.run("systemctl", "show", "--value", "-p", name, unit).strip()

    def log(self, unit: str) -> str:
        """Return what a unit said and what systemd said of it."""
        return self.run("journalctl", "--no-pager", "-o", "cat", "-u", unit)

    def off(self) -> None:
        """Switch the machine off in order; what is on its disk stays."""
        if self._outer is not None and self._outer.poll() is None:
            self._outer.terminate()
            try:
                self._outer.wait(90)
            except subprocess.TimeoutExpired:
                os.killpg(self._outer.pid, signal.SIGKILL)
                self._outer.wait(10)
        self._outer = None

    def end(self) -> None:
        """End the machine and take all of it away."""
        self.off()
        for each in (self.root, self._layer):
            subprocess.run(["umount", "-l", each], check=False, capture_output=True)


def _mount(*words: str | Path) -> None:
    subprocess.run(["mount", *map(str, words)], check=True, capture_output=True, text=True)
