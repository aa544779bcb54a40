"""A small kernel with iommufd and its headers, built from the distribution's source of a newer one than its own.

Debian's kernels have no iommufd: 6.1 is too old, and 6.12 and 7.3, in the backports of 12 and 13, have CONFIG_IOMMUFD
off. So one has to be built: once, in minutes, kept in the user's cache beside the guests' image. The source comes from
the suite of backports of the mirror that this computer's apt has, through lists and a cache of our own: the system's
are not touched and nothing is installed.
"""

from __future__ import annotations

import hashlib
import os
import platform
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

from attrs import frozen
from guest_image import Missing, cache_folder

CONFIG = Path(__file__).parent / "iommufd.config"
KEYRING = "/usr/share/keyrings/debian-archive-keyring.gpg"
TOOLS = {
    "make": "make",
    "cc": "gcc",
    "flex": "flex",
    "bison": "bison",
    "bc": "bc",
    "perl": "perl",
    "tar": "tar",
    "xz": "xz-utils",
}
"""What the build calls, and the package of each."""
LIBELF = Path("/usr/include/libelf.h")
HEADERS = ("iommufd.h", "vfio.h")


@frozen
class BuiltKernel:
    """What came of the build."""

    vmlinux: Path
    headers: Path
    """The folder that holds linux/vfio.h and linux/iommufd.h of this kernel."""


def built_kernel() -> BuiltKernel:
    """Raises Missing."""
    if platform.machine() != "x86_64":
        raise Missing("the guest is an x86-64 computer, and this one is not")
    absent = sorted(package for tool, package in TOOLS.items() if shutil.which(tool) is None)
    absent += [] if LIBELF.exists() else ["libelf-dev"]
    if absent:
        raise Missing(f"a kernel cannot be built; install the packages {' '.join(absent)}")
    cache = cache_folder()
    cache.mkdir(parents=True, exist_ok=True)
    apt = _Apt(cache / "apt")
    name = apt.source_name()
    package = apt.run("apt-get", "-qq", "download", "--print-uris", name).split()[1]
    made = cache / f"iommufd-{hashlib.sha256(package.encode() + CONFIG.read_bytes()).hexdigest()[:16]}"
    if not made.exists():
        with tempfile.TemporaryDirectory(dir=cache) as folder:
            work = Path(folder)
            apt.run("apt-get", "-qq", "download", name, folder=work)
            (work / "made").mkdir()
            _build(work)
            try:
                (work / "made").rename(made)
            except OSError:
                if not made.exists():  # by another run that was first
                    raise
    return BuiltKernel(made / "vmlinux", made)


class _Apt:
    """apt's own programs with a state in `folder`, which knows the suite of backports alone."""

    def __init__(self, folder: Path) -> None:
        self._config = folder / "apt.conf"
        for name in ("state/lists/partial", "cache/archives/partial"):
            (folder / name).mkdir(parents=True, exist_ok=True)
        (folder / "sources.list").write_text(_backports())
        self._config.write_text(
            f'Dir::State "{folder}/state";\nDir::Cache "{folder}/cache";\n'
            f'Dir::Etc::sourcelist "{folder}/sources.list";\nDir::Etc::sourceparts "-";\n'
            'Acquire::Languages "none";\n'
            'APT::Sandbox::User "";\n'  # whoever runs the tests: no other user sees into this folder
            "#clear APT::Update::Post-Invoke;\n#clear APT::Update::Post-Invoke-Success;\n"  # they are the system's
        )
        self.run("apt-get", "-qq", "update")

    def run(self, program: str, *arguments: str, folder: Path | None = None) -> str:
        return _output(program, "-c", str(self._config), *arguments, folder=folder)

    def source_name(self) -> str:
        """Of the package with the newest source in that suite."""
        depends = re.search(r"Depends: (linux-source-\S+)", self.run("apt-cache", "depends", "linux-source"))
        if depends is None:
            raise Missing("the mirror's backports have no package linux-source")
        return depends[1]


def _backports() -> str:
    """The line of the suite of backports, on the mirror that apt has this release from."""
    codename = platform.freedesktop_os_release().get("VERSION_CODENAME", "")
    wanted = ("Created-By: Packages", "Origin: Debian", "Component: main", f"Codename: {codename}")
    mirrors = _output("apt-get", "indextargets", "--format", "$(SITE)", *wanted).split()
    if not mirrors:
        raise Missing("apt has no mirror of this release of Debian; try apt-get update")
    return f"deb [signed-by={KEYRING}] {mirrors[0]} {codename}-backports main\n"


def _build(work: Path) -> None:
    """`made` below `work`, from the package that lies there."""
    (package,) = work.glob("*.deb")
    _output("dpkg-deb", "-x", str(package), str(work / "unpacked"))
    (archive,) = work.glob("unpacked/usr/src/linux-source-*.tar.*")
    source, out = work / "source", work / "out"
    source.mkdir()
    _output("tar", "-xf", str(archive), "--strip-components=1", "-C", str(source))
    make = ("make", "-s", f"-j{len(os.sched_getaffinity(0))}", "-C", str(source), f"O={out}")
    _made(*make, f"KCONFIG_ALLCONFIG={CONFIG}", "allnoconfig")
    chosen = (out / ".config").read_text().splitlines()
    lost = [line for line in CONFIG.read_text().splitlines() if line.startswith("CONFIG_") and line not in chosen]
    if lost:
        raise RuntimeError(f"this kernel has no {', '.join(lost)}")
    _made(*make, "vmlinux", "headers")
    shutil.copyfile(out / "vmlinux", work / "made/vmlinux")
    (work / "made/linux").mkdir()
    for name in HEADERS:
        shutil.copyfile(out / "usr/include/linux" / name, work / "made/linux" / name)


def _made(*command: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)} said {done.stderr.strip()[-2000:]}")


def _output(*command: str, folder: Path | None = None) -> str:
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        raise Missing(f"{command[0]} is not installed, so a kernel cannot be built") from None
    if done.returncode:
        raise Missing(f"a kernel cannot be built: {' '.join(command)} said {done.stderr.strip()[-500:]}")
    return done.stdout
